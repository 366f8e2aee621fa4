"""Squareness frame: round bosses at four corners, for diagonals and sides that show skew.

Caliper jaws touch a boss along one line whatever the skew, as over measuring pins, where flats would
tilt with it. Lying flat (XY) the bosses are pillars on a square ring. Standing (XZ, YZ) it is a gate
with an open top: two posts and two crossed braces at 45 degrees, so that nothing is bridged and little
is printed, on feet that keep it from falling over. The bosses carry one to four dots.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from patterns.body import XY, Body, Circle, Prism, rectangle
from patterns.digits import dots, engraved, needed_mm, stroke_for
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.piece import JAWS_CLOSED, Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, choice, number

_MARGIN_MM = 10.0  # of the bed, brim included
_FLAT_SIDE_MM, _STANDING_SIDE_MM = 90.0, 64.0
_POST_MM, _LEAST_PILLAR_MM = 2.6, 8.0
_FOOT_OUT_MM, _FOOT_UP_MM, _FOOT_LOW_MM = 10.0, 12.0, 2.0


@dataclass(frozen=True, kw_only=True)
class SquarenessFrameSpec(Spec):
    """Parameters of the squareness frame."""

    plane: str = choice("XY", ("XY", "XZ", "YZ"), "the two axes whose angle is measured")
    side_mm: float = number(
        0.0, "mm", 0.0, 600.0, "between two bosses (0: 90 lying, 64 standing, as the bed allows)"
    )
    pillar_mm: float = number(
        0.0, "mm", 0.0, 40.0, "diameter of a boss (0: 10, or as the letters need)"
    )
    bar_mm: float = number(
        0.0, "mm", 0.0, 30.0, "width of bars and braces (0: 5, or as the letters need)"
    )
    thickness_mm: float = number(2.4, "mm", 1.6, 30.0, "height of the bars lying flat")
    pillar_height_mm: float = number(
        6.6, "mm", 5.6, 60.0, "height of the bosses lying flat; depth of a standing frame"
    )


@pattern(
    "squareness-frame",
    SquarenessFrameSpec,
    "Are the axes square to each other?",
    settles=("skew",),
    first_for=("skew",),
    shrinks=(("side_mm", -1),),
)
def lay_out(spec: SquarenessFrameSpec, setup: PrintSetup) -> Piece:
    """Lay the frame out with its first boss near the origin."""
    spec = _filled_in(spec, setup)
    return _flat(spec, setup) if spec.plane == "XY" else _standing(spec, setup)


def _filled_in(spec: SquarenessFrameSpec, setup: PrintSetup) -> SquarenessFrameSpec:
    """Fill in what was left open, and refuse what jaws could not reach."""
    flat, text = spec.plane == "XY", max(needed_mm("X", setup))
    usual = max(10.0, text + 3 if flat else math.sqrt(2) * (text + 0.02) + 1)
    spec = replace(spec, pillar_mm=spec.pillar_mm or round(usual, 2))
    if spec.pillar_mm < _LEAST_PILLAR_MM:
        raise SpecError(
            f"pillar_mm must be {_LEAST_PILLAR_MM:g} mm or more (got {spec.pillar_mm:g})",
            mend="try 10",
        )
    # Standing, the jaws reach the bars too: their corners must stay inside the bosses.
    widest = spec.pillar_mm - 3 if flat else (spec.pillar_mm - 1) / math.sqrt(2)
    if spec.bar_mm == 0.0:
        bar = round(max(min(5.0, widest - 0.01), *needed_mm("X", setup)), 2)
        spec = replace(spec, bar_mm=bar)
    if spec.bar_mm > widest:
        raise SpecError(
            f"bars of {spec.bar_mm:g} mm leave no room for jaws on bosses of {spec.pillar_mm:g} mm",
            mend=f"give bar_mm {widest:.1f} or less, or pillar_mm more",
        )
    usual = _FLAT_SIDE_MM if flat else _STANDING_SIDE_MM
    room = {"X": setup.build_x_mm, "Y": setup.build_y_mm, "Z": setup.build_z_mm}
    fits = min(room[a] for a in spec.plane) - spec.pillar_mm - 2 * _MARGIN_MM
    spec = replace(spec, side_mm=spec.side_mm or float(math.floor(max(min(usual, fits), 10.0))))
    if spec.side_mm < 3 * spec.pillar_mm:
        raise SpecError(
            f"bosses of {spec.pillar_mm:g} mm crowd a side of {spec.side_mm:g} mm",
            mend=f"give side_mm {3 * spec.pillar_mm:g} or more, or a smaller pillar_mm",
        )
    return spec


Centres = dict[int, tuple[float, float]]
At = Callable[[float, float], Point]


def _centres(spec: SquarenessFrameSpec, low: float) -> Centres:
    """Return the bosses' middles by their dots, round from the origin."""
    r, s = spec.pillar_mm / 2, spec.side_mm
    return {1: (r, low), 2: (r + s, low), 3: (r + s, low + s), 4: (r, low + s)}


