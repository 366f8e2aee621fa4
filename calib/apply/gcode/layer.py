"""One of the first layers of a sliced file as lines to draw: where plastic is laid, seen from above."""

import itertools
import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from calib.apply.gcode.machine import Command, Machine, commands

XY = tuple[float, float]

#: Heights that are looked at: before the first layer a line is often laid beside it, to get the filament going.
HEIGHTS = 3
#: Moves that are followed at most, about a second's work.
MOST_MOVES = 60_000
#: Straight pieces of an arc turn by no more than this, radians.
STEP = math.pi / 24
#: Two heights closer than this are one layer, mm.
_SAME_MM = 0.02


@dataclass(frozen=True, slots=True)
class Layer:
    """What is laid at one height.

    Attributes
    ----------
    lines : tuple of tuple of (x, y)
        Each is laid in one go; mm, as the printer counts.
    """

    z_mm: float
    lines: tuple[tuple[XY, ...], ...]

    @property
    def length_mm(self) -> float:
        """How much is laid."""
        return sum(math.dist(a, b) for line in self.lines for a, b in itertools.pairwise(line))


def first_layer(text: Iterable[str]) -> Layer | None:
    """Return that of the first few layers of which most is laid; None where nothing is.

    Parameters
    ----------
    text : iterable of str
        Lines of G-code; no more of them are read than are needed.
    """
    found: dict[float, list[list[XY]]] = defaultdict(list)
    last: XY | None = None
    z_now = math.nan
    for z, path in _laid(text):
        if not abs(z - z_now) < _SAME_MM:
            z_now, last = next((h for h in found if abs(h - z) < _SAME_MM), z), None
            if z_now not in found and len(found) == HEIGHTS:
                break
        if path[0] != last:
            found[z_now].append([path[0]])
        found[z_now][-1].extend(path[1:])
        last = path[-1]
    layers = [Layer(z, tuple(tuple(p) for p in lines)) for z, lines in found.items()]
    return max(layers, key=lambda layer: layer.length_mm, default=None)


def _laid(text: Iterable[str]) -> Iterator[tuple[float, list[XY]]]:
    """Yield (z, places) of each move that lays plastic."""
    machine, moves = Machine(""), 0
    for c in commands(text):
        if not machine.is_move(c):
            machine.other(c)
            continue
        x, y, _ = machine.at
        fed = machine.move(c) or 0.0
        moves += 1
        if moves > MOST_MOVES:
            return
        to_x, to_y, z = machine.at
        if fed <= 0 or x is None or y is None or to_x is None or to_y is None:
            continue
        path = _path(machine, c, (x, y), (to_x, to_y))
        if len(path) > 1:
            yield z or 0.0, path


def _path(machine: Machine, c: Command, a: XY, b: XY) -> list[XY]:
    """Return the places of one move from a to b: two, or as many as an arc needs; one where it stands still."""
    if machine.mode not in ("G2", "G3") or machine.plane != "G17":
        return [a] if a == b else [a, b]
    if a == b and "R" in c.words:
        return [a]
    cx, cy = machine.centre(c, a, b)
    way = 1.0 if machine.mode == "G3" else -1.0
    start = math.atan2(a[1] - cy, a[0] - cx)
    turn = (way * (math.atan2(b[1] - cy, b[0] - cx) - start)) % (2 * math.pi) or 2 * math.pi
    radius, n = math.hypot(a[0] - cx, a[1] - cy), math.ceil(turn / STEP)
    angles = (start + way * turn * k / n for k in range(1, n))
    return [a, *((cx + radius * math.cos(t), cy + radius * math.sin(t)) for t in angles), b]
