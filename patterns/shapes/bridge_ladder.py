"""Bridge ladder: an arcade whose decks grow longer from pier to pier.

The threshold is a span, so decks, piers and headroom are all alike and only the span differs. A
sagging deck shows to the eye, grows thicker between the jaws at mid span, and bulges into the
window seen from the front. A notch above each pier keeps one deck's strands out of the next.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from patterns.body import XY, Body, Prism, box, chamfer_loss_mm3, rectangle
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature
from patterns.ladder import rungs
from patterns.piece import ALLOWED_SAG, Advice, Piece
from patterns.registry import pattern
from patterns.rung import RungFeatures
from patterns.spec import PrintSetup, Spec, number

_PIER_MM = 6.0
_NOTCH_MM = 1.5
_APRON_MM = 8.0
_MARGIN_MM = 1.0
_LEAST_MM, _MOST_MM = 5.0, 200.0


@dataclass(frozen=True, kw_only=True)
class BridgeLadderSpec(Spec):
    """Parameters of the bridge ladder."""

    from_mm: float = number(
        0.0, "mm", 0.0, 200.0, "shortest span (0: one step, or more where the bed is short)"
    )
    to_mm: float = number(
        0.0, "mm", 0.0, 200.0, "longest span (0: five steps, or as the bed allows)"
    )
    step_mm: float = number(10.0, "mm", 1.0, 50.0, "change from span to span")
    deck_mm: float = number(1.2, "mm", 0.4, 5.0, "thickness of a deck")
    headroom_mm: float = number(6.0, "mm", 4.0, 40.0, "height under a deck, for the caliper's jaw")
    depth_mm: float = number(6.0, "mm", 4.0, 40.0, "from front to back")
    chamfer_mm: float = number(
        0.4, "mm", 0.0, 0.8, "chamfer along the bed, against the first layer's bulge"
    )


def _long(spans: Sequence[float]) -> float:
    """Length of the arcade along X."""
    return sum(spans) + (len(spans) + 1) * _PIER_MM + 2 * _MARGIN_MM


def _filled_in(spec: BridgeLadderSpec, setup: PrintSetup) -> BridgeLadderSpec:
    """Choose the ends left open: the longest spans of which the bed takes at least three."""
    for name, value in (("from_mm", spec.from_mm), ("to_mm", spec.to_mm)):
        if 0 < value < _LEAST_MM:
            raise SpecError(
                f"{name} must be {_LEAST_MM:g} mm or more (got {value:g})", mend="try 10"
            )
    if spec.from_mm and spec.to_mm:
        return spec
    step = spec.step_mm
    last = int((spec.to_mm or 5 * step) / step + 1e-6)
    starts = [k * step for k in range(1, last + 1) if k * step >= _LEAST_MM] or [_LEAST_MM]
    starts = [spec.from_mm] if spec.from_mm else starts
    ends = [min(starts[0] + k * step, _MOST_MM) for k in (4, 3, 2)]
    ends = [spec.to_mm] if spec.to_mm else ends
    pairs = [(a, b) for b in ends for a in starts if b >= a + 2 * step - 1e-9]
    for start, end in pairs:
        if _long(rungs(start, end, step, "step_mm", "mm")) <= setup.build_x_mm:
            return replace(spec, from_mm=start, to_mm=end)
    return replace(spec, from_mm=starts[0], to_mm=ends[-1])


def _mend(setup: PrintSetup) -> str:
    """Say which spans do fit: the longest three, four or five apart by one step."""
    for step in (10.0, 8.0, 6.0, 5.0, 4.0, 3.0):
        start = max(step, _LEAST_MM)
        if _long((start, start + step, start + 2 * step)) <= setup.build_x_mm:
            return (
                f"from_mm {start:g}, to_mm {start + 2 * step:g} and step_mm {step:g} fit;"
                " or split the range over two pieces"
            )
    return "print it on a longer bed"


@dataclass(frozen=True, slots=True)
class _Sizes:
    apron: float  # depth of the strip that carries the labels
    base: float
    under: float  # height of a deck's underside
    top: float
    stroke: float
    long: float  # along X
    starts: tuple[float, ...]  # where each span begins


def _sizes(spec: BridgeLadderSpec, spans: tuple[float, ...], setup: PrintSetup) -> _Sizes:
    base, deck = setup.layers(2.0), setup.layers(spec.deck_mm)
    under = base + setup.layers(spec.headroom_mm)
    starts, x = [], _MARGIN_MM + _PIER_MM
    for span in spans:
        starts.append(round(x, 6))
        x += span + _PIER_MM
    long = _long(spans)
    if long > setup.build_x_mm:
        raise SpecError(
            f"spans that add up to {sum(spans):g} mm need {long:.0f} mm along X, the printer builds"
            f" {setup.build_x_mm:g} mm",
            mend=_mend(setup),
        )
    labels = {f"{s:g}": s for s in spans}
    apron = round(max(_APRON_MM, needed_mm("0", setup)[1]), 2)
    stroke = min(
        stroke_for(label, (s + _PIER_MM, apron), setup, "the ladder's apron")
        for label, s in labels.items()
    )
    return _Sizes(apron, base, under, round(under + deck, 6), stroke, round(long, 6), tuple(starts))


@pattern(
    "bridge-ladder",
    BridgeLadderSpec,
    "How long a gap may be bridged without support?",
    settles=("bridge",),
    first_for=("bridge",),
    shrinks=(("step_mm", 1), ("to_mm", -1)),
)
def lay_out(spec: BridgeLadderSpec, setup: PrintSetup) -> Piece:
    """Lay the arcade out along X, the span in mm in front of each window.

    Measured per span: whether the deck's underside came out clean (yes or no), and the thickness of
    the deck at mid span, sag included. The windows are high enough for a caliper's jaw.
    """
    spec = _filled_in(spec, setup)
    spans = rungs(spec.from_mm, spec.to_mm, spec.step_mm, "step_mm", "mm", least=3)
    z = _sizes(spec, spans, setup)
    deep = max(0.4, 2 * setup.layer_mm)
    base = box(0, -z.apron, 0, z.long, spec.depth_mm, z.base)
    arcade = Prism(
        outline=_skyline(z, spans),
        holes=tuple(
            rectangle(x, z.base, x + span, z.under) for x, span in zip(z.starts, spans, strict=True)
        ),
        start_mm=0,
        end_mm=spec.depth_mm,
        axis="Y",
    )
    labels = [f"{s:g}" for s in spans]
    marks = tuple(
        p
        for x, span, label in zip(z.starts, spans, labels, strict=True)
        for p in engraved(
            label,
            stroke_mm=z.stroke,
            centre=(x + span / 2, -z.apron / 2),
            face="top",
            level_mm=z.base,
            depth_mm=deep,
        )
    )
    inside_base = (z.long - 2 * _MARGIN_MM) * z.base * spec.depth_mm
    volume = base.volume_mm3 + arcade.volume_mm3 - inside_base
    volume -= deep * sum(text_area_mm2(label, z.stroke) for label in labels)
    volume -= chamfer_loss_mm3(rectangle(0, -z.apron, z.long, spec.depth_mm), spec.chamfer_mm)
    return Piece(
        pattern="bridge-ladder",
        spec=spec,
        setup=setup,
        body=Body(add=(base, arcade), cut=marks, chamfer_mm=spec.chamfer_mm),
        features=tuple(
            f
            for k, (x, span) in enumerate(zip(z.starts, spans, strict=True))
            for f in _features(spec, z, k, x, span)
        ),
        advice=Advice(
            walls=2,
            infill_percent=15,
            notes=(
                "Print as it lies, with no supports, bridges printed as you always do.",
                "Look at the undersides first; then close the jaws on each deck at mid span.",
            ),
        ),
        head_lines=(ALLOWED_SAG,),
        smaller=("", "give a smaller depth_mm", "give a smaller headroom_mm"),
        volume_mm3=volume,
    )


def _skyline(z: _Sizes, spans: tuple[float, ...]) -> tuple[XY, ...]:
    """Return the arcade's outline in (x, z), sunk through the base, notched above inner piers."""
    right = z.long - _MARGIN_MM
    points: list[XY] = [(_MARGIN_MM, 0.0), (right, 0.0), (right, z.top)]
    for x in reversed(z.starts[1:]):
        pier = x - _PIER_MM / 2
        a, b = pier + _NOTCH_MM / 2, pier - _NOTCH_MM / 2
        points += [(a, z.top), (a, z.under), (b, z.under), (b, z.top)]
    points.append((_MARGIN_MM, z.top))
    return tuple((round(u, 6), round(v, 6)) for u, v in points)


def _features(spec: BridgeLadderSpec, z: _Sizes, k: int, x: float, span: float) -> list[Feature]:
    y, middle = spec.depth_mm / 2, x + span / 2
    on = RungFeatures(k, span, f"span {span:g}")
    return [
        on.accept(
            (x, y, z.under), (x + span, y, z.under),
            "is the underside flat, with no strand hanging down?",
        ),
        on.sag(
            (middle, y, z.under), (middle, y, z.top), round(z.top - z.under, 6),
            "thickness of the deck at mid span, sag included",
        ),
    ]  # fmt: skip
