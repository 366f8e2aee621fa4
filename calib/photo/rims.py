"""The rims of a lying piece: upper edges that a camera above can see, with all a fit must know.

A rim is where a face that looks up ends and drops: solid on one side just below, free beside it and
above it. Each is kept as stations some millimetres apart.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.photo.lying import Lying, loop_points
from patterns.body import Circle, Loop, Prism

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_ASIDE_MM = 0.02  # how far beside an edge the body is probed
_LEVEL_MM = 0.03  # how far above and below
_SPACING_MM = 0.5
_SHORTEST_MM = 2.0
FULL_ROOM_MM = 4.0  # how far to each side a profile may run
_ROOM_STEPS_MM = (3.4, 2.8, 2.2, 1.8, 1.4, 1.1, 0.9, 0.7, 0.5, 0.3, 0.1)
_EVERY = 4  # stations between probes of what surrounds a rim


@dataclass(frozen=True, eq=False)
class Rim:
    """One rim in lying coordinates.

    Attributes
    ----------
    points_mm : (n, 3) float
        Stations, about 0.5 mm apart.
    normals : (n, 2) float
        Outward, away from the material.
    floor_mm : (n,) float
        Height of what lies beside and below: another upper face, or 0 for the mat.
    foot_mm : (n,) float
        Height down to which the wall runs straight (above the floor where there is a chamfer).
    inner_mm, outer_mm : (n,) float
        How far the upper face runs inward, and how far nothing rises outward, up to 4 mm.
    circle : Circle or None
        The circle it is part of.
    bevel_mm : float
        Size of the chamfer that leads up from the rim to the face above; 0 for a sharp rim.
    """

    points_mm: Floats
    normals: Floats
    floor_mm: Floats
    foot_mm: Floats
    inner_mm: Floats
    outer_mm: Floats
    circle: Circle | None = None
    bevel_mm: float = 0.0

    @property
    def z_mm(self) -> float:
        """Height of the rim."""
        return float(self.points_mm[0, 2])

    @property
    def length_mm(self) -> float:
        """Length of the run."""
        return float(np.linalg.norm(np.diff(self.points_mm, axis=0), axis=1).sum())

    @property
    def outermost(self) -> Bools:
        """Stations that drop to the mat."""
        return np.asarray(self.floor_mm < 1e-6)


def find_rims(lying: Lying) -> list[Rim]:
    """Return every rim of at least 2 mm."""
    runs: list[_Run] = []
    for z in _levels(lying):
        runs += _runs_at(lying, z)
    return _without_repeats(_rims(lying, runs))


@dataclass(frozen=True, eq=False)
class _Run:
    """A stretch of rim before what surrounds it is known."""

    z: float
    points: Floats
    normals: Floats
    circle: Circle | None


def _levels(lying: Lying) -> list[float]:
    """Heights of faces that look up or down, and where a chamfer below one of them begins."""
    out = set()
    for p in (*lying.turned.add, *lying.turned.cut):
        if p.axis == "Z":
            out |= {p.start_mm, p.end_mm}
        else:
            up = [loop_points(lo, 4)[:, 1] for lo in (p.outline, *p.holes)]
            out |= {float(v) for v in np.concatenate(up)}
    top = float(lying.size_mm[2])
    out |= {z - c for z in out for c in [lying.body.chamfer_mm] if c and lying.side != "bottom"}
    return sorted({round(z, 6) for z in out if 1e-6 < z <= top + 1e-6}, reverse=True)


def _candidates(lying: Lying, z: float) -> Iterator[tuple[Floats, Floats, Circle | None]]:
    """Outlines of every prism's section just below z, sampled: points (n, 2), normals, circle."""
    for p in (*lying.turned.add, *lying.turned.cut):
        if p.axis == "Z":
            if p.start_mm < z - 1e-9 and z <= p.end_mm + 1e-9:
                for loop in (p.outline, *p.holes):
                    yield from _sampled(loop)
        else:
            for corners in _section(p, z - _LEVEL_MM / 2):
                yield from _sampled(corners)


