"""Carriage travel: command a move, measure how far the carriage went. Needs no plastic.

This is the only measurement that tells the machine's own scale from the material's shrinkage.
"""

from dataclasses import dataclass

from patterns.body import Body
from patterns.checks.reversal import FEED_MM_MIN, approaches
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.piece import Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number

#: Shortest move worth measuring.
_LEAST_MM = 10.0


@dataclass(frozen=True, kw_only=True)
class CarriageTravelSpec(Spec):
    """Parameters of the check."""

    travel_mm: float = number(100.0, "mm", 20.0, 1000.0, "commanded move along X, Y and Z")
    start_mm: float = number(20.0, "mm", 0.0, 500.0, "position each move starts from")
    reversals: int = number(
        0,
        "",
        0,
        10,
        "approaches from each side as well, for the lost motion (0: none, else 2 or more)",
    )


@pattern(
    "carriage-travel",
    CarriageTravelSpec,
    "How far does each axis really move, without any plastic?",
    settles=("axes",),
    first_for=("axes",),
    shrinks=(("start_mm", -1), ("travel_mm", -1)),
)
def lay_out(spec: CarriageTravelSpec, setup: PrintSetup) -> Piece:
    """List one move out and one move back per axis; both directions show backlash apart."""
    return Piece(
        pattern="carriage-travel",
        spec=spec,
        setup=setup,
        body=Body(add=()),
        features=tuple(
            f
            for axis in "XYZ"
            for f in (*_moves(spec, setup, axis), *approaches(setup, axis, spec.reversals))
        ),
        advice=Advice(
            walls=0,
            infill_percent=0,
            notes=(
                "Nothing is printed: cold hot end, no filament needed.",
                "Home first (G28), clear the bed, and raise the nozzle:"
                f" G1 Z{min(50.0, setup.build_z_mm / 2):g} F300.",
                "Take up the play: come to the start of every move from 5 mm behind it.",
                "On Z the bed or the whole beam moves: keep the way free, and hands out of it."
                " Moving parts pinch.",
            ),
        ),
    )


def _moves(spec: CarriageTravelSpec, setup: PrintSetup, axis: str) -> list[Feature]:
    room = {"X": setup.build_x_mm, "Y": setup.build_y_mm, "Z": setup.build_z_mm}[axis]
    travel = min(spec.travel_mm, room - spec.start_mm)
    if travel < _LEAST_MM:
        raise SpecError(
            f"a move from {spec.start_mm:g} mm has no room along {axis}, which ends at {room:g} mm",
            mend=f"give start_mm {max(0.0, room - _LEAST_MM):g} or less",
        )
    k = "XYZ".index(axis)
    from_at, to_at = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]
    from_at[k], to_at[k] = spec.start_mm, spec.start_mm + travel
    low, high = (from_at[0], from_at[1], from_at[2]), (to_at[0], to_at[1], to_at[2])
    feed = FEED_MM_MIN[axis]
    near, far = (f"G1 {axis}{at:g} F{feed}" for at in (spec.start_mm, spec.start_mm + travel))
    words, back = f"{near}, then {far}", f"{far}, then {near}"
    return [
        Feature(
            id=f"{axis.lower()}_travel_{name}",
            kind=Kind.PITCH,
            axis=axis,
            nominal=travel,
            where=f"{text}: how far did it go?",
            start=start,
            end=end,
            view="iso",
            jaws="depth",
            group="travel",
        )
        for name, text, start, end in (("out", words, low, high), ("back", back, high, low))
    ]
