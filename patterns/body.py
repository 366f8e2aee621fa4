"""What a piece is made of, without the CAD kernel: prisms added and prisms cut away."""

import math
from dataclasses import dataclass, replace
from typing import Any

XY = tuple[float, float]
AXES = {"X": (1, 2, 0), "Y": (0, 2, 1), "Z": (0, 1, 2)}  # axis -> (first, second, along)


@dataclass(frozen=True, slots=True)
class Circle:
    """A full circle in the plane of its prism, in millimetres."""

    u: float
    v: float
    diameter_mm: float


Loop = tuple[XY, ...] | Circle


@dataclass(frozen=True, slots=True, kw_only=True)
class Prism:
    """A closed outline swept along one axis.

    The outline's plane is (x, y) for axis Z, (x, z) for axis Y and (y, z) for axis X. It must not
    cross or touch itself; holes lie inside it and apart from each other. All in millimetres.

    Attributes
    ----------
    face_mm : float or None
        For digits and other marks: level along the axis of the one flat face that wholly surrounds
        the outline. The kernel then sews the mark into that face, which is quicker than cutting.
    """

    outline: Loop
    start_mm: float
    end_mm: float
    axis: str = "Z"
    holes: tuple[Loop, ...] = ()
    face_mm: float | None = None

    @property
    def volume_mm3(self) -> float:
        """Closed form: (area of the outline - areas of the holes) x length."""
        area = loop_area_mm2(self.outline) - sum(loop_area_mm2(h) for h in self.holes)
        return area * (self.end_mm - self.start_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """The union of `add` less every one of `cut`: one solid, or as many as it promises.

    Attributes
    ----------
    solids : int
        How many separate solids it is on purpose; building refuses any other number.
    chamfer_mm : float
        Chamfer at 45 degrees along every edge of the face on the bed, against the bulge of the
        first layer; 0 for none. `add` must then have straight sides above the bed for that height.
    shape : object or None
        A solid of the CAD kernel's that stands for all of this: a user's own part.
    """

    add: tuple[Prism, ...]
    cut: tuple[Prism, ...] = ()
    chamfer_mm: float = 0.0
    solids: int = 1
    shape: Any = None

    def moved(self, dx_mm: float, dy_mm: float, dz_mm: float = 0.0) -> "Body":
        """Return the same body shifted."""
        shift = (dx_mm, dy_mm, dz_mm)
        if self.shape is not None:
            from patterns.solid_move import moved

            return replace(self, shape=moved(self.shape, shift))
        return replace(
            self,
            add=tuple(_moved(p, shift) for p in self.add),
            cut=tuple(_moved(p, shift) for p in self.cut),
        )


def _moved(p: Prism, shift: tuple[float, float, float]) -> Prism:
    i, j, k = AXES[p.axis]

    def loop(lo: Loop) -> Loop:
        if isinstance(lo, Circle):
            return Circle(lo.u + shift[i], lo.v + shift[j], lo.diameter_mm)
        return tuple((u + shift[i], v + shift[j]) for u, v in lo)

    return replace(
        p,
        outline=loop(p.outline),
        holes=tuple(loop(h) for h in p.holes),
        start_mm=p.start_mm + shift[k],
        end_mm=p.end_mm + shift[k],
        face_mm=None if p.face_mm is None else p.face_mm + shift[k],
    )


def box(x0: float, y0: float, z0: float, x1: float, y1: float, z1: float) -> Prism:
    """Return the block between two corners, swept along Z."""
    return Prism(outline=rectangle(x0, y0, x1, y1), start_mm=z0, end_mm=z1)


def rectangle(u0: float, v0: float, u1: float, v1: float) -> tuple[XY, ...]:
    """Return a rectangle's corners, counter-clockwise."""
    return ((u0, v0), (u1, v0), (u1, v1), (u0, v1))


def loop_area_mm2(loop: Loop) -> float:
    """Area inside a loop, always positive (shoelace formula; pi d^2 / 4 for a circle)."""
    if isinstance(loop, Circle):
        return math.pi * loop.diameter_mm**2 / 4
    return abs(signed_area_mm2(loop))


def signed_area_mm2(points: tuple[XY, ...]) -> float:
    """Shoelace area, positive where the points run counter-clockwise."""
    following = points[1:] + points[:1]
    return sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(points, following, strict=True)) / 2


def chamfer_loss_mm3(loop: Loop, chamfer_mm: float, *, hole: bool = False) -> float:
    """Volume that a 45-degree chamfer takes off along one loop of the face on the bed.

    Mitred offsets of a polygon have area A - P t + K t^2, with K the sum of tan(turn / 2) over the
    corners (turn > 0 at convex ones); integrated over the chamfer's height that leaves out
    P c^2 / 2 - K c^3 / 3. Around a hole the material lies outside: P c^2 / 2 + K c^3 / 3.
    """
    sign = -1.0 if not hole else 1.0
    if isinstance(loop, Circle):
        perimeter, corners = math.pi * loop.diameter_mm, math.pi
    else:
        ring = loop if signed_area_mm2(loop) > 0 else tuple(reversed(loop))
        perimeter, corners = 0.0, 0.0
        for a, b, c in zip(ring[-1:] + ring[:-1], ring, ring[1:] + ring[:1], strict=True):
            perimeter += math.dist(a, b)
            before = math.atan2(b[1] - a[1], b[0] - a[0])
            after = math.atan2(c[1] - b[1], c[0] - b[0])
            turn = (after - before + math.pi) % (2 * math.pi) - math.pi
            corners += math.tan(turn / 2)
    return perimeter * chamfer_mm**2 / 2 + sign * corners * chamfer_mm**3 / 3
