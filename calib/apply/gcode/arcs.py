"""Arcs in the XY plane: centre, sweep, straight pieces; works on one arc or on arrays of them.

G2 turns clockwise and G3 counter-clockwise seen from +Z; I and J run from the start to the centre in either distance
mode; with R, a positive radius takes the arc of 180 degrees or less: NIST IR 6556, section 3.5.3.
"""

import math

import numpy as np
import numpy.typing as npt

from calib.errors import FileError

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]

#: Straight pieces turn by no more than this, however coarse the tolerance.
LARGEST_STEP = math.pi / 8


def centre_of_radius(
    start: tuple[float, float], end: tuple[float, float], radius: float, *, clockwise: bool
) -> tuple[float, float] | None:
    """Return (i, j) of an arc given by its radius, or None where no such arc exists."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    chord = math.hypot(dx, dy)
    if chord == 0.0 or abs(radius) < 0.5 * chord * (1 - 1e-4):
        return None
    height = math.sqrt(max(0.0, radius * radius - 0.25 * chord * chord))
    side = -height if clockwise == (radius > 0) else height
    return dx / 2 - dy / chord * side, dy / 2 + dx / chord * side


def sweeps(x0: F64, y0: F64, x1: F64, y1: F64, i: F64, j: F64, turn: F64) -> tuple[F64, F64, F64]:
    """Return start angle, signed sweep and end radius.

    Parameters
    ----------
    x0, y0, x1, y1, i, j : (n,) float
        Start, end, and centre minus start.
    turn : (n,) float
        +1 counter-clockwise, -1 clockwise. Equal start and end make a full circle.
    """
    ex, ey = x1 - (x0 + i), y1 - (y0 + j)
    begin = np.arctan2(-j, -i)
    angle = turn * (np.arctan2(ey, ex) - begin)
    angle = np.mod(angle, 2 * np.pi)
    same = (x0 == x1) & (y0 == y1)
    angle = np.where(same | (angle < 1e-9), 2 * np.pi, angle)
    return begin, turn * angle, np.hypot(ex, ey)


def pieces(radius: F64, sweep: F64, tolerance: float) -> I64:
    """Return how many straight pieces keep within `tolerance` of each arc (chord height)."""
    share = np.clip(tolerance / np.maximum(radius, 1e-12), 0.0, 1.0)
    step = np.minimum(2 * np.arccos(1 - share), LARGEST_STEP)
    count: I64 = np.maximum(1, np.ceil(np.abs(sweep) / step - 1e-9)).astype(np.int64)
    return count


def split(count: I64) -> tuple[I64, F64]:
    """Return for every piece which arc it belongs to, and how far along the arc it ends (0 to 1]."""
    owner = np.repeat(np.arange(len(count)), count)
    first = np.cumsum(count) - count
    k = np.arange(len(owner)) - first[owner] + 1
    return owner, k / count[owner]


def is_broken(start_radius: F64, end_radius: F64, unit_mm: float) -> npt.NDArray[np.bool_]:
    """Tell where start and end are so unlike far from the centre that it is no rounding (0.1 mm, 2 %)."""
    far = np.abs(start_radius - end_radius) * unit_mm
    broken: npt.NDArray[np.bool_] = far > np.maximum(0.1, 0.02 * start_radius * unit_mm)
    return broken


def broken_arc(start_radius: float, end_radius: float, where: str) -> FileError:
    """Return the message for such an arc."""
    return FileError(
        f"the arc's centre is {start_radius:g} from its start but {end_radius:g} from its end",
        where=where,
        mend="the file is damaged, or I and J are not relative to the start",
    )
