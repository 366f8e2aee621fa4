"""Overhang ladder: a row of masts, each with one sail whose underside leans further out.

The threshold is an angle, so every sail reaches out equally far and ends in a lip of one height at
one level: what differs is the lean alone. A sagging underside shows to the eye and breaks the straight
line of the silhouette seen from the front. It is not read with a caliper: on a slope a jaw that reaches
half a millimetre too far reads as much as the worst droop.
"""

import math
from dataclasses import dataclass, replace

from patterns.body import XY, Body, Prism, box, chamfer_loss_mm3, rectangle
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature
from patterns.ladder import rungs
from patterns.piece import Advice, Piece
from patterns.registry import pattern
from patterns.rung import RungFeatures
from patterns.spec import PrintSetup, Spec, number

_MAST_MM = 4.0
_APRON_MM = 8.0
_MARGIN_MM = 2.0
_USUAL_FROM_DEG, _LEAST_DEG, _WIDEST_DEG = 30.0, 15.0, 30.0
_SAFE_DEG = (
    45.0  # what nearly every printer does; a ladder that starts higher may have no clean sail
)


@dataclass(frozen=True, kw_only=True)
class OverhangLadderSpec(Spec):
    """Parameters of the overhang ladder; angles are from the vertical."""

    from_deg: float = number(
        0.0, "deg", 0.0, 85.0, "lean of the first sail (0: 30 to 45, as the bed allows)"
    )
    to_deg: float = number(75.0, "deg", 15.0, 85.0, "lean of the last sail")
    step_deg: float = number(5.0, "deg", 1.0, 30.0, "change from sail to sail")
    reach_mm: float = number(5.0, "mm", 3.0, 30.0, "how far a sail reaches out")
    lip_mm: float = number(1.0, "mm", 0.6, 10.0, "height of a sail's end")
    depth_mm: float = number(6.0, "mm", 4.0, 40.0, "from front to back")
    gap_mm: float = number(
        4.0, "mm", 2.0, 30.0, "room between a sail and the next mast, to see between"
    )
    chamfer_mm: float = number(
        0.4, "mm", 0.0, 0.8, "chamfer along the bed, against the first layer's bulge"
    )


def _filled_in(spec: OverhangLadderSpec, setup: PrintSetup) -> OverhangLadderSpec:
    """Start as low as the bed has room for, with wider steps where that would be past 45 degrees."""
    if spec.from_deg == 0.0:
        pitch = _MAST_MM + spec.reach_mm + spec.gap_mm
        fit = max(3, int((setup.build_x_mm - 2 * _MARGIN_MM + spec.gap_mm) / pitch + 1e-9))
        return _starting(spec, fit)
    if spec.from_deg < _LEAST_DEG:
        raise SpecError(
            f"from_deg must be {_LEAST_DEG:g} to 85 deg (got {spec.from_deg:g})",
            mend=f"try {_USUAL_FROM_DEG:g}",
        )
    return spec


def _starting(spec: OverhangLadderSpec, fit: int) -> OverhangLadderSpec:
    step = spec.step_deg
    while True:
        wanted = int((spec.to_deg - _USUAL_FROM_DEG) / step + 1e-6) + 1
        start = _USUAL_FROM_DEG + max(0, wanted - fit) * step
        if start <= _SAFE_DEG or wanted <= fit or step > _WIDEST_DEG / 2:
            return replace(spec, from_deg=start, step_deg=step)
        step *= 2


@dataclass(frozen=True, slots=True)
class _Sizes:
    apron: float  # depth of the strip that carries the labels
    base: float
    top: float
    lip: float
    pitch: float
    stroke: float
    long: float  # of the base, along X

    def mast(self, k: int) -> float:
        """X of mast k's left side."""
        return _MARGIN_MM + k * self.pitch


def _sizes(spec: OverhangLadderSpec, angles: tuple[float, ...], setup: PrintSetup) -> _Sizes:
    lip, base = setup.layers(spec.lip_mm), setup.layers(2.0)
    steepest = min(angles)
    rise = spec.reach_mm / math.tan(math.radians(steepest))
    pitch = _MAST_MM + spec.reach_mm + spec.gap_mm
    apron = round(max(_APRON_MM, needed_mm("0", setup)[1]), 2)
    room = (_MAST_MM + spec.reach_mm + 2 * _MARGIN_MM - 2.0, apron)
    return _Sizes(
        apron=apron,
        base=base,
        # The steepest sail starts two layers or 1 mm above the base.
        top=base + setup.layers(rise + lip + max(1.0, 2 * setup.layer_mm) + setup.layer_mm / 2),
        lip=lip,
        pitch=pitch,
        stroke=min(stroke_for(f"{a:g}", room, setup, "the ladder's apron") for a in angles),
        long=2 * _MARGIN_MM + len(angles) * pitch - spec.gap_mm,
    )


