"""Draw the pictures of README.md: python docs/draw.py. The tool itself draws them."""

import re
from pathlib import Path

from patterns import registry
from patterns.drawing import contact_sheet, draw_piece
from patterns.preview import preview_mesh
from patterns.spec import PrintSetup

HERE = Path(__file__).parent


def pictures() -> dict[str, str]:
    """Return name -> SVG of every picture that README.md shows."""
    patterns = registry.all_patterns()
    pieces = {name: p.piece({}, PrintSetup()) for name, p in patterns.items()}
    meshes = {name: preview_mesh(piece.body) for name, piece in pieces.items()}
    cube = "dimensional-cube"
    return {
        f"{cube}.svg": draw_piece(pieces[cube], meshes[cube]),
        "pieces.svg": contact_sheet(
            [(pieces[n], meshes[n]) for n in pieces], [patterns[n].answers for n in pieces]
        ),
    }


def without_shading(svg: str) -> str:
    """Leave out the embedded shading, whose compressed bytes depend on the machine's zlib."""
    return re.sub(r"data:image/png;base64,[^\"']*", "", svg)


if __name__ == "__main__":
    for name, svg in pictures().items():
        (HERE / name).write_text(svg, encoding="utf-8")
