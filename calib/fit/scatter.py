"""Scatter that readings alone do not show: averaged over what it may be, by its evidence.

Printed features lie off the piece's own straight line by an amount that differs from printer to
printer. One number taken for it makes intervals too narrow on a rough printer and too wide on a
good one; here every value on a grid counts by how well it explains the readings.
"""

from dataclasses import dataclass, replace

import numpy as np

from calib.fit.linear import Array, LinearFit, Problem, fit, log_evidence

_POINTS = 11
_REACH = 2.4  # of the prior's standard deviations, either way


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """What is known of a scatter beforehand: log-normal about `typical`, and by its size.

    The density of the scatter is that log-normal one times the scatter itself. A few readings can't tell
    a rough print from one whose errors happen to cancel; a density even in the logarithm then leans to
    the small values and makes intervals too narrow, one even in the standard deviation does not
    (A. Gelman, Bayesian Analysis 1 (2006) 515-534, from memory).

    Attributes
    ----------
    typical : float
        Of what one has measured before half are larger; in the unit of the readings.
    log_sd : float
        Standard deviation of its logarithm: 0.6 means a factor of about 3.2 either way at 95 %.
    """

    typical: float
    log_sd: float

    def grid(self) -> tuple[Array, Array]:
        """Return values from the prior's range and their prior weights."""
        z = np.linspace(-_REACH, _REACH, _POINTS)
        sds = self.typical * np.exp(self.log_sd * z)
        weights = sds * np.exp(-0.5 * z**2)
        return np.asarray(sds), weights / weights.sum()


def with_scatter(problem: Problem, sd: float, correlation: Array | None = None) -> Problem:
    """Return the problem with so much scatter added to each of its readings.

    Parameters
    ----------
    problem : Problem
        Its variance (a vector) is that of the readings alone.
    correlation : (n, n) float or None
        Of the scatter; None where every reading scatters by itself.
    """
    more = problem.variance + sd**2
    if correlation is not None:
        more = np.diag(problem.variance) + sd**2 * correlation
    return replace(problem, variance=more, noise_dof=float("inf"))


def fit_scattered(
    problem: Problem, scatter: Scatter, correlation: Array | None = None
) -> tuple[LinearFit, float]:
    """Fit readings with a scatter that is not known but within its range.

    Parameters
    ----------
    problem : Problem
        Its variance (a vector) is that of the readings alone.
    correlation : (n, n) float or None
        Of the scatter; None where every reading scatters by itself.

    Returns
    -------
    fit : LinearFit
        Mean and covariance over all values of the scatter (law of total variance); as the
        covariance holds what is not known of the scatter, its degrees of freedom count as infinite.
        The problem in it carries the scatter's expected variance.
    sd : float
        The scatter's expected value.
    """
    sds, prior = scatter.grid()
    fits = [fit(with_scatter(problem, sd, correlation)) for sd in sds]
    log_weight = np.log(prior) + np.array([log_evidence(f) for f in fits])
    weights = np.exp(log_weight - log_weight.max())
    weights /= weights.sum()
    theta = np.einsum("k,ki->i", weights, [f.theta for f in fits])
    away = np.array([f.theta for f in fits]) - theta
    covariance = np.einsum("k,kij->ij", weights, [f.covariance for f in fits])
    covariance += np.einsum("k,ki,kj->ij", weights, away, away)
    expected = with_scatter(problem, float(np.sqrt(weights @ sds**2)), correlation)
    middle = fits[int(np.argmax(weights))]
    mixed = replace(
        middle,
        problem=expected,
        theta=theta,
        covariance=covariance,
        residuals=problem.y - problem.x @ theta,
        noise_share=covariance,
    )
    return mixed, float(weights @ sds)
