"""A joint Gaussian of some coordinates: combine them, add a block, take one out, test one."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.fit.linear import Array
from calib.model.estimate import Estimate
from calib.profile.blocks import Block, Coordinate


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
        own = (lean / self.spread_sd) ** 2
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

    def _rows(self, block: Block) -> Array:
        rows = np.zeros((len(block.z), len(self.coordinates)))
        rows[:, [self.index[c] for c in block.coordinates]] = block.r
        return rows

    def with_block(self, block: Block) -> "Gaussian":
        """Return what is known once a block is added (a Kalman update)."""
        return self._changed(block, 1.0)

    def without_block(self, block: Block) -> "Gaussian":
        """Return what would be known without a block that is in it."""
        return self._changed(block, -1.0)

    def _changed(self, block: Block, sign: float) -> "Gaussian":
        rows = self._rows(block)
        lean = self.covariance @ rows.T
        inner = np.eye(len(rows)) + sign * (rows @ lean)
        gain = np.linalg.solve(inner, lean.T).T
        covariance = self.covariance - sign * gain @ lean.T
        return Gaussian(
            coordinates=self.coordinates,
            mean=self.mean + sign * gain @ (block.z - rows @ self.mean),
            covariance=(covariance + covariance.T) / 2,
            prior_variance=self.prior_variance,
            spread_sd=self.spread_sd,
            spread_dof=self.spread_dof,
        )

    def surprise(self, block: Block) -> tuple[Array, Array]:
        """Return what a block reads beyond what is known without it, and the covariance of that.

        `self` must not hold the block.
        """
        rows = self._rows(block)
        return block.z - rows @ self.mean, np.eye(len(rows)) + rows @ self.covariance @ rows.T
