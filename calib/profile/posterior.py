"""The joint posterior of everything that is not known exactly, over all sheets that still count.

    state ~ N(prior), |R state - z|^2 of each block; posterior = prior + sum of blocks

Spools meet only through what printers, nozzles, materials and instruments share, so each spool (with
its pieces) is eliminated by itself (Schur complement) and the work grows with their number and no
faster. How much spools of one type differ is learnt from those that were seen (empirical Bayes).
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.fit.linear import Array
from calib.profile.blocks import Coordinate
from calib.profile.gaussian import Gaussian
from calib.profile.prior import Knowledge, Spread, Spreads, latest_of, prior_information, spread_of
from calib.profile.spools import Eliminated, SpoolSum, eliminated

_LARGE = 500  # coordinates


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
        spreads = [self.spread(x) for x in coordinates]
        return Gaussian(
            coordinates=coordinates,
            mean=mean,
            covariance=(covariance + covariance.T) / 2,
            prior_variance=np.array(priors) ** 2,
            spread_sd=np.array([s.sd for s in spreads]),
            spread_dof=np.array([s.dof for s in spreads]),
        )

    def of_spool(self, name: str) -> tuple[Array, Array, dict[Coordinate, int]]:
        """Return mean, covariance and places of a spool's own parts and of all that it touches."""
        s = self.spools[name]
        at = [self.index[c] for c in s.common]
        shared, mean = self.covariance[np.ix_(at, at)], self.mean[at]
        lean = s.g @ shared
        covariance = np.block([[s.w + lean @ s.g.T, -lean], [-lean.T, shared]])
        places = {c: i for i, c in enumerate((*s.local, *s.common))}
        return np.concatenate([s.b - s.g @ mean, mean]), covariance, places

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
            return 0.0, self.spread(c).sd
        return self.knowledge.prior(c)

    def spread(self, c: Coordinate) -> Spread:
        """Return how much spools of a coordinate's type differ in it."""
        if c.kind != "spool":
            return Spread(np.inf, np.inf)
        return spread_of(self.spreads, self.knowledge, c)


def solve(sums: Mapping[str, SpoolSum], knowledge: Knowledge, spreads: Spreads) -> Posterior:
    """Return the posterior where it is given how much spools differ.

    Every spool is eliminated; what they say of what they share is added to its prior.
    """
    coordinates = tuple(sorted({c for s in sums.values() for c in s.common}))
    index = {c: i for i, c in enumerate(coordinates)}
    n, b = prior_information(coordinates, knowledge, spreads)
    spools = {}
    for name, s in sums.items():
        found, information, pull = eliminated(s, knowledge, spreads)
        at = np.array([index[c] for c in s.common], dtype=np.intp)
        n[at[:, None], at] += information
        b[at] += pull
        spools[name] = found
    covariance = _inverse(n)
    return Posterior(
        knowledge=knowledge,
        coordinates=coordinates,
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
