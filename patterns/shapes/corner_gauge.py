"""Corner gauge: one low set square for size, offset, squareness, height, first layer and flow.

Two arms along X and Y with a pad at either end, and a brace from tip to tip: every long length is taken
along a bar of its own, because the arms of an open L give way by millimetres under the lightest jaw. The
walls are set back towards the bed at 45 degrees and stand upright only in the last 0.6 mm: jaws touch that
land alone, so that the bulge of the first layer touches nothing, and from above every edge stands against
the paper. Height needs height: a tower stands in the middle of the brace, where it hides no measured edge.

The lengths of each arm are chosen for what they tell together: from long to short ones of one kind, read
with the same jaws, the scale; from outside to inside ones the offset; and across, from tip to tip, the
angle.
"""

import math
from dataclasses import dataclass, replace

from patterns.body import XY, Body, Prism, chamfer_loss_mm3, loop_area_mm2, rectangle
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.filaments import filament
from patterns.land import land_mm, mark_mm
from patterns.piece import JAWS_CLOSED, Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number
from patterns.weighing import WEIGHED, whole_mass

_BED_MARGIN_MM = 5.0
_LONGEST_MM = 106.0
_DEEP_MM = 3.5  # how far a pad stands out beside its bar, for the inside jaws
_TIP_MM = 10.0  # length of the pad at a tip
_BEVEL_MM = 5.0  # how much of a tip's outer corner stands across the diagonal
_BLUNT_MM = 4.0  # the opening's sharp corners are cut off this wide
_TOWER_MM = (8.0, 5.5)  # along the brace and across it
_BULGE_MM = (
    9.0,
    6.0,
    2.6,
)  # of the brace under the tower: half its foot, half its head, how far out
_WALL_LONG_MM, _WALL_HIGH_MM = 11.0, 8.0
_MOST_BACK_MM = 2.0


@dataclass(frozen=True, kw_only=True)
class CornerGaugeSpec(Spec):
    """Parameters of the corner gauge."""

    reach_mm: float = number(
        0.0, "mm", 0.0, 800.0, "length of each arm (0: as bed and caliper allow, at most 106)"
    )
    caliper_mm: float = number(150.0, "mm", 100.0, 1000.0, "longest length your caliper reads")
    thickness_mm: float = number(
        2.2, "mm", 1.6, 6.0, "height of the square, without what stands on it"
    )
    bar_mm: float = number(0.0, "mm", 0.0, 30.0, "width of an arm (0: 5, or as the nozzle needs)")
    tower_mm: float = number(20.8, "mm", 10.0, 120.0, "height of the tower above the bed")
    wall_lines: int = number(
        0, "", 0, 5, "lines side by side in the walls for flow (0: as many as make 2.2 mm)"
    )


@dataclass(frozen=True, slots=True)
class _Sizes:
    """Lengths worked out from the spec, in millimetres."""

    reach: float
    thick: float
    back: float  # how far the walls are set back on the bed
    bar: float
    brace: float
    top: float
    wall: float
    wall_top: float

    @property
    def pad(self) -> float:
        """Side of the pad at the corner; width of those at the tips."""
        return self.bar + 2 * _DEEP_MM

    @property
    def inner(self) -> float:
        """Side of a bar towards the opening."""
        return _DEEP_MM + self.bar

    @property
    def brace_from(self) -> float:
        """The brace's inner side is x + y = this: it meets an arm where its tip begins."""
        return self.reach - _TIP_MM + self.inner

    @property
    def brace_to(self) -> float:
        """The brace's outer side is x + y = this."""
        return self.brace_from + self.brace * math.sqrt(2)

    def on_brace(self, along: float, across: float = 0.0) -> XY:
        """Return a place by its distance from the brace's middle, towards Y and outwards."""
        middle, root = (self.brace_from + self.brace_to) / 4, math.sqrt(2)
        return (
            round(middle + (across - along) / root, 6),
            round(middle + (across + along) / root, 6),
        )


