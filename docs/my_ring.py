"""A pattern of your own: one ring of a lighthouse, measured as it will be joined."""

from dataclasses import dataclass

from patterns.body import Body, Circle, Prism
from patterns.feature import Feature, Kind
from patterns.piece import JAWS_CLOSED, Advice, Piece
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number


@dataclass(frozen=True, kw_only=True)
class RingSpec(Spec):
    """Parameters, each with unit, range and meaning; --set outer_mm=60 fills one in."""

    outer_mm: float = number(50.0, "mm", 20.0, 140.0, "outer diameter")
    wall_mm: float = number(5.0, "mm", 2.0, 20.0, "thickness of the ring")
    height_mm: float = number(6.0, "mm", 4.0, 40.0, "height")


@pattern(
    "my-ring",
    RingSpec,
    "Do the rings of the lighthouse come out true?",
    settles=("scale", "outline"),
)
def lay_out(spec: RingSpec, setup: PrintSetup) -> Piece:
    """Lay the ring out round (r, r)."""
    r, high = spec.outer_mm / 2, setup.layers(spec.height_mm)
    inner = spec.outer_mm - 2 * spec.wall_mm
    ring = Prism(
        outline=Circle(r, r, spec.outer_mm), holes=(Circle(r, r, inner),), start_mm=0, end_mm=high
    )
    lengths = (
        (Kind.OUTSIDE, spec.outer_mm, "over the ring"),
        (Kind.INSIDE, inner, "inside the ring"),
    )
    features = []
    for axis, (dx, dy) in (("X", (0.5, 0.0)), ("Y", (0.0, 0.5))):
        for kind, d, where in lengths:
            features.append(
                Feature(
                    id=f"{axis.lower()}_{kind}", kind=kind, axis=axis, nominal=d,
                    where=f"{where}, along {axis}", jaws=str(kind),
                    start=(r - d * dx, r - d * dy, high / 2),
                    end=(r + d * dx, r + d * dy, high / 2),
                )
            )  # fmt: skip
    return Piece(
        pattern="my-ring",
        spec=spec,
        setup=setup,
        body=Body(add=(ring,)),
        features=tuple(features),
        advice=Advice(notes=("Print as it lies, the seam at 45 degrees to X and Y.",)),
        head_lines=(JAWS_CLOSED,),
        volume_mm3=ring.volume_mm3,
    )
