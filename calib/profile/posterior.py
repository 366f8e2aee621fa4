"""The joint posterior of everything that is not known exactly, over all sheets that still count.

    state ~ N(prior), |R state - z|^2 of each block; posterior = prior + sum of blocks

Spools meet only through what printers, nozzles, materials and instruments share, so each spool (with
its pieces) is eliminated by itself (Schur complement) and the work grows with their number and no
faster. How much spools of one type differ is learnt from those that were seen (empirical Bayes).
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import Protocol

import numpy as np

from calib.fit.linear import Array
from calib.profile.blocks import Block, Coordinate
from calib.profile.gaussian import Gaussian

#: Weight, in spools, of what is usual against the spread seen: a proper prior, a judgement.
SPREAD_DOF = 3.0
_ROUNDS = 40
_LARGE = 500  # coordinates
#: Of more spools than twice this, so many show where to begin.
_SAMPLE = 800
#: Spreads have settled once they change by less than this share; of many spools, this share of their error.
_SETTLED, _OF_ERROR, _MANY = 1e-4, 0.05, 100

Spreads = Mapping[tuple[str, str], "Spread"]


@dataclass(frozen=True, slots=True)
class Spread:
    """How much spools of a type differ in one quantity: standard deviation, and how well known."""

    sd: float
    dof: float = SPREAD_DOF
    spools: int = 0


class Knowledge(Protocol):
    """What is known without any sheet: `calib.profile.knowledge.World` in earnest."""

    def epoch(self, c: Coordinate, at: datetime) -> int:
        """Count the changes that events and time made to a coordinate before a moment."""

    def prior(self, c: Coordinate) -> tuple[float, float]:
        """Return mean and standard deviation before any reading."""

    def link(self, earlier: Coordinate, later: Coordinate) -> float | None:
        """Return the variance that was added between two epochs; None: nothing carries over."""

    def material(self, spool: str) -> str:
        """Return the type of a spool."""

    def usual_spread(self, quantity: str) -> float:
        """Return how much spools of one type usually differ."""

    def reference_steps(self, printer: str, axis: str) -> float | None:
        """Return the steps/mm at which an axis's scale is stated."""


@dataclass(frozen=True, eq=False, kw_only=True)
class SpoolSum:
    """The blocks of one spool summed, its pieces eliminated; `local` are the spool's own parts.

    Without prior of the spool's own parts. `n` (l + c, l + c), `b` (l + c,).
    """

    local: tuple[Coordinate, ...]
    common: tuple[Coordinate, ...]
    n: Array
    b: Array
    chi2: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Eliminated:
    """A spool given what it shares: local = b - g common + N(0, w)."""

    local: tuple[Coordinate, ...]
    common: tuple[Coordinate, ...]
    w: Array
    g: Array
    b: Array


def latest_of(coordinates: Iterable[Coordinate]) -> dict[Coordinate, int]:
    """Return coordinate at epoch 0 -> the newest epoch among these."""
    latest: dict[Coordinate, int] = {}
    for c in coordinates:
        first = c._replace(epoch=0)
        latest[first] = max(c.epoch, latest.get(first, 0))
    return latest


def link_variance(knowledge: Knowledge, earlier: Coordinate, later: Coordinate) -> float | None:
    """Return the variance between two epochs, never quite nothing; None: nothing carries over."""
    added = knowledge.link(earlier, later)
    return None if added is None else max(added, 1e-10 * knowledge.prior(later)[1] ** 2)


