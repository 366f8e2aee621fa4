"""The marks of one callout on a view: jaws, feet, rods, dots, and the dimension line."""

import math
from dataclasses import dataclass

import numpy as np

from patterns.drawing.style import JAW_HALF, JAW_LENGTH, KINDS, PAPER, Ink
from patterns.drawing.svg import XY, circle, polygon
from patterns.drawing.views import Frame
from patterns.feature import Feature, Kind, Point
from patterns.mesh import Mesh

FOOT_HALF = 11.0
ROD_HALF = 2.6
BESIDE_MIDDLE = 0.3
#: How far behind a contact the body is looked for.
BEHIND_MM = 0.2


@dataclass(frozen=True, slots=True)
class Callout:
    """A feature on the picture of one view.

    Attributes
    ----------
    number : int
        Its row on the measurement sheet, from 1.
    a, b : (2,) float
        Where its start and end fall, in picture units; one place for a feature without jaws.
    along : (2,) float or None
        Unit direction from a to b; None where it points at the viewer or there are no jaws.
    """

    number: int
    feature: Feature
    a: XY
    b: XY
    along: XY | None

    @property
    def length(self) -> float:
        """Distance from a to b, in picture units."""
        return math.dist(self.a, self.b)

    @property
    def ink(self) -> Ink:
        """Colour and dash of its kind."""
        return KINDS[self.feature.kind]

    @property
    def middle(self) -> XY:
        """Half way between a and b."""
        return (self.a[0] + self.b[0]) / 2, (self.a[1] + self.b[1]) / 2

    @property
    def is_oblique(self) -> bool:
        """Whether it runs across the picture, neither level nor upright."""
        return self.along is not None and min(abs(v) for v in self.along) > 0.05

    def at(self, along: float, across: float = 0.0) -> XY:
        """Return the place `along` units from a towards b and `across` units to its side."""
        dx, dy = self.along or (1.0, 0.0)
        return self.a[0] + along * dx - across * dy, self.a[1] + along * dy + across * dx


def callout(number: int, feature: Feature, shown: Frame, mesh: Mesh) -> Callout:
    """Project a feature; `number` is its row on the sheet."""
    start, end = feature.start, feature.end
    if feature.instrument not in ("caliper", "ruler"):
        start = end = _looked_at(feature)
    elif feature.jaws == "depth" and _rests_on_end(feature, mesh):
        start, end = end, start
    a, b = shown.place(np.array([start, end], dtype=np.float64)).tolist()
    dx, dy = b[0] - a[0], b[1] - a[1]
    length = math.hypot(dx, dy)
    along = (dx / length, dy / length) if length > 1e-6 else None
    return Callout(number, feature, (a[0], a[1]), (b[0], b[1]), along)


def _looked_at(feature: Feature) -> Point:
    """Return where the dot goes: the middle, but beside mid span, where a caliper may go."""
    share = BESIDE_MIDDLE if feature.kind is Kind.PASS and not feature.grades else 0.5
    share = BESIDE_MIDDLE if feature.kind is Kind.SCORE else share
    x, y, z = (a + share * (b - a) for a, b in zip(feature.start, feature.end, strict=True))
    return (x, y, z)


def _rests_on_end(feature: Feature, mesh: Mesh) -> bool:
    """Tell whether the caliper's end rests at `end`: there must be air behind it, not behind the tip.

    Where the body does not tell, it rests on the upper of the two.
    """
    d = np.array(feature.direction) * BEHIND_MM
    in_body = mesh.contains(np.array([feature.start - d, feature.end + d]))
    if in_body[0] != in_body[1]:
        return bool(in_body[0])
    return feature.end[2] > feature.start[2]


def jaws(c: Callout) -> list[list[XY]]:
    """Return the solid shapes of the marks, as polygons; none for a feature without direction."""
    if c.along is None:
        return []
    inner = min(JAW_LENGTH, max(0.42 * c.length, 3.0))
    half = JAW_HALF * min(1.0, inner / JAW_LENGTH + 0.25)
    if c.feature.jaws == "inside":
        return [_tooth(c, 0.0, inner, half), _tooth(c, c.length, -inner, half)]
    if c.feature.jaws == "depth":
        foot = [c.at(0, -FOOT_HALF), c.at(0, FOOT_HALF), c.at(-4, FOOT_HALF), c.at(-4, -FOOT_HALF)]
        return [foot, _tooth(c, c.length, -inner, 0.7 * half)]
    return [_tooth(c, 0.0, -JAW_LENGTH, JAW_HALF), _tooth(c, c.length, JAW_LENGTH, JAW_HALF)]


def _tooth(c: Callout, tip: float, back: float, half: float) -> list[XY]:
    return [c.at(tip), c.at(tip + back, half), c.at(tip + back, -half)]


def discs(c: Callout) -> list[tuple[float, float, float]]:
    """Return circles (x, y, radius) that cover the marks; balloons keep clear of them."""
    shapes = jaws(c)
    if not shapes:
        return [(*c.a, 4.0)]
    found = [(*_middle(shape), 5.5) for shape in shapes]
    if c.feature.jaws == "depth":
        found += [(*c.at(-2, side * FOOT_HALF), 2.5) for side in (-1, 1)]
    return found


def rod(c: Callout) -> list[tuple[float, float, float]]:
    """Return circles along a depth rod: only its own balloon may sit on it."""
    if c.along is None or c.feature.jaws != "depth":
        return []
    return [(*c.at(6.0 * k), 2.5) for k in range(1, int(c.length / 6.0) + 1)]


def _middle(shape: list[XY]) -> XY:
    n = len(shape)
    return sum(x for x, _ in shape) / n, sum(y for _, y in shape) / n


def draw_marks(c: Callout) -> str:
    """Return the jaws, or the dot where the eye goes."""
    colour = c.ink.colour
    if c.along is None:
        return circle(c.a, 3.2, colour, PAPER, 1.0)
    stick = ""
    if c.feature.jaws == "depth":
        end = max(0.0, c.length - 0.5 * JAW_LENGTH)
        sides = [c.at(0, -ROD_HALF), c.at(end, -ROD_HALF), c.at(end, ROD_HALF), c.at(0, ROD_HALF)]
        stick = polygon(sides, "none", colour, 0.8)  # hollow: the line's dash shows its kind
    teeth = "".join(polygon(shape, colour) for shape in jaws(c))
    return f'<g class="jaws">{stick}{teeth}</g>'
