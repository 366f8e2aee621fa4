"""Reversal: come to a place from both sides, again and again, and read where the carriage stands.

What it loses when it turns round is play in belts, pulleys, screws and slides: the same move from the other
side ends somewhere else. Needs no plastic.
"""

import math
from dataclasses import dataclass

from patterns.body import Body
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.piece import Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, choice, number

#: How far away each approach begins.
REACH_MM = 10.0
#: Slow enough for any small printer, and not to be startling. Common practice, no source.
FEED_MM_MIN = {"X": 1200, "Y": 1200, "Z": 300}
#: How far places are shifted at most either way, as a share of what is between them; and by turns.
_UNEVEN, _GOLDEN = 0.2, (5**0.5 - 1) / 2


@dataclass(frozen=True, kw_only=True)
class ReversalSpec(Spec):
    """Parameters of the check."""

    axes: str = choice("XY", ("X", "Y", "Z", "XY", "XYZ"), "axes to look at")
    runs: int = number(5, "", 2, 10, "approaches from each side (ISO 230-2 asks for 5)")
    places: int = number(
        1, "", 1, 9, "places along each axis (ISO 230-2 asks for 5; 1 tells what is slack)"
    )
    at_mm: float = number(
        0.0,
        "mm",
        0.0,
        3000.0,
        "the place to come to where it is one (0: the middle of each axis, 30 mm on Z)",
    )


@pattern(
    "reversal",
    ReversalSpec,
    "How much motion does an axis lose when it turns round?",
    settles=("play",),
    first_for=("play",),
    shrinks=(("at_mm", -1),),
)
def lay_out(spec: ReversalSpec, setup: PrintSetup) -> Piece:
    """List the approaches of each axis in the order in which they are done, from below and from above in turns."""
    return Piece(
        pattern="reversal",
        spec=spec,
        setup=setup,
        body=Body(add=()),
        features=tuple(
            f
            for axis in spec.axes
            for f in approaches(setup, axis, spec.runs, spec.at_mm, spec.places)
        ),
        advice=Advice(
            walls=0,
            infill_percent=0,
            notes=(
                "Nothing is printed: cold hot end, no filament needed.",
                "Home first (G28), clear the bed, and raise the nozzle:"
                f" G1 Z{min(50.0, setup.build_z_mm / 2):g} F300.",
                "Moving parts pinch: type a command, wait until it stands, then measure.",
            ),
        ),
    )


def approaches(
    setup: PrintSetup, axis: str, runs: int, at_mm: float = 0.0, places: int = 1
) -> list[Feature]:
    """Return the readings of one axis: place by place, come to from below and from above in turns.

    Raises
    ------
    SpecError
        There is no room for an approach from both sides.
    """
    room = {"X": setup.build_x_mm, "Y": setup.build_y_mm, "Z": setup.build_z_mm}[axis]
    one = at_mm or (min(30.0, room / 2) if axis == "Z" else round(room / 2))
    found = _spread(axis, room, places) if places > 1 else [one]
    for place in found:
        if not REACH_MM <= place <= room - REACH_MM:
            raise SpecError(
                f"{place:g} mm can't be come to from {REACH_MM:g} mm on both sides along {axis}, which ends at"
                f" {room:g} mm",
                mend=f"give at_mm {room / 2:g}",
            )
    return [
        _approach(axis, place, side, f"{k}_{run + 1}" if places > 1 else f"{run + 1}")
        for k, place in enumerate(found, 1)
        for run in range(runs)
        for side in ("below", "above")
    ]


def _spread(axis: str, room: float, places: int) -> list[float]:
    """Return places along an axis, a little uneven, so that an error which comes again with every turn shows."""
    apart = (room - 4 * REACH_MM) / (places - 1)
    if apart < REACH_MM:
        raise SpecError(
            f"{places} places on {room:g} mm of {axis} are {max(apart, 0.0):.0f} mm apart, less than an approach",
            mend=f"give places {max(1, math.floor(room / REACH_MM) - 3)}",
        )
    return [
        round(2 * REACH_MM + apart * (k + _UNEVEN * ((_GOLDEN * k) % 1 - 0.5)))
        for k in range(places)
    ]


def _approach(axis: str, place: float, side: str, run: str) -> Feature:
    away = place - REACH_MM if side == "below" else place + REACH_MM
    feed = FEED_MM_MIN[axis]
    return Feature(
        id=f"{axis.lower()}_{side}_{run}",
        kind=Kind.PITCH,
        axis=axis,
        nominal=0.0,
        where=f"G1 {axis}{away:g} F{feed}, then G1 {axis}{place:g} F{feed}: what does the gauge show?",
        start=_on(axis, away),
        end=_on(axis, place),
        view="iso",
        jaws="depth",
        group="reversal",
    )


def _on(axis: str, at_mm: float) -> Point:
    x, y, z = (at_mm if a == axis else 0.0 for a in "XYZ")
    return x, y, z
