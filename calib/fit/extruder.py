"""Extruder feed: consumed over commanded length, and the volumetric rate where it begins to slip.

    ratio(q) = feed                       q <= onset
    ratio(q) = feed - slope (q - onset)   q >  onset

For every onset on a grid (and for "no slip") the rest is linear and Gaussian, so `linear.py` gives
it in closed form; the onsets are then weighted by how likely they make the readings.
"""

import math
from dataclasses import dataclass

import numpy as np

from calib.fit.linear import Array, LinearFit, Problem, fit
from calib.model.estimate import Estimate

#: How steeply feed is lost past the onset, as a prior: fraction lost per mm3/s. A judgement.
SLOPE_SD = 0.05
#: How far the feed may be from what was asked before anything is known, as a fraction.
_FEED_SD = 0.5
_GRID = 60


@dataclass(frozen=True, eq=False, kw_only=True)
class FeedFit:
    """What the extruder feeds.

    Attributes
    ----------
    feed : Estimate
        Consumed over commanded length where nothing slips.
    p_slip : float
        Probability that slip begins within the rates tested, from even odds.
    onset : Estimate or None
        Rate in mm3/s where slip begins; None where `p_slip` is under a half.
    onset_range : (low, high)
        95 % interval of the onset, as it need not lie evenly about its middle.
    curve : (rates, ratios)
        The mean ratio against the rate, for the plot.
    """

    feed: Estimate
    p_slip: float
    onset: Estimate | None
    onset_range: tuple[float, float]
    curve: tuple[Array, Array]


def fit_feed(rate_mm3_s: Array, ratio: Array, u: Array, u_common: float = 0.0) -> FeedFit:
    """Fit the feed and find where it begins to slip.

    Parameters
    ----------
    rate_mm3_s : (n,) float
        Volumetric rate of each trial.
    ratio : (n,) float
        Consumed over commanded length.
    u : (n,) float
        Standard uncertainty of each ratio (marking, reading, repeatability).
    u_common : float
        Uncertainty that all ratios share (the ruler's or caliper's scale).

    Raises
    ------
    ValueError
        Shapes differ or there is no trial.
    """
    if not len(rate_mm3_s) == len(ratio) == len(u) > 0:
        msg = f"{len(rate_mm3_s)} rates, {len(ratio)} ratios and {len(u)} uncertainties"
        raise ValueError(msg)
    onsets = _onsets(rate_mm3_s)
    models = [_model(rate_mm3_s, ratio, u, u_common, onset) for onset in (None, *onsets)]
    weights = _weights(np.array([m.log_evidence for m in models]), len(onsets))
    feed = _mixed(models, weights)
    p_slip = float(weights[1:].sum())
    onset, interval = _onset(onsets, weights[1:])
    at = np.linspace(float(np.min(rate_mm3_s)), float(np.max(rate_mm3_s)), 81)
    curve = sum(w * m.curve(at) for w, m in zip(weights, models, strict=True))
    return FeedFit(
        feed=feed,
        p_slip=p_slip,
        onset=onset if p_slip > 0.5 else None,
        onset_range=interval,
        curve=(at, np.asarray(curve)),
    )


@dataclass(frozen=True, slots=True)
class _Model:
    """One onset: the feed and slope it leads to, and how likely it makes the readings."""

    onset: float | None
    feed: float
    variance: float
    slope: float
    log_evidence: float

    def curve(self, rate: Array) -> Array:
        if self.onset is None:
            return np.full(len(rate), self.feed)
        return np.asarray(self.feed - self.slope * np.maximum(rate - self.onset, 0.0))


def _onsets(rate: Array) -> Array:
    """Onsets from the slowest trial to just short of the fastest, where slip would still show."""
    low, high = float(np.min(rate)), float(np.max(rate))
    if high - low < 1e-9:
        return np.zeros(0)
    step = (high - low) / _GRID
    return np.asarray(low + step * (np.arange(_GRID) + 0.5))


