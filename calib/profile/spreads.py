"""How much spools of one type differ, learnt together with the posterior."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from calib.profile.blocks import Block, Coordinate
from calib.profile.posterior import Posterior, solve
from calib.profile.prior import SPREAD_DOF, Knowledge, Spread, Spreads
from calib.profile.spools import SpoolSum, summed

_ROUNDS = 40
#: Of more spools than twice this, so many show where to begin.
_SAMPLE = 800
#: Spreads have settled once they change by less than this share; of many spools, this share of their error.
_SETTLED, _OF_ERROR, _MANY = 1e-4, 0.05, 100


def posterior(
    blocks: Iterable[Block], knowledge: Knowledge, spreads: Spreads | None = None
) -> Posterior:
    """Return the posterior of all blocks; the spreads are learnt unless they are given.

    The order of the blocks does not matter.
    """
    sums = summed(blocks, knowledge)
    if spreads is not None:
        return solve(sums, knowledge, spreads)
    return learnt(sums, knowledge)


def learnt(
    sums: Mapping[str, SpoolSum], knowledge: Knowledge, start: Spreads | None = None
) -> Posterior:
    """Learn how much spools of each type differ, and return the posterior with that.

    Expectation and maximisation in turn (Dempster, Laird, Rubin 1977), with a scaled inverse
    chi-squared prior of `SPREAD_DOF` degrees of freedom round what is usual. Every second round is
    followed by Aitken's extrapolation, since the steps shrink by a constant factor. It begins at
    `start`, where that is given.
    """
    if start is None and len(sums) > 2 * _SAMPLE:
        few = dict(list(sums.items())[:: len(sums) // _SAMPLE])
        start = learnt(few, knowledge).spreads
    history: list[dict[tuple[str, str], Spread]] = [dict(start or {})]
    for _ in range(_ROUNDS):
        found = solve(sums, knowledge, history[-1])
        history.append(_spreads(found))
        if not history[-1] or _settled(*history[-2:]):
            break
        if len(history) == 4:
            history = [_extrapolated(*history[-3:])]
    return solve(sums, knowledge, history[-1])


def _settled(before: Spreads, after: Spreads) -> bool:
    """Whether the spreads hardly changed; those of many spools, beside how well they can be known."""

    def least(s: Spread) -> float:
        return _SETTLED if s.spools < _MANY else _OF_ERROR / math.sqrt(2 * s.dof)

    return set(before) == set(after) and all(
        abs(math.log(s.sd / before[k].sd)) < least(s) for k, s in after.items()
    )


def _extrapolated(first: Spreads, second: Spreads, third: Spreads) -> dict[tuple[str, str], Spread]:
    """Guess where three steps lead (Aitken's delta-squared, on the logarithms)."""
    found = {}
    for key, last in third.items():
        a, b, c = (math.log(s[key].sd) for s in (first, second, third))
        bend = (c - b) - (b - a)
        far = -((c - b) ** 2) / bend if abs(bend) > 1e-12 else 0.0
        found[key] = replace(last, sd=math.exp(c + min(max(far, -1.0), 1.0)))
    return found


def _spreads(found: Posterior) -> dict[tuple[str, str], Spread]:
    """Return the spread of every type and quantity, given the posterior with the spreads before."""
    sizes: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    for name in found.spools:
        material = found.knowledge.material(name)
        for c, size, variance in own_parts(found, name):
            sizes[material, c.quantity].append((size, variance))
    spreads = {}
    for key, values in sizes.items():
        usual = found.knowledge.usual_spread(key[1])
        now = found.spreads.get(key, Spread(usual)).sd
        total = SPREAD_DOF * usual**2 + sum(size for size, _ in values)
        told = sum(_told(variance, now) for _, variance in values)
        sd = (total / (SPREAD_DOF + len(values))) ** 0.5
        spreads[key] = Spread(sd, SPREAD_DOF + told, len(values))
    return spreads


def own_parts(found: Posterior, spool: str) -> list[tuple[Coordinate, float, float]]:
    """Return each of a spool's own parts with its expected square and its variance."""
    s = found.spools[spool]
    if not s.local:
        return []
    at = [found.index[c] for c in s.common]
    mean = s.b - s.g @ found.mean[at]
    lean = s.g @ found.covariance[np.ix_(at, at)]
    variance = np.diag(s.w) + np.einsum("ij,ij->i", lean, s.g)
    return list(zip(s.local, (mean**2 + variance).tolist(), variance.tolist(), strict=True))


def _told(variance: float, spread: float) -> float:
    """Return the share of one degree of freedom that a spool tells of a spread."""
    return max(0.0, 1 - variance / spread**2)


def as_others_differ(found: Posterior, spool: str) -> dict[Coordinate, Spread]:
    """Return how much the other spools of its type differ, for each of a spool's own parts."""
    spreads = {}
    for c, size, variance in own_parts(found, spool):
        spread, usual = found.spread(c), found.knowledge.usual_spread(c.quantity)
        if spread.spools:
            others = SPREAD_DOF + spread.spools - 1
            total = spread.sd**2 * (others + 1) - size
            sd = math.sqrt(max(total, SPREAD_DOF * usual**2) / others)
            dof = max(spread.dof - _told(variance, spread.sd), SPREAD_DOF)
            spreads[c] = Spread(sd, dof, spread.spools - 1)
    return spreads
