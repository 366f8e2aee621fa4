"""Corner gauge: one low L for size, offset, squareness, height, first layer and flow on one print.

The shape is a builder's square laid flat, with teeth along its outer sides. Its walls are set back
towards the bed at 45 degrees and stand upright only in the last 0.6 mm: jaws touch that land alone,
so that the bulge of the first layer touches nothing, and from above every edge stands against the
paper. Height needs height: a tower stands in the inner corner, where it hides no measured edge.

The lengths of each arm are chosen for what they tell together: from a long to a short one of the same
kind, read with the same jaws, the scale; from outside to inside ones the offset; and from tip to tip,
across the open corner, the angle. A height alone cannot tell a thin first layer from a wrong Z;
two heights and a step can.
"""

import math
from dataclasses import dataclass, replace

from patterns.body import XY, Body, Prism, chamfer_loss_mm3, loop_area_mm2, rectangle
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.land import land_mm, mark_mm
from patterns.piece import JAWS_CLOSED, Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number

_BED_MARGIN_MM = 5.0
_LONGEST_MM = 105.0
_GAP_MM = 10.0  # between the corner and the second tooth
_TOOTH_DEEP_MM = 6.0
_TIP_MM = 10.0  # length of the tooth at the tip
_BEVEL_MM = 3.0  # how much of a tip's outer corner stands across the diagonal
_HOOK_MM = (3.5, 5.0)  # the tip's inner end: its blunt width, and how far it rises at 45 degrees
_TOWER_MM = 7.0
_WALL_LONG_MM, _WALL_HIGH_MM = 14.0, 8.0
_MOST_BACK_MM = 2.0


@dataclass(frozen=True, kw_only=True)
class CornerGaugeSpec(Spec):
    """Parameters of the corner gauge."""

    reach_mm: float = number(
        0.0, "mm", 0.0, 800.0, "length of each arm (0: as bed and caliper allow, at most 105)"
    )
    caliper_mm: float = number(150.0, "mm", 100.0, 1000.0, "longest length your caliper reads")
    thickness_mm: float = number(2.6, "mm", 1.6, 6.0, "height of the L, without what stands on it")
    bar_mm: float = number(
        0.0, "mm", 0.0, 30.0, "width of an arm behind its teeth (0: 6, or as the nozzle needs)"
    )
    tower_mm: float = number(20.4, "mm", 10.0, 120.0, "height of the tower above the bed")
    wall_lines: int = number(
        0, "", 0, 4, "lines side by side in the walls for flow (0: as many as make 1.8 mm)"
    )


@dataclass(frozen=True, slots=True)
class _Sizes:
    """Lengths worked out from the spec, in millimetres."""

    reach: float
    thick: float
    back: float  # how far the walls are set back on the bed
    bar: float
    corner: float  # side of the corner block, which is the first tooth of both arms
    second: tuple[float, float]  # the second tooth, along its arm
    top: float
    wall: float
    wall_top: float
    ear: float  # side of the plate in the inner corner, with the corner block


def _sizes(spec: CornerGaugeSpec, setup: PrintSetup) -> _Sizes:
    line = setup.line_mm
    thick, land = setup.layers(spec.thickness_mm), land_mm(setup)
    back = round(min(max(thick - land, 0.0), _MOST_BACK_MM), 6)
    # What is left on the bed takes three lines.
    least = round(max(2 * back + 3 * line, needed_mm("X", setup)[1]), 2)
    bar = spec.bar_mm or max(6.0, least)
    if bar < least:
        raise SpecError(
            f"arms of {bar:g} mm leave too little on the bed: walls are set back by {back:g} mm",
            mend=f"give bar_mm {least:g} or more, or a smaller thickness_mm",
        )
    corner = _TOOTH_DEEP_MM + bar
    tooth = max(6.0, least)
    lines = spec.wall_lines or min(4, max(2, round(1.8 / line)))
    return _Sizes(
        reach=_reach(spec, setup),
        thick=thick,
        back=back,
        bar=bar,
        corner=corner,
        second=(corner + _GAP_MM, corner + _GAP_MM + tooth),
        top=setup.layers(spec.tower_mm),
        wall=round(lines * line, 6),
        wall_top=round(thick + setup.layers(_WALL_HIGH_MM), 6),
        ear=corner + _TOWER_MM + 4.0,
    )


