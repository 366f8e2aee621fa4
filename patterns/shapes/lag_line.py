"""Lag line: a thin trough whose middle is printed fast and whose ends are printed slowly.

Where the nozzle gains speed the flow comes late and the wall is thin; where it slows down the flow stays and
the wall is thick. How far along the wall that lasts tells the time by which the flow lags. The wall bends a
little where the speed changes, so that a sliced file has a move that ends there; the speeds lie at places on
the bed, so the piece must stay where it is drawn.
"""

import math
from dataclasses import dataclass

import numpy as np

from patterns.bevel import inset
from patterns.body import XY, Body, Prism
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.piece import ACCELERATION, JAWS_CLOSED, Advice, HeadLine, Piece
from patterns.registry import pattern
from patterns.schedule import ScheduleRow
from patterns.spec import PrintSetup, Spec, number

_DEEP_MM = 12.0
_BEND_DEG = 5.0  # enough for a vertex, too little to slow down for
_BASE_MM = 0.6  # below it the file's own speed, so that the first layers hold
#: Where the wall is measured, from the change of speed: within the fast stretch, and outside of it.
_INSIDE_MM, _OUTSIDE_MM = (3.0, 7.0, 13.0), (2.0, 5.0, 12.0)

_WANTED = HeadLine(
    "wanted_width_mm",
    "by how much a wall may be too thin or too thick where the speed changes, in mm; empty: 0.05",
    "0.1",
)


@dataclass(frozen=True, kw_only=True)
class LagLineSpec(Spec):
    """Parameters of the lag line."""

    slow_mm_s: float = number(40.0, "mm/s", 5.0, 300.0, "speed of both ends")
    fast_mm_s: float = number(100.0, "mm/s", 10.0, 500.0, "speed of the middle")
    fast_mm: float = number(50.0, "mm", 20.0, 400.0, "length of the middle")
    slow_mm: float = number(25.0, "mm", 10.0, 200.0, "length of each end")
    height_mm: float = number(10.0, "mm", 6.0, 40.0, "height")


@pattern(
    "lag-line",
    LagLineSpec,
    "By how much does the flow lag behind when the speed changes?",
    settles=("lag",),
    first_for=("lag",),
    shrinks=(("fast_mm", -1), ("slow_mm", -1)),
)
def lay_out(spec: LagLineSpec, setup: PrintSetup) -> Piece:
    """Lay the trough out along X in the middle of the bed.

    Measured: the thickness of the front wall, one printed line, before and after both changes of speed.
    """
    if spec.fast_mm_s < 1.5 * spec.slow_mm_s:
        raise SpecError(
            f"{spec.slow_mm_s:g} and {spec.fast_mm_s:g} mm/s are too much alike to see a lag",
            mend=f"give fast_mm_s {2 * spec.slow_mm_s:g}",
        )
    long = spec.fast_mm + 2 * spec.slow_mm
    left = round((setup.build_x_mm - long) / 2, 3)
    front = round((setup.build_y_mm - _DEEP_MM) / 2, 3)
    ends = (left, left + spec.slow_mm, left + spec.slow_mm + spec.fast_mm, left + long)
    wall, high = setup.line_mm, setup.layers(spec.height_mm)
    tube = Prism(
        outline=_ring(ends, front, spec.slow_mm, 0.0),
        holes=(_ring(ends, front, spec.slow_mm, wall),),
        start_mm=0,
        end_mm=high,
    )
    return Piece(
        pattern="lag-line",
        spec=spec,
        setup=setup,
        body=Body(add=(tube,)),
        features=tuple(_features(ends, front, spec.slow_mm, wall, high)),
        schedule=tuple(
            ScheduleRow(
                z_from_mm=setup.layers(_BASE_MM), z_to_mm=high, setting="speed_mm_s", value=speed,
                x_from_mm=a, x_to_mm=b,
            )
            for speed, a, b in (
                (spec.slow_mm_s, -math.inf, ends[1]),
                (spec.fast_mm_s, ends[1], ends[2]),
                (spec.slow_mm_s, ends[2], math.inf),
            )
        ),
        advice=Advice(
            walls=1,
            infill_percent=0,
            brim_mm=3.0,
            in_place=True,
            notes=(
                "Leave it where it is, in the middle of the bed: the speeds lie at places on the bed.",
                f"One wall line, no infill, no bottom and no top; fixed line width {wall:g} mm. Put the seam on"
                " a short end. Print it alone.",
                "Switch off whatever makes up for the lag of the flow, and what slows small layers down.",
                "Mark the distances from the left end with a pencil before you measure.",
            ),
        ),
        volume_mm3=tube.volume_mm3,
        head_lines=(ACCELERATION, _WANTED, JAWS_CLOSED),
        without=("flow_lag_s",),
        smaller=("give a smaller fast_mm and slow_mm", "print it on a deeper bed", "give a smaller height_mm"),
    )  # fmt: skip


def _ring(ends: tuple[float, ...], front: float, slow: float, by_mm: float) -> tuple[XY, ...]:
    """Return the trough from above, moved inwards: front wall from left to right, then the back."""
    sag = slow * math.tan(math.radians(_BEND_DEG))
    steps = (front + sag, front, front, front + sag)
    line = list(zip(ends, steps, strict=True))
    ring = np.array(line + [(x, y + _DEEP_MM) for x, y in reversed(line)])
    return tuple((round(float(x), 6), round(float(y), 6)) for x, y in inset(ring, by_mm))


def _features(
    ends: tuple[float, ...], front: float, slow: float, wall: float, high: float
) -> list[Feature]:
    first, last = ends[1], ends[2]
    near = [d for d in _INSIDE_MM if d < (last - first) / 2]
    far = [d for d in _OUTSIDE_MM if d < slow - 3.0]
    inside = [first + d for d in near] + [last - d for d in reversed(near)]
    before, after = [first - d for d in reversed(far)], [last + d for d in far]
    found = []
    for k, x in enumerate([*before, *inside, *after], 1):
        beyond = max(first - x, x - last, 0.0)
        y = front + beyond * math.tan(math.radians(_BEND_DEG))
        stretch = "slow" if beyond else "fast"
        found.append(
            Feature(
                id=f"width_{k}", kind=Kind.WALL, axis="Y", nominal=round(wall, 6),
                where=f"front wall {x - ends[0]:.0f} mm from the left end ({stretch}): its thickness",
                start=(x, round(y, 4), high), end=(x, round(y + wall, 4), high), view="top",
                rung=round(x - ends[0], 6), group="lag",
            )
        )  # fmt: skip
    return found
