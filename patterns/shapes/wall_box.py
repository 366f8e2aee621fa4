"""Wall box: an open tube of single lines, for the width that a line really has.

Nothing but walls of counted lines, so that thickness is line width and nothing else. Longer along X
than along Y and with one corner cut off, so that no side can be taken for another; the cut corner
also hides the seam, which would otherwise be measured with the wall.
"""

from dataclasses import dataclass

from patterns.body import XY, Body, Prism
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.piece import JAWS_CLOSED, Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number


@dataclass(frozen=True, kw_only=True)
class WallBoxSpec(Spec):
    """Parameters of the wall box."""

    along_x_mm: float = number(36.0, "mm", 25.0, 200.0, "outside length along X")
    along_y_mm: float = number(28.0, "mm", 20.0, 200.0, "outside length along Y")
    height_mm: float = number(14.0, "mm", 6.0, 100.0, "height")
    lines: int = number(1, "", 1, 4, "lines side by side in a wall")
    corner_mm: float = number(8.0, "mm", 4.0, 40.0, "how much of one corner is cut off")


@pattern(
    "wall-box",
    WallBoxSpec,
    "Does the extruder lay down as much as it should?",
    settles=("flow",),
    first_for=("flow",),
    shrinks=(("along_x_mm", -1),),
)
def lay_out(spec: WallBoxSpec, setup: PrintSetup) -> Piece:
    """Lay the box out with the cut corner nearest to the origin.

    Measured: the thickness of each of the four walls at two heights, away from the corners and from
    the first layers. Nominal thickness: lines x line width.
    """
    wall, high = spec.lines * setup.line_mm, setup.layers(spec.height_mm)
    wide, deep, cut = spec.along_x_mm, spec.along_y_mm, spec.corner_mm
    if cut > 0.4 * min(wide, deep):
        raise SpecError(
            f"a corner of {cut:g} mm leaves walls too short for the jaws",
            mend=f"give corner_mm {0.4 * min(wide, deep):.1f} or less",
        )
    if wide == deep:
        raise SpecError(
            f"a box of {wide:g} x {deep:g} mm does not show which side is X",
            mend=f"give along_x_mm {1.25 * deep:g}",
        )
    tube = Prism(
        outline=_ring(wide, deep, cut, 0.0),
        holes=(_ring(wide, deep, cut, wall),),
        start_mm=0,
        end_mm=high,
    )
    return Piece(
        pattern="wall-box",
        spec=spec,
        setup=setup,
        body=Body(add=(tube,)),
        features=_features(spec, wall, high),
        advice=Advice(
            walls=spec.lines,
            infill_percent=0,
            brim_mm=0.0,
            notes=(
                f"{spec.lines} wall line{'s' * (spec.lines > 1)}, no infill, no bottom and no top;"
                f" fixed line width {setup.line_mm:g} mm.",
                "On the picture the high places are seen from above, the low ones in the overview.",
                "Put the seam on the cut corner. A skirt starts the flow before the first wall.",
            ),
        ),
        volume_mm3=tube.volume_mm3,
        head_lines=(JAWS_CLOSED,),
        smaller=(
            "give a smaller along_x_mm",
            "give a smaller along_y_mm",
            "give a smaller height_mm",
        ),
    )


def _ring(wide: float, deep: float, cut: float, inset: float) -> tuple[XY, ...]:
    """Return the box's outline moved inwards by `inset` at every side, corner (0, 0) cut at 45 deg."""
    low, right, back = inset, wide - inset, deep - inset
    # The slanted side x + y = cut moves in by inset x sqrt 2 along X and Y together.
    reach = cut + inset * 2**0.5 - inset
    points = ((reach, low), (right, low), (right, back), (low, back), (low, reach))
    return tuple((round(u, 6), round(v, 6)) for u, v in points)


def _features(spec: WallBoxSpec, wall: float, high: float) -> tuple[Feature, ...]:
    wide, deep, cut = spec.along_x_mm, spec.along_y_mm, spec.corner_mm
    along_x, along_y = (wide + cut) / 2, (deep + cut) / 2
    # Side -> the axis across the wall, and its two faces at mid length, from low to high.
    sides: dict[str, tuple[str, tuple[float, float], tuple[float, float]]] = {
        "front": ("Y", (along_x, 0.0), (along_x, wall)),
        "right": ("X", (wide - wall, along_y), (wide, along_y)),
        "back": ("Y", (along_x, deep - wall), (along_x, deep)),
        "left": ("X", (0.0, along_y), (wall, along_y)),
    }
    names = (("low", 0.35), ("high", 0.75))
    found = []
    for side, (axis, a, b) in sides.items():
        for name, part in names:
            start: Point = (*a, round(part * high, 3))
            end: Point = (*b, round(part * high, 3))
            found.append(
                Feature(
                    id=f"wall_{side}_{name}",
                    kind=Kind.WALL,
                    axis=axis,
                    nominal=round(wall, 6),
                    where=f"thickness of the {side} wall, {name} ({start[2]:.0f} mm above the bed)",
                    start=start,
                    end=end,
                    view="top" if name == "high" else "iso",
                    group="wall",
                )
            )
    return tuple(found)
