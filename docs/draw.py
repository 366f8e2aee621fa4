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
    gauge = registry.get("corner-gauge").piece({}, PrintSetup())
    return {
        "corner-gauge.svg": draw_piece(gauge, preview_mesh(gauge.body)),
        "pieces.svg": all_pieces(),
    }


def without_shading(svg: str) -> str:
    """Leave out the embedded shading, whose compressed bytes depend on the machine's zlib."""
    return re.sub(r"data:image/png;base64,[^\"']*", "", svg)


if __name__ == "__main__":
    for name, svg in pictures().items():
        (HERE / name).write_text(svg, encoding="utf-8")
