"""Step gauge: two combs of teeth along X and Y, for long lengths that pin down scale.

The shape is the machinist's step gauge: a row of equal blocks. A caliper takes outside lengths over
two teeth and inside lengths between them, from either end, so that scale, outline offset and the
caliper's own zero separate.
"""

import math
from dataclasses import dataclass, replace

from patterns.body import Body, Prism, box, chamfer_loss_mm3
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.piece import JAWS_CLOSED, Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number

_BED_MARGIN_MM = 5.0
_TOOTH_MM = 6.0


@dataclass(frozen=True, kw_only=True)
class StepGaugeSpec(Spec):
    """Parameters of the step gauge."""

    reach_mm: float = number(
        0.0,
        "mm",
        0.0,
        2000.0,
        "from the first tooth to the last (0: as bed and caliper allow)",
    )
    pitch_mm: float = number(46.0, "mm", 20.0, 200.0, "from tooth to tooth")
    tooth_mm: float = number(
        0.0, "mm", 0.0, 30.0, "length and width of a tooth (0: 6, or as the letters need)"
    )
    strip_mm: float = number(2.0, "mm", 1.0, 20.0, "height of the strip the teeth stand on")
    tooth_height_mm: float = number(5.0, "mm", 4.0, 40.0, "height of a tooth above the strip")
    caliper_mm: float = number(150.0, "mm", 100.0, 1000.0, "longest length your caliper reads")
    chamfer_mm: float = number(
        0.4, "mm", 0.0, 2.0, "chamfer along the bed, against the first layer's bulge"
    )


def _with_reach(spec: StepGaugeSpec, setup: PrintSetup) -> StepGaugeSpec:
    tooth = spec.tooth_mm or round(max(_TOOTH_MM, *needed_mm("X", setup)), 2)
    spec = replace(spec, tooth_mm=tooth)
    room = min(setup.build_x_mm, setup.build_y_mm) - 2 * _BED_MARGIN_MM - spec.tooth_mm
    reach = spec.reach_mm or min(room, spec.caliper_mm - spec.tooth_mm)
    gaps = int(reach / spec.pitch_mm + 1e-9)
    if gaps < 2:
        raise SpecError(
            f"a reach of {reach:g} mm holds fewer than three teeth {spec.pitch_mm:g} mm apart",
            mend=_mend_reach(spec, reach, room),
        )
    if spec.tooth_mm > 0.6 * spec.pitch_mm:
        raise SpecError(
            f"teeth of {spec.tooth_mm:g} mm leave no room for inside jaws at {spec.pitch_mm:g} mm",
            mend=f"give tooth_mm {0.4 * spec.pitch_mm:.0f} or less",
        )
    return replace(spec, reach_mm=gaps * spec.pitch_mm)


def _mend_reach(spec: StepGaugeSpec, reach: float, room: float) -> str:
    """Say what helps on this bed: closer teeth, a longer reach, or another pattern."""
    least = StepGaugeSpec.params()["pitch_mm"][0].low
    if reach >= 2 * least:
        return f"give pitch_mm {math.floor(reach / 2)} or less"
    if room >= 2 * least:
        return f"give pitch_mm {least:g} and reach_mm {2 * least:g} or more"
    bed = 2 * least + spec.tooth_mm + 2 * _BED_MARGIN_MM
    return (
        f"a step-gauge needs a bed of {bed:g} mm, with pitch_mm {least:g};"
        " a smaller bed takes a dimensional-cube"
    )


