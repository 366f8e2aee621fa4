"""Reversal: come to one place from both sides, again and again, and read where the carriage stands.

What it loses when it turns round is play in belts, pulleys, screws and slides: the same move from the other
side ends somewhere else. Needs no plastic.
"""

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


@dataclass(frozen=True, kw_only=True)
class ReversalSpec(Spec):
    """Parameters of the check."""

    axes: str = choice("XY", ("X", "Y", "Z", "XY", "XYZ"), "axes to look at")
    runs: int = number(5, "", 2, 10, "approaches from each side (ISO 230-2 asks for 5)")
    at_mm: float = number(
        0.0, "mm", 0.0, 3000.0, "the place to come to (0: the middle of each axis, 30 mm on Z)"
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
            f for axis in spec.axes for f in approaches(setup, axis, spec.runs, spec.at_mm)
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


def approaches(setup: PrintSetup, axis: str, runs: int, at_mm: float = 0.0) -> list[Feature]:
    """Return the readings of one axis: one place, come to from below and from above in turns.

    Raises
    ------
    SpecError
        There is no room for an approach from both sides.
    """
    room = {"X": setup.build_x_mm, "Y": setup.build_y_mm, "Z": setup.build_z_mm}[axis]
    place = at_mm or (min(30.0, room / 2) if axis == "Z" else round(room / 2))
    if not REACH_MM <= place <= room - REACH_MM:
        raise SpecError(
            f"{place:g} mm can't be come to from {REACH_MM:g} mm on both sides along {axis}, which ends at {room:g} mm",
            mend=f"give at_mm {room / 2:g}",
        )
    return [
        _approach(axis, place, side, run + 1)
        for run in range(runs)
        for side in ("below", "above")
    ]  # fmt: skip


def _approach(axis: str, place: float, side: str, run: int) -> Feature:
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
