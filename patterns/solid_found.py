"""Features found on any solid: opposite parallel faces and round holes or bosses along X, Y and Z."""

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from patterns.feature import Feature, Kind, Point
from patterns.solid_parts import XYZ, SolidError, box_of, parts

#: The most that is offered of a sort on one axis: more readings of one solid tell little.
_MOST_PER_SORT = 3
_LEAST_MM = 1.5  # shorter lengths are no use to a caliper
_OVERLAP_MM = 1.0  # faces must lie opposite to each other for this much
_SKIN_MM = 0.02
_JAW_MM = 2.0  # air that a jaw needs beyond a face
_SHARES = (0.5, 0.25, 0.75, 0.1, 0.9)  # of a face, where a free place on it is looked for


@dataclass(frozen=True, slots=True)
class _Flat:
    """A flat face across an axis: the axis, the side it looks to, its place, and the box round it."""

    axis: int
    side: int
    level: float
    low: XYZ
    high: XYZ


def found_features(shape: Any) -> tuple[Feature, ...]:
    """Return what a caliper can read on a solid that stands on z = 0, the longest first.

    Raises
    ------
    SolidError
        Nothing was found.
    """
    inside = _Inside(shape)
    flats = _flats(shape)
    found: list[Feature] = []
    for axis in (0, 1):
        found += _pairs(flats, axis, Kind.OUTSIDE, inside)
        found += _pairs(flats, axis, Kind.INSIDE, inside)
    found += _heights(flats, inside)
    found += _rounds(shape)
    if not found:
        msg = "no parallel faces and no cylinders along X, Y or Z were found"
        raise SolidError(msg)
    return tuple(found)


class _Inside:
    """Tells whether a point lies in the solid."""

    def __init__(self, shape: Any) -> None:
        from OCP.BRepClass3d import BRepClass3d_SolidClassifier

        self.ask = BRepClass3d_SolidClassifier(shape)

    def __call__(self, point: tuple[float, ...]) -> bool:
        from OCP.gp import gp_Pnt
        from OCP.TopAbs import TopAbs_IN

        self.ask.Perform(gp_Pnt(*point), 1e-7)
        return bool(self.ask.State() == TopAbs_IN)


def _flats(shape: Any) -> list[_Flat]:
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_Plane
    from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED

    found = []
    for face in parts(shape, TopAbs_FACE):
        surface = BRepAdaptor_Surface(face)
        if surface.GetType() != GeomAbs_Plane:
            continue
        plane = surface.Plane()
        normal = plane.Axis().Direction().Coord()
        turned = (face.Orientation() == TopAbs_REVERSED) != (not plane.Direct())
        for axis in range(3):
            if abs(abs(normal[axis]) - 1) < 1e-7:
                side = (1 if normal[axis] > 0 else -1) * (-1 if turned else 1)
                found.append(_Flat(axis, side, plane.Location().Coord()[axis], *box_of(face)))
    return found


def _pairs(flats: list[_Flat], axis: int, kind: Kind, inside: _Inside) -> list[Feature]:
    """Return lengths between faces that look away from each other, or at each other."""
    way = 1 if kind is Kind.OUTSIDE else -1
    pairs = [
        (a, b)
        for a in flats
        for b in flats
        if a.axis == b.axis == axis and (a.side, b.side) == (-way, way)
        and b.level - a.level > _LEAST_MM
    ]  # fmt: skip
    found: list[Feature] = []
    taken: set[tuple[float, float]] = set()
    for a, b in sorted(pairs, key=lambda p: p[0].level - p[1].level):
        levels = (round(a.level, 3), round(b.level, 3))
        at = None if levels in taken else _opposite(a, b, axis, way, inside)
        if at is not None:
            taken.add(levels)
            found.append(_length(axis, kind, a.level, b.level, at, len(found) + 1))
    return _spread(found)


def _spread(found: list[Feature]) -> list[Feature]:
    """Keep the longest two and the shortest: long ones tell the scale, a short one the offset."""
    if len(found) <= _MOST_PER_SORT:
        return found
    return [*found[: _MOST_PER_SORT - 1], found[-1]]


def _opposite(a: _Flat, b: _Flat, axis: int, way: int, inside: _Inside) -> XYZ | None:
    """Return a place where both faces are met at right angles, with air where the jaws go."""
    others = [k for k in range(3) if k != axis]
    spans = []
    for k in others:
        low, high = max(a.low[k], b.low[k]), min(a.high[k], b.high[k])
        if high - low < _OVERLAP_MM:
            return None
        spans.append((low, high))
    for u in _SHARES:
        for v in _SHARES:
            at = [0.0, 0.0, 0.0]
            for k, share, (low, high) in zip(others, (u, v), spans, strict=True):
                at[k] = low + share * (high - low)
            if _meets(a, b, axis, way, at, inside):
                return (at[0], at[1], at[2])
    return None


def _meets(a: _Flat, b: _Flat, axis: int, way: int, at: list[float], inside: _Inside) -> bool:
    def solid(level: float) -> bool:
        return inside(tuple(level if k == axis else at[k] for k in range(3)))

    for face, out in ((a, -way), (b, way)):
        if not solid(face.level - out * _SKIN_MM):
            return False
        if any(solid(face.level + out * d) for d in (_SKIN_MM, _JAW_MM / 2)):
            return False
    if way < 0:  # nothing in the gap
        steps = [a.level + (b.level - a.level) * n / 8 for n in range(1, 8)]
        return not any(solid(s) for s in steps)
    return True


