"""Can it be printed? Layers of a mesh, held against the layer below (manifold3d sections)."""

from dataclasses import dataclass
from typing import Any

from patterns.mesh import Mesh
from patterns.piece import Piece
from tests.measurekit import slices

#: Groups whose features declare an underside that leans or hangs on purpose.
LEANING = ("overhang", "pass", "horizontal")


@dataclass(frozen=True, slots=True)
class Fault:
    """A part of a layer that can't be printed, and why."""

    layer: int
    why: str
    box: tuple[float, ...]  # x0, y0, x1, y1


def faults(piece: Piece, mesh: Mesh) -> list[Fault]:
    """Look for islands in the air, undersides held at one end only, and walls under one line."""
    line = piece.setup.line_mm
    layers = slices(mesh, piece.setup.layer_mm)
    found = [
        Fault(k, "thinner than one line", part.bounds())
        for k, layer in enumerate(layers)
        for part in _too_thin(layer, line)
    ]
    for k in range(1, len(layers)):
        below = layers[k - 1]
        for part in layers[k].decompose():
            if (part ^ below).area() < 0.1 * line**2:
                found.append(Fault(k, "island in the air", part.bounds()))
        for part in _hanging(layers[k], below, line):
            if not (_held_at_both_ends(part, below, line) or _declared(piece, part)):
                found.append(Fault(k, "hangs from one side", part.bounds()))
    return found


def _too_thin(layer: Any, line: float) -> list[Any]:
    """What is lost when the layer is shrunk by just under half a line and grown again."""
    from manifold3d import JoinType

    half = 0.5 * line * 0.98
    opened = layer.offset(-half, JoinType.Miter, 20.0).offset(half, JoinType.Miter, 20.0)
    # Slivers at rounded outlines and blunt corners are no walls: count what a dot would fill.
    return [p for p in (layer - opened).decompose() if p.area() > 0.5 * line**2]


def _hanging(layer: Any, below: Any, line: float) -> list[Any]:
    """Parts of a layer further than one line from what carries them."""
    from manifold3d import JoinType

    carried = below.offset(1.05 * line, JoinType.Miter, 3.0)
    return [p for p in (layer - carried).decompose() if p.area() > 0.25 * line**2]


def _held_at_both_ends(part: Any, below: Any, line: float) -> bool:
    """Whether something below lies beyond two opposite ends of the part (a bridge)."""
    from manifold3d import CrossSection

    x0, y0, x1, y1 = part.bounds()
    reach = 1.5 * line

    def carries(a: float, b: float, c: float, d: float) -> bool:
        return bool((CrossSection.square((c - a, d - b)).translate((a, b)) ^ below).area() > 0)

    left, right = carries(x0 - reach, y0, x0, y1), carries(x1, y0, x1 + reach, y1)
    front, back = carries(x0, y0 - reach, x1, y0), carries(x0, y1, x1, y1 + reach)
    return (left and right) or (front and back)


def _declared(piece: Piece, part: Any) -> bool:
    """Whether a feature says that it hangs here: along X or Y between its anchors."""
    x0, y0, x1, y1 = part.bounds()
    for f in piece.features:
        if f.group in LEANING:
            for low, high, i in ((x0, x1, 0), (y0, y1, 1)):
                a, b = sorted((f.start[i], f.end[i]))
                if a < b and a - 0.01 <= low and high <= b + 0.01:
                    return True
    return False
