"""Where the dimension lines and the balloons of a view go: the cheapest free place for each.

Callouts are placed one after the other, the shortest first, and then once more, now that all the
others are known. Nothing is random, so equal pieces give equal pictures.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patterns.drawing.candidates import CalloutPosition, candidates
from patterns.drawing.marks import Callout, discs, rod
from patterns.drawing.style import BALLOON
from patterns.mesh import Floats, Ints

#: Prices: a balloon on a balloon or on jaws is never accepted while anything else is left.
FORBIDDEN, BALLOON_ON_LINE, LINE_ON_MARK = 1e6, 250.0, 8.0
BALLOON_WHERE_WANTED = 10.0
#: Prices of running along and of crossing, by [drawn thin?][there thin?].
ALONG = np.array([[400.0, 60.0], [60.0, 2.0]])
CROSSING = np.array([[5.0, 4.0], [4.0, 2.0]])
CLOSE = 6.0
CHUNK = 64


def lay_out(callouts: Sequence[Callout], width: float, height: float) -> list[CalloutPosition]:
    """Choose a place for every callout of a view whose outline fills (0, 0) to (width, height)."""
    options = [_options(callouts, n, width, height) for n in range(len(callouts))]
    order = sorted(range(len(callouts)), key=lambda i: (callouts[i].length, callouts[i].number))
    marks = [(np.array(discs(c)), np.array(rod(c)).reshape(-1, 3)) for c in callouts]
    chosen: dict[int, CalloutPosition] = {}
    for _ in range(2):
        for i in order:
            others = [chosen[j] for j in sorted(chosen) if j != i]
            chosen[i] = _cheapest(options[i], _Taken.of(others, marks, i))
    return [chosen[i] for i in range(len(callouts))]


def _options(callouts: Sequence[Callout], n: int, width: float, height: float) -> "_Options":
    """List a callout's candidates, dearer where a feature in another direction wants its line."""
    me = callouts[n]
    beside = [c for c in callouts if c is not me and c.along and me.along and _parallel(c, me)]
    across = [c for c in callouts if c is not me and c.along and c not in beside]
    places = candidates(me, width, height, min(26, len(beside) + 3))
    balloons = np.array([p.balloon for p in places])
    lines = np.array([(*c.a, *c.b) for c in across], dtype=np.float64).reshape(-1, 4)
    wanted = (_distance(balloons, lines) < BALLOON + 1.5).sum(axis=1)
    cost = np.array([p.cost for p in places]) + BALLOON_WHERE_WANTED * wanted
    return _Options.of(places, cost)


def _parallel(c: Callout, d: Callout) -> bool:
    (ax, ay), (bx, by) = c.along or (0.0, 0.0), d.along or (0.0, 0.0)
    return abs(ax * by - ay * bx) < 0.05


@dataclass(frozen=True, slots=True)
class _Options:
    """Candidates, with their lines as arrays."""

    places: list[CalloutPosition]
    cost: Floats
    balloons: Floats  # (n, 2)
    lines: Floats  # (k, 4)
    owner: Ints  # (k,), ascending
    thin: Ints  # (k,): 0 dimension line, 1 extension line or leader
    begin: Ints  # (n + 1,): where each candidate's lines begin

    @classmethod
    def of(cls, places: list[CalloutPosition], cost: Floats) -> "_Options":
        lines, owner, thin = _lines(places)
        begin = np.searchsorted(owner, np.arange(len(places) + 1))
        balloons = np.array([p.balloon for p in places])
        return cls(places, cost, balloons, lines, owner, thin, begin)


@dataclass(frozen=True, slots=True)
class _Taken:
    """What stands in the way: balloons, lines, everybody's jaws."""

    balloons: Floats  # (n, 2)
    lines: Floats  # (k, 4)
    thin: Ints  # (k,)
    marks: Floats  # (m, 3): circles around all jaws and the others' rods; balloons keep off
    others: Floats  # (q, 3): those that are not at the same places as one's own; lines keep off

    @classmethod
    def of(
        cls, places: list[CalloutPosition], marks: Sequence[tuple[Floats, Floats]], mine: int
    ) -> "_Taken":
        lines, _, thin = _lines(places)
        balloons = np.array([p.balloon for p in places], dtype=np.float64).reshape(-1, 2)
        jaws, own = np.concatenate([m for m, _ in marks]), marks[mine][0]
        rods = [r for n, (_, r) in enumerate(marks) if n != mine]
        apart = _gap(jaws, own).min(axis=1)
        return cls(balloons, lines, thin, np.concatenate([jaws, *rods]), jaws[apart > 8.0])


