"""How a piece lies on the mat: which side is down, its body turned that way, and where it is solid."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from patterns.body import AXES, Body, Circle, Loop, Prism

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Side that is down -> rotation from the piece's coordinates to lying ones (z up from the mat).
SIDES: dict[str, tuple[tuple[int, int, int], ...]] = {
    "bottom": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "top": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),
    "front": ((1, 0, 0), (0, 0, -1), (0, 1, 0)),
    "back": ((1, 0, 0), (0, 0, 1), (0, -1, 0)),
    "left": ((0, 0, -1), (0, 1, 0), (1, 0, 0)),
    "right": ((0, 0, 1), (0, 1, 0), (-1, 0, 0)),
}


@dataclass(frozen=True, eq=False)
class Lying:
    """A body with one side down; lying coordinates have z = 0 on the mat, x and y about 0.

    Attributes
    ----------
    side : str
    body : Body
        As printed.
    turned : Body
        The same prisms in lying coordinates (its chamfer field means nothing there).
    rotation : (3, 3) float
    shift_mm : (3,) float
        lying = rotation @ piece + shift.
    size_mm : (3,) float
        The box around it.
    """

    side: str
    body: Body
    turned: Body
    rotation: Floats
    shift_mm: Floats
    size_mm: Floats

    def from_piece(self, points_mm: Floats) -> Floats:
        """Turn (n, 3) piece coordinates into lying ones."""
        return np.asarray(points_mm @ self.rotation.T + self.shift_mm)

    def solid_at(self, lying_mm: Floats) -> Bools:
        """Tell for (n, 3) lying points whether they are inside the body."""
        return solid_at(self.body, (lying_mm - self.shift_mm) @ self.rotation)

    @property
    def bed_up(self) -> bool:
        """The face that was printed on the bed looks at the camera."""
        return self.side == "top"


def lay(body: Body, side: str) -> Lying:
    """Lay a body on one of `SIDES`."""
    rotation = np.array(SIDES[side])
    turned = replace(
        body,
        add=tuple(_turn(p, rotation) for p in body.add),
        cut=tuple(_turn(p, rotation) for p in body.cut),
    )
    low, high = _box(turned)
    shift = np.array([-(low[0] + high[0]) / 2, -(low[1] + high[1]) / 2, -low[2]])
    turned = turned.moved(float(shift[0]), float(shift[1]), float(shift[2]))
    return Lying(side, body, turned, rotation.astype(float), shift, high - low)


def _turn(p: Prism, rotation: NDArray[np.int_]) -> Prism:
    """Rotate a prism by a signed permutation of the axes."""
    i, j, k = AXES[p.axis]
    to = {a: int(np.flatnonzero(rotation[:, a])[0]) for a in (i, j, k)}
    sign = {a: int(rotation[to[a], a]) for a in (i, j, k)}
    axis = "XYZ"[to[k]]
    swap = AXES[axis][0] != to[i]

    def loop(lo: Loop) -> Loop:
        if isinstance(lo, Circle):
            u, v = sign[i] * lo.u, sign[j] * lo.v
            return Circle(v, u, lo.diameter_mm) if swap else Circle(u, v, lo.diameter_mm)
        points = [(sign[i] * u, sign[j] * v) for u, v in lo]
        return tuple((v, u) for u, v in points) if swap else tuple(points)

    ends = sorted((sign[k] * p.start_mm, sign[k] * p.end_mm))
    return Prism(
        outline=loop(p.outline),
        holes=tuple(loop(h) for h in p.holes),
        start_mm=ends[0],
        end_mm=ends[1],
        axis=axis,
    )


def _box(body: Body) -> tuple[Floats, Floats]:
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for p in body.add:
        i, j, k = AXES[p.axis]
        points = loop_points(p.outline, 256)
        low[[i, j]] = np.minimum(low[[i, j]], points.min(axis=0))
        high[[i, j]] = np.maximum(high[[i, j]], points.max(axis=0))
        low[k], high[k] = min(low[k], p.start_mm), max(high[k], p.end_mm)
    return low, high


def loop_points(loop: Loop, around: int = 128) -> Floats:
    """Return a loop's (n, 2) corners; a circle as a polygon of `around` corners."""
    if isinstance(loop, Circle):
        t = np.arange(around) * (2 * np.pi / around)
        r = loop.diameter_mm / 2
        return np.column_stack([loop.u + r * np.cos(t), loop.v + r * np.sin(t)])
    return np.array(loop, dtype=float)


