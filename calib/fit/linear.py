"""The one core of every linear fit: generalised least squares with priors, by QR.

    y = X theta + noise,  noise ~ N(0, s^2 V),  theta ~ N(mean, sd^2) where something is known.

The physics files only name their parameters and build X, y, V and the priors.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calib.model.estimate import Estimate

Array = NDArray[np.float64]

_RANK_TOLERANCE = 1e-11  # relative size of a diagonal entry of R below which a column is dependent
_SCALE_ROUNDS = 50


class NotDetermined(ValueError):
    """The readings and priors leave at least one parameter free; `names` are the ones involved."""

    def __init__(self, names: tuple[str, ...]) -> None:
        self.names = names
        super().__init__(f"the readings do not determine {', '.join(names)}")


@dataclass(frozen=True, eq=False, kw_only=True)
class Problem:
    """What is to be fitted.

    Attributes
    ----------
    names : p parameter names
    x : (n, p) float
        Design matrix.
    y : (n,) float
        Observations.
    variance : (n,) or (n, n) float
        Variances, or the covariance matrix, of the noise (up to s^2 where `noise_dof` is finite).
    prior_mean, prior_sd : (p,) float
        What is known beforehand; an infinite sd means nothing.
    noise_dof : float
        How well the size of the noise is known, as degrees of freedom: infinite takes `variance` as
        it is (s = 1), 0 takes s from the residuals alone, between them both count by their weight.
    units : (p,) words
    """

    names: tuple[str, ...]
    x: Array
    y: Array
    variance: Array
    prior_mean: Array
    prior_sd: Array
    noise_dof: float = float("inf")
    units: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class LinearFit:
    """The result of a fit.

    Attributes
    ----------
    theta : (p,) float
    covariance : (p, p) float
    residuals : (n,) float
        Observed less fitted, in the unit of y.
    leverage : (n,) float
        Share of each observation in its own fitted value.
    noise_scale : float
        s, by which the stated noise was multiplied.
    dof : float
        Degrees of freedom of s.
    noise_share : (p, p) float
        The part of `covariance` that comes from the noise; the rest comes from the priors.
    """

    problem: Problem
    theta: Array
    covariance: Array
    residuals: Array
    leverage: Array
    noise_scale: float
    dof: float
    noise_share: Array
    index: dict[str, int] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Estimate:
        """Return one parameter's estimate."""
        return self.combine({name: 1.0}, name)

    def __contains__(self, name: object) -> bool:
        return name in self.index

    @cached_property
    def estimates(self) -> tuple[Estimate, ...]:
        """Every parameter's estimate, in order."""
        return tuple(self[name] for name in self.problem.names)

    def combine(self, weights: dict[str, float], name: str, unit: str | None = None) -> Estimate:
        """Estimate a linear combination of parameters, with their covariance.

        The effective degrees of freedom are Welch-Satterthwaite's (JCGM 100:2008, G.4.1): priors
        count as known exactly, the noise with `dof`.
        """
        w = np.zeros(len(self.problem.names))
        for key, weight in weights.items():
            w[self.index[key]] = weight
        variance = float(w @ self.covariance @ w)
        noise = float(w @ self.noise_share @ w)
        share = noise / variance if variance > 0 else 0.0
        prior = float(np.sum((w[w != 0] * self.problem.prior_sd[w != 0]) ** 2))
        units = self.problem.units
        return Estimate(
            name=name,
            value=float(w @ self.theta),
            u=variance**0.5,
            dof=self.dof / share**2 if share > 1e-9 else float("inf"),
            unit=unit or (units[self.index[next(iter(weights))]] if units else ""),
            from_data=1.0 - variance / prior if np.isfinite(prior) and prior > 0 else 1.0,
        )


