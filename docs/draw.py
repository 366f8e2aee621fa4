"""Draw the pictures of README.md: python docs/draw.py. The tool itself draws them."""

import re
from pathlib import Path

from demo import all_pieces
from patterns import registry
from patterns.drawing import draw_piece
from patterns.preview import preview_mesh
from patterns.spec import PrintSetup

HERE = Path(__file__).parent


def pictures() -> dict[str, str]:
    """Return name -> SVG of every picture that README.md shows."""
    cube = registry.get("dimensional-cube").piece({}, PrintSetup())
    return {
        "dimensional-cube.svg": draw_piece(cube, preview_mesh(cube.body)),
        "pieces.svg": all_pieces(),
    }


def without_shading(svg: str) -> str:
    """Leave out the embedded shading, whose compressed bytes depend on the machine's zlib."""
    return re.sub(r"data:image/png;base64,[^\"']*", "", svg)


if __name__ == "__main__":
    for name, svg in pictures().items():
        (HERE / name).write_text(svg, encoding="utf-8")