def solid_at(body: Body, points_mm: Floats) -> Bools:
    """Tell for (n, 3) points in piece coordinates whether they are inside the body.

    The chamfer at the bed is a test of the point moved sideways, in eight directions, by what the
    chamfer takes off at its height.
    """
    solid = _solid_sharp(body, points_mm)
    low = solid & (points_mm[:, 2] < body.chamfer_mm)
    if low.any():
        near = points_mm[low]
        lack = body.chamfer_mm - near[:, 2]
        keep = np.ones(len(near), dtype=bool)
        for angle in np.arange(8) * np.pi / 4:
            aside = near + lack[:, None] * np.array([np.cos(angle), np.sin(angle), 0])
            keep &= _solid_sharp(body, aside)
        solid[low] = keep
    return solid


def _solid_sharp(body: Body, points_mm: Floats) -> Bools:
    parts = _parts(body)
    return parts.add.holds(points_mm) & ~parts.cut.holds(points_mm)


@dataclass(frozen=True, eq=False)
class _Prisms:
    """Prisms, most of which are boxes: all boxes are looked at together."""

    low_mm: Floats
    high_mm: Floats
    others: tuple[Prism, ...]

    def holds(self, points_mm: Floats) -> Bools:
        """Tell for (n, 3) points whether they are inside one of the prisms."""
        inside = np.zeros(len(points_mm), dtype=bool)
        if len(self.low_mm):
            within = np.ones((len(points_mm), len(self.low_mm)), dtype=bool)
            for k in range(3):
                at = points_mm[:, k, None]
                within &= (at > self.low_mm[:, k]) & (at < self.high_mm[:, k])
            inside |= within.any(axis=1)
        for p in self.others:
            inside |= in_prism(p, points_mm)
        return inside


@dataclass(frozen=True, eq=False)
class _Parts:
    add: _Prisms
    cut: _Prisms


@lru_cache(maxsize=64)
def _parts(body: Body) -> _Parts:
    return _Parts(_sorted(body.add), _sorted(body.cut))


def _sorted(prisms: Sequence[Prism]) -> _Prisms:
    """Part boxes from the rest."""
    low, high, others = [], [], []
    for p in prisms:
        corners = None if isinstance(p.outline, Circle) or p.holes else loop_points(p.outline)
        if corners is None or not _is_rectangle(corners, corners.min(axis=0), corners.max(axis=0)):
            others.append(p)
            continue
        ends = np.array([[*corners.min(axis=0), p.start_mm], [*corners.max(axis=0), p.end_mm]])
        placed = np.zeros((2, 3))
        placed[:, list(AXES[p.axis])] = ends
        low.append(placed[0])
        high.append(placed[1])
    shape = (-1, 3)
    return _Prisms(np.array(low).reshape(shape), np.array(high).reshape(shape), tuple(others))


def in_prism(p: Prism, points_mm: Floats) -> Bools:
    """Tell for (n, 3) points whether they are inside one prism."""
    i, j, k = AXES[p.axis]
    inside = (points_mm[:, k] > p.start_mm) & (points_mm[:, k] < p.end_mm)
    at = np.flatnonzero(inside)
    if len(at):
        flat = points_mm[at][:, [i, j]]
        within = in_loop(p.outline, flat)
        for hole in p.holes:
            within &= ~in_loop(hole, flat)
        inside[at] = within
    return inside


def in_loop(loop: Loop, flat: Floats) -> Bools:
    """Tell for (n, 2) points whether they are inside a loop (crossings of a ray)."""
    if isinstance(loop, Circle):
        return np.asarray(np.hypot(flat[:, 0] - loop.u, flat[:, 1] - loop.v) < loop.diameter_mm / 2)
    a = np.array(loop, dtype=float)
    low, high = a.min(axis=0), a.max(axis=0)
    inside = ((flat > low) & (flat < high)).all(axis=1)
    at = np.flatnonzero(inside)
    if len(at) and not _is_rectangle(a, low, high):
        b = np.roll(a, -1, axis=0)
        x, y = flat[at, 0, None], flat[at, 1, None]
        spans = (a[:, 1] > y) != (b[:, 1] > y)
        rise = np.where(b[:, 1] == a[:, 1], 1.0, b[:, 1] - a[:, 1])
        crossing = a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / rise
        inside[at] = ((spans & (x < crossing)).sum(axis=1) % 2).astype(bool)
    return np.asarray(inside)


def _is_rectangle(points: Floats, low: Floats, high: Floats) -> bool:
    return len(points) == 4 and bool(((points == low) | (points == high)).all())
