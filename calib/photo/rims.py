"""The rims of a lying piece: upper edges beyond which, seen from above, there is paper.

A rim is where a face that looks up ends and nothing of the piece is below or beside it down to the mat.
Each is kept as stations half a millimetre apart.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.photo.lying import Lying, loop_points
from patterns.body import Circle, Loop, Prism

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SPACING_MM = 0.5
_ASIDE_MM = 0.02  # how far beside an edge the body is probed
_LEVEL_MM = 0.03  # how far above and below
_SHORTEST_MM = 2.0
FULL_ROOM_MM = 4.0  # how far to each side a profile may run
_ROOM_STEPS_MM = (3.4, 2.8, 2.2, 1.8, 1.4, 1.1, 0.9, 0.7, 0.5, 0.3, 0.1)
_EVERY = 4  # stations between probes of what surrounds a rim
_ABOVE_MM = 0.05
_BESIDE_MM = (0.3, 0.8, 1.4)  # how far beyond a wall's foot the paper must be in sight


@dataclass(frozen=True, eq=False)
class Rim:
    """One rim in lying coordinates.

    Attributes
    ----------
    points_mm : (n, 3) float
        Stations.
    normals : (n, 2) float
        Outward, away from the material.
    foot_mm : (n,) float
        Height down to which the wall runs straight: below it is set back, or there is the mat.
    inner_mm, outer_mm : (n,) float
        How far the upper face runs inward, and how far nothing stands outward, up to 4 mm.
    circle : Circle or None
        The circle it is part of.
    bevel_mm : float
        Size of the chamfer that leads up from the rim to the face above; 0 for a sharp rim.
    """

    points_mm: Floats
    normals: Floats
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


@lru_cache(maxsize=16)
def rims_of(lying: Lying) -> tuple[Rim, ...]:
    """Return every rim of at least 2 mm, remembered for the last few pieces."""
    runs = [r for z in sorted(levels_of(lying), reverse=True) for r in _runs_at(lying, z)]
    return tuple(_rims(lying, runs))


@dataclass(frozen=True, eq=False)
class _Run:
    """A stretch of rim before what surrounds it is known."""

    points: Floats
    normals: Floats
    circle: Circle | None


@lru_cache(maxsize=16)
def levels_of(lying: Lying) -> frozenset[float]:
    """Heights of faces that look up or down, and where a chamfer begins."""
    out = set()
    for p in (*lying.turned.add, *lying.turned.cut):
        if p.axis == "Z":
            out |= {p.start_mm, p.end_mm}
        else:
            out |= {float(v) for lo in (p.outline, *p.holes) for v in loop_points(lo, 4)[:, 1]}
    top, c = float(lying.size_mm[2]), lying.body.chamfer_mm
    out |= {c, top - c} if c and lying.side in ("bottom", "top") else set()
    return frozenset(round(z, 6) for z in out if 1e-6 < z <= top + 1e-6)


def _candidates(lying: Lying, z: float) -> Iterator[tuple[Floats, Floats, Circle | None]]:
    """Outlines of every prism's section just below z, sampled: points (n, 2), normals, circle."""
    for p in (*lying.turned.add, *lying.turned.cut):
        if p.axis != "Z":
            for corners in _section(p, z - _LEVEL_MM / 2):
                yield from _sampled(corners)
        elif p.start_mm < z - 1e-9 and z <= p.end_mm + 1e-9:
            for loop in (p.outline, *p.holes):
                yield from _sampled(loop)


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
        count = max(16, round(np.pi * loop.diameter_mm / SPACING_MM))
        points = loop_points(loop, count)
        yield points, (points - (loop.u, loop.v)) / (loop.diameter_mm / 2), loop
        return
    corners = loop_points(loop)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        length = float(np.linalg.norm(b - a))
        if length < _SHORTEST_MM:
            continue
        count = max(3, round(length / SPACING_MM))
        along = (np.arange(count) + 0.5) / count
        normal = np.array([b[1] - a[1], a[0] - b[0]]) / length
        yield a + along[:, None] * (b - a), np.tile(normal, (count, 1)), None


def _probe(lying: Lying, flat: Floats, z: float | Floats) -> Bools:
    return lying.solid_at(np.column_stack([flat, np.broadcast_to(z, len(flat))]))


def _runs_at(lying: Lying, z: float) -> list[_Run]:
    """Probe all outlines of one level at once and keep the stretches that are rims."""
    found: dict[tuple[float, ...], tuple[Floats, Floats, Circle | None]] = {}
    for points, normals, circle in _candidates(lying, z):
        first, last = sorted((tuple(np.round(points[0], 3)), tuple(np.round(points[-1], 3))))
        found.setdefault((*first, *last, len(points)), (points, normals, circle))
    both = [(p, sign * n, c) for p, n, c in found.values() for sign in (1.0, -1.0)]
    if not both:
        return []
    points, normals = (np.concatenate([b[k] for b in both]) for k in (0, 1))
    inward = points - _ASIDE_MM * normals
    is_rim = _probe(lying, inward, z - _LEVEL_MM) & ~_probe(lying, inward, z + _LEVEL_MM)
    at = np.flatnonzero(is_rim)
    is_rim[at] &= _is_free(lying, points[at] + _ASIDE_MM * normals[at], np.full(len(at), z))
    ends = np.cumsum([len(p) for p, _, _ in both])[:-1]
    out = []
    for (p, n, c), marks in zip(both, np.split(is_rim, ends), strict=True):
        lifted = np.column_stack([p, np.full(len(p), z)])
        out += [_Run(*run, c) for run in _stretches(lifted, n, c, marks)]
    return out


