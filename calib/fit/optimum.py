"""The best setting from several scores: Gaussian processes, desirability, and how far it matters.

Every score is a smooth curve of the setting plus noise (a Gaussian process); curves drawn from its
posterior are turned into desirabilities, joined by their weights, and each joint curve gives a best
setting. Their spread is the answer's uncertainty. Modelling each response and joining afterwards is
Derringer and Suich's order (J. Quality Technology 12 (1980) 214-219).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from calib.fit.linear import Array
from calib.fit.threshold import Limit, summary
from calib.model.estimate import Estimate

if TYPE_CHECKING:
    from sklearn.gaussian_process import GaussianProcessRegressor

_DRAWS = 2000
_SEED = 12
_GRID = 61
#: Lengths over which a response may change, as shares of the tested range, and its size as shares
#: of the responses' own scatter: grid points of equal weight (a judgement).
_LENGTHS = (0.2, 0.3, 0.45, 0.7, 1.0, 1.5)
_HEIGHTS = (0.7, 1.2, 2.0, 3.5)
_NOISES = (0.7, 1.0, 1.4)
#: Kernels less likely than this share of the likeliest are left out.
_TOO_UNLIKELY = 0.02
#: Share of a curve's variance that stands for what rounding takes away.
_ROUNDING = 1e-8
#: Loss of joint desirability that does not matter.
PLATEAU_LOSS = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is wanted of a response: larger, smaller, none at all, or near a target.

    Attributes
    ----------
    low, high : float
        Larger is better: worthless at `low`, perfect from `high` on. Smaller is better: perfect up
        to `low`, worthless from `high` on. None is best: perfect up to `low`, half as good at
        `high`, a third as good as far beyond again, never quite worthless. Target: worthless at both
        ends.
    target : float or None
    sort : "larger", "smaller", "none" or "target"
    s, t : float
        Exponents; t is that above the target.
    """

    sort: str
    low: float
    high: float
    target: float | None = None
    s: float = 1.0
    t: float = 1.0


SCORE = Wish(sort="larger", low=0.0, high=10.0)


def desirability(y: Array | float, wish: Wish) -> Array:
    """Desirability 0 to 1 of a response (Derringer and Suich 1980, equations for one response).

    "None" is ours: their cut at the worthless end would leave nothing to choose by between settings
    that are all bad, where the least bad is still wanted.

    Parameters
    ----------
    y : (...,) float
        In the unit of the wish.

    Raises
    ------
    ValueError
        A wish for a target lacks the target.
    """
    y = np.asarray(y, float)
    if wish.sort == "larger":
        return np.asarray(np.clip((y - wish.low) / (wish.high - wish.low), 0, 1) ** wish.s)
    if wish.sort == "smaller":
        return np.asarray(np.clip((wish.high - y) / (wish.high - wish.low), 0, 1) ** wish.s)
    if wish.sort == "none":
        return np.asarray(1 / (1 + np.clip((y - wish.low) / (wish.high - wish.low), 0, None)))
    if wish.target is None:
        msg = "a wish for a target needs the target"
        raise ValueError(msg)
    rise = np.clip((y - wish.low) / (wish.target - wish.low), 0, 1) ** wish.s
    fall = np.clip((wish.high - y) / (wish.high - wish.target), 0, 1) ** wish.t
    return np.asarray(np.where(y <= wish.target, rise, fall))


def overall(parts: Sequence[Array], weights: Sequence[float] | None = None) -> Array:
    """Weighted geometric mean of desirabilities, (...,) each; any that is 0 makes the whole 0."""
    w = np.ones(len(parts)) if weights is None else np.asarray(weights, float)
    stack = np.stack([np.asarray(p, float) for p in parts])
    with np.errstate(divide="ignore"):
        logs = np.where(stack > 0, np.log(np.where(stack > 0, stack, 1.0)), -np.inf)
    used = w > 0
    return np.asarray(np.exp(np.tensordot(w[used] / w[used].sum(), logs[used], axes=1)))


@dataclass(frozen=True, eq=False, kw_only=True)
class Response:
    """One thing judged or measured on every band: its setting, value, uncertainty, wish, weight.

    The uncertainty is one for all, or one for each.
    """

    name: str
    x: Array
    y: Array
    u: float | Array
    wish: Wish = SCORE
    weight: float = 1.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Optimum:
    """The best setting.

    Attributes
    ----------
    best : Limit
    plateau : (low, high)
        Settings whose joint desirability is expected within `PLATEAU_LOSS` of the best.
    p_low_end, p_high_end : float
        Probability that the best is at that end of the range tested, or beyond it.
    at : (g,) float, mean : (g,) float, band : (g, 2) float
        Joint desirability over the range and its 95 % band.
    curves : name -> (g, 3) float
        Mean and 95 % band of each response.
    """

    best: Limit
    plateau: tuple[float, float]
    p_low_end: float
    p_high_end: float
    at: Array
    mean: Array
    band: Array
    curves: Mapping[str, Array]


