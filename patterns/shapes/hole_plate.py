"""Hole plate: holes that stand, holes that lie, and pins of the same diameters beside them.

Printed holes come out small by an amount that depends on their size and on how they lie, and often
by different amounts along X and Y. Every diameter is there three times: as a hole through the
floor, as a hole through the upright wall, and as a pin; a wall error moves hole and pin apart,
a scale error moves them together.
"""

from dataclasses import dataclass

from patterns.body import Body, Circle, Prism, chamfer_loss_mm3, rectangle
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.ladder import rungs
from patterns.piece import JAWS_CLOSED, Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number

_EDGE_MM = 6.0  # strip round the rows; it carries the labels
_WEB_MM = 5.0  # between neighbours, so that a caliper's jaw goes in
_WALL_MM = 5.0
_COVER_MM = 3.0  # above the largest lying hole
_CLEAR_MM = 1.5  # from the floor up to it


@dataclass(frozen=True, kw_only=True)
class HolePlateSpec(Spec):
    """Parameters of the hole plate."""

    from_mm: float = number(4.0, "mm", 2.0, 60.0, "smallest diameter")
    to_mm: float = number(12.0, "mm", 2.0, 60.0, "largest diameter")
    step_mm: float = number(4.0, "mm", 0.5, 20.0, "change from one diameter to the next")
    floor_mm: float = number(3.0, "mm", 2.0, 20.0, "thickness of the floor")
    pin_mm: float = number(5.0, "mm", 4.0, 40.0, "height of the pins above the floor")
    chamfer_mm: float = number(
        0.4, "mm", 0.0, 1.0, "chamfer along the bed, against the first layer's bulge"
    )


@dataclass(frozen=True, slots=True)
class _Sizes:
    edge: float  # strip round the rows
    floor: float
    pins: float  # top of the pins
    wall: float  # top of the wall
    lying: float  # height of the lying holes' axes
    long: float
    row_pins: float
    row_holes: float
    back: float  # where the wall begins
    xs: tuple[float, ...]
    stroke: float


def _sizes(spec: HolePlateSpec, sizes: tuple[float, ...], setup: PrintSetup) -> _Sizes:
    largest = max(sizes)
    edge = round(max(_EDGE_MM, *needed_mm("X", setup)), 2)
    xs, x = [], edge
    for d in sizes:
        xs.append(round(x + d / 2, 6))
        x += d + _WEB_MM
    floor = setup.layers(spec.floor_mm)
    pins = round(floor + setup.layers(spec.pin_mm), 6)
    # Holes in front, pins between them and the wall: a caliper's head comes near neither.
    row_holes = edge + largest / 2
    row_pins = row_holes + largest + _WEB_MM
    room = _WEB_MM - 2 * setup.line_mm
    strokes = [stroke_for(f"{d:g}", (d + room, edge), setup, "the plate's edge") for d in sizes]
    return _Sizes(
        edge=edge,
        floor=floor,
        pins=pins,
        wall=round(floor + setup.layers(_CLEAR_MM + largest + _COVER_MM), 6),
        lying=floor + _CLEAR_MM + largest / 2,
        long=round(x - _WEB_MM + edge, 6),
        row_pins=row_pins,
        row_holes=row_holes,
        back=row_pins + largest / 2 + _WEB_MM,
        xs=tuple(xs),
        stroke=min(strokes),
    )


