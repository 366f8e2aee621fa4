"""Extruder feed: consumed over commanded length, and the volumetric rate where it begins to slip.

    ratio(q) = feed - slope bend(q - onset),   bend(d) = (d + sqrt(d^2 + soft^2)) / 2

Slip sets in at the onset, at once or by and by (`soft`). For every onset and softness on a grid (and
for "no slip") the rest is linear and Gaussian, so `linear.py` gives it in closed form; they are then
weighted by how likely they make the readings.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.fit.linear import Array, LinearFit, Problem, fit, log_evidence
from calib.model.estimate import Estimate

#: How steeply feed is lost past the onset, as a prior: fraction lost per mm3/s. A judgement.
SLOPE_SD = 0.05
#: How far the feed may be from what was asked before anything is known, as a fraction.
_FEED_SD = 0.5
_GRID = 40
#: Over which range of rates slip sets in, mm3/s, each as likely beforehand: a judgement.
_SOFT = (0.0, 0.8)


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
    grid = _onsets(rate_mm3_s)
    onsets, soft = (a.ravel() for a in np.meshgrid(grid, _SOFT, indexing="ij"))
    at = np.linspace(float(np.min(rate_mm3_s)), float(np.max(rate_mm3_s)), 81)
    steady = _at(rate_mm3_s, ratio, u, u_common, None)
    slipping = [
        _at(rate_mm3_s, ratio, u, u_common, bend) for bend in _bend(rate_mm3_s, onsets, soft)
    ]
    feeds, variances, slopes, evidence = (
        np.append(first, rest)
        for first, rest in zip(
            (steady.theta[0], steady.covariance[0, 0], 0.0, log_evidence(steady)),
            _slipping(slipping),
            strict=True,
        )
    )
    weights = _weights(evidence, len(onsets))
    p_slip = float(weights[1:].sum())
    onset, interval = _onset(grid, weights[1:].reshape(-1, len(_SOFT)).sum(axis=1))
    lost = slopes[1:, None] * _bend(at, onsets, soft)
    curve = weights @ feeds - weights[1:] @ lost
    return FeedFit(
        feed=_mixed(feeds, variances, weights),
        p_slip=p_slip,
        onset=onset if p_slip > 0.5 else None,
        onset_range=interval,
        curve=(at, np.asarray(curve)),
    )


def _onsets(rate: Array) -> Array:
    """Onsets from the slowest trial to just short of the fastest, where slip would still show."""
    low, high = float(np.min(rate)), float(np.max(rate))
    if high - low < 1e-9:
        return np.zeros(0)
    step = (high - low) / _GRID
    return np.asarray(low + step * (np.arange(_GRID) + 0.5))


def _bend(rate: Array, onsets: Array, soft: Array) -> Array:
    """Return, per onset and softness, how far every rate is into the slip."""
    past = rate - onsets[:, None]
    return np.asarray((past + np.hypot(past, soft[:, None])) / 2)


def _at(rate: Array, ratio: Array, u: Array, u_common: float, bend: Array | None) -> LinearFit:
    """Fit the readings with slip of one onset and softness, or with none."""
    columns = {"feed": (np.ones(len(rate)), _FEED_SD)}
    if bend is not None:
        columns["slope"] = (-bend, SLOPE_SD)
    if u_common > 0:
        columns["scale"] = (np.ones(len(rate)), u_common)
    return fit(
        Problem(
            names=tuple(columns),
            x=np.column_stack([column for column, _ in columns.values()]),
            y=ratio,
            variance=u**2,
            prior_mean=np.array([1.0 if name == "feed" else 0.0 for name in columns]),
            prior_sd=np.array([sd for _, sd in columns.values()]),
            units=("ratio",) * len(columns),
        )
    )


def _slipping(fits: Sequence[LinearFit]) -> tuple[Array, Array, Array, Array]:
    """Cut the slope off at zero: slip loses feed, it never gains any.

    The feed leans on the slope by their covariance, and moves with its truncated normal. Returns feed,
    its variance, slope and log evidence of every fit.
    """
    from scipy.special import log_ndtr
    from scipy.stats import truncnorm

    feed, slope = np.array([f.theta[:2] for f in fits]).reshape(-1, 2).T
    covariance = np.array([f.covariance[:2, :2] for f in fits]).reshape(-1, 2, 2)
    u = np.sqrt(covariance[:, 1, 1])
    z = slope / u
    shift, variance = truncnorm.stats(-z, math.inf, moments="mv") if len(z) else (z, z)
    lean = covariance[:, 0, 1] / u
    evidence = np.array([log_evidence(f) for f in fits]) + math.log(2.0) + log_ndtr(z)
    return (
        feed + lean * shift,
        covariance[:, 0, 0] - lean**2 * (1 - variance),
        slope + u * shift,
        evidence,
    )


def _weights(log_evidence: Array, onsets: int) -> Array:
    """Posterior weights: even odds for slip or none, and every onset alike."""
    prior = np.array([0.5, *([0.5 / onsets] * onsets)]) if onsets else np.ones(1)
    weights = prior * np.exp(log_evidence - log_evidence.max())
    return np.asarray(weights / weights.sum())


def _mixed(values: Array, variances: Array, weights: Array) -> Estimate:
    """Mean and variance of the mixture (law of total variance)."""
    mean = float(weights @ values)
    variance = float(weights @ (variances + (values - mean) ** 2))
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