def _section(p: Prism, z: float) -> list[Loop]:
    """Rectangles in which a plane at z cuts a prism that lies along X or Y."""
    crossings: list[float] = []
    for loop in (p.outline, *p.holes):
        a = loop_points(loop, 256)
        b = np.roll(a, -1, axis=0)
        cut = (a[:, 1] > z) != (b[:, 1] > z)
        t = (z - a[cut, 1]) / (b[cut, 1] - a[cut, 1])
        crossings += list(a[cut, 0] + t * (b[cut, 0] - a[cut, 0]))
    out: list[Loop] = []
    for u0, u1 in zip(*[iter(sorted(crossings))] * 2, strict=False):
        x0, y0, x1, y1 = (
            (u0, p.start_mm, u1, p.end_mm) if p.axis == "Y" else (p.start_mm, u0, p.end_mm, u1)
        )
        out.append(((x0, y0), (x1, y0), (x1, y1), (x0, y1)))
    return out


def _sampled(loop: Loop) -> Iterator[tuple[Floats, Floats, Circle | None]]:
    if isinstance(loop, Circle):
        count = max(16, round(np.pi * loop.diameter_mm / _SPACING_MM))
        points = loop_points(loop, count)
        yield points, (points - (loop.u, loop.v)) / (loop.diameter_mm / 2), loop
        return
    corners = loop_points(loop)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        length = float(np.linalg.norm(b - a))
        if length < _SHORTEST_MM:
            continue
        count = max(3, round(length / _SPACING_MM))
        along = (np.arange(count) + 0.5) / count
        normal = np.array([b[1] - a[1], a[0] - b[0]]) / length
        yield a + along[:, None] * (b - a), np.tile(normal, (count, 1)), None


def _probe(lying: Lying, flat: Floats, z: float | Floats) -> Bools:
    return lying.solid_at(np.column_stack([flat, np.broadcast_to(z, len(flat))]))


def _runs_at(lying: Lying, z: float) -> list[_Run]:
    """Probe all outlines of one level at once and keep the stretches that are rims."""
    found: dict[tuple[float, ...], tuple[Floats, Floats, Circle | None]] = {}
    for points, normals, circle in _candidates(lying, z):
        key = (*np.round(points[0], 3), *np.round(points[-1], 3), len(points))
        found.setdefault(key, (points, normals, circle))
    if not found:
        return []
    both = [(p, sign * n, c) for p, n, c in found.values() for sign in (1.0, -1.0)]
    points = np.concatenate([p for p, _, _ in both])
    normals = np.concatenate([n for _, n, _ in both])
    inward, outward = points - _ASIDE_MM * normals, points + _ASIDE_MM * normals
    is_rim = _probe(lying, inward, z - _LEVEL_MM)
    is_rim &= ~_probe(lying, outward, z - _LEVEL_MM)
    is_rim &= ~_probe(lying, inward, z + _LEVEL_MM)
    ends = np.cumsum([len(p) for p, _, _ in both])[:-1]
    out = []
    for (p, n, c), marks in zip(both, np.split(is_rim, ends), strict=True):
        out += _stretches(z, p, n, c, marks)
    return out


def _stretches(
    z: float, points: Floats, normals: Floats, circle: Circle | None, is_rim: Bools
) -> list[_Run]:
    if circle is not None and is_rim.any() and not is_rim.all():
        first = int(np.flatnonzero(~is_rim)[0])  # begin in a gap, so that no run wraps round
        is_rim = np.roll(is_rim, -first)
        points, normals = np.roll(points, -first, axis=0), np.roll(normals, -first, axis=0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], is_rim.astype(int), [0]])))
    return [
        _Run(z, points[first:last], normals[first:last], circle)
        for first, last in zip(edges[::2], edges[1::2], strict=True)
        if (last - first) * _SPACING_MM >= _SHORTEST_MM - 1e-6
    ]