@pattern(
    "hole-plate",
    HolePlateSpec,
    "How much larger must a hole be drawn to come out right?",
    settles=("holes",),
    first_for=("holes",),
    shrinks=(("step_mm", 1), ("to_mm", -1)),
)
def lay_out(spec: HolePlateSpec, setup: PrintSetup) -> Piece:
    """Lay the plate out: labels and holes in front, pins behind them, the wall at the back.

    Measured: each hole through the floor and each pin along X and along Y, each hole through the
    wall along X and along Z, against the drawn diameter. Holes below 4 mm need gauge pins or drills.
    """
    sizes = rungs(spec.from_mm, spec.to_mm, spec.step_mm, "step_mm", "mm", least=3)
    z = _sizes(spec, sizes, setup)
    if min(sizes) < 3 * setup.line_mm:
        raise SpecError(
            f"a pin of {min(sizes):g} mm is thinner than three lines of {setup.line_mm:g} mm",
            mend=f"give from_mm {3 * setup.line_mm:.1f} or more",
        )
    rows = list(zip(z.xs, sizes, strict=True))
    deep = z.back + _WALL_MM
    outline = rectangle(0, 0, z.long, deep)
    holes = tuple(Circle(x, z.row_holes, d) for x, d in rows)
    plate = Prism(outline=outline, holes=holes, start_mm=0, end_mm=z.floor)
    wall = Prism(
        outline=rectangle(0, z.floor, z.long, z.wall),
        holes=tuple(Circle(x, z.lying, d) for x, d in rows),
        start_mm=z.back,
        end_mm=deep,
        axis="Y",
    )
    pins = tuple(
        Prism(outline=Circle(x, z.row_pins, d), start_mm=z.floor, end_mm=z.pins) for x, d in rows
    )
    cut, marks_mm3 = _marks(z, sizes, setup)
    volume = plate.volume_mm3 + wall.volume_mm3 + sum(p.volume_mm3 for p in pins) - marks_mm3
    volume -= chamfer_loss_mm3(outline, spec.chamfer_mm)
    volume -= sum(chamfer_loss_mm3(h, spec.chamfer_mm, hole=True) for h in holes)
    return Piece(
        pattern="hole-plate",
        spec=spec,
        setup=setup,
        body=Body(add=(plate, wall, *pins), cut=cut, chamfer_mm=spec.chamfer_mm),
        features=tuple(f for k, d in enumerate(sizes) for f in _features(z, k, d)),
        advice=Advice(
            walls=3,
            infill_percent=25,
            notes=(
                "Print as it lies, the wall along X; no supports, not even in the lying holes.",
                "Read inside jaws at the widest reading across, outside jaws at the narrowest.",
                "Measure the holes in the wall from behind. Where the caliper's small blades do not enter a hole, leave the cell empty, or find"
                " the drill shank that just fits and write down its diameter.",
            ),
        ),
        head_lines=(JAWS_CLOSED,),
        smaller=(
            "give a smaller to_mm or a larger step_mm",
            "give a smaller to_mm",
            "give a smaller to_mm or pin_mm",
        ),
        volume_mm3=volume,
    )


def _marks(
    z: _Sizes, sizes: tuple[float, ...], setup: PrintSetup
) -> tuple[tuple[Prism, ...], float]:
    """Return the engraved diameters and axis letters, and the volume that they take away."""
    deep = 2 * setup.layer_mm
    letter = stroke_for("X", (z.edge, z.edge), setup, "the plate's edge")
    texts = [(f"{d:g}", z.stroke, (x, z.edge / 2)) for x, d in zip(z.xs, sizes, strict=True)]
    texts.append(("X", letter, (z.long - z.edge / 2, z.row_pins)))
    texts.append(("Y", letter, (z.edge / 2, z.row_holes)))
    prisms = tuple(
        p
        for text, stroke, centre in texts
        for p in engraved(
            text, stroke_mm=stroke, centre=centre, face="top", level_mm=z.floor, depth_mm=deep
        )
    )
    return prisms, deep * sum(text_area_mm2(text, stroke) for text, stroke, _ in texts)


def _features(z: _Sizes, k: int, d: float) -> list[Feature]:
    x, half = z.xs[k], d / 2
    pin_z, wall_y = z.floor + 0.6 * (z.pins - z.floor), z.back

    def feature(group: str, axis: str, middle: Point, where: str, jaws: str, view: str) -> Feature:
        at = "XYZ".index(axis)
        start, end = list(middle), list(middle)
        start[at], end[at] = middle[at] - half, middle[at] + half
        return Feature(
            id=f"{group}_{k + 1}_{axis.lower()}",
            kind=Kind.DIAMETER,
            axis=axis,
            nominal=d,
            where=f"{where} {d:g}, along {axis}",
            start=(start[0], start[1], start[2]),
            end=(end[0], end[1], end[2]),
            view=view,
            jaws=jaws,
            rung=d,
            group=group,
        )

    hole, pin = (x, z.row_holes, z.floor - 1.0), (x, z.row_pins, pin_z)
    lying = (x, wall_y + 1.0, z.lying)
    found = []
    for axis in "XY":
        found.append(feature("vertical", axis, hole, "hole through the floor", "inside", "top"))
        found.append(feature("pin", axis, pin, "pin", "outside", "top"))
    for axis in "XZ":
        found.append(feature("horizontal", axis, lying, "hole through the wall", "inside", "front"))
    return found