def fit(problem: Problem) -> LinearFit:
    """Fit by QR of the whitened observations and priors.

    Raises
    ------
    ValueError
        Shapes differ, a number is not finite, a variance is not positive, or V is not positive
        definite.
    NotDetermined
        Some combination of parameters is left free.

    References
    ----------
    JCGM 100:2008 (uncertainty); normal-inverse-gamma updating for s is textbook Bayesian
    regression with a scaled inverse chi-squared prior of `noise_dof` degrees of freedom around 1.
    """
    _check(problem)
    white_x, white_y = _whitened(problem)
    scale = 1.0
    for _ in range(_SCALE_ROUNDS):
        theta, covariance, noise_share = _solve(problem, white_x, white_y, scale)
        leverage = np.einsum("ij,jk,ik->i", white_x, covariance, white_x) / scale**2
        rss = float(np.sum((white_y - white_x @ theta) ** 2))
        new_scale, dof = _noise_scale(problem, rss, float(leverage.sum()))
        settled = abs(new_scale - scale) <= 1e-9 * scale
        scale = new_scale
        if settled:
            break
    return LinearFit(
        problem=problem,
        theta=theta,
        covariance=covariance,
        residuals=problem.y - problem.x @ theta,
        leverage=leverage,
        noise_scale=scale,
        dof=dof,
        noise_share=noise_share,
        index={name: i for i, name in enumerate(problem.names)},
    )


def _check(problem: Problem) -> None:
    n, p = problem.x.shape
    if problem.y.shape != (n,) or len(problem.names) != p:
        msg = f"x is {problem.x.shape}, y is {problem.y.shape}, with {len(problem.names)} names"
        raise ValueError(msg)
    if problem.prior_mean.shape != (p,) or problem.prior_sd.shape != (p,):
        msg = f"priors must have one entry per parameter ({p})"
        raise ValueError(msg)
    for what, values in (("x", problem.x), ("y", problem.y), ("variance", problem.variance)):
        if not np.all(np.isfinite(values)):
            msg = f"{what} holds a number that is not finite"
            raise ValueError(msg)
    variances = problem.variance if problem.variance.ndim == 1 else np.diag(problem.variance)
    if np.any(variances <= 0) or np.any(problem.prior_sd <= 0):
        msg = "every variance and every prior sd must be positive"
        raise ValueError(msg)


def _whitened(problem: Problem) -> tuple[Array, Array]:
    if problem.variance.ndim == 1:
        sd = np.sqrt(problem.variance)
        return problem.x / sd[:, None], problem.y / sd
    from scipy.linalg import cholesky, solve_triangular

    try:
        lower = cholesky(problem.variance, lower=True)
    except np.linalg.LinAlgError:
        msg = "the covariance of the noise is not positive definite"
        raise ValueError(msg) from None
    return (
        solve_triangular(lower, problem.x, lower=True),
        solve_triangular(lower, problem.y, lower=True),
    )


def _solve(
    problem: Problem, white_x: Array, white_y: Array, scale: float
) -> tuple[Array, Array, Array]:
    """Return theta, its covariance, and the part of it that comes from noise."""
    from scipy.linalg.lapack import dtrtri

    known = np.isfinite(problem.prior_sd)
    prior_x = np.diag(1 / problem.prior_sd[known])
    rows = np.zeros((len(prior_x), len(known)))
    rows[:, known] = prior_x
    x = np.vstack([white_x / scale, rows])
    y = np.concatenate([white_y / scale, problem.prior_mean[known] / problem.prior_sd[known]])
    size = np.linalg.norm(x, axis=0)
    if np.any(size == 0):
        raise NotDetermined(tuple(n for n, s in zip(problem.names, size, strict=True) if s == 0))
    if len(x) < len(size):
        raise NotDetermined(problem.names)
    # Columns of one length keep the digits of badly scaled problems.
    q, r = np.linalg.qr(x / size)
    weak = np.abs(np.diag(r)) < _RANK_TOLERANCE
    if weak.any():
        raise NotDetermined(_involved(problem.names, x / size))
    inverse = dtrtri(r)[0] / size[:, None]
    theta = inverse @ (q.T @ y)
    covariance = inverse @ inverse.T
    half = covariance @ (white_x / scale).T
    return theta, covariance, half @ half.T


