"""Several pieces on as few beds as they need: nested by their outlines, so that one may lie in another."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.errors import SpecError
from patterns.piece import Piece, bounds_mm

#: Free strip kept along the bed's edges.
EDGE_MM = 5.0
_CELL_MM = 1.0  # the beds are divided into cells of this size
_FINE = 4  # an outline is drawn this much finer, and a cell counts that it touches anywhere

Mask = NDArray[np.bool_]
Shift = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class PlatePosition:
    """Where a piece goes: the number of its plate, from 0, and its shift in millimetres."""

    plate: int
    shift: Shift


def arrange(pieces: Sequence[Piece], gap_mm: float = 8.0) -> list[PlatePosition]:
    """Return the place of each piece, the largest placed first, on as many plates as are needed.

    Pieces are never turned, because each informs the axis that it lies along. Their outlines, brims
    included, stay `gap_mm` apart and clear of the bed's edges; what is on a plate is centred on it.

    Raises
    ------
    SpecError
        One does not fit on a bed, they were laid out for different printers, or one of them is tied to
        its place on the bed.
    """
    printed = [n for n, p in enumerate(pieces) if p.printed]
    if not printed:
        raise SpecError("there is nothing to print on the plate", mend="name a printed pattern")
    _check_alike([pieces[n] for n in printed])
    if len(printed) == 1:
        return [PlatePosition(0, _alone(p)) for p in pieces]
    shifts = _nested([pieces[n] for n in printed], gap_mm)
    places = dict(zip(printed, shifts, strict=True))
    return [places.get(n, PlatePosition(0, (0.0, 0.0, 0.0))) for n in range(len(pieces))]


def _nested(pieces: Sequence[Piece], gap_mm: float) -> list[PlatePosition]:
    setup = pieces[0].setup
    # A piece may reach half a gap beyond the strip along the edges: the strip is free itself.
    wide, deep = (room - 2 * EDGE_MM + gap_mm for room in (setup.build_x_mm, setup.build_y_mm))
    shape = (int(deep / _CELL_MM + 1e-9), int(wide / _CELL_MM + 1e-9))
    masks = [_mask(p, gap_mm) for p in pieces]
    beds: list[Mask] = []
    found: dict[int, tuple[int, int, int]] = {}
    for n in sorted(range(len(pieces)), key=lambda k: -int(masks[k].sum())):
        place = _first_place(beds, masks[n])
        if place is None:
            if masks[n].shape[0] > shape[0] or masks[n].shape[1] > shape[1]:
                raise SpecError(
                    f"{pieces[n].pattern} does not fit on a plate with room round it",
                    mend="make it smaller, or print it alone without --plate",
                )
            beds.append(np.zeros(shape, dtype=bool))
            place = (len(beds) - 1, 0, 0)
        plate, row, column = place
        rows, columns = masks[n].shape
        beds[plate][row : row + rows, column : column + columns] |= masks[n]
        found[n] = place
    return _centred(pieces, found, gap_mm)


def _first_place(beds: Sequence[Mask], mask: Mask) -> tuple[int, int, int] | None:
    """Return the first bed with room, and the foremost place on it, the leftmost of those."""
    from scipy.signal import fftconvolve

    for plate, bed in enumerate(beds):
        if any(m > b for m, b in zip(mask.shape, bed.shape, strict=True)):
            continue
        meets = fftconvolve(bed.astype(float), mask[::-1, ::-1].astype(float), mode="valid")
        rows, columns = np.nonzero(meets < 0.5)
        if len(rows):
            best = np.lexsort((columns, rows))[0]
            return plate, int(rows[best]), int(columns[best])
    return None


def _centred(
    pieces: Sequence[Piece], found: dict[int, tuple[int, int, int]], gap_mm: float
) -> list[PlatePosition]:
    setup = pieces[0].setup
    corners = {}
    for n, (plate, row, column) in found.items():
        low, high = _footprint(pieces[n])
        at = (column * _CELL_MM + gap_mm / 2, row * _CELL_MM + gap_mm / 2)
        corners[n] = (plate, at, (high[0] - low[0], high[1] - low[1]), low)
    placed = []
    for n in range(len(pieces)):
        plate, at, _, low = corners[n]
        mine = [c for c in corners.values() if c[0] == plate]
        shift = []
        for k, room in enumerate((setup.build_x_mm, setup.build_y_mm)):
            first = min(c[1][k] for c in mine)
            last = max(c[1][k] + c[2][k] for c in mine)
            shift.append(round(at[k] - first + (room - (last - first)) / 2 - low[k], 4))
        placed.append(PlatePosition(plate, (shift[0], shift[1], 0.0)))
    return placed


def _mask(piece: Piece, gap_mm: float) -> Mask:
    """Return the cells that a piece takes up seen from above, with its brim and half the gap."""
    from manifold3d import CrossSection, JoinType, Manifold, Mesh64

    from patterns.preview import preview_mesh

    mesh = preview_mesh(piece.body)
    flat = Manifold(Mesh64(mesh.vertices, mesh.triangles.astype(np.uint64))).project()
    grown = flat.offset(piece.advice.brim_mm + gap_mm / 2, JoinType.Miter, 2.0)
    (x0, y0), (x1, y1) = _footprint(piece)
    x0, y0, x1, y1 = x0 - gap_mm / 2, y0 - gap_mm / 2, x1 + gap_mm / 2, y1 + gap_mm / 2
    rows, columns = (max(1, math.ceil(round(s / _CELL_MM, 6))) for s in (y1 - y0, x1 - x0))
    fine = _drawn(CrossSection.to_polygons(grown), (x0, y0), (rows * _FINE, columns * _FINE))
    return np.asarray(fine.reshape(rows, _FINE, columns, _FINE).any(axis=(1, 3)), dtype=bool)


def _drawn(
    rings: list[NDArray[np.float64]], corner: tuple[float, float], shape: tuple[int, int]
) -> Mask:
    """Draw outlines and holes with an even-odd rule; the border of a cell counts as touched."""
    from PIL import Image, ImageChops, ImageDraw

    scale = _FINE / _CELL_MM
    whole = Image.new("1", (shape[1], shape[0]))
    rim = Image.new("1", (shape[1], shape[0]))
    for ring in rings:
        points = [((x - corner[0]) * scale, (y - corner[1]) * scale) for x, y in ring]
        one = Image.new("1", whole.size)
        ImageDraw.Draw(one).polygon(points, fill=1)
        whole = ImageChops.logical_xor(whole, one)
        ImageDraw.Draw(rim).line([*points, points[0]], fill=1, width=2)
    drawn: Mask = np.asarray(ImageChops.logical_or(whole, rim))
    return drawn


def _alone(piece: Piece) -> Shift:
    """Centre one piece, or leave it where it has to lie."""
    if not piece.printed or piece.advice.in_place:
        return (0.0, 0.0, 0.0)
    low, high = bounds_mm(piece.body)
    rooms = (piece.setup.build_x_mm, piece.setup.build_y_mm)
    dx, dy = ((room - a - b) / 2 for room, a, b in zip(rooms, low, high, strict=False))
    return (round(dx, 4), round(dy, 4), 0.0)


def _footprint(piece: Piece) -> tuple[tuple[float, float], tuple[float, float]]:
    """Box on the bed with the brim."""
    low, high = bounds_mm(piece.body)
    brim = piece.advice.brim_mm
    return (low[0] - brim, low[1] - brim), (high[0] + brim, high[1] + brim)


def _check_alike(pieces: Sequence[Piece]) -> None:
    first = pieces[0]
    for p in pieces:
        if p.advice.in_place and len(pieces) > 1:
            raise SpecError(
                f"{p.pattern} has its pads at their places on the bed and cannot be moved",
                mend="print it alone",
            )
        if (first.setup.build_x_mm, first.setup.build_y_mm) != (
            p.setup.build_x_mm,
            p.setup.build_y_mm,
        ):
            raise SpecError(
                "the pieces were laid out for beds of different sizes",
                mend="lay them out for one printer",
            )
        if len(pieces) > 1 and p.schedule != first.schedule:
            named = p if p.schedule else first
            raise SpecError(
                f"{named.pattern} changes settings with height, and would change them for the pieces"
                " beside it",
                mend="print it alone, and the others on a plate",
            )