@dataclass(frozen=True, eq=False, kw_only=True)
class Posterior:
    """What is known of everything: the shared coordinates jointly, and each spool given them."""

    knowledge: Knowledge
    coordinates: tuple[Coordinate, ...]
    mean: Array
    covariance: Array
    spools: Mapping[str, Eliminated]
    spreads: Spreads

    @cached_property
    def index(self) -> dict[Coordinate, int]:
        """Place of every shared coordinate."""
        return {c: i for i, c in enumerate(self.coordinates)}

    @cached_property
    def latest(self) -> dict[Coordinate, int]:
        """Shared coordinate at epoch 0 -> the newest epoch that sheets spoke of."""
        return latest_of(self.coordinates)

    def joint(self, wanted: Iterable[Coordinate]) -> Gaussian:
        """Return the joint distribution of some coordinates, also of such as no sheet spoke of."""
        coordinates = tuple(dict.fromkeys(wanted))
        n, c = len(coordinates), len(self.coordinates)
        load = np.zeros((n, c))
        mean, extra = np.zeros(n), np.zeros((n, n))
        places: dict[str, list[tuple[int, int]]] = defaultdict(list)
        for i, coordinate in enumerate(coordinates):
            seen, added = self._seen(coordinate)
            if seen is None:
                mean[i], sd = self._prior(coordinate)
                extra[i, i] = sd**2
            elif coordinate.kind == "spool":
                places[coordinate.owner].append(
                    (i, self.spools[coordinate.owner].local.index(seen))
                )
                extra[i, i] += added
            else:
                load[i, self.index[seen]] = 1.0
                mean[i] = self.mean[self.index[seen]]
                extra[i, i] += added
        for owner, pairs in places.items():
            s = self.spools[owner]
            at, of = [p[0] for p in pairs], [p[1] for p in pairs]
            touch = [self.index[x] for x in s.common]
            load[np.ix_(at, touch)] -= s.g[of]
            mean[at] = s.b[of] - s.g[of] @ self.mean[touch]
            extra[np.ix_(at, at)] += s.w[np.ix_(of, of)]
        used = np.flatnonzero(load.any(axis=0))
        part = load[:, used]
        covariance = part @ self.covariance[np.ix_(used, used)] @ part.T + extra
        priors = [self._prior(x)[1] for x in coordinates]
        spreads = [self._spread(x) for x in coordinates]
        return Gaussian(
            coordinates=coordinates,
            mean=mean,
            covariance=(covariance + covariance.T) / 2,
            prior_variance=np.array(priors) ** 2,
            spread_sd=np.array([s.sd for s in spreads]),
            spread_dof=np.array([s.dof for s in spreads]),
        )

    def _seen(self, c: Coordinate) -> tuple[Coordinate | None, float]:
        """Return the newest coordinate that was seen in its place, and the variance added since."""
        if c.kind == "spool":
            known = self.spools[c.owner].local if c.owner in self.spools else ()
            epochs = [x.epoch for x in known if x[:3] == c[:3]]
        else:
            epochs = (
                [self.latest[c._replace(epoch=0)]] if c._replace(epoch=0) in self.latest else []
            )
            if c in self.index:
                epochs.append(c.epoch)
        epochs = [e for e in epochs if e <= c.epoch]
        if not epochs:
            return None, 0.0
        seen = c._replace(epoch=max(epochs))
        added = 0.0 if seen == c else self.knowledge.link(seen, c)
        return (None, 0.0) if added is None else (seen, added)

    def _prior(self, c: Coordinate) -> tuple[float, float]:
        if c.kind == "spool":
            return 0.0, self._spread(c).sd
        return self.knowledge.prior(c)

    def _spread(self, c: Coordinate) -> Spread:
        if c.kind != "spool":
            return Spread(np.inf, np.inf)
        return spread_of(self.spreads, self.knowledge, c)


def spread_of(spreads: Spreads, knowledge: Knowledge, c: Coordinate) -> Spread:
    """Return how much spools of a coordinate's type differ in it: as learnt, else what is usual."""
    usual = knowledge.usual_spread(c.quantity)
    return spreads.get((knowledge.material(c.owner), c.quantity), Spread(usual))


def placed(block: Block, knowledge: Knowledge) -> Block:
    """Return a block with its coordinates in their epochs, and at the steps of reference."""
    epochs = [knowledge.epoch(c, block.at) for c in block.coordinates]
    coordinates = tuple(
        c._replace(epoch=e) if e else c for c, e in zip(block.coordinates, epochs, strict=True)
    )
    z = block.z
    for i, c in enumerate(block.coordinates):
        axis = c.quantity.removeprefix("scale_").upper()
        if c.kind == "printer" and axis in block.steps and c.quantity.startswith("scale_"):
            reference = knowledge.reference_steps(c.owner, axis)
            if reference:
                z = z - block.r[:, i] * np.log(block.steps[axis] / reference)
    return replace(block, coordinates=coordinates, z=z)


