"""Extruder feed: command a length of filament at several speeds, measure how much was taken."""

import math
from dataclasses import dataclass

from patterns.body import Body
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.piece import Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number


@dataclass(frozen=True, kw_only=True)
class ExtruderFeedSpec(Spec):
    """Parameters of the check."""

    length_mm: float = number(100.0, "mm", 20.0, 500.0, "filament commanded in each trial")
    slow_mm3_s: float = number(2.0, "mm3/s", 0.2, 50.0, "slowest volumetric rate")
    fast_mm3_s: float = number(14.0, "mm3/s", 0.2, 100.0, "fastest volumetric rate")
    speeds: int = number(5, "", 1, 12, "number of rates, evenly from the slowest to the fastest")


@pattern(
    "extruder-feed",
    ExtruderFeedSpec,
    "Does the extruder take in the length it is told to, and from which rate does it slip?",
    settles=("extruder", "rate"),
    first_for=("extruder",),
)
def lay_out(spec: ExtruderFeedSpec, setup: PrintSetup) -> Piece:
    """List one trial per rate."""
    if spec.speeds > 1 and spec.fast_mm3_s <= spec.slow_mm3_s:
        raise SpecError(
            f"fast_mm3_s {spec.fast_mm3_s:g} is not above slow_mm3_s {spec.slow_mm3_s:g}",
            mend="give a faster fast_mm3_s, or speeds 1",
        )
    step = (spec.fast_mm3_s - spec.slow_mm3_s) / max(1, spec.speeds - 1)
    rates = [spec.slow_mm3_s + i * step for i in range(spec.speeds)]
    return Piece(
        pattern="extruder-feed",
        spec=spec,
        setup=setup,
        body=Body(add=()),
        features=tuple(_trial(spec, setup, i, rate) for i, rate in enumerate(rates)),
        advice=Advice(
            walls=0,
            infill_percent=0,
            notes=(
                "Heat the hot end as for this filament, never past its rating: it burns, and hot"
                " plastic can give off fumes, so ventilate.",
                "Feed into the air: home (G28), then raise the nozzle well above the bed, as with"
                f" G1 Z{min(100.0, setup.build_z_mm / 2):g} F300. Keep fingers off the gears and out of the hot plastic.",
                f"For each trial mark the filament {spec.length_mm + 20:g} mm before the extruder's"
                " entry, send the command, and measure from the entry to the mark:"
                f" taken in = {spec.length_mm + 20:g} mm less what is left.",
            ),
        ),
    )


def _trial(spec: ExtruderFeedSpec, setup: PrintSetup, i: int, rate: float) -> Feature:
    speed = rate / (math.pi * setup.filament_mm**2 / 4)
    return Feature(
        id=f"trial_{i + 1}",
        kind=Kind.PITCH,
        axis="",
        nominal=spec.length_mm,
        where=(
            f"M83, then G1 E{spec.length_mm:g} F{speed * 60:.0f} ({rate:g} mm3/s):"
            " how much was taken in?"
        ),
        start=(0.0, 0.0, spec.length_mm),
        end=(0.0, 0.0, 0.0),
        view="front",
        jaws="depth",
        rung=round(rate, 6),
        group="feed",
    )