def _model(rate: Array, ratio: Array, u: Array, u_common: float, onset: float | None) -> _Model:
    columns = {"feed": (np.ones(len(rate)), _FEED_SD)}
    if onset is not None:
        columns["slope"] = (-np.maximum(rate - onset, 0.0), SLOPE_SD)
    if u_common > 0:
        columns["scale"] = (np.ones(len(rate)), u_common)
    problem = Problem(
        names=tuple(columns),
        x=np.column_stack([column for column, _ in columns.values()]),
        y=ratio,
        variance=u**2,
        prior_mean=np.array([1.0 if name == "feed" else 0.0 for name in columns]),
        prior_sd=np.array([sd for _, sd in columns.values()]),
        units=("ratio",) * len(columns),
    )
    result, evidence = fit(problem), log_evidence(problem)
    feed = result["feed"]
    if onset is None:
        return _Model(onset, feed.value, feed.u**2, 0.0, evidence)
    return _slipping(onset, result, evidence)


def _slipping(onset: float, result: LinearFit, evidence: float) -> _Model:
    """Cut the slope off at zero: slip loses feed, it never gains any.

    The feed leans on the slope by their covariance, and moves with its truncated normal.
    """
    from scipy.special import log_ndtr
    from scipy.stats import truncnorm

    feed, slope = result["feed"], result["slope"]
    z = slope.value / slope.u
    shift, variance = (float(m) for m in truncnorm.stats(-z, math.inf, moments="mv"))
    lean = result.covariance[result.index["feed"], result.index["slope"]] / slope.u
    return _Model(
        onset,
        feed.value + lean * shift,
        feed.u**2 - lean**2 * (1 - variance),
        slope.value + slope.u * shift,
        evidence + math.log(2.0) + float(log_ndtr(z)),
    )


def log_evidence(problem: Problem) -> float:
    """Log of the Gaussian probability density of the readings, parameters averaged over the priors.

    y ~ N(X mean, V + X Sigma X^T); every prior must be finite.
    """
    from scipy.stats import multivariate_normal

    spread = (problem.x * problem.prior_sd) @ (problem.x * problem.prior_sd).T
    covariance = np.diag(problem.variance) + spread
    return float(multivariate_normal.logpdf(problem.y, problem.x @ problem.prior_mean, covariance))


def _weights(log_evidence: Array, onsets: int) -> Array:
    """Posterior weights: even odds for slip or none, and every onset alike."""
    prior = np.array([0.5, *([0.5 / onsets] * onsets)]) if onsets else np.ones(1)
    weights = prior * np.exp(log_evidence - log_evidence.max())
    return np.asarray(weights / weights.sum())


def _mixed(models: list[_Model], weights: Array) -> Estimate:
    """Mean and variance of the mixture (law of total variance)."""
    values = np.array([m.feed for m in models])
    mean = float(weights @ values)
    variance = float(weights @ (np.array([m.variance for m in models]) + (values - mean) ** 2))
    return Estimate(
        name="feed",
        value=mean,
        u=math.sqrt(variance),
        unit="ratio",
        from_data=1 - variance / _FEED_SD**2,
    )


def _onset(onsets: Array, weights: Array) -> tuple[Estimate | None, tuple[float, float]]:
    if not len(onsets) or weights.sum() <= 0:
        return None, (math.inf, math.inf)
    w = weights / weights.sum()
    step = onsets[1] - onsets[0]
    edges = np.concatenate([[onsets[0] - step / 2], onsets + step / 2])
    climb = np.concatenate([[0.0], np.cumsum(w)])
    low, middle, high = np.interp([0.025, 0.5, 0.975], climb, edges)
    mean = float(w @ onsets)
    u = math.sqrt(float(w @ (onsets - mean) ** 2) + step**2 / 12)
    onset = Estimate(name="slip_onset", value=float(middle), u=u, unit="mm3/s")
    return onset, (float(low), float(high))