def _flat(spec: SquarenessFrameSpec, setup: PrintSetup) -> Piece:
    r, s, half = spec.pillar_mm / 2, spec.side_mm, spec.bar_mm / 2
    bars, top = setup.layers(spec.thickness_mm), setup.layers(spec.pillar_height_mm)
    if top - bars < 4:
        raise SpecError(
            "the bosses rise less than 4 mm above the bars, too little for the jaws",
            mend=f"give pillar_height_mm {spec.thickness_mm + 5:g}",
        )
    centres = _centres(spec, r)
    ring = Prism(
        outline=rectangle(r - half, r - half, r + s + half, r + s + half),
        holes=(rectangle(r + half, r + half, r + s - half, r + s - half),),
        start_mm=0,
        end_mm=bars,
    )
    discs = (Circle(u, v, spec.pillar_mm) for u, v in centres.values())
    # No chamfer: the jaws touch well above the first layer.
    marks = _dots(spec, setup, centres, "top", top, 2 * setup.layer_mm)
    for axis, middle in ((spec.plane[0], (r + 0.3 * s, r)), (spec.plane[1], (r, r + 0.3 * s))):
        marks += _letter(spec, setup, axis, middle, "top", bars, 2 * setup.layer_mm)
    height = (bars + top) / 2

    def at(u: float, v: float) -> Point:
        return (u, v, height)

    features = []
    for jaws in ("outside", "inside"):
        features += [
            _between(spec, centres, at, "top", ends, jaws)
            for ends in ((1, 2), (4, 3), (1, 4), (2, 3))
        ]
        features += [_between(spec, centres, at, "top", ends, jaws) for ends in ((1, 3), (2, 4))]
    features += [_alone(spec, centres, at, n, axis) for axis, n in (("X", 1), ("Y", 3))]
    return _piece(
        spec, setup, features,
        Body(add=(ring, *(Prism(outline=d, start_mm=0, end_mm=top) for d in discs)), cut=marks),
        Advice(
            walls=3, infill_percent=20, brim_mm=3.0,
            notes=("Print as it lies. Hold the caliper square to the bosses, above the bars.",),
        ),
    )  # fmt: skip


