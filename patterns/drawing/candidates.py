"""The ways to draw one callout, from the best looking to the most roomy, each with its cost.

On the feature itself first; then on the line's continuation, shifted a little, on a leader, or in
a lane outside the outline with extension lines, as in a technical drawing.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from patterns.drawing.marks import Callout
from patterns.drawing.style import BALLOON, JAW_LENGTH
from patterns.drawing.svg import XY

LANE = 17.0
FIRST_LANE = 24.0
SHORT = 80.0
Segment = tuple[XY, XY]


@dataclass(frozen=True, slots=True)
class CalloutPosition:
    """One way to draw a callout.

    Attributes
    ----------
    balloon : (2,) float
        Centre of the balloon.
    line : pair of points or None
        The dimension line.
    thin : tuple of pairs
        Extension lines, from the jaws to the dimension line.
    leader : pair of points or None
        From the line (or the dot) to the balloon.
    cost : float
        How far it is from the ideal, before what stands in its way.
    """

    balloon: XY
    line: Segment | None
    cost: float
    thin: tuple[Segment, ...] = ()
    leader: Segment | None = None

    @property
    def segments(self) -> list[Segment]:
        """All its lines, the dimension line first."""
        lines = [self.line] if self.line else []
        return [*lines, *self.thin, *([self.leader] if self.leader else [])]


def candidates(c: Callout, width: float, height: float, lanes: int) -> list[CalloutPosition]:
    """Return the ways to draw a callout, the cheapest first.

    Parameters
    ----------
    c : Callout
    width, height : float
        The outline of the piece fills (0, 0) to (width, height), in picture units.
    lanes : int
        How many lanes to offer on each side.
    """
    own = (c.a, c.b)
    if c.along is None:
        found = [*_leaders(c.a, None, 4.0), *_margins(c.a, None, width, height, 4.0)]
    else:
        found = [*_on_line(c, own, (), 0.0), *_beyond(c), *_leaders(c.middle, own, 0.0)]
        found += [*_shifted(c), *_lanes(c, width, height, lanes)]
        if c.length < SHORT:
            found += _margins(c.middle, own, width, height, 0.0)
    return sorted(found, key=lambda p: p.cost)


def _on_line(
    c: Callout, line: Segment, thin: tuple[Segment, ...], cost: float
) -> Iterator[CalloutPosition]:
    (ax, ay), (bx, by) = line
    room = BALLOON + (JAW_LENGTH + 1 if c.feature.jaws != "outside" and not thin else 4)
    for t in (0.5, 0.42, 0.58, 0.34, 0.66, 0.26, 0.74, 0.18, 0.82):
        if min(t, 1 - t) * c.length > room:
            at = (ax + t * (bx - ax), ay + t * (by - ay))
            yield CalloutPosition(at, line, cost + 12 * abs(t - 0.5), thin)


def _beyond(c: Callout) -> Iterator[CalloutPosition]:
    """Yield places on the line's own continuation, behind either jaw."""
    at_a, at_b = {"inside": (0.0, 0.0), "depth": (4.0, 0.0)}.get(
        c.feature.jaws, (JAW_LENGTH, JAW_LENGTH)
    )
    for reach in (0.0, 12.0, 26.0, 44.0):
        for end, sign, behind in ((c.length, 1, at_b), (0.0, -1, at_a)):
            gap = behind + BALLOON + 2 + reach
            tie = (c.at(end + sign * behind), c.at(end + sign * (gap - BALLOON)))
            cost = 14 + 0.5 * reach + (sign < 0)
            yield CalloutPosition(c.at(end + sign * gap), (c.a, c.b), cost, leader=tie)


def _shifted(c: Callout) -> Iterator[CalloutPosition]:
    """Yield the dimension line a little to the side of the jaws."""
    for offset in (16.0, -16.0, 30.0, -30.0, 44.0, -44.0):
        line, thin = _offset(c, offset)
        yield from _on_line(c, line, thin, (22 if c.is_oblique else 150) + 0.3 * abs(offset))


def _offset(c: Callout, offset: float) -> tuple[Segment, tuple[Segment, ...]]:
    beyond = offset + math.copysign(4.0, offset)
    thin = ((c.a, c.at(0, beyond)), (c.b, c.at(c.length, beyond)))
    return (c.at(0, offset), c.at(c.length, offset)), thin


def _lanes(c: Callout, width: float, height: float, lanes: int) -> Iterator[CalloutPosition]:
    """Yield dimension lines outside the outline, with extension lines from the jaws."""
    corners = [(0.0, 0.0), (width, 0.0), (0.0, height), (width, height)]
    dx, dy = c.along or (1.0, 0.0)
    across = [-(x - c.a[0]) * dy + (y - c.a[1]) * dx for x, y in corners]
    for side, edge in ((-1, min(across)), (1, max(across))):
        for lane in range(lanes):
            offset = edge + side * (FIRST_LANE + lane * LANE)
            line, thin = _offset(c, offset)
            cost = (120 if c.is_oblique else 30) + 0.08 * abs(offset) + 1.2 * lane
            yield from _on_line(c, line, thin, cost)
            for end, sign in ((c.length, 1), (0.0, -1)):
                tie = (c.at(end, offset), c.at(end + sign * 4, offset))
                centre = c.at(end + sign * (BALLOON + 4), offset)
                yield CalloutPosition(centre, line, cost + 5, thin, tie)


def _leaders(root: XY, own: Segment | None, clear: float) -> Iterator[CalloutPosition]:
    for reach in (22.0, 32.0, 46.0, 64.0, 88.0, 120.0):
        for k in range(16):
            angle = math.pi * (k + 0.5) / 8
            centre = (root[0] + reach * math.cos(angle), root[1] - reach * math.sin(angle))
            cost = 14 + 0.55 * reach
            yield CalloutPosition(centre, own, cost, leader=_leader(root, centre, clear))


def _margins(root: XY, own: Segment | None, width: float, height: float,
             clear: float) -> Iterator[CalloutPosition]:  # fmt: skip
    """Yield places in columns and rows around the outline, straight across where possible."""
    for k in range(5):
        gap = 20.0 + k * (2 * BALLOON + 6)
        for shift in (0, 1, -1, 2, -2, 3, -3, 5, -5, 7, -7, 10, -10):
            slide = shift * (BALLOON + 1)
            for x in (-gap, width + gap):
                yield _margin(root, own, (x, root[1] + slide), clear)
            for y in (-gap, height + gap):
                yield _margin(root, own, (root[0] + slide, y), clear)


def _margin(root: XY, own: Segment | None, centre: XY, clear: float) -> CalloutPosition:
    cost = 18 + 0.3 * math.dist(root, centre)
    return CalloutPosition(centre, own, cost, leader=_leader(root, centre, clear))


def _leader(root: XY, centre: XY, clear: float) -> Segment:
    reach = max(math.dist(root, centre), 1e-9)
    dx, dy = (centre[0] - root[0]) / reach, (centre[1] - root[1]) / reach
    return (
        (root[0] + clear * dx, root[1] + clear * dy),
        (centre[0] - BALLOON * dx, centre[1] - BALLOON * dy),
    )