def _layers(lying: Lying) -> list[tuple[float, float]]:
    """From below upwards: what is solid in the middle of such a layer is so all through it."""
    return list(pairwise([0.0, *sorted(levels_of(lying))]))


def _is_free(lying: Lying, flat: Floats, z: Floats) -> Bools:
    """Tell for (n, 2) places whether nothing of the piece is there, from (n,) z down to the mat."""
    out = np.ones(len(flat), dtype=bool)
    for low, high in _layers(lying):
        at = np.flatnonzero(out & (z > (low + high) / 2))
        out[at] = ~_probe(lying, flat[at], (low + high) / 2)
    return out


def _stretches(points: Floats, normals: Floats, circle: Circle | None, is_rim: Bools) -> Iterator[tuple[Floats, Floats]]:  # fmt: skip
    if circle is not None and is_rim.any() and not is_rim.all():
        first = int(np.flatnonzero(~is_rim)[0])  # begin in a gap, so that no run wraps round
        is_rim = np.roll(is_rim, -first)
        points, normals = np.roll(points, -first, axis=0), np.roll(normals, -first, axis=0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], is_rim.astype(int), [0]])))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if (last - first) * SPACING_MM >= _SHORTEST_MM - 1e-6:
            yield points[first:last], normals[first:last]


def _rims(lying: Lying, runs: Sequence[_Run]) -> list[Rim]:
    """Probe what surrounds all runs at once; it changes slowly, so every fourth station."""
    points = np.concatenate([r.points[::_EVERY] for r in runs])
    normals = np.concatenate([r.normals[::_EVERY] for r in runs])
    flat, z = points[:, :2], points[:, 2]
    foot = np.zeros(len(points))
    for low, high in reversed(_layers(lying)):
        at = np.flatnonzero((foot == 0) & (z > (low + high) / 2))
        undercut = ~_probe(lying, flat[at] - _ASIDE_MM * normals[at], (low + high) / 2)
        foot[at[undercut]] = high
    inner, outer = np.full(len(points), FULL_ROOM_MM), np.full(len(points), FULL_ROOM_MM)
    for t in _ROOM_STEPS_MM:
        inside = flat - t * normals
        ends = ~_probe(lying, inside, z - _LEVEL_MM) | _probe(lying, inside, z + _LEVEL_MM)
        inner[ends] = t
        outer[~_is_free(lying, flat + t * normals, z)] = t
    sizes = np.cumsum([len(r.points[::_EVERY]) for r in runs])[:-1]
    parts = zip(*(np.split(v, sizes) for v in (foot, inner, outer)), strict=True)
    return [_rim(lying, run, part) for run, part in zip(runs, parts, strict=True)]


def _rim(lying: Lying, run: _Run, around: tuple[Floats, ...]) -> Rim:
    every = np.arange(len(run.points)) // _EVERY
    foot, inner, outer = (v[every] for v in around)
    c = lying.body.chamfer_mm if lying.side == "top" else 0.0
    if c and abs(float(run.points[0, 2]) + c - lying.size_mm[2]) < 1e-6:
        return Rim(
            run.points, run.normals, foot, np.full(len(inner), FULL_ROOM_MM), outer, run.circle, c
        )
    return Rim(run.points, run.normals, foot, inner, outer, run.circle)


def visible(lying: Lying, rims: Sequence[Rim], eye_mm: Floats) -> list[Bools]:
    """Tell for the stations of every rim whether it can be seen from a place, and paper beyond it."""
    points = np.concatenate([r.points_mm for r in rims])
    normals = np.concatenate([r.normals for r in rims])
    foot, outer = (np.concatenate([getattr(r, name) for r in rims]) for name in ("foot_mm", "outer_mm"))  # fmt: skip
    seen = ~hidden(lying, points + np.array([0, 0, _ABOVE_MM]), eye_mm)
    wall = np.maximum(((_on_level(points, foot, eye_mm) - points[:, :2]) * normals).sum(axis=1), 0)
    for beside in _BESIDE_MM:
        at = np.flatnonzero(seen & (wall + beside < outer))
        across = np.pad((wall[at] + beside)[:, None] * normals[at], ((0, 0), (0, 1)))
        paper = eye_mm + (points[at] + across - eye_mm) * (eye_mm[2] / (eye_mm[2] - points[at, 2:]))
        seen[at] &= ~hidden(lying, paper + np.array([0, 0, _ABOVE_MM]), eye_mm)
    ends = np.cumsum([len(r.points_mm) for r in rims])[:-1]
    return np.split(seen, ends)


def _on_level(points: Floats, level: Floats, eye: Floats) -> Floats:
    """Where, in the plane of each point, a place straight below it is seen that lies at a level."""
    ratio = (eye[2] - points[:, 2]) / (eye[2] - level)
    return np.asarray(eye[:2] + (points[:, :2] - eye[:2]) * ratio[:, None])


def hidden(lying: Lying, points_mm: Floats, eye_mm: Floats) -> Bools:
    """Tell for (n, 3) lying points whether the piece itself stands between them and the camera."""
    top = float(lying.size_mm[2])
    towards = eye_mm - points_mm
    towards = towards / towards[:, 2:]
    out = np.zeros(len(points_mm), dtype=bool)
    for height in np.arange(0.1, float(top - points_mm[:, 2].min()), 0.5):
        left = np.flatnonzero(~out & (points_mm[:, 2] + height < top))
        if len(left):
            out[left] = lying.solid_at(points_mm[left] + height * towards[left])
    return out