def summed(blocks: Iterable[Block], knowledge: Knowledge) -> dict[str, SpoolSum]:
    """Sum the blocks by spool; those without a spool (checks without plastic) each by itself."""
    groups: dict[str, list[Block]] = defaultdict(list)
    for block in blocks:
        groups[group_of(block)].append(placed(block, knowledge))
    # In the order of their names, so that the order of keeping does not even change the last digit.
    return {
        spool: _spool_sum(sorted(found, key=lambda b: b.uid), knowledge)
        for spool, found in sorted(groups.items())
    }


def group_of(block: Block) -> str:
    """Return the name under which a block is summed: its spool, else its own."""
    return block.owner("spool") or f"sheet {block.uid}"


def _spool_sum(blocks: Sequence[Block], knowledge: Knowledge) -> SpoolSum:
    named = sorted({c for b in blocks for c in b.coordinates})
    pieces = [c for c in named if c.kind == "piece"]
    local = [c for c in named if c.kind == "spool"]
    common = [c for c in named if c.kind not in ("piece", "spool")]
    at = {c: i for i, c in enumerate([*pieces, *local, *common])}
    n, b, chi2 = np.zeros((len(at), len(at))), np.zeros(len(at)), 0.0
    for block in blocks:
        here = [at[c] for c in block.coordinates]
        n[np.ix_(here, here)] += block.r.T @ block.r
        b[here] += block.r.T @ block.z
        chi2 += float(block.z @ block.z)
    k = len(pieces)
    if k:
        mean, sd = np.array([knowledge.prior(c) for c in pieces]).T
        n[range(k), range(k)] += 1 / sd**2
        b[:k] += mean / sd**2
        chi2 += float(np.sum((mean / sd) ** 2))
        gain = np.linalg.solve(n[:k, :k], np.column_stack([n[:k, k:], b[:k]]))
        chi2 -= float(b[:k] @ gain[:, -1])
        b = b[k:] - n[k:, :k] @ gain[:, -1]
        n = n[k:, k:] - n[k:, :k] @ gain[:, :-1]
    return SpoolSum(local=tuple(local), common=tuple(common), n=n, b=b, chi2=chi2)


def prior_information(
    coordinates: Sequence[Coordinate], knowledge: Knowledge, spreads: Spreads
) -> tuple[Array, Array]:
    """Return the prior as information matrix and vector, epochs of one thing linked in a chain."""
    n, b = np.zeros((len(coordinates),) * 2), np.zeros(len(coordinates))
    chains: dict[tuple[str, str, str], list[tuple[int, Coordinate]]] = defaultdict(list)
    for i, c in enumerate(coordinates):
        chains[c[:3]].append((i, c))
    for chain in chains.values():
        chain.sort(key=lambda pair: pair[1].epoch)
        before: tuple[int, Coordinate] | None = None
        for i, c in chain:
            added = None if before is None else link_variance(knowledge, before[1], c)
            if before is None or added is None:
                mean, sd = (
                    (0.0, spread_of(spreads, knowledge, c).sd)
                    if c.kind == "spool"
                    else knowledge.prior(c)
                )
                n[i, i] += 1 / sd**2
                b[i] += mean / sd**2
            else:
                j, tie = before[0], 1 / added
                n[[i, j, i, j], [i, j, j, i]] += [tie, tie, -tie, -tie]
            before = (i, c)
    return n, b


def eliminated(
    s: SpoolSum, knowledge: Knowledge, spreads: Spreads
) -> tuple[Eliminated, Array, Array]:
    """Eliminate a spool's own parts.

    Returns
    -------
    the spool given what it shares; what it says of that: information (c, c) and pull (c,)
    """
    k = len(s.local)
    if not k:
        none = Eliminated(
            local=(),
            common=s.common,
            w=np.zeros((0, 0)),
            g=np.zeros((0, len(s.common))),
            b=np.zeros(0),
        )
        return none, s.n, s.b
    n, b = prior_information(s.local, knowledge, spreads)
    w: Array = np.linalg.inv(s.n[:k, :k] + n).astype(np.float64)
    g = w @ s.n[:k, k:]
    loose = w @ (s.b[:k] + b)
    found = Eliminated(local=s.local, common=s.common, w=w, g=g, b=loose)
    return found, s.n[k:, k:] - s.n[k:, :k] @ g, s.b[k:] - s.n[k:, :k] @ loose