def _reach(spec: CornerGaugeSpec, setup: PrintSetup) -> float:
    room = min(setup.build_x_mm, setup.build_y_mm) - 2 * _BED_MARGIN_MM
    # From tip to tip, with a millimetre to spare.
    across = (spec.caliper_mm - 2.0) / math.sqrt(2) + _BEVEL_MM
    if spec.reach_mm > across:
        raise SpecError(
            f"arms of {spec.reach_mm:g} mm are too far apart at their tips for a caliper of"
            f" {spec.caliper_mm:g} mm",
            mend=f"give reach_mm {math.floor(across):g} or less, or your caliper_mm",
        )
    return spec.reach_mm or math.floor(min(room, across, _LONGEST_MM))


def _check(z: _Sizes) -> None:
    least = math.ceil(z.second[1] + _WALL_LONG_MM + 12.0 + _TIP_MM + z.bar)
    if z.reach < least:
        raise SpecError(
            f"arms of {z.reach:g} mm are too short for their teeth",
            mend=f"a corner-gauge needs a bed of {least + 2 * _BED_MARGIN_MM:g} mm;"
            " a smaller bed takes a dimensional-cube",
        )
    if z.top < z.wall_top:
        raise SpecError(
            f"a tower of {z.top:g} mm is lower than the walls beside it",
            mend=f"give tower_mm {math.ceil(z.wall_top):g} or more",
        )
    if z.wall > z.bar - 1.0:
        raise SpecError(
            f"a wall of {z.wall:g} mm does not stand on an arm of {z.bar:g} mm",
            mend="give fewer wall_lines or a larger bar_mm",
        )


@pattern(
    "corner-gauge",
    CornerGaugeSpec,
    "What is off: sizes, offset, squareness, height, first layer, flow?",
    settles=("scale", "outline", "skew", "first_layer", "flow"),
    shrinks=(("reach_mm", -1), ("tower_mm", -1)),
)
def lay_out(spec: CornerGaugeSpec, setup: PrintSetup) -> Piece:
    """Lay the gauge out: outer corner at the origin, one arm along X, one along Y."""
    z = _sizes(spec, setup)
    _check(z)
    spec = replace(spec, reach_mm=float(z.reach), bar_mm=z.bar)
    outline = _outline(z)
    letters, letters_mm3 = _letters(z, setup)
    standing = (_tower(z), *(_wall(z, axis) for axis in "XY"))
    plate = Prism(outline=outline, start_mm=0.0, end_mm=z.thick)
    return Piece(
        pattern="corner-gauge",
        spec=spec,
        setup=setup,
        body=Body(add=(plate, *standing), cut=letters, chamfer_mm=z.back),
        features=(*_lengths(z), *_diagonals(z), *_heights(z), *_walls(z)),
        advice=Advice(
            walls=3,
            infill_percent=100,
            notes=(
                "Print as it lies, X along the printer's X; no brim, no supports, 100 % infill.",
                "Let it cool on the bed. Jaws touch the upright land at the top of its sides only.",
            ),
        ),
        head_lines=(JAWS_CLOSED,),
        smaller=(
            "give a smaller reach_mm",
            "give a smaller reach_mm",
            "give a smaller tower_mm",
        ),
        volume_mm3=loop_area_mm2(outline) * z.thick
        - chamfer_loss_mm3(outline, z.back)
        + sum(loop_area_mm2(p.outline) * (p.end_mm - z.thick) for p in standing)
        - letters_mm3,
    )