def _standing(spec: SquarenessFrameSpec, setup: PrintSetup) -> Piece:
    r, s, deep = spec.pillar_mm / 2, spec.side_mm, spec.pillar_height_mm
    axis = "Y" if spec.plane == "XZ" else "X"
    # The lower bosses sink a little into the bed's plane: a flat to stand on, 45 degrees kept free.
    # How much is rounded up so that the top is a whole number of layers high.
    low = round(setup.layers(0.8 * r + s + r + 0.49 * setup.layer_mm) - s - r, 6)
    centres = _centres(spec, low)

    def swept(outline: tuple[XY, ...] | Circle, start: float = 0.0, end: float = deep) -> Prism:
        return Prism(outline=outline, start_mm=start, end_mm=end, axis=axis)

    half, post = spec.bar_mm / 2, min(_POST_MM, spec.bar_mm) / 2
    dot = _dot_mm(spec, setup)
    base = setup.layers(max(spec.bar_mm, 5 * dot + setup.line_mm) + setup.layer_mm / 2)
    add = [swept(Circle(u, v, spec.pillar_mm)) for u, v in centres.values()]
    add += [swept(_drop(centres[n], r)) for n in (3, 4)]
    add += [swept(_brace(centres[a], centres[b], half)) for a, b in ((1, 3), (2, 4))]
    add += [swept(rectangle(u - post, low, u + post, low + s)) for u in (r, r + s)]
    add.append(swept(rectangle(r, 0.0, r + s, base)))
    # Thin enough that jaws across the diagonal touch the boss before a foot.
    add += [_foot(spec, axis, u) for u in (r, r + s)]
    below = swept(rectangle(-1, -r, 2 * r + s + 1, 0), -_FOOT_OUT_MM - 1, deep + _FOOT_OUT_MM + 1)
    # A standing frame is read from the front (XZ) or from the right (YZ).
    face, level = ("front", 0.0) if axis == "Y" else ("right", deep)
    beside = r + 4.0  # the lower bosses' own faces are behind the feet
    places = centres | {1: (r + beside, base / 2), 2: (r + s - beside, base / 2)}
    marks = _dots(spec, setup, places, face, level, setup.line_mm)
    marks += _letter(spec, setup, spec.plane[0], (r + s / 2, base / 2), face, level, setup.line_mm)

    def at(u: float, v: float) -> Point:
        return (u, deep / 2, v) if axis == "Y" else (deep / 2, u, v)

    features = [
        _between(spec, centres, at, face, ends, "outside")
        for ends in ((1, 3), (2, 4), (1, 2), (4, 3))
    ]
    features += [_height(spec, centres, at, face, n) for n in (3, 4)]
    return _piece(
        spec, setup, features, Body(add=tuple(add), cut=(below, *marks)),
        Advice(
            walls=3, infill_percent=20, brim_mm=3.0,
            notes=("Print standing, as it is, with a brim; no supports.",),
        ),
    )  # fmt: skip


def _piece(
    spec: SquarenessFrameSpec,
    setup: PrintSetup,
    features: list[Feature],
    body: Body,
    advice: Advice,
) -> Piece:
    return Piece(
        pattern="squareness-frame",
        spec=spec,
        setup=setup,
        body=body,
        features=tuple(features),
        head_lines=(JAWS_CLOSED,),
        smaller=("give a smaller side_mm, then a smaller pillar_mm and bar_mm",) * 3,
        advice=advice,
    )


def _brace(a: XY, b: XY, half: float) -> tuple[XY, ...]:
    """Return a bar between two middles, `half` wide to either side."""
    length = math.dist(a, b)
    u, v = (b[0] - a[0]) / length * half, (b[1] - a[1]) / length * half
    points = (
        (a[0] + v, a[1] - u),
        (b[0] + v, b[1] - u),
        (b[0] - v, b[1] + u),
        (a[0] - v, a[1] + u),
    )
    return tuple((round(p, 6), round(q, 6)) for p, q in points)


def _drop(centre: XY, r: float) -> tuple[XY, ...]:
    """Return what carries an upper boss from below: a drop's end at 45 degrees."""
    (u, v), side = centre, r / math.sqrt(2)
    points = ((u, v - r * math.sqrt(2)), (u + side, v - side), (u, v), (u - side, v - side))
    return tuple((round(p, 6), round(q, 6)) for p, q in points)


def _foot(spec: SquarenessFrameSpec, axis: str, u: float) -> Prism:
    """Return the foot under a lower boss, which reaches out to both sides of the frame."""
    deep, out, low, up = spec.pillar_height_mm, _FOOT_OUT_MM, _FOOT_LOW_MM, _FOOT_UP_MM
    outline = (
        (-out, 0.0), (deep + out, 0.0), (deep + out, low), (deep, up), (0.0, up), (-out, low),
    )  # fmt: skip
    half = 0.2 * spec.pillar_mm
    return Prism(
        outline=outline, start_mm=u - half, end_mm=u + half, axis="X" if axis == "Y" else "Y"
    )