def _rims(lying: Lying, runs: list[_Run]) -> list[Rim]:
    """Probe what surrounds the runs, all at once; it changes slowly, so every fourth station."""
    if not runs:
        return []
    z = np.concatenate([np.full(len(r.points[::_EVERY]), r.z) for r in runs])
    points = np.concatenate([r.points[::_EVERY] for r in runs])
    normals = np.concatenate([r.normals[::_EVERY] for r in runs])
    floor, foot = _floor_and_foot(lying, z, points, normals)
    inner, outer = _room(lying, z, points, normals, floor)
    c = lying.body.chamfer_mm
    within = points - (c + _ASIDE_MM) * normals
    above = c + _room(lying, z + c, within, normals, floor)[0] if c else inner
    out, at = [], 0
    for r in runs:
        part = slice(at, at + len(r.points[::_EVERY]))
        at = part.stop
        bevelled = c > 0 and lying.side != "bottom" and float(np.median(inner[part])) < c
        room = above[part] if bevelled else inner[part]
        every = np.arange(len(r.points)) // _EVERY
        lifted = np.column_stack([r.points, np.full(len(r.points), r.z)])
        around = (floor[part][every], foot[part][every], room[every], outer[part][every])
        out.append(Rim(lifted, r.normals, *around, r.circle, c if bevelled else 0.0))
    return out


def _floor_and_foot(
    lying: Lying, z: Floats, points: Floats, normals: Floats
) -> tuple[Floats, Floats]:
    outward, inward = points + _ASIDE_MM * normals, points - _ASIDE_MM * normals
    levels = _levels(lying)
    floor = np.zeros(len(points))
    for level in levels:
        below = (floor == 0) & (level < z - 1e-6)
        floor[below & _probe(lying, outward, level - _LEVEL_MM)] = level
    foot = floor.copy()
    for high, low in pairwise([*levels, 0.0]):  # undercuts, from the top down
        below = (foot == floor) & (high < z - 1e-6) & (high > floor)
        foot[below & ~_probe(lying, inward, (low + high) / 2)] = high
    c = lying.body.chamfer_mm
    if lying.side == "bottom" and c:
        foot[(foot == 0) & (z > c) & ~_probe(lying, inward, c / 2)] = c
    return floor, foot


def _room(
    lying: Lying, z: Floats, points: Floats, normals: Floats, floor: Floats
) -> tuple[Floats, Floats]:
    inner, outer = np.full(len(points), FULL_ROOM_MM), np.full(len(points), FULL_ROOM_MM)
    for t in _ROOM_STEPS_MM:
        inside = points - t * normals
        ends = ~_probe(lying, inside, z - _LEVEL_MM) | _probe(lying, inside, z + _LEVEL_MM)
        inner[ends] = t
        outside = points + t * normals
        rises = _probe(lying, outside, floor + _LEVEL_MM) | _probe(lying, outside, z - _LEVEL_MM)
        sinks = (floor > 0) & ~_probe(lying, outside, floor - _LEVEL_MM)
        outer[rises | sinks] = t
    return inner, outer


def _without_repeats(rims: list[Rim]) -> list[Rim]:
    """Drop runs that two prisms share (the longer one stays)."""
    out: list[Rim] = []
    for rim in sorted(rims, key=lambda r: -r.length_mm):
        middle = rim.points_mm[len(rim.points_mm) // 2]
        normal = rim.normals[len(rim.normals) // 2]
        twin = any(abs(r.z_mm - rim.z_mm) < 1e-6 and _passes(r, middle, normal) for r in out)
        if not twin:
            out.append(rim)
    return out


def _passes(rim: Rim, at: Floats, normal: Floats) -> bool:
    gaps = np.linalg.norm(rim.points_mm - at, axis=1)
    near = int(gaps.argmin())
    if gaps[near] > _SPACING_MM or rim.normals[near] @ normal < 0.99:
        return False
    return bool(abs((rim.points_mm[near] - at)[:2] @ normal) < 0.01)


@lru_cache(maxsize=16)
def rims_of(lying: Lying) -> tuple[Rim, ...]:
    """Return `find_rims` of a lying piece, remembered."""
    return tuple(find_rims(lying))