def _outline(z: _Sizes) -> tuple[XY, ...]:
    """Return the L counter-clockwise: the X arm, then the same points mirrored for the Y arm."""
    d, r, b, (blunt, rise) = _TOOTH_DEEP_MM, z.reach, _BEVEL_MM, _HOOK_MM
    x_arm: list[XY] = [
        (0.0, 0.0), (z.corner, 0.0), (z.corner, d),
        (z.second[0], d), (z.second[0], 0.0), (z.second[1], 0.0), (z.second[1], d),
        (r - _TIP_MM, d), (r - _TIP_MM, 0.0), (r - b, 0.0), (r, b),
        (r, z.corner + rise), (r - blunt, z.corner + rise), (r - blunt - rise, z.corner),
        (z.ear, z.corner), (z.ear, z.ear),
    ]  # fmt: skip
    return (*x_arm, *((y, x) for x, y in reversed(x_arm[1:-1])))


def _tower(z: _Sizes) -> Prism:
    """Return the tower, in the far corner of the ear so that it stands clear of measured edges."""
    far = z.ear - 1.0
    near = far - _TOWER_MM
    return Prism(outline=rectangle(near, near, far, far), start_mm=0.0, end_mm=z.top)


def _wall_middle(z: _Sizes) -> tuple[float, float]:
    """Return the middle of the X arm's wall: along the arm, and across it."""
    return (z.ear + z.reach - _TIP_MM) / 2 + 6.0, _TOOTH_DEEP_MM + z.bar / 2


def _wall(z: _Sizes, axis: str) -> Prism:
    along, across = _wall_middle(z)
    a, b = _WALL_LONG_MM / 2, z.wall / 2
    box = (along - a, across - b, along + a, across + b)
    if axis == "Y":
        box = (box[1], box[0], box[3], box[2])
    return Prism(outline=rectangle(*box), start_mm=0.0, end_mm=z.wall_top)


def _letters(z: _Sizes, setup: PrintSetup) -> tuple[tuple[Prism, ...], float]:
    """Return X and Y engraved in the arms before their walls, and their volume."""
    along, across = _wall_middle(z)
    at, deep = along - _WALL_LONG_MM / 2 - 7.0, mark_mm(setup)
    prisms: tuple[Prism, ...] = ()
    volume = 0.0
    for axis, centre in (("X", (at, across)), ("Y", (across, at))):
        stroke = stroke_for(axis, (z.bar, z.bar), setup, "the arms")
        prisms += engraved(
            axis, stroke_mm=stroke, centre=centre, face="top", level_mm=z.thick, depth_mm=deep
        )
        volume += deep * text_area_mm2(axis, stroke)
    return prisms, volume


_TEETH = {1: "the corner", 2: "the small tooth", 3: "the tip"}


def _teeth(z: _Sizes) -> dict[int, tuple[float, float]]:
    """Return where each tooth begins and ends along its arm."""
    return {1: (0.0, z.corner), 2: z.second, 3: (z.reach - _TIP_MM, z.reach)}


def _on_land(z: _Sizes, axis: str, along: float) -> Point:
    """Return a place on the upright land of a tooth, clear of the tip's bevelled corner."""
    across, height = (_BEVEL_MM + _TOOTH_DEEP_MM) / 2, z.thick - (z.thick - z.back) / 2
    return (along, across, height) if axis == "X" else (across, along, height)


