"""Filament diameter: caliper across the filament at several places, in two directions each."""

from dataclasses import dataclass

from patterns.body import Body
from patterns.feature import Feature, Kind
from patterns.piece import JAWS_CLOSED, Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number


@dataclass(frozen=True, kw_only=True)
class FilamentDiameterSpec(Spec):
    """Parameters of the check."""

    places: int = number(5, "", 2, 20, "places along the filament")
    apart_mm: float = number(500.0, "mm", 20.0, 5000.0, "distance from place to place")


@pattern(
    "filament-diameter",
    FilamentDiameterSpec,
    "How thick, how round and how even is the filament?",
    settles=("filament",),
    first_for=("filament",),
)
def lay_out(spec: FilamentDiameterSpec, setup: PrintSetup) -> Piece:
    """List two readings across the filament at every place, a quarter turn apart."""
    return Piece(
        pattern="filament-diameter",
        spec=spec,
        setup=setup,
        body=Body(add=()),
        features=tuple(
            _reading(spec, setup, place, turn) for place in range(spec.places) for turn in range(2)
        ),
        advice=Advice(
            walls=0,
            infill_percent=0,
            notes=(
                "Close the caliper's jaws and set it to zero; close them again: it should show 0.00."
                " Write what it does show behind # jaws_closed_mm: at the top of sheet.csv.",
                "Measure where the filament is straight; skip the first metre of a used roll.",
            ),
        ),
        head_lines=(JAWS_CLOSED,),
    )


def _reading(spec: FilamentDiameterSpec, setup: PrintSetup, place: int, turn: int) -> Feature:
    along = place * spec.apart_mm
    half = setup.filament_mm / 2
    start, end = ((along, -half, 0.0), (along, half, 0.0))
    if turn:
        start, end = ((along, 0.0, -half), (along, 0.0, half))
    words = "turned a quarter" if turn else "across"
    return Feature(
        id=f"place_{place + 1}_{'b' if turn else 'a'}",
        kind=Kind.DIAMETER,
        axis="",
        nominal=setup.filament_mm,
        where=f"filament at {along / 1000:g} m, {words}",
        start=start,
        end=end,
        view="right",
        group="filament",
        rung=along,
    )