def _sizes(spec: CornerGaugeSpec, setup: PrintSetup) -> _Sizes:
    line = setup.line_mm
    thick, land = setup.layers(spec.thickness_mm), land_mm(setup)
    back = round(min(max(thick - land, 0.0), _MOST_BACK_MM), 6)
    # What is left on the bed takes three lines.
    foot = 2 * back + 3 * line
    least = round(max(foot, needed_mm("X", setup)[1]), 2)
    bar = spec.bar_mm or max(5.0, least)
    if bar < least:
        raise SpecError(
            f"arms of {bar:g} mm leave too little on the bed: walls are set back by {back:g} mm",
            mend=f"give bar_mm {least:g} or more, or a smaller thickness_mm",
        )
    lines = spec.wall_lines or min(5, max(2, round(2.2 / line)))
    return _Sizes(
        reach=_reach(spec, setup),
        thick=thick,
        back=back,
        bar=bar,
        brace=round(max(foot, 4.6), 4),
        top=setup.layers(spec.tower_mm),
        wall=round(lines * line, 6),
        wall_top=round(thick + setup.layers(_WALL_HIGH_MM), 6),
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
    least = math.ceil(z.pad + z.bar + _WALL_LONG_MM + 26.0 + _TIP_MM)
    if z.reach < least:
        raise SpecError(
            f"arms of {z.reach:g} mm are too short for what stands on them",
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
    outline, opening = _outline(z), _opening(z)
    letters, letters_mm3 = _letters(z, setup)
    standing = (_tower(z), *(_wall(z, axis) for axis in "XY"))
    plate = Prism(outline=outline, holes=(opening,), start_mm=0.0, end_mm=z.thick)
    volume = (
        plate.volume_mm3
        - chamfer_loss_mm3(outline, z.back)
        - chamfer_loss_mm3(opening, z.back, hole=True)
        + sum(loop_area_mm2(p.outline) * (p.end_mm - z.thick) for p in standing)
        - letters_mm3
    )
    mass = whole_mass(volume * filament("PLA").density_g_cm3 / 1000, (z.reach / 2, 0.0, z.thick))
    return Piece(
        pattern="corner-gauge",
        spec=spec,
        setup=setup,
        body=Body(add=(plate, *standing), cut=letters, chamfer_mm=z.back),
        features=(*_lengths(z), *_diagonals(z), *_heights(z), *_walls(z), *_pitches(z), mass),
        advice=Advice(
            walls=3,
            infill_percent=100,
            notes=(
                "Print as it lies, X along the printer's X; no brim, no supports, 100 % infill.",
                "Let it cool on the bed. Jaws touch the upright land at the top of its sides only.",
            ),
        ),
        head_lines=(JAWS_CLOSED, *WEIGHED),
        smaller=(
            "give a smaller reach_mm",
            "give a smaller reach_mm",
            "give a smaller tower_mm",
        ),
        volume_mm3=volume,
    )


def _outline(z: _Sizes) -> tuple[XY, ...]:
    """Return the outer rim counter-clockwise: the X arm, half the brace, and both mirrored."""
    r, d, pad, half = z.reach, _DEEP_MM, z.pad, z.brace / 2
    foot, head, out = _BULGE_MM
    x_arm: list[XY] = [
        (0.0, 0.0), (pad, 0.0), (pad, d), (r - _TIP_MM, d), (r - _TIP_MM, 0.0),
        (r - _BEVEL_MM, 0.0), (r, _BEVEL_MM), (r, pad), (round(z.brace_to - pad, 6), pad),
        z.on_brace(-foot, half), z.on_brace(-head, half + out),
    ]  # fmt: skip
    return (*x_arm, *((y, x) for x, y in reversed(x_arm[1:])))


def _opening(z: _Sizes) -> tuple[XY, ...]:
    """Return the rim of the opening between arms and brace, its sharp corners cut off."""
    d, half = z.inner, z.brace / 2
    foot, head, out = _BULGE_MM
    far = round(z.brace_from - d - _BLUNT_MM, 6)
    below: list[XY] = [
        (z.pad, d), (far, d), (far, round(d + _BLUNT_MM, 6)),
        z.on_brace(-foot, -half), z.on_brace(-head, -half - out),
    ]  # fmt: skip
    return (*below, *((y, x) for x, y in reversed(below)), (z.pad, z.pad))


def _tower(z: _Sizes) -> Prism:
    a, b = _TOWER_MM[0] / 2, _TOWER_MM[1] / 2
    corners = ((-a, -b), (-a, b), (a, b), (a, -b))
    return Prism(
        outline=tuple(z.on_brace(along, across) for along, across in corners),
        start_mm=0.0,
        end_mm=z.top,
    )


def _wall_middle(z: _Sizes) -> tuple[float, float]:
    """Return the middle of the X arm's wall: along the arm, and across it."""
    return round((z.pad + z.reach - _TIP_MM) / 2 + 5.0, 6), _DEEP_MM + z.bar / 2


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


def _at(z: _Sizes, axis: str, along: float, across: float) -> Point:
    """Return a place on the upright land."""
    height = z.thick - (z.thick - z.back) / 2
    return (along, across, height) if axis == "X" else (across, along, height)


def _lengths(z: _Sizes) -> list[Feature]:
    """Four lengths of each arm: two whole ones, the corner's own, and the one between the pads."""
    tip = z.reach - _TIP_MM
    near = (_BEVEL_MM + z.pad) / 2
    wanted = (
        ("outside_whole", Kind.OUTSIDE, 0.0, z.reach, near - 2.0, "the whole {} arm, at the height of its bar"),
        ("outside_inner", Kind.OUTSIDE, 0.0, z.reach, near + 3.0, "the whole {} arm, at its side towards the opening"),
        ("outside_corner", Kind.OUTSIDE, 0.0, z.pad, _DEEP_MM / 2, "the corner's pad alone, along {}"),
        ("inside", Kind.INSIDE, z.pad, tip, _DEEP_MM / 2, "between the corner's pad and the tip of the {} arm"),
    )  # fmt: skip
    return [
        Feature(
            id=f"{axis.lower()}_{name}",
            kind=kind,
            axis=axis,
            nominal=round(b - a, 6),
            where=where.format(axis),
            start=_at(z, axis, a, across),
            end=_at(z, axis, b, across),
            jaws=str(kind),
        )
        for axis in "XY"
        for name, kind, a, b, across, where in wanted
    ]


def _pitches(z: _Sizes) -> list[Feature]:
    """Lengths between faces that look the same way, which a caliper can't take but a photo can."""
    tip = z.reach - _TIP_MM
    faces = (
        ("near", 0.0, tip, "left faces of corner and tip"),
        ("far", z.pad, z.reach, "right faces of corner and tip"),
    )
    return [
        Feature(
            id=f"{axis.lower()}_pitch_{name}",
            kind=Kind.PITCH,
            axis=axis,
            nominal=round(b - a, 6),
            where=f"between the {words}, along {axis}",
            start=_at(z, axis, a, _DEEP_MM / 2),
            end=_at(z, axis, b, _DEEP_MM / 2),
            by="photo",
        )
        for axis in "XY"
        for name, a, b, words in faces[:1]
    ]


def _diagonals(z: _Sizes) -> list[Feature]:
    """From tip to tip over their bevelled outer corners, near both ends of the bevels."""
    height = z.thick - (z.thick - z.back) / 2
    found = []
    for name, v, words in (
        ("outer", 0.3 * _BEVEL_MM, "their outer half"),
        ("inner", 0.7 * _BEVEL_MM, "their inner half"),
    ):
        u = round(z.reach - _BEVEL_MM + v, 6)
        found.append(
            Feature(
                id=f"xy_diagonal_{name}",
                kind=Kind.DIAGONAL,
                axis="XY",
                nominal=round(math.dist((u, v), (v, u)), 6),
                where=f"over the bevelled corners of both tips, on {words}",
                start=(u, v, height),
                end=(v, u, height),
            )
        )
    return found


def _heights(z: _Sizes) -> list[Feature]:
    """Thickness at both tips, the tower's height at its ends, and its steps beside them."""
    tip, side = z.reach - _TIP_MM / 2, _DEEP_MM + z.bar / 2
    end, edge = _TOWER_MM[0] / 2 - 1.5, _TOWER_MM[0] / 2
    step = z.top - z.thick
    places = (
        ("z_height_x_tip", Kind.HEIGHT, (tip, side), z.thick, "thickness of the X arm's tip"),
        ("z_height_y_tip", Kind.HEIGHT, (side, tip), z.thick, "thickness of the Y arm's tip"),
        ("z_height_tower_x", Kind.HEIGHT, z.on_brace(-end), z.top, "height of the tower, at its end towards the X arm"),
        ("z_height_tower_y", Kind.HEIGHT, z.on_brace(end), z.top, "height of the tower, at its end towards the Y arm"),
        ("z_step_x", Kind.STEP, z.on_brace(-edge), step, "from the brace up to the tower's top, on the X arm's side"),
        ("z_step_y", Kind.STEP, z.on_brace(edge), step, "from the brace up to the tower's top, on the Y arm's side"),
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