def _length(axis: int, kind: Kind, a: float, b: float, at: XYZ, number: int) -> Feature:
    name = "XYZ"[axis]

    def point(level: float) -> Point:
        p = [round(v, 6) for v in at]
        p[axis] = round(level, 6)
        return (p[0], p[1], p[2])

    words = "between the faces" if kind is Kind.INSIDE else "over the faces"
    return Feature(
        id=f"{name.lower()}_{kind}_{number}",
        kind=kind,
        axis=name,
        nominal=round(b - a, 6),
        where=f"{words} {b - a:.2f} mm apart, along {name}",
        start=point(a),
        end=point(b),
        jaws=str(kind),
    )


def _heights(flats: list[_Flat], inside: _Inside) -> list[Feature]:
    """Return heights of upper faces above the bed, the highest first."""
    levels: dict[float, XYZ] = {}
    for f in flats:
        if f.axis == 2 and f.side > 0 and f.level > _LEAST_MM:
            at = _on_column(f, inside)
            if at is not None:
                levels.setdefault(round(f.level, 4), at)
    return [
        Feature(
            id=f"z_height_{number}",
            kind=Kind.HEIGHT,
            axis="Z",
            nominal=levels[level][2],
            where=f"height of the face {level:.2f} mm above the bed",
            start=(*levels[level][:2], 0.0),
            end=levels[level],
            view="front",
        )
        for number, level in enumerate(sorted(levels, reverse=True)[:_MOST_PER_SORT], 1)
    ]


def _on_column(f: _Flat, inside: _Inside) -> XYZ | None:
    """Return a place on an upper face that stands on the bed, with nothing above it."""
    for u in _SHARES:
        for v in _SHARES:
            x, y = (lo + s * (hi - lo) for s, lo, hi in zip((u, v), f.low, f.high, strict=False))
            solid = all(inside((x, y, z)) for z in (_SKIN_MM, f.level / 2, f.level - _SKIN_MM))
            if solid and not inside((x, y, f.level + _SKIN_MM)):
                return round(x, 6), round(y, 6), round(f.level, 6)
    return None


def _rounds(shape: Any) -> list[Feature]:
    """Return the diameters of whole cylinders: upright holes, lying holes, and upright bosses."""
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_Cylinder
    from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED

    turns: dict[tuple[Any, ...], float] = defaultdict(float)
    spans: dict[tuple[Any, ...], tuple[float, float]] = {}
    for face in parts(shape, TopAbs_FACE):
        surface = BRepAdaptor_Surface(face)
        if surface.GetType() != GeomAbs_Cylinder:
            continue
        cylinder = surface.Cylinder()
        along = cylinder.Axis().Direction().Coord()
        axis = next((k for k in range(3) if abs(abs(along[k]) - 1) < 1e-7), None)
        if axis is None:
            continue
        centre = [round(v, 4) for v in cylinder.Location().Coord()]
        centre[axis] = 0.0
        hole = face.Orientation() == TopAbs_REVERSED
        key = (axis, *centre, round(cylinder.Radius(), 6), hole)
        turns[key] += abs(surface.LastUParameter() - surface.FirstUParameter())
        low, high = box_of(face)
        was = spans.get(key, (low[axis], high[axis]))
        spans[key] = (min(was[0], low[axis]), max(was[1], high[axis]))
    whole = [k for k, turn in turns.items() if turn > 2 * math.pi - 1e-3 and 2 * k[4] > _LEAST_MM]
    named = [f for n, k in enumerate(whole, 1) for f in _diameter(n, k, spans[k])]
    return named[: 4 * _MOST_PER_SORT]


def _diameter(number: int, key: tuple[Any, ...], span: tuple[float, float]) -> list[Feature]:
    axis, x, y, z, radius, hole = key
    if axis != 2 and not hole:
        return []  # a lying boss has no setting of its own
    group = "pin" if not hole else "vertical" if axis == 2 else "horizontal"
    centre = [x, y, z]
    centre[axis] = max(span[0], span[1] - 1.0)
    across = [k for k in range(3) if k != axis]
    words = {"pin": "boss", "vertical": "upright hole", "horizontal": "lying hole"}[group]
    found = []
    for k in across:
        start, end = list(centre), list(centre)
        start[k] -= radius
        end[k] += radius
        found.append(
            Feature(
                id=f"{group}_{number}_{'xyz'[k]}",
                kind=Kind.DIAMETER,
                axis="XYZ"[k],
                nominal=round(2 * radius, 6),
                where=f"{words} of {2 * radius:g} mm, along {'XYZ'[k]}",
                start=(round(start[0], 6), round(start[1], 6), round(start[2], 6)),
                end=(round(end[0], 6), round(end[1], 6), round(end[2], 6)),
                view={0: "right", 1: "front", 2: "top"}[axis],
                jaws="outside" if group == "pin" else "inside",
                rung=round(2 * radius, 6),
                group=group,
            )
        )
    return found