@dataclass(frozen=True, eq=False, kw_only=True)
class Sums:
    """What all spools together say of what they share, without its prior."""

    coordinates: tuple[Coordinate, ...]
    information: Array
    pull: Array


def shared(
    sums: Mapping[str, SpoolSum], knowledge: Knowledge, spreads: Spreads
) -> tuple[Sums, dict[str, Eliminated]]:
    """Eliminate every spool and add up what they say of what they share."""
    coordinates = tuple(sorted({c for s in sums.values() for c in s.common}))
    index = {c: i for i, c in enumerate(coordinates)}
    n, b = np.zeros((len(coordinates),) * 2), np.zeros(len(coordinates))
    spools = {}
    for name, s in sums.items():
        found, information, pull = eliminated(s, knowledge, spreads)
        at = np.array([index[c] for c in s.common], dtype=np.intp)
        n[at[:, None], at] += information
        b[at] += pull
        spools[name] = found
    return Sums(coordinates=coordinates, information=n, pull=b), spools


def solved(
    sums: Sums, spools: Mapping[str, Eliminated], knowledge: Knowledge, spreads: Spreads
) -> Posterior:
    """Add the prior of what is shared and solve."""
    n, b = prior_information(sums.coordinates, knowledge, spreads)
    n, b = n + sums.information, b + sums.pull
    covariance = _inverse(n)
    return Posterior(
        knowledge=knowledge,
        coordinates=sums.coordinates,
        mean=covariance @ b,
        covariance=covariance,
        spools=spools,
        spreads=dict(spreads),
    )


def _inverse(n: Array) -> Array:
    """Return the inverse of an information matrix, symmetric."""
    if not len(n):
        return np.zeros_like(n)
    # Entries of one size keep the digits: units differ by many powers of ten.
    size = np.sqrt(np.diag(n))
    scaled: Array = n / np.outer(size, size)
    if len(n) < _LARGE:
        found: Array = np.linalg.inv(scaled).astype(np.float64)
    else:
        from scipy.linalg.lapack import dpotrf, dpotri  # half the work of a general inverse

        factor, failed = dpotrf(scaled, lower=True)
        if failed:  # the prior of every coordinate is proper
            msg = "the information is not positive definite"
            raise FloatingPointError(msg)
        lower: Array = np.tril(dpotri(factor, lower=True)[0])
        found = lower + np.tril(lower, -1).T
    return np.asarray((found + found.T) / 2 / np.outer(size, size), dtype=np.float64)


def posterior(
    blocks: Iterable[Block], knowledge: Knowledge, spreads: Spreads | None = None
) -> Posterior:
    """Return the posterior of all blocks; the spreads are learnt unless they are given.

    The order of the blocks does not matter.
    """
    sums = summed(blocks, knowledge)
    if spreads is not None:
        return solved(*shared(sums, knowledge, spreads), knowledge, spreads)
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
        found = solved(*shared(sums, knowledge, history[-1]), knowledge, history[-1])
        history.append(_spreads(found))
        if not history[-1] or _settled(*history[-2:]):
            break
        if len(history) == 4:
            history = [_extrapolated(*history[-3:])]
    return solved(*shared(sums, knowledge, history[-1]), knowledge, history[-1])


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
    for name, s in found.spools.items():
        if not s.local:
            continue
        at = [found.index[c] for c in s.common]
        mean = s.b - s.g @ found.mean[at]
        lean = s.g @ found.covariance[np.ix_(at, at)]
        variance = np.diag(s.w) + np.einsum("ij,ij->i", lean, s.g)
        material = found.knowledge.material(name)
        for i, c in enumerate(s.local):
            sizes[material, c.quantity].append(
                (float(mean[i] ** 2 + variance[i]), float(variance[i]))
            )
    spreads = {}
    for key, values in sizes.items():
        usual = found.knowledge.usual_spread(key[1])
        now = found.spreads.get(key, Spread(usual)).sd
        total = SPREAD_DOF * usual**2 + sum(v for v, _ in values)
        told = sum(max(0.0, 1 - v / now**2) for _, v in values)
        sd = (total / (SPREAD_DOF + len(values))) ** 0.5
        spreads[key] = Spread(sd, SPREAD_DOF + told, len(values))
    return spreads
