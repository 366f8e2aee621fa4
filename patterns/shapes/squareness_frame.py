"""Squareness frame: round pillars at four corners, for sides and diagonals that show skew.

Caliper jaws touch a pillar along one line whatever the skew, as over measuring pins, where flats
would tilt with it. Lying flat it shows XY; standing it shows XZ or YZ, with a window whose roof
slopes at 45 degrees so that nothing has to be bridged.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from patterns.body import Body, Circle, Prism, rectangle
from patterns.digits import engraved, needed_mm, stroke_for
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.piece import JAWS_CLOSED, Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, choice, number


@dataclass(frozen=True, kw_only=True)
class SquarenessFrameSpec(Spec):
    """Parameters of the squareness frame."""

    plane: str = choice("XY", ("XY", "XZ", "YZ"), "the two axes whose angle is measured")
    side_mm: float = number(95.0, "mm", 40.0, 600.0, "between the centres of two pillars")
    pillar_mm: float = number(14.0, "mm", 8.0, 40.0, "diameter of a pillar")
    bar_mm: float = number(
        0.0, "mm", 0.0, 30.0, "width of the bars between the pillars (0: 8, or as the letters need)"
    )
    thickness_mm: float = number(6.0, "mm", 3.0, 30.0, "height of the bars lying flat")
    pillar_height_mm: float = number(
        14.0, "mm", 8.0, 60.0, "height of the pillars; depth of a standing frame"
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
    """Lay the frame out with its first pillar's centre near the origin."""
    # Standing, the jaws reach the bars too: their corners must stay inside the pillars.
    widest = spec.pillar_mm - 3 if spec.plane == "XY" else (spec.pillar_mm - 1) / math.sqrt(2)
    if spec.bar_mm == 0.0:
        spec = replace(spec, bar_mm=round(max(min(8.0, widest - 0.01), *needed_mm("X", setup)), 2))
    if spec.bar_mm > widest:
        raise SpecError(
            f"bars of {spec.bar_mm:g} mm leave no room for jaws on pillars of {spec.pillar_mm:g} mm",
            mend=f"give bar_mm {widest:.1f} or less, or pillar_mm more",
        )
    if spec.side_mm < 3 * spec.pillar_mm:
        raise SpecError(
            f"pillars of {spec.pillar_mm:g} mm crowd a side of {spec.side_mm:g} mm",
            mend=f"give side_mm {3 * spec.pillar_mm:g} or more",
        )
    return _flat(spec, setup) if spec.plane == "XY" else _standing(spec, setup)


def _centres(spec: SquarenessFrameSpec, low: float) -> dict[str, tuple[float, float]]:
    r, s = spec.pillar_mm / 2, spec.side_mm
    return {"A": (r, low), "B": (r + s, low), "C": (r + s, low + s), "D": (r, low + s)}


