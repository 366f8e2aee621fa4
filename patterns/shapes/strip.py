"""Strip: one low bar with a tooth at each end, for a further roll of a type that is known already.

What differs from roll to roll is a share of length, so one long length along one axis is enough, read
over both ends and between them: what the outline adds to the one it takes from the other. Like the
corner gauge its walls are set back towards the bed, and jaws touch the upright land at their top.
"""

import math
from dataclasses import dataclass, replace

from patterns.body import XY, Body, Prism, chamfer_loss_mm3, loop_area_mm2
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.land import land_mm, mark_mm
from patterns.piece import JAWS_CLOSED, Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, choice, number

_BED_MARGIN_MM = 5.0
_LONGEST_MM = 140.0
_TOOTH_MM, _DEEP_MM = 8.0, 5.0
_MOST_BACK_MM = 2.0


@dataclass(frozen=True, kw_only=True)
class StripSpec(Spec):
    """Parameters of the strip."""

    along: str = choice("X", ("X", "Y"), "the axis that it lies along")
    long_mm: float = number(
        0.0, "mm", 0.0, 3000.0, "length (0: as bed and caliper allow, at most 140)"
    )
    caliper_mm: float = number(150.0, "mm", 100.0, 3000.0, "longest length your caliper reads")
    thickness_mm: float = number(2.2, "mm", 1.6, 6.0, "height")
    bar_mm: float = number(
        0.0, "mm", 0.0, 30.0, "width between the teeth (0: 5, or as the nozzle needs)"
    )


@pattern(
    "strip",
    StripSpec,
    "How does this roll differ from the others of its type?",
    settles=("scale", "shrinkage"),
    shrinks=(("long_mm", -1),),
)
def lay_out(spec: StripSpec, setup: PrintSetup) -> Piece:
    """Lay the strip out from the origin along its axis, teeth towards the other one's origin.

    Measured: the length over both teeth, and the length between them.
    """
    thick = setup.layers(spec.thickness_mm)
    back = round(min(max(thick - land_mm(setup), 0.0), _MOST_BACK_MM), 6)
    least = round(max(2 * back + 3 * setup.line_mm, needed_mm("X", setup)[1]), 2)
    spec = _filled_in(spec, setup, least)
    outline = _outline(spec, max(_TOOTH_MM, least))
    tooth = outline[1][0] if spec.along == "X" else outline[-1][1]
    plate = Prism(outline=outline, start_mm=0.0, end_mm=thick)
    letter, deep = spec.along, mark_mm(setup)
    stroke = stroke_for(letter, (spec.bar_mm, spec.bar_mm), setup, "the strip")
    middle = (spec.long_mm / 2, _DEEP_MM + spec.bar_mm / 2)
    marks = engraved(
        letter,
        stroke_mm=stroke,
        centre=middle if letter == "X" else middle[::-1],
        face="top",
        level_mm=thick,
        depth_mm=deep,
    )
    return Piece(
        pattern="strip",
        spec=spec,
        setup=setup,
        body=Body(add=(plate,), cut=marks, chamfer_mm=back),
        features=_features(spec, tooth, thick - (thick - back) / 2),
        advice=Advice(
            walls=3,
            infill_percent=100,
            notes=(
                f"Print as it lies, along the printer's {letter}; no brim, no supports, 100 % infill.",
                "Let it cool on the bed. Jaws touch the upright land at the top of its sides only.",
            ),
        ),
        head_lines=(JAWS_CLOSED,),
        smaller=("give a smaller long_mm",) * 2 + ("give a smaller thickness_mm",),
        volume_mm3=loop_area_mm2(outline) * thick
        - chamfer_loss_mm3(outline, back)
        - deep * text_area_mm2(letter, stroke),
    )


def _filled_in(spec: StripSpec, setup: PrintSetup, least: float) -> StripSpec:
    """Fill in what was left open, and refuse what can't be measured or printed."""
    bar = spec.bar_mm or max(5.0, least)
    if bar < least:
        raise SpecError(
            f"a strip of {bar:g} mm leaves too little on the bed, for its walls are set back",
            mend=f"give bar_mm {least:g} or more, or a smaller thickness_mm",
        )
    room = (setup.build_x_mm if spec.along == "X" else setup.build_y_mm) - 2 * _BED_MARGIN_MM
    most = spec.caliper_mm - 1.0
    long = spec.long_mm or math.floor(min(room, most, _LONGEST_MM))
    shortest = 2 * max(_TOOTH_MM, least) + 10.0
    if long > most:
        raise SpecError(
            f"a strip of {long:g} mm is longer than a caliper of {spec.caliper_mm:g} mm reads",
            mend=f"give long_mm {math.floor(most):g} or less, or your caliper_mm",
        )
    if long < shortest:
        raise SpecError(
            f"a strip of {long:g} mm leaves no gap for the inside jaws",
            mend=f"give long_mm {math.ceil(shortest):g} or more",
        )
    return replace(spec, bar_mm=bar, long_mm=float(long))


def _outline(spec: StripSpec, tooth: float) -> tuple[XY, ...]:
    """Return the strip counter-clockwise: two teeth with the bar behind them."""
    long, wide, d = spec.long_mm, _DEEP_MM + spec.bar_mm, _DEEP_MM
    points: tuple[XY, ...] = (
        (0.0, 0.0), (tooth, 0.0), (tooth, d), (long - tooth, d), (long - tooth, 0.0), (long, 0.0),
        (long, wide), (0.0, wide),
    )  # fmt: skip
    if spec.along == "X":
        return points
    mirrored = tuple((y, x) for x, y in points)
    return (mirrored[0], *reversed(mirrored[1:]))


def _features(spec: StripSpec, tooth: float, height: float) -> tuple[Feature, ...]:
    def at(along: float) -> Point:
        across = _DEEP_MM / 2
        return (along, across, height) if spec.along == "X" else (across, along, height)

    ends = (
        (Kind.OUTSIDE, 0.0, spec.long_mm, "over both teeth, end to end"),
        (Kind.INSIDE, tooth, spec.long_mm - tooth, "between both teeth"),
    )
    return tuple(
        Feature(
            id=f"{spec.along.lower()}_{kind}",
            kind=kind,
            axis=spec.along,
            nominal=round(b - a, 6),
            where=where,
            start=at(a),
            end=at(b),
            jaws=str(kind),
        )
        for kind, a, b, where in ends
    )