def _lengths(z: _Sizes) -> list[Feature]:
    """Four lengths of each arm: a long and a short outside one, a long and a short inside one."""
    teeth = _teeth(z)
    wanted = ((Kind.OUTSIDE, 1, 3), (Kind.OUTSIDE, 2, 2), (Kind.INSIDE, 1, 3), (Kind.INSIDE, 1, 2))
    found = []
    for axis in "XY":
        for kind, first, last in wanted:
            outside = kind is Kind.OUTSIDE
            a, b = teeth[first][not outside], teeth[last][outside]
            words = _TEETH[first] if first == last else f"{_TEETH[first]} and {_TEETH[last]}"
            found.append(
                Feature(
                    id=f"{axis.lower()}_{kind}_{first}_{last}",
                    kind=kind,
                    axis=axis,
                    nominal=round(b - a, 6),
                    where=f"{'over' if outside else 'between'} {words} of the {axis} arm",
                    start=_on_land(z, axis, a),
                    end=_on_land(z, axis, b),
                    jaws="outside" if outside else "inside",
                )
            )
    return found


def _diagonals(z: _Sizes) -> list[Feature]:
    """From tip to tip: over their outer corners, and between their inner slopes."""
    outer, inner = _BEVEL_MM / 2, z.corner + _HOOK_MM[1] / 2
    ends = {
        "outside": ((z.reach - outer, outer), "over the bevelled outer corners of both tips"),
        "inside": (
            (z.reach - _HOOK_MM[0] - _HOOK_MM[1] / 2, inner),
            "between the slopes of both tips that face each other",
        ),
    }
    height = z.thick - (z.thick - z.back) / 2
    return [
        Feature(
            id=f"xy_diagonal_{jaws}",
            kind=Kind.DIAGONAL,
            axis="XY",
            nominal=round(math.dist((u, v), (v, u)), 6),
            where=where,
            start=(u, v, height),
            end=(v, u, height),
            jaws=jaws,
        )
        for jaws, ((u, v), where) in ends.items()
    ]


def _heights(z: _Sizes) -> list[Feature]:
    """Thickness at both tips, the tower's height at two of its corners, and its step at two sides."""
    side = z.ear - 1.0 - _TOWER_MM
    near, far, middle = side + 1.5, z.ear - 2.5, side + _TOWER_MM / 2
    tip = z.reach - _TIP_MM / 2
    places = (
        ("z_height_x_tip", Kind.HEIGHT, (tip, z.corner - 3.0), z.thick, "thickness of the X arm's tip"),
        ("z_height_y_tip", Kind.HEIGHT, (z.corner - 3.0, tip), z.thick, "thickness of the Y arm's tip"),
        ("z_height_tower_inner", Kind.HEIGHT, (near, near), z.top, "height of the tower, at its corner towards the L's corner"),
        ("z_height_tower_outer", Kind.HEIGHT, (far, far), z.top, "height of the tower, at its corner towards the open side"),
        ("z_step_left", Kind.STEP, (side, middle), z.top - z.thick, "from the plate left of the tower up to its top"),
        ("z_step_front", Kind.STEP, (middle, side), z.top - z.thick, "from the plate in front of the tower up to its top"),
    )  # fmt: skip
    return [
        Feature(
            id=id_,
            kind=kind,
            axis="Z",
            nominal=round(nominal, 6),
            where=where,
            start=(x, y, 0.0 if kind is Kind.HEIGHT else z.thick),
            end=(x, y, nominal if kind is Kind.HEIGHT else z.top),
            view="front",
            jaws="outside" if kind is Kind.HEIGHT else "depth",
        )
        for id_, kind, (x, y), nominal, where in places
    ]


def _walls(z: _Sizes) -> list[Feature]:
    """Thickness of the wall on each arm, half way up."""
    along, across = _wall_middle(z)
    low, high, height = across - z.wall / 2, across + z.wall / 2, (z.thick + z.wall_top) / 2
    ends = {
        "x": ((along, low, height), (along, high, height), "Y"),
        "y": ((low, along, height), (high, along, height), "X"),
    }
    return [
        Feature(
            id=f"wall_{arm}_arm",
            kind=Kind.WALL,
            axis=axis,
            nominal=z.wall,
            where=f"thickness of the wall on the {arm.upper()} arm, half way up",
            start=start,
            end=end,
            group="wall",
        )
        for arm, (start, end, axis) in ends.items()
    ]