def _lines(places: Sequence[CalloutPosition]) -> tuple[Floats, Ints, Ints]:
    rows = [
        (*a, *b, n, k > 0 or p.line is None)
        for n, p in enumerate(places)
        for k, (a, b) in enumerate(p.segments)
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 6)
    return table[:, :4], table[:, 4].astype(np.int64), table[:, 5].astype(np.int64)


def _cheapest(options: _Options, taken: _Taken) -> CalloutPosition:
    """Price the balloons of all candidates, then the lines of the promising ones."""
    floor = options.cost + _balloon_costs(options.balloons, taken)
    order = np.argsort(floor, kind="stable")
    best, best_cost = 0, math.inf
    for start in range(0, len(order), CHUNK):
        some = order[start : start + CHUNK]
        if floor[some[0]] >= best_cost:
            break  # sorted: nothing later can be cheaper
        cost = floor[some] + _line_costs(options, some, taken)
        k = int(cost.argmin())
        if cost[k] < best_cost:
            best, best_cost = int(some[k]), float(cost[k])
    return options.places[best]


def _balloon_costs(balloons: Floats, taken: _Taken) -> Floats:
    on_balloons = _gap(balloons, taken.balloons) < 2 * BALLOON + 2.5
    on_marks = _gap(balloons, taken.marks) < taken.marks[:, 2] + BALLOON + 0.5
    on_lines = _distance(balloons, taken.lines) < BALLOON + 1.5
    forbidden = on_balloons.sum(axis=1, dtype=np.float64) + on_marks.sum(axis=1)
    cost: Floats = FORBIDDEN * forbidden + BALLOON_ON_LINE * on_lines.sum(axis=1, dtype=np.float64)
    return cost


def _gap(points: Floats, there: Floats) -> Floats:
    """Return (n, k): distance of points (n, 2) from places (k, 2 or more)."""
    gap: Floats = np.hypot(*(points[:, None, i] - there[None, :, i] for i in (0, 1)))
    return gap


def _line_costs(options: _Options, some: Ints, taken: _Taken) -> Floats:
    mine = np.concatenate([np.arange(options.begin[k], options.begin[k + 1]) for k in some])
    lines, thin = options.lines[mine], options.thin[mine]
    price = _clashes(lines, thin, taken.lines, taken.thin)
    price += BALLOON_ON_LINE * (_distance(taken.balloons, lines) < BALLOON + 2).sum(axis=0)
    on_marks = _distance(taken.others[:, :2], lines) < taken.others[:, 2:]
    price += LINE_ON_MARK * on_marks.sum(axis=0)
    slot = np.zeros(len(options.places), dtype=np.int64)
    slot[some] = np.arange(len(some))
    total = np.bincount(slot[options.owner[mine]], weights=price, minlength=len(some))
    return total.astype(np.float64)


def _distance(points: Floats, lines: Floats) -> Floats:
    """Return (n, k): distance of points (n, 2) from line segments (k, 4)."""
    px, py, qx, qy = lines.T
    dx, dy = qx - px, qy - py
    x, y = points[:, :1] - px, points[:, 1:] - py
    t = np.clip((x * dx + y * dy) / np.maximum(dx * dx + dy * dy, 1e-12), 0, 1)
    distance: Floats = np.hypot(x - t * dx, y - t * dy)
    return distance


def _clashes(lines: Floats, thin: Ints, there: Floats, there_thin: Ints) -> Floats:
    """Return (k,): price of running along other lines closer than CLOSE and of crossing them."""
    px, py, qx, qy = lines.T[:, :, None]
    length = np.maximum(np.hypot(qx - px, qy - py), 1e-9)
    ux, uy = (qx - px) / length, (qy - py) / length
    rx, ry, sx, sy = there.T[:, None] - np.stack([px, py, px, py])
    r_along, s_along = rx * ux + ry * uy, sx * ux + sy * uy
    r_off, s_off = ry * ux - rx * uy, sy * ux - sx * uy
    overlap = np.minimum(np.maximum(r_along, s_along), length)
    overlap -= np.maximum(np.minimum(r_along, s_along), 0)
    beside = (np.maximum(abs(r_off), abs(s_off)) < CLOSE) & (overlap > 2)
    swing = np.where(r_off == s_off, 1.0, s_off - r_off)
    meet = r_along - r_off * (s_along - r_along) / swing
    crosses = (r_off * s_off < 0) & (meet > 0) & (meet < length) & ~beside
    which = (thin[:, None], there_thin[None, :])
    price: Floats = (ALONG[which] * beside + CROSSING[which] * crosses).sum(axis=1)
    return price