def _involved(names: tuple[str, ...], x: Array) -> tuple[str, ...]:
    """Name the parameters that take part in the combination left free."""
    *_, right = np.linalg.svd(x, full_matrices=True)
    return tuple(n for n, w in zip(names, np.abs(right[-1]), strict=True) if w > 0.05)


def _noise_scale(problem: Problem, rss: float, used: float) -> tuple[float, float]:
    if np.isinf(problem.noise_dof):
        return 1.0, float("inf")
    dof = problem.noise_dof + len(problem.y) - used
    if dof <= 1e-9:
        msg = "as many parameters as readings: the residuals say nothing about the noise"
        raise ValueError(msg)
    scale = ((problem.noise_dof + rss) / dof) ** 0.5
    return max(scale, 1e-12), dof


def log_evidence(result: LinearFit) -> float:
    """Log density of the readings under a fit's noise, parameters averaged over their priors.

    With a prior on every parameter it is that of y ~ N(X mean, V + X Sigma X^T). Parameters without one
    leave out a constant (the restricted likelihood: Patterson and Thompson, Biometrika 58 (1971) 545-554).
    """
    p = result.problem
    known = np.isfinite(p.prior_sd)
    off = (result.theta[known] - p.prior_mean[known]) / p.prior_sd[known]
    spread = np.linalg.slogdet(result.covariance)[1] - 2 * np.sum(np.log(p.prior_sd[known]))
    if p.variance.ndim == 1:
        misfit = float(np.sum(result.residuals**2 / p.variance))
        noise = float(np.sum(np.log(p.variance)))
    else:
        misfit = float(result.residuals @ np.linalg.solve(p.variance, result.residuals))
        noise = float(np.linalg.slogdet(p.variance)[1])
    return float(0.5 * (spread - noise - misfit - off @ off - len(p.y) * np.log(2 * np.pi)))


def outlying(
    problem: Problem, limit: float = 5.0, rounds: int = 20
) -> tuple[NDArray[np.bool_], Array]:
    """Mark observations that do not belong with the rest: the robust first pass.

    Iteratively reweighted least squares with Tukey's biweight around the stated noise (or the
    residuals' own spread where that is larger), started from Huber's weights. The variance must
    be a vector.

    Returns
    -------
    outlying : (n,) bool
        True where the residual is larger than `limit` standard deviations.
    theta : (p,) float
        The robust fit.
    """
    sd = np.sqrt(problem.variance)
    theta, ratio, spread = problem.prior_mean, np.zeros(len(problem.y)), 1.0
    weights = np.ones(len(problem.y))
    for weigh in (_huber, lambda r: _biweight(r / limit)):
        for _ in range(rounds):
            theta = _reweighted(problem, weights)
            ratio = np.abs(problem.y - problem.x @ theta) / sd
            spread = max(1.0, float(np.partition(ratio, len(ratio) // 2)[len(ratio) // 2]) / 0.6745)
            before, weights = weights, weigh(ratio / spread)
            if np.abs(weights - before).max() < 1e-3:
                break
    return ratio > limit * spread, theta


def _huber(ratio: Array) -> Array:
    return np.asarray(np.minimum(1.0, 1.345 / np.maximum(ratio, 1e-12)))


def _biweight(ratio: Array) -> Array:
    # Never quite zero, so that no parameter loses its last reading.
    return np.asarray(np.maximum(np.clip(1 - ratio**2, 0.0, 1.0) ** 2, 1e-6))


def _reweighted(problem: Problem, weights: Array) -> Array:
    """Solve the weighted normal equations: quick, and exact enough to see who does not belong."""
    w = weights / problem.variance
    known = np.isfinite(problem.prior_sd)
    prior = np.where(known, 1 / np.where(known, problem.prior_sd, 1.0) ** 2, 0.0)
    weighted = problem.x.T * w
    matrix = weighted @ problem.x + np.diag(prior)
    right = weighted @ problem.y + prior * problem.prior_mean
    size = np.sqrt(np.diag(matrix))
    try:
        return np.asarray(np.linalg.solve(matrix / np.outer(size, size), right / size) / size)
    except np.linalg.LinAlgError:
        raise NotDetermined(problem.names) from None
