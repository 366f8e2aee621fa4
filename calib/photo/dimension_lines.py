"""Where to draw the measured lengths: dimension lines beside the piece, none on another."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_LANE_MM = 4.5
_MOST_LANES = 14
_CLEAR_MM = 0.9 * _LANE_MM  # from one line or label to the next
_ROOM_MM = 2.0  # between what stands in one lane


@dataclass(frozen=True, eq=False)
class DimensionLine:
    """A length drawn aside: its ends, and the line parallel to it.

    Attributes
    ----------
    ends, line : pairs of (3,) float
        World millimetres.
    """

    ends: tuple[Floats, Floats]
    line: tuple[Floats, Floats]


@dataclass(frozen=True, eq=False)
class _Taken:
    """A line with the label on its middle: where that is, which way, and half of how long both are."""

    centre: Floats
    direction: Floats
    half_mm: float
    half_label_mm: float

    def is_hit_by(self, other: "_Taken") -> bool:
        """Whether both stand in one lane, or one label lies on the other where the lines cross."""
        if abs(float(self.direction @ other.direction)) > 0.99:
            return bool(self._near(other.centre, self.half_mm + other.half_mm + _ROOM_MM))
        steps = np.linspace(-1, 1, 15)[:, None] * other.half_label_mm
        label = other.centre + steps * other.direction
        return bool(np.any(self._near(label, self.half_label_mm + _ROOM_MM)))

    def _near(self, points: Floats, along_mm: float) -> Bools:
        off = points - self.centre
        aside = off @ np.array([-self.direction[1], self.direction[0]])
        return np.asarray((np.abs(off @ self.direction) < along_mm) & (np.abs(aside) < _CLEAR_MM))


def place_lines(
    ends: Sequence[tuple[Floats, Floats]],
    label_mm: Sequence[float],
    is_free: Callable[[Floats], Bools],
) -> list[DimensionLine]:
    """Find a lane beside the piece for every length; on itself where there is none.

    Parameters
    ----------
    ends : sequence of pairs of (3,) float
        World millimetres.
    label_mm : sequence of float
        How much room each label needs along its line.
    is_free : function
        Whether (n, 3) world points are off the piece and in the picture.
    """
    order = sorted(range(len(ends)), key=lambda k: float(np.linalg.norm(ends[k][1] - ends[k][0])))
    out: dict[int, DimensionLine] = {}
    taken: list[_Taken] = []
    for k in order:  # short ones first, so that they stay near what they measure
        line, stretch = _lane(ends[k], label_mm[k], is_free, taken)
        taken += [stretch] if stretch is not None else []
        out[k] = DimensionLine(ends[k], line)
    return [out[k] for k in range(len(ends))]


def _lane(
    ends: tuple[Floats, Floats],
    label_mm: float,
    is_free: Callable[[Floats], Bools],
    taken: Sequence[_Taken],
) -> tuple[tuple[Floats, Floats], _Taken | None]:
    a, b = ends
    d = (b - a)[:2] / np.linalg.norm((b - a)[:2])
    if d[0] < -0.5 or (abs(d[0]) <= 0.5 and d[1] < 0):
        d = -d  # one direction for lengths that run against each other
    aside = np.array([-d[1], d[0]])
    long = max(float(abs((b - a)[:2] @ d)), label_mm)
    middle = (a + b) / 2
    for k in range(1, _MOST_LANES + 1):
        for sign in (1.0, -1.0):
            shift = sign * k * _LANE_MM
            centre = middle[:2] + shift * aside
            stretch = _Taken(centre, d, long / 2, label_mm / 2)
            if any(t.is_hit_by(stretch) for t in taken):
                continue
            steps = np.linspace(-long / 2, long / 2, 25)
            points = np.column_stack([centre + steps[:, None] * d, np.zeros(len(steps))])
            if is_free(points).all():
                return _moved(ends, shift * aside), stretch
    return ends, None


def _moved(ends: tuple[Floats, Floats], shift: Floats) -> tuple[Floats, Floats]:
    """Move ends aside, onto the paper, where the line is drawn."""
    a, b = (np.array([*(e[:2] + shift), 0.0]) for e in ends)
    return a, b
