"""A sheet of small pictures, one for each pattern, with its name and what it answers."""

import textwrap
from collections.abc import Sequence

from patterns.drawing.picture import picture
from patterns.drawing.style import INK, QUIET, TEXT
from patterns.drawing.svg import document, group, text
from patterns.drawing.views import VIEWS, extent_mm, frame
from patterns.mesh import Mesh
from patterns.piece import Piece

CELL_WIDTH, PICTURE_HEIGHT, TEXT_HEIGHT, GAP = 236.0, 168.0, 82.0, 18.0
COLUMNS = 4


def contact_sheet(
    pieces: Sequence[tuple[Piece, Mesh]], captions: Sequence[str], notes: Sequence[str] = ()
) -> str:
    """Draw every piece small, in a grid.

    Parameters
    ----------
    pieces : sequence of (Piece, Mesh)
    captions : sequence of str
        One for each piece: what it answers; up to three short lines are shown.
    notes : sequence of str
        One for each piece, or none: what it takes, under its name.

    Raises
    ------
    ValueError
        There are not as many captions as pieces, or no pieces.
    """
    if not pieces or len(pieces) != len(captions):
        msg = f"contact_sheet needs one caption for each piece (got {len(pieces)}, {len(captions)})"
        raise ValueError(msg)
    notes = notes or [""] * len(pieces)
    columns = min(COLUMNS, len(pieces))
    step_x, step_y = CELL_WIDTH + GAP, PICTURE_HEIGHT + TEXT_HEIGHT + GAP
    content = "".join(
        group(
            (GAP + step_x * (n % columns), GAP + step_y * (n // columns)), _cell(*pair, words, note)
        )
        for n, (pair, words, note) in enumerate(zip(pieces, captions, notes, strict=True))
    )
    size = (GAP + step_x * columns, GAP + step_y * -(-len(pieces) // columns))
    described = "; ".join(
        " ".join(filter(None, (f"{pair[0].pattern}: {words}", note)))
        for pair, words, note in zip(pieces, captions, notes, strict=True)
    )
    return document(size, "Calibration pieces", described, content)


def _cell(piece: Piece, mesh: Mesh, words: str, note: str) -> str:
    wide, high = extent_mm(mesh, VIEWS["iso"])
    shown = frame(mesh, VIEWS["iso"], min((CELL_WIDTH - 16) / wide, (PICTURE_HEIGHT - 12) / high))
    corner = ((CELL_WIDTH - shown.width) / 2, PICTURE_HEIGHT - 6 - shown.height)
    content = group(corner, picture(mesh, shown, edge_width=0.8))
    content += text((4, PICTURE_HEIGHT + 16), piece.pattern, TEXT + 1, INK, bold=True)
    first = PICTURE_HEIGHT + 32
    if note:
        content += text((4, first), note, 11.5, INK)
        first += 15
    for n, row in enumerate(textwrap.wrap(words, 38)[:3]):
        content += text((4, first + 14 * n), row, 11.5, QUIET)
    return content
