"""Bed patches: thin numbered pads over the whole bed, for how its height varies from place to place.

A pad is a few layers thick, so its thickness is the gap that the nozzle really had there. Pads stand
at their true place on the bed, because a plane is fitted through thickness against position; the
number is raised on one side, so that the rest stays flat for the jaws.
"""

from dataclasses import dataclass

from patterns.body import Body, Prism, box
from patterns.digits import raised, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.piece import JAWS_CLOSED, Advice, HeadLine, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number

_SCREW_INSET_MM = 25.0  # from the bed's edges

_HEAD_LINES = (
    HeadLine(
        "screws_mm",
        "where the levelling screws are, x,y of each in mm from the bed's front left corner;"
        f" empty: four, {_SCREW_INSET_MM:g} mm in from the corners, as on the picture",
        "25,25; 195,25; 110,195",
    ),
    HeadLine(
        "screw_thread", "thread of the levelling screws: M2.5, M3, M4, M5 or M6; empty: M4", "M3"
    ),
)


@dataclass(frozen=True, kw_only=True)
class BedPatchesSpec(Spec):
    """Parameters of the bed patches; places are measured from the bed's front left corner."""

    along_x: int = number(3, "", 2, 6, "pads from left to right")
    along_y: int = number(3, "", 2, 6, "pads from front to back")
    pad_mm: float = number(20.0, "mm", 10.0, 60.0, "side of a pad")
    margin_mm: float = number(10.0, "mm", 0.0, 200.0, "from the bed's edge to the outer pads")
    thickness_mm: float = number(0.4, "mm", 0.05, 3.0, "thickness, made a whole number of layers")


@pattern(
    "bed-patches",
    BedPatchesSpec,
    "Is the bed level and flat, and which screw to turn?",
    settles=("level", "first_layer"),
    first_for=("level",),
    shrinks=(("margin_mm", -1), ("pad_mm", -1)),
)
def lay_out(spec: BedPatchesSpec, setup: PrintSetup) -> Piece:
    """Lay the pads out in the bed's own coordinates, numbered row by row from the front left.

    Measured: the thickness of each pad in its plain half, against its nominal thickness. Every
    feature's anchors are at the pad's real place, so that the plane and its tilt follow.
    """
    _check_room(spec, setup)
    thick, number_mm = setup.layers(spec.thickness_mm), 2 * setup.layer_mm
    half = spec.pad_mm / 2
    room = (0.8 * spec.pad_mm, 0.45 * spec.pad_mm)
    count = spec.along_x * spec.along_y
    stroke = min(stroke_for(str(n + 1), room, setup, "a pad", rim=False) for n in range(count))
    pads: list[Prism] = []
    marks: list[Prism] = []
    features = []
    for n, (x, y) in enumerate(_centres(spec, setup)):
        pads.append(box(x - half, y - half, 0, x + half, y + half, thick))
        marks += raised(
            str(n + 1), stroke_mm=stroke, centre=(x, y + spec.pad_mm / 4), face="top",
            level_mm=thick, depth_mm=number_mm,
        )  # fmt: skip
        features.append(_feature(n, x, y - spec.pad_mm / 4, thick))
    ink = sum(text_area_mm2(str(n + 1), stroke) for n in range(count))
    return Piece(
        pattern="bed-patches",
        spec=spec,
        setup=setup,
        body=Body(add=(*pads, *marks), solids=count),
        features=tuple(features),
        advice=Advice(
            walls=2,
            infill_percent=100,
            in_place=True,
            notes=(
                "Print alone, where it lies: do not let it be moved, turned or centred.",
                "Switch bed compensation off, or the pads show what is left after it.",
                "Pad 1 is at the front left of the bed, as you face the printer.",
                "Let the bed cool, peel each pad off unbent, and measure its plain half.",
            ),
        ),
        screws_mm=usual_screws(setup),
        head_lines=(JAWS_CLOSED, *_HEAD_LINES),
        volume_mm3=count * spec.pad_mm**2 * thick + number_mm * ink,
    )


def usual_screws(setup: PrintSetup) -> tuple[tuple[float, float], ...]:
    """Where the levelling screws are unless the sheet says otherwise: common practice, no source."""
    x, y = setup.build_x_mm, setup.build_y_mm
    a = min(_SCREW_INSET_MM, x / 4, y / 4)
    return (a, a), (x - a, a), (a, y - a), (x - a, y - a)


def _check_room(spec: BedPatchesSpec, setup: PrintSetup) -> None:
    for axis, count, room in (
        ("x", spec.along_x, setup.build_x_mm),
        ("y", spec.along_y, setup.build_y_mm),
    ):
        need = count * (spec.pad_mm + 2.0) + 2 * spec.margin_mm
        if need > room:
            raise SpecError(
                f"{count} pads of {spec.pad_mm:g} mm with margins of {spec.margin_mm:g} mm need"
                f" {need:.0f} mm along {axis.upper()}, the bed has {room:g} mm",
                mend=f"make along_{axis}, pad_mm or margin_mm smaller",
            )


def _centres(spec: BedPatchesSpec, setup: PrintSetup) -> list[tuple[float, float]]:
    """Middles of the pads, row by row from the front left, evenly from margin to margin."""

    def places(count: int, room: float) -> list[float]:
        first = spec.margin_mm + spec.pad_mm / 2
        step = (room - 2 * first) / (count - 1)
        return [round(first + k * step, 3) for k in range(count)]

    xs, ys = places(spec.along_x, setup.build_x_mm), places(spec.along_y, setup.build_y_mm)
    return [(x, y) for y in ys for x in xs]


def _feature(n: int, x: float, y: float, thick: float) -> Feature:
    return Feature(
        id=f"patch_{n + 1}",
        kind=Kind.HEIGHT,
        axis="Z",
        nominal=thick,
        where=f"pad {n + 1}, thickness of its plain half (bed x {x:.0f}, y {y:.0f} mm)",
        start=(x, y, 0.0),
        end=(x, y, thick),
        view="top",
        group="patch",
    )