def find_optimum(responses: Sequence[Response], unit: str, name: str) -> Optimum:
    """Find the best setting from responses measured over one range.

    Raises
    ------
    ValueError
        No response, or fewer than three settings tested.
    """
    settings = np.unique(np.concatenate([r.x for r in responses])) if responses else np.zeros(0)
    if len(settings) < 3:
        msg = f"{len(settings)} settings tested: a best one needs at least three"
        raise ValueError(msg)
    at = np.union1d(np.linspace(settings[0], settings[-1], _GRID), settings)
    rng = np.random.default_rng(_SEED)
    drawn = {r.name: _draws(r, at, rng) for r in responses}
    joint = overall(
        [desirability(drawn[r.name], r.wish) for r in responses], [r.weight for r in responses]
    )
    choice = _best(joint, at)
    step = float(np.median(np.diff(settings))) / 4
    loss = (joint.max(axis=1, keepdims=True) - joint).mean(axis=0)
    good = at[loss <= loss.min() + PLATEAU_LOSS]
    return Optimum(
        best=summary(choice, name, unit),
        plateau=(float(good.min()), float(good.max())),
        p_low_end=float(np.mean(choice <= settings[0] + step)),
        p_high_end=float(np.mean(choice >= settings[-1] - step)),
        at=at,
        mean=joint.mean(axis=0),
        band=np.percentile(joint, [2.5, 97.5], axis=0).T,
        curves={
            k: np.column_stack([d.mean(axis=0), *np.percentile(d, [2.5, 97.5], axis=0)])
            for k, d in drawn.items()
        },
    )


def _best(joint: Array, at: Array) -> Array:
    """Best setting of each curve: the middle of what ties for best (desirability is cut at 1)."""
    tied = joint >= joint.max(axis=1, keepdims=True) - 1e-9
    return np.asarray((tied * at).sum(axis=1) / tied.sum(axis=1))


def _draws(response: Response, at: Array, rng: np.random.Generator) -> Array:
    """Curves from the posterior, averaged over the kernel's length, height and the noise."""
    from sklearn import config_context

    middle, curves = float(np.mean(response.y)), []
    # Checking the same few numbers again and again would take longer than the fits.
    with config_context(assume_finite=True, skip_parameter_validation=True):
        processes = _processes(response, float(at[-1] - at[0]), middle)
        likelihood = np.array([p.log_marginal_likelihood_value_ for p in processes])
        weights = np.exp(likelihood - likelihood.max())
        weights[weights < _TOO_UNLIKELY] = 0.0
        counts = rng.multinomial(_DRAWS, weights / weights.sum())
        for k in np.flatnonzero(counts):
            mean, covariance = processes[k].predict(at[:, None], return_cov=True)
            # Rounding leaves eigenvalues a little below zero; so much more on the diagonal shows nowhere.
            covariance += _ROUNDING * processes[k].kernel_.k1.constant_value * np.eye(len(at))
            half = np.linalg.cholesky(covariance)
            curves.append(mean + rng.normal(size=(counts[k], len(at))) @ half.T)
    return middle + rng.permutation(np.concatenate(curves))


def _processes(response: Response, span: float, middle: float) -> list["GaussianProcessRegressor"]:
    """Return a process for every length, height and noise that is weighed, fitted to the response."""
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel

    u = np.broadcast_to(np.asarray(response.u, float), response.y.shape)
    scatter = max(float(np.std(response.y)), float(u.mean()))
    return [
        GaussianProcessRegressor(
            ConstantKernel((height * scatter) ** 2) * RBF(length * span),
            alpha=(noise * u) ** 2,
            optimizer=None,
        ).fit(response.x[:, None], response.y - middle)
        for length, height, noise in product(_LENGTHS, _HEIGHTS, _NOISES)
    ]


def further_range(
    optimum: Optimum, tested: tuple[float, float], floor: float, ceiling: float
) -> tuple[float, float] | None:
    """Range to print again where the best is at an end: half the old range, mostly beyond that end.

    Returns
    -------
    (from, to), never outside floor and ceiling; None where the best is inside, or where there is no
    room left beyond the end.
    """
    low, high = tested
    span = high - low
    if optimum.p_high_end >= 0.5 and ceiling > high + 0.05 * span:
        return high - 0.25 * span, min(high + 0.75 * span, ceiling)
    if optimum.p_low_end >= 0.5 and floor < low - 0.05 * span:
        return max(low - 0.75 * span, floor), low + 0.25 * span
    return None


def as_estimate(limit: Limit) -> Estimate:
    """Return the estimate of a limit, with its uncertainty made to cover the interval's longer side."""
    e = limit.estimate
    half = max(limit.high - e.value, e.value - limit.low)
    return Estimate(name=e.name, value=e.value, u=max(e.u, half / 1.96), unit=e.unit)