@pattern(
    "step-gauge",
    StepGaugeSpec,
    "Are long sizes true on X and Y, and how far does the filament shrink?",
    settles=("scale", "outline", "shrinkage"),
    shrinks=(("pitch_mm", -1),),
)
def lay_out(spec: StepGaugeSpec, setup: PrintSetup) -> Piece:
    """Lay the gauge out: the shared first tooth at the origin, one comb along X, one along Y."""
    spec = _with_reach(spec, setup)
    w, strip = spec.tooth_mm, setup.layers(spec.strip_mm)
    if spec.chamfer_mm > strip - 2.5 * setup.layer_mm:  # the letters are cut two layers deep
        raise SpecError(
            f"a chamfer of {spec.chamfer_mm:g} mm is too much for strips of {strip:g} mm",
            mend="give a smaller chamfer_mm or a larger strip_mm",
        )
    top = strip + setup.layers(spec.tooth_height_mm)
    gaps = round(spec.reach_mm / spec.pitch_mm)
    starts = [k * spec.pitch_mm for k in range(gaps + 1)]
    long = spec.reach_mm + w
    outline = ((0.0, 0.0), (long, 0.0), (long, w), (w, w), (w, long), (0.0, long))
    letters, letters_mm3 = _letters(spec, strip, setup)
    body = Body(
        add=(
            box(0, 0, 0, long, w, strip),
            box(0, 0, 0, w, long, strip),
            *(box(x, 0, 0, x + w, w, top) for x in starts),
            *(box(0, y, 0, w, y + w, top) for y in starts[1:]),
        ),
        cut=letters,
        chamfer_mm=spec.chamfer_mm,
    )
    teeth = (2 * gaps + 1) * w * w * (top - strip)
    strips = (2 * long * w - w * w) * strip
    return Piece(
        pattern="step-gauge",
        spec=spec,
        setup=setup,
        body=body,
        features=tuple(f for axis in "XY" for f in _features(spec, axis, gaps, strip, top)),
        advice=Advice(
            walls=3,
            infill_percent=20,
            brim_mm=5.0,
            notes=(
                "Print as it lies, one comb along X and one along Y; no supports.",
                "A brim keeps the ends of the strips down; trim it before measuring.",
            ),
        ),
        head_lines=(JAWS_CLOSED,),
        smaller=(
            "give a smaller reach_mm",
            "give a smaller reach_mm",
            "give a smaller tooth_height_mm",
        ),
        volume_mm3=strips + teeth - letters_mm3 - chamfer_loss_mm3(outline, spec.chamfer_mm),
    )


def _letters(
    spec: StepGaugeSpec, strip: float, setup: PrintSetup
) -> tuple[tuple[Prism, ...], float]:
    """Return X and Y engraved in the strips between teeth 2 and 3, and their volume."""
    w, deep = spec.tooth_mm, 2 * setup.layer_mm
    middle = spec.pitch_mm + (w + spec.pitch_mm) / 2
    room = (min(w, spec.pitch_mm - w), min(w, spec.pitch_mm - w))
    prisms: tuple[Prism, ...] = ()
    volume = 0.0
    for axis, centre in (("X", (middle, w / 2)), ("Y", (w / 2, middle))):
        stroke = stroke_for(axis, room, setup, "the strip")
        prisms += engraved(
            axis, stroke_mm=stroke, centre=centre, face="top", level_mm=strip, depth_mm=deep
        )
        volume += deep * text_area_mm2(axis, stroke)
    return prisms, volume


def _features(spec: StepGaugeSpec, axis: str, gaps: int, strip: float, top: float) -> list[Feature]:
    """Two long and a short length of either kind: what they share falls out of their difference."""
    fit = [k for k in range(1, gaps + 1) if k * spec.pitch_mm + spec.tooth_mm <= spec.caliper_mm]
    longest = fit[-1] if fit else 1
    pairs = [(0, longest), (gaps - longest, gaps) if longest < gaps else (1, gaps)]
    height = strip + 0.6 * (top - strip)
    wanted = [(Kind.OUTSIDE, *p) for p in pairs] + [(Kind.INSIDE, *p) for p in pairs]
    wanted += [(Kind.OUTSIDE, gaps, gaps), (Kind.INSIDE, 0, 1)]
    return [
        _length(spec, axis, first, last, height, kind)
        for kind, first, last in dict.fromkeys(wanted)
    ]


def _length(
    spec: StepGaugeSpec, axis: str, first: int, last: int, height: float, kind: Kind
) -> Feature:
    p, w = spec.pitch_mm, spec.tooth_mm
    outside = kind is Kind.OUTSIDE
    a, b = (first * p, last * p + w) if outside else (first * p + w, last * p)
    across = w / 2

    def at(along: float) -> Point:
        return (along, across, height) if axis == "X" else (across, along, height)

    teeth = f"teeth {first + 1} and {last + 1}" if first != last else f"tooth {first + 1} alone"
    teeth += f" of the {axis} comb, counted from the corner"
    return Feature(
        id=f"{axis.lower()}_{kind}_{first + 1}_{last + 1}",
        kind=kind,
        axis=axis,
        nominal=round(b - a, 6),
        where=f"{'over' if outside else 'between'} {teeth}",
        start=at(a),
        end=at(b),
        view="top",
        jaws="outside" if outside else "inside",
    )