def _dots(
    spec: SquarenessFrameSpec,
    setup: PrintSetup,
    centres: Centres,
    face: str,
    level: float,
    deep: float,
) -> tuple[Prism, ...]:
    dot = _dot_mm(spec, setup)
    return tuple(
        p
        for n, centre in centres.items()
        for p in dots(n, dot_mm=dot, centre=centre, face=face, level_mm=level, depth_mm=deep)
    )


def _dot_mm(spec: SquarenessFrameSpec, setup: PrintSetup) -> float:
    """Return the side of a dot: five of them across a square that lies within the boss."""
    return round(min(max(setup.line_mm, 0.8), 0.125 * spec.pillar_mm), 4)


def _letter(
    spec: SquarenessFrameSpec, setup: PrintSetup, axis: str, centre: XY, face: str, level: float,
    deep: float,
) -> tuple[Prism, ...]:  # fmt: skip
    stroke = stroke_for(axis, (spec.bar_mm, spec.bar_mm), setup, "the frame's bars")
    return engraved(axis, stroke_mm=stroke, centre=centre, face=face, level_mm=level, depth_mm=deep)


def _between(
    spec: SquarenessFrameSpec, centres: Centres, at: At, view: str, ends: tuple[int, int], jaws: str
) -> Feature:
    """Return the length over or between two bosses: a side, or a diagonal where both axes change."""
    (u0, v0), (u1, v1) = centres[ends[0]], centres[ends[1]]
    apart = math.dist((u0, v0), (u1, v1))
    out = 1 if jaws == "outside" else -1
    du, dv = (u1 - u0) / apart, (v1 - v0) / apart
    reach = out * spec.pillar_mm / 2
    across = u0 != u1 and v0 != v1
    axis = spec.plane if across else spec.plane[0] if v0 == v1 else spec.plane[1]
    side = Kind.OUTSIDE if out > 0 else Kind.INSIDE
    return Feature(
        id=f"{axis.lower()}_{'diagonal' if across else 'side'}_{ends[0]}_{ends[1]}_{jaws}",
        kind=Kind.DIAGONAL if across else side,
        axis=axis,
        nominal=round(apart + out * spec.pillar_mm, 6),
        where=f"{'over' if out > 0 else 'between'} the bosses with {_counted(ends[0])} and"
        f" {_counted(ends[1])}",
        start=at(u0 - reach * du, v0 - reach * dv),
        end=at(u1 + reach * du, v1 + reach * dv),
        view=view,
        jaws=jaws,
    )


def _counted(n: int) -> str:
    return f"{n} dot{'s' * (n > 1)}"


def _alone(spec: SquarenessFrameSpec, centres: Centres, at: At, n: int, axis: str) -> Feature:
    """Return the short length that tells the scale from what all outside lengths share."""
    (u, v), r = centres[n], spec.pillar_mm / 2
    du, dv = (r, 0.0) if axis == spec.plane[0] else (0.0, r)
    return Feature(
        id=f"{axis.lower()}_boss_{n}",
        kind=Kind.OUTSIDE,
        axis=axis,
        nominal=spec.pillar_mm,
        where=f"the boss with {_counted(n)} alone, along {axis}",
        start=at(u - du, v - dv),
        end=at(u + du, v + dv),
    )


def _height(spec: SquarenessFrameSpec, centres: Centres, at: At, view: str, n: int) -> Feature:
    u, v = centres[n]
    top = v + spec.pillar_mm / 2
    return Feature(
        id=f"z_height_{n}",
        kind=Kind.HEIGHT,
        axis="Z",
        nominal=round(top, 6),
        where=f"from the underside to the top of the boss with {_counted(n)}",
        start=at(u, 0.0),
        end=at(u, top),
        view=view,
    )