def _flat(spec: SquarenessFrameSpec, setup: PrintSetup) -> Piece:
    r, s, half = spec.pillar_mm / 2, spec.side_mm, spec.bar_mm / 2
    bars, pillars = setup.layers(spec.thickness_mm), setup.layers(spec.pillar_height_mm)
    if pillars - bars < 4:
        raise SpecError(
            "the pillars rise less than 4 mm above the bars, too little for the jaws",
            mend=f"give pillar_height_mm {spec.thickness_mm + 8:g}",
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
    body = Body(
        add=(ring, *(Prism(outline=d, start_mm=0, end_mm=pillars) for d in discs)),
        cut=_letters(spec, centres, setup, "top", (bars, pillars)),
    )
    height = (bars + pillars) / 2

    def at(u: float, v: float) -> Point:
        return (u, v, height)

    features = []
    for jaws in ("outside", "inside"):
        features += _sides(spec, centres, at, "top", jaws)
        features += _diagonals(spec, centres, at, "top", jaws)
    features += [_pillar(spec, centres[p], at, p, axis) for axis in spec.plane for p in "AC"]
    return Piece(
        pattern="squareness-frame",
        spec=spec,
        setup=setup,
        body=body,
        features=tuple(features),
        head_lines=(JAWS_CLOSED,),
        smaller=("give a smaller side_mm, then a smaller pillar_mm and bar_mm",) * 3,
        advice=Advice(
            walls=3,
            infill_percent=20,
            brim_mm=5.0,
            notes=("Print as it lies. Hold the caliper square to the pillars, above the bars.",),
        ),
    )


def _standing(spec: SquarenessFrameSpec, setup: PrintSetup) -> Piece:
    r, s, deep = spec.pillar_mm / 2, spec.side_mm, spec.pillar_height_mm
    axis = "Y" if spec.plane == "XZ" else "X"
    # The lower pillars sink a little into the bed's plane: a flat to stand on, 45 degrees kept free.
    low = 0.85 * r
    centres = _centres(spec, low)
    inset = spec.bar_mm + r
    mid_u, mid_v, reach = r + s / 2, low + s / 2, s / 2 - inset + r
    window = (
        (mid_u - reach, mid_v),
        (mid_u, mid_v - reach),
        (mid_u + reach, mid_v),
        (mid_u, mid_v + reach),
    )
    half = spec.bar_mm / 2
    plate = Prism(
        outline=rectangle(r - half, 0, r + s + half, low + s + half),
        holes=(window,),
        start_mm=0,
        end_mm=deep,
        axis=axis,
    )
    discs = (Circle(u, v, spec.pillar_mm) for u, v in centres.values())
    below = Prism(
        outline=rectangle(-1, -r, 2 * r + s + 1, 0), start_mm=-1, end_mm=deep + 1, axis=axis
    )
    # A standing frame is read from the front (XZ) or from the right (YZ); its bars are flush there.
    face = ("front", (0.0, 0.0)) if axis == "Y" else ("right", (deep, deep))
    body = Body(
        add=(plate, *(Prism(outline=d, start_mm=0, end_mm=deep, axis=axis) for d in discs)),
        cut=(below, *_letters(spec, centres, setup, *face)),
    )

    def at(u: float, v: float) -> Point:
        return (u, deep / 2, v) if axis == "Y" else (deep / 2, u, v)

    view = "front" if axis == "Y" else "right"
    features = _sides(spec, centres, at, view, "outside", only=spec.plane[0])
    features += _diagonals(spec, centres, at, view, "outside")
    features.append(_height(spec, centres, at, view))
    return Piece(
        pattern="squareness-frame",
        spec=spec,
        setup=setup,
        body=body,
        features=tuple(features),
        head_lines=(JAWS_CLOSED,),
        smaller=("give a smaller side_mm, then a smaller pillar_mm and bar_mm",) * 3,
        advice=Advice(
            walls=3,
            infill_percent=20,
            brim_mm=8.0,
            notes=("Print standing, as it is, with a brim; no supports.",),
        ),
    )


def _letters(
    spec: SquarenessFrameSpec,
    centres: dict[str, tuple[float, float]],
    setup: PrintSetup,
    face: str,
    levels: tuple[float, float],
) -> tuple[Prism, ...]:
    """Return the pillars' letters and the axes' names on the bars that run along them.

    `levels` are where the faces of the bars and of the pillars lie.
    """
    (u, v), s = centres["A"], spec.side_mm
    d = spec.pillar_mm
    on_pillar, on_bar = (0.58 * d, 0.81 * d), (spec.bar_mm, spec.bar_mm)  # inside the circle
    texts = [(name, centre, on_pillar, levels[1]) for name, centre in centres.items()]
    low = v if face == "top" else v + s  # the lower bar of a standing frame is partly cut away
    texts.append((spec.plane[0], (u + 0.3 * s, low), on_bar, levels[0]))
    texts.append((spec.plane[1], (u, v + 0.3 * s), on_bar, levels[0]))
    deep = 2 * setup.layer_mm if face == "top" else setup.line_mm
    return tuple(
        p
        for text, centre, room, level in texts
        for p in engraved(
            text,
            stroke_mm=stroke_for(text, room, setup, "the frame"),
            centre=centre,
            face=face,
            level_mm=level,
            depth_mm=deep,
        )
    )


At = Callable[[float, float], Point]
Centres = dict[str, tuple[float, float]]


def _between(
    spec: SquarenessFrameSpec, centres: Centres, at: At, ends: str, kind: Kind, axis: str,
    view: str, jaws: str,
) -> Feature:  # fmt: skip
    (u0, v0), (u1, v1) = centres[ends[0]], centres[ends[1]]
    apart = math.dist((u0, v0), (u1, v1))
    out = 1 if jaws == "outside" else -1
    du, dv = (u1 - u0) / apart, (v1 - v0) / apart
    reach = out * spec.pillar_mm / 2
    what = "diagonal" if kind is Kind.DIAGONAL else "side"
    return Feature(
        id=f"{axis.lower()}_{what}_{ends.lower()}_{jaws}",
        kind=kind,
        axis=axis,
        nominal=round(apart + out * spec.pillar_mm, 6),
        where=f"{'over' if out > 0 else 'between'} pillars {ends[0]} and {ends[1]}",
        start=at(u0 - reach * du, v0 - reach * dv),
        end=at(u1 + reach * du, v1 + reach * dv),
        view=view,
        jaws=jaws,
    )


def _sides(
    spec: SquarenessFrameSpec, centres: Centres, at: At, view: str, jaws: str, only: str = ""
) -> list[Feature]:
    kind = Kind.OUTSIDE if jaws == "outside" else Kind.INSIDE
    first, second = spec.plane[0], spec.plane[1]
    sides = [("AB", first), ("DC", first), ("AD", second), ("BC", second)]
    return [
        _between(spec, centres, at, ends, kind, axis, view, jaws)
        for ends, axis in sides
        if only in ("", axis)
    ]


def _pillar(
    spec: SquarenessFrameSpec, centre: tuple[float, float], at: At, name: str, axis: str
) -> Feature:
    """Return the short length that tells the scale from what all outside lengths share."""
    (u, v), r = centre, spec.pillar_mm / 2
    du, dv = (r, 0.0) if axis == spec.plane[0] else (0.0, r)
    return Feature(
        id=f"{axis.lower()}_pillar_{name.lower()}",
        kind=Kind.OUTSIDE,
        axis=axis,
        nominal=spec.pillar_mm,
        where=f"pillar {name} alone, along {axis}",
        start=at(u - du, v - dv),
        end=at(u + du, v + dv),
        view="top",
        jaws="outside",
    )


def _diagonals(
    spec: SquarenessFrameSpec, centres: Centres, at: At, view: str, jaws: str
) -> list[Feature]:
    return [
        _between(spec, centres, at, ends, Kind.DIAGONAL, spec.plane, view, jaws)
        for ends in ("AC", "BD")
    ]


def _height(spec: SquarenessFrameSpec, centres: Centres, at: At, view: str) -> Feature:
    u, v = centres["D"]
    top = v + spec.pillar_mm / 2
    return Feature(
        id="z_height_d",
        kind=Kind.HEIGHT,
        axis="Z",
        nominal=round(top, 6),
        where="from the underside to the top of pillar D",
        start=at(u, 0.0),
        end=at(u, top),
        view=view,
    )
