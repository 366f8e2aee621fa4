"""Thousands of prints of one piece fitted at once: their design is the same, only the readings differ.

The same priors, scatter and arithmetic as `fit_dimensions`, without the search for slips;
`tests/test_dimensions.py` holds the two together.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.fit.dimensions import PIECE
from calib.fit.lengths import Closed, Shared, model_of, table_of
from calib.fit.linear import Array, LinearFit, Problem, fit
from calib.fit.scatter import Scatter, with_scatter
from calib.fit.warmth import refer_to_20c
from calib.interpret.common import JAWS_MM
from calib.interpret.scales import expansion_of
from calib.model.estimate import coverage_factor
from calib.model.instrument import Instrument
from tests.simulate_world import Print


@dataclass(frozen=True, eq=False, kw_only=True)
class Fits:
    """Results of n prints.

    Attributes
    ----------
    theta : (k, n, p) float
        Parameters with each of k values of the scatter.
    covariance : (k, p, p) float
    weights : (k, n) float
        How likely each of them is.
    """

    names: tuple[str, ...]
    theta: Array
    covariance: Array
    weights: Array

    def combine(self, shares: Mapping[str, float]) -> tuple[Array, Array]:
        """Return values and standard uncertainties (n,) of a combination of parameters."""
        w = np.array([shares.get(name, 0.0) for name in self.names])
        each = self.theta @ w
        value = np.sum(self.weights * each, axis=0)
        within = np.einsum("i,kij,j->k", w, self.covariance, w)
        variance = np.sum(self.weights * (within[:, None] + (each - value) ** 2), axis=0)
        return value, np.sqrt(variance)


def fit_many(problem: Problem, ys: Array, scatter: Scatter, correlation: Array) -> Fits:
    """Fit readings ys (n, readings) by the design of one problem, averaged over the scatter."""
    sds, prior = scatter.grid()
    each = [_at(fit(with_scatter(problem, sd, correlation)), ys) for sd in sds]
    theta, covariance, evidence = (np.array(column) for column in zip(*each, strict=True))
    weights = np.log(prior)[:, None] + evidence
    weights = np.exp(weights - weights.max(axis=0))
    return Fits(
        names=problem.names,
        theta=theta,
        covariance=covariance,
        weights=weights / weights.sum(axis=0),
    )


def _at(one: LinearFit, ys: Array) -> tuple[Array, Array, Array]:
    """Carry one fit over to other readings: parameters, covariance, log likelihood."""
    p = one.problem
    inverse = np.linalg.inv(p.variance)
    gain = one.covariance @ p.x.T @ inverse
    theta = one.theta + (ys - p.y) @ gain.T
    left = ys - theta @ p.x.T
    off = (theta - p.prior_mean) / p.prior_sd
    misfit = np.einsum("ni,ij,nj->n", left, inverse, left) + np.sum(off**2, axis=1)
    spread, noise = (np.linalg.slogdet(c)[1] for c in (one.covariance, p.variance))
    return theta, one.covariance, 0.5 * (spread - noise - misfit)


def sizes(prints: Print, caliper: Instrument, filament: str) -> dict[str, tuple[Array, Array]]:
    """Return error and half-width of every setting that sizes inform, over n prints."""
    features, repeats = prints.features, len(prints.values)
    which = np.tile(np.arange(len(features)), repeats)
    table = table_of(which, np.zeros(len(which)), caliper, None).averaged()
    shown = prints.closed_mm
    u_shown = math.hypot(JAWS_MM, caliper.u_resolution)
    closed = None if shown is None else Closed(shown_mm=0.0, u_mm=u_shown)
    model = model_of(features, table, caliper, Shared(), closed)
    # What closed jaws show moves all readings and the zero's prior alike.
    moved = prints.values.mean(axis=0) - (0.0 if shown is None else np.asarray(shown)[:, None])
    problem = model.problem(table)
    found = fit_many(problem, moved - model.nominal, PIECE, model.alike)
    return {
        name: (value, coverage_factor(math.inf) * u)
        for name, (value, u) in _settings(found, prints, filament).items()
    }


def _settings(found: Fits, prints: Print, filament: str) -> dict[str, tuple[Array, Array]]:
    settings = {}
    for axis in "xyz":
        if f"scale_{axis}" in found.names:
            value, u = found.combine({f"scale_{axis}": 1.0})
            at20, u20 = _at_20c(value, prints.part_c, filament)
            settings[f"scale_{axis}_percent"] = (100 * at20, 100 * np.hypot(u, u20))
    walls = [f"offset_{a}" for a in "xy" if f"offset_{a}" in found.names]
    if walls:
        settings["outline_offset_mm"] = found.combine(dict.fromkeys(walls, 0.5 / len(walls)))
    if "skew_xy" in found.names:
        settings["skew_xy_deg"] = found.combine({"skew_xy": math.degrees(1.0)})
    if "squeeze" in found.names:
        settings["first_layer_gap_mm"] = found.combine({"squeeze": 1.0})
    return settings


def _at_20c(scale: Array, part_c: float | Array | None, filament: str) -> tuple[Array, Array]:
    warm = np.broadcast_to(np.nan if part_c is None else part_c, scale.shape)
    each = [
        refer_to_20c([e], expansion_of(filament), None if np.isnan(c) else float(c))
        for e, c in zip(scale, warm, strict=True)
    ]
    return np.array([e[0] for e, _ in each]), np.array([u for _, u in each])
