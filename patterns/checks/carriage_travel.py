"""Carriage travel: command a move, measure how far the carriage went. Needs no plastic.

This is the only measurement that tells the machine's own scale from the material's shrinkage.
"""

from dataclasses import dataclass

from patterns.body import Body
from patterns.feature import Feature, Kind
from patterns.piece import Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number


@dataclass(frozen=True, kw_only=True)
class CarriageTravelSpec(Spec):
    """Parameters of the check."""

    travel_mm: float = number(100.0, "mm", 20.0, 1000.0, "commanded move along X, Y and Z")
    start_mm: float = number(20.0, "mm", 0.0, 500.0, "position each move starts from")


@pattern(
    "carriage-travel",
    CarriageTravelSpec,
    "How far does each axis really move, without any plastic?",
)
def lay_out(spec: CarriageTravelSpec, setup: PrintSetup) -> Piece:
    """List one move out and one move back per axis; both directions show backlash apart."""
    return Piece(
        pattern="carriage-travel",
        spec=spec,
        setup=setup,
        body=Body(add=()),
        features=tuple(f for axis in "XYZ" for f in _moves(spec, setup, axis)),
        advice=Advice(
            walls=0,
            infill_percent=0,
            notes=(
                "Take up the play first: start every move with 5 mm in the same direction.",
                "Measure from a fixed face of the frame to the carriage before and after the move"
                " (or use a dial gauge), and write down the difference.",
                "Keep hands clear while the printer moves: moving parts pinch.",
            ),
        ),
    )


def _moves(spec: CarriageTravelSpec, setup: PrintSetup, axis: str) -> list[Feature]:
    room = {"X": setup.build_x_mm, "Y": setup.build_y_mm, "Z": setup.build_z_mm}[axis]
    travel = min(spec.travel_mm, room - spec.start_mm)
    k = "XYZ".index(axis)
    from_at, to_at = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]
    from_at[k], to_at[k] = spec.start_mm, spec.start_mm + travel
    low, high = (from_at[0], from_at[1], from_at[2]), (to_at[0], to_at[1], to_at[2])
    words = f"command {axis} from {spec.start_mm:g} to {spec.start_mm + travel:g} mm"
    back = f"command {axis} from {spec.start_mm + travel:g} back to {spec.start_mm:g} mm"
    return [
        Feature(
            id=f"{axis.lower()}_travel_{name}",
            kind=Kind.PITCH,
            axis=axis,
            nominal=travel,
            where=f"{text}; how far did the carriage go?",
            start=start,
            end=end,
            view="iso",
            jaws="depth",
            group="travel",
        )
        for name, text, start, end in (("out", words, low, high), ("back", back, high, low))
    ]
