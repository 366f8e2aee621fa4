"""A joint Gaussian of some coordinates: combine them, add a block, take one out, test one."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from calib.fit.linear import Array
from calib.model.estimate import Estimate
from calib.profile.blocks import Block, Coordinate
from calib.profile.prior import Spread


@dataclass(frozen=True, eq=False, kw_only=True)
class Gaussian:
    """What is known of n coordinates.

    Attributes
    ----------
    coordinates : n coordinates
    mean : (n,) float
    covariance : (n, n) float
    prior_variance : (n,) float
        Before any reading, each by itself; infinite where nothing was known.
    spread_sd, spread_dof : (n,) float
        Of a spool's own part: the standard deviation that spools of its type have, and how well
        that is known; infinite elsewhere.
    """

    coordinates: tuple[Coordinate, ...]
    mean: Array
    covariance: Array
    prior_variance: Array
    spread_sd: Array
    spread_dof: Array

    @cached_property
    def index(self) -> dict[Coordinate, int]:
        """Place of every coordinate."""
        return {c: i for i, c in enumerate(self.coordinates)}

    def weights(self, weights: Mapping[Coordinate, float]) -> Array:
        """Return the weights as a vector."""
        w = np.zeros(len(self.coordinates))
        for c, weight in weights.items():
            w[self.index[c]] += weight
        return w

    def estimate(
        self,
        weights: Mapping[Coordinate, float],
        name: str,
        unit: str = "",
    ) -> Estimate:
        """Estimate a linear combination.

        Effective degrees of freedom are Welch-Satterthwaite's (JCGM 100:2008, G.4.1): a spool's own
        part brings those of the spread that was learnt, all else counts as known exactly.
        """
        w = self.weights(weights)
        lean = self.covariance @ w
        variance = float(w @ lean)
        # Of a doubted sheet's roll more may be open than rolls differ by; no part is more than the whole.
        own = np.minimum((lean / self.spread_sd) ** 2, variance)
        shares = float(np.sum(own**2 / self.spread_dof))
        before = float(np.sum(w[w != 0] ** 2 * self.prior_variance[w != 0]))
        return Estimate(
            name=name,
            value=float(w @ self.mean),
            u=max(variance, 0.0) ** 0.5,
            dof=variance**2 / shares if shares > 0 and variance > 0 else float("inf"),
            unit=unit,
            from_data=1 - variance / before if np.isfinite(before) and before > 0 else 1.0,
        )

    def u(self, weights: Mapping[Coordinate, float]) -> float:
        """Return the standard uncertainty of a linear combination."""
        w = self.weights(weights)
        return float(np.sqrt(max(float(w @ self.covariance @ w), 0.0)))

    def with_block(self, block: Block) -> "Gaussian":
        """Return what is known once a block is added (a Kalman update)."""
        return self._changed(*self._placed(block), 1.0)

    def without_block(self, block: Block) -> "Gaussian":
        """Return what would be known without a block that is in it."""
        return self._changed(*self._placed(block), -1.0)

    def _placed(self, block: Block) -> tuple[Array, Array, Array]:
        """Return a block's rows over all coordinates, what they read, and what each counts as."""
        r, z, sign = block.rows()
        rows = np.zeros((len(z), len(self.coordinates)))
        rows[:, [self.index[c] for c in block.coordinates]] = r
        return rows, z, sign

    def _changed(self, rows: Array, z: Array, sign: Array, factor: float) -> "Gaussian":
        lean = self.covariance @ rows.T
        gain = np.linalg.solve(np.diag(factor * sign) + rows @ lean, lean.T).T
        covariance = self.covariance - gain @ lean.T
        return replace(
            self,
            mean=self.mean + gain @ (z - rows @ self.mean),
            covariance=(covariance + covariance.T) / 2,
        )

    def with_spreads(self, spreads: Mapping[Coordinate, Spread]) -> "Gaussian":
        """Return what is known where spools differ otherwise in some of their own parts."""
        at = [self.index[c] for c in spreads]
        sd, dof = self.spread_sd.copy(), self.spread_dof.copy()
        sd[at] = [s.sd for s in spreads.values()]
        dof[at] = [s.dof for s in spreads.values()]
        more = sd[at] ** -2 - self.spread_sd[at] ** -2
        rows = np.zeros((len(at), len(sd)))
        rows[range(len(at)), at] = np.sqrt(np.abs(more))
        changed = self._changed(rows, np.zeros(len(at)), np.where(more < 0, -1.0, 1.0), 1.0)
        return replace(changed, spread_sd=sd, spread_dof=dof)

    def surprise(self, block: Block) -> tuple[Array, Array]:
        """Return what a block reads beyond what is known without it, and the covariance of that.

        `self` must not hold the block.
        """
        rows = self._placed(replace(block, doubt=None))[0]
        return block.z - rows @ self.mean, np.eye(len(rows)) + rows @ self.covariance @ rows.T
