"""Several pieces on one bed: where each goes so that none touches another."""

import math
from collections.abc import Sequence

from patterns.errors import SpecError
from patterns.piece import Piece, bounds_mm

#: Free strip kept along the bed's edges.
EDGE_MM = 5.0
_PER_MM = 100  # the packing works in whole hundredths of a millimetre


def arrange(pieces: Sequence[Piece], gap_mm: float = 8.0) -> list[tuple[float, float, float]]:
    """Return the shift (dx, dy, 0) in millimetres that puts each piece in its place.

    Pieces are never turned, because each informs the axis that it lies along. Their boxes, brims
    included, stay `gap_mm` apart and clear of the bed's edges; the group is centred on the bed.

    Raises
    ------
    SpecError
        They do not fit on one bed, were laid out for different printers, or one of them is tied to
        its place on the bed.
    """
    import rpack

    printed = [p for p in pieces if p.printed]
    if not printed:
        raise SpecError("there is nothing to print on the plate", mend="name a printed pattern")
    _check_alike(printed)
    if len(printed) == 1:
        return [_alone(p) for p in pieces]
    room_x, room_y = printed[0].setup.build_x_mm, printed[0].setup.build_y_mm
    boxes = [_footprint(p) for p in printed]
    cells = [(_up(x1 - x0 + gap_mm), _up(y1 - y0 + gap_mm)) for (x0, y0), (x1, y1) in boxes]
    limit = [int((room - 2 * EDGE_MM + gap_mm) * _PER_MM) for room in (room_x, room_y)]
    try:
        corners = rpack.pack(cells, max_width=limit[0], max_height=limit[1])
    except rpack.PackingImpossibleError:
        names = ", ".join(p.pattern for p in printed)
        raise SpecError(
            f"{names} do not fit together on a bed of {room_x:g} x {room_y:g} mm",
            mend="put fewer on one plate, or make them smaller",
        ) from None
    wide = max(c[0] + s[0] for c, s in zip(corners, cells, strict=True)) / _PER_MM - gap_mm
    high = max(c[1] + s[1] for c, s in zip(corners, cells, strict=True)) / _PER_MM - gap_mm
    left, front = (room_x - wide) / 2, (room_y - high) / 2
    shifts = iter(
        (round(left + x / _PER_MM - x0, 4), round(front + y / _PER_MM - y0, 4), 0.0)
        for (x, y), ((x0, y0), _) in zip(corners, boxes, strict=True)
    )
    return [next(shifts) if p.printed else (0.0, 0.0, 0.0) for p in pieces]


def _alone(piece: Piece) -> tuple[float, float, float]:
    """Centre one piece, or leave it where it has to lie."""
    if not piece.printed or piece.advice.in_place:
        return (0.0, 0.0, 0.0)
    low, high = bounds_mm(piece.body)
    rooms = (piece.setup.build_x_mm, piece.setup.build_y_mm)
    dx, dy = ((room - a - b) / 2 for room, a, b in zip(rooms, low, high, strict=False))
    return (round(dx, 4), round(dy, 4), 0.0)


def _up(length_mm: float) -> int:
    return math.ceil(round(length_mm * _PER_MM, 4))


def _footprint(piece: Piece) -> tuple[tuple[float, float], tuple[float, float]]:
    """Box on the bed with the brim."""
    low, high = bounds_mm(piece.body)
    brim = piece.advice.brim_mm
    return (low[0] - brim, low[1] - brim), (high[0] + brim, high[1] + brim)


def _check_alike(pieces: Sequence[Piece]) -> None:
    for p in pieces:
        if p.advice.in_place and len(pieces) > 1:
            raise SpecError(
                f"{p.pattern} has its pads at their places on the bed and cannot be moved",
                mend="print it alone",
            )
        first, other = pieces[0].setup, p.setup
        if (first.build_x_mm, first.build_y_mm) != (other.build_x_mm, other.build_y_mm):
            raise SpecError(
                "the pieces were laid out for beds of different sizes",
                mend="lay them out for one printer",
            )
