"""Weigh block: a solid block whose mass tells how much filament really came out.

Mass needs volume, so the block is as plain as can be and big enough for a kitchen scale; its sides
differ, so that the sizes which the volume follows from cannot be mixed up. The rim of its foot is
bevelled, because a bulging first layer would be read as width.
"""

from dataclasses import dataclass

from patterns.body import Body, Prism, box, chamfer_loss_mm3, rectangle
from patterns.digits import engraved, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.filaments import filament
from patterns.piece import Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number, word
from patterns.weighing import WEIGHED, whole_mass


@dataclass(frozen=True, kw_only=True)
class WeighBlockSpec(Spec):
    """Parameters of the weigh block."""

    filament: str = word("PLA", "type of filament, for its density")
    along_x_mm: float = number(25.0, "mm", 15.0, 200.0, "length along X")
    along_y_mm: float = number(18.0, "mm", 15.0, 200.0, "length along Y")
    height_mm: float = number(10.0, "mm", 5.0, 100.0, "height")
    chamfer_mm: float = number(
        0.6, "mm", 0.0, 2.0, "chamfer along the bed, against the first layer's bulge"
    )


@pattern(
    "weigh-block",
    WeighBlockSpec,
    "Does the mass match the filament that was fed?",
    settles=("flow",),
    next_for=("flow",),
    shrinks=(("along_x_mm", -1),),
)
def lay_out(spec: WeighBlockSpec, setup: PrintSetup) -> Piece:
    """Lay the block out with its corner at the origin, X and Y engraved along those edges.

    Measured: the mass of a block printed solid, against volume x the density of the filament type,
    and the three sizes that the volume really has. Weigh it without brim or skirt.
    """
    x, y, z = spec.along_x_mm, spec.along_y_mm, setup.layers(spec.height_mm)
    if abs(x - y) < 0.1 * max(x, y):
        raise SpecError(
            f"a block of {x:g} x {y:g} mm does not show which side is X",
            mend=f"give along_x_mm {1.25 * y:g}",
        )
    deep = 2 * setup.layer_mm
    room = (0.46 * min(x, y), 0.46 * min(x, y))
    strokes = {axis: stroke_for(axis, room, setup, "the block's top") for axis in "XY"}
    marks: tuple[Prism, ...] = ()
    for axis, centre in (("X", (0.75 * x, 0.25 * y)), ("Y", (0.25 * x, 0.75 * y))):
        marks += engraved(
            axis, stroke_mm=strokes[axis], centre=centre, face="top", level_mm=z, depth_mm=deep
        )
    volume = x * y * z - chamfer_loss_mm3(rectangle(0, 0, x, y), spec.chamfer_mm)
    volume -= deep * sum(text_area_mm2(axis, strokes[axis]) for axis in "XY")
    return Piece(
        pattern="weigh-block",
        spec=spec,
        setup=setup,
        body=Body(add=(box(0, 0, 0, x, y, z),), cut=marks, chamfer_mm=spec.chamfer_mm),
        features=_features(x, y, z, volume * filament(spec.filament).density_g_cm3 / 1000),
        advice=Advice(
            walls=3,
            infill_percent=100,
            notes=(
                "Print solid: 100 % infill in straight lines, no brim or raft.",
                "Weigh it on a scale that shows 0.1 g or finer, after taring the empty pan.",
            ),
        ),
        volume_mm3=volume,
        head_lines=WEIGHED,
        smaller=(
            "give a smaller along_x_mm",
            "give a smaller along_y_mm",
            "give a smaller height_mm",
        ),
    )


def _features(x: float, y: float, z: float, grams: float) -> tuple[Feature, ...]:
    half = z / 2
    return (
        whole_mass(grams, (x / 2, y / 2, z)),
        Feature(
            id="x_outside", kind=Kind.OUTSIDE, axis="X", nominal=x,
            where="length along X (the letters are cut into the top), jaws on the end faces at half height",
            start=(0.0, 0.4 * y, half), end=(x, 0.4 * y, half), view="top",
        ),
        Feature(
            id="y_outside", kind=Kind.OUTSIDE, axis="Y", nominal=y,
            where="length along Y, jaws on the end faces at half height",
            start=(0.6 * x, 0.0, half), end=(0.6 * x, y, half), view="top",
        ),
        Feature(
            id="z_height", kind=Kind.HEIGHT, axis="Z", nominal=z, where="height of the block",
            start=(0.9 * x, y / 2, 0.0), end=(0.9 * x, y / 2, z), view="front",
        ),
    )  # fmt: skip