@pattern(
    "overhang-ladder",
    OverhangLadderSpec,
    "How far may a face lean before it droops?",
    settles=("overhang",),
    first_for=("overhang",),
    shrinks=(("step_deg", 1),),
)
def lay_out(spec: OverhangLadderSpec, setup: PrintSetup) -> Piece:
    """Lay the ladder out along X, sails towards +X, the angle in front of each mast.

    Measured per sail: whether its underside came out clean (yes or no).
    """
    spec = _filled_in(spec, setup)
    angles = rungs(spec.from_deg, spec.to_deg, spec.step_deg, "step_deg", "deg", least=3)
    z = _sizes(spec, angles, setup)
    if z.long > setup.build_x_mm:
        fit = int((setup.build_x_mm - 2 * _MARGIN_MM + spec.gap_mm) / z.pitch)
        raise SpecError(
            f"{len(angles)} sails need {z.long:.0f} mm along X, the printer builds {setup.build_x_mm:g} mm",
            mend=f"{fit} sails fit: make step_deg larger, reach_mm smaller, or split the range in two"
            if fit >= 3
            else "give reach_mm 4 and gap_mm 3, and a step_deg that leaves three sails",
        )
    deep = max(0.4, 2 * setup.layer_mm)
    base = box(0, -z.apron, 0, z.long, spec.depth_mm, z.base)
    sails = tuple(
        Prism(outline=_sail(z, k, a, spec.reach_mm), start_mm=0, end_mm=spec.depth_mm, axis="Y")
        for k, a in enumerate(angles)
    )
    labels = [f"{a:g}" for a in angles]
    marks = tuple(
        p
        for k, label in enumerate(labels)
        for p in engraved(
            label,
            stroke_mm=z.stroke,
            centre=(z.mast(k) + (z.pitch - spec.gap_mm) / 2, -z.apron / 2),
            face="top",
            level_mm=z.base,
            depth_mm=deep,
        )
    )
    volume = base.volume_mm3 + sum(s.volume_mm3 for s in sails)
    volume -= deep * sum(text_area_mm2(label, z.stroke) for label in labels)
    volume -= chamfer_loss_mm3(rectangle(0, -z.apron, z.long, spec.depth_mm), spec.chamfer_mm)
    return Piece(
        pattern="overhang-ladder",
        spec=spec,
        setup=setup,
        body=Body(add=(base, *sails), cut=marks, chamfer_mm=spec.chamfer_mm),
        features=tuple(
            f
            for look in (_features, _in_photo)
            for k, a in enumerate(angles)
            for f in look(spec, z, k, a)
        ),
        advice=Advice(
            walls=3,
            infill_percent=15,
            notes=(
                "Print as it lies, with no supports and the part cooling you always use.",
                "Each sail is one rung of the ladder.",
                "Hold it against the light: a clean underside is straight from mast to lip.",
            ),
        ),
        smaller=("", "give a smaller depth_mm", "give a larger from_deg or a smaller reach_mm"),
        volume_mm3=volume,
    )


def _sail(z: _Sizes, k: int, angle: float, reach: float) -> tuple[XY, ...]:
    """Return the outline in (x, z) of one mast with its sail."""
    left, rise = z.mast(k), reach / math.tan(math.radians(angle))
    right = left + _MAST_MM
    points = (
        (left, z.base),
        (right, z.base),
        (right, z.top - z.lip - rise),
        (right + reach, z.top - z.lip),
        (right + reach, z.top),
        (left, z.top),
    )
    return tuple((round(u, 6), round(v, 6)) for u, v in points)


def _features(spec: OverhangLadderSpec, z: _Sizes, k: int, angle: float) -> list[Feature]:
    inner, y = z.mast(k) + _MAST_MM, spec.depth_mm / 2
    rise = spec.reach_mm / math.tan(math.radians(angle))
    tip, under = inner + spec.reach_mm, z.top - z.lip
    on = RungFeatures(k, angle, f"sail {angle:g}")
    question = "is its underside straight and clean?"
    return [on.accept((inner, y, under - rise), (tip, y, under), question)]


def _in_photo(spec: OverhangLadderSpec, z: _Sizes, k: int, angle: float) -> list[Feature]:
    """Return what a photo measures on a sail: the height of its lip, droop included."""
    tip, y, under = z.mast(k) + _MAST_MM + spec.reach_mm, spec.depth_mm / 2, z.top - z.lip
    where = "height of the lip at its very end, droop included"
    on = RungFeatures(k, angle, f"sail {angle:g}")
    return [on.sag((tip, y, under), (tip, y, z.top), z.lip, where, by="photo")]
