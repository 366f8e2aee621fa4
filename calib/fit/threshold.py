"""Where along a ladder a grade changes, and where a measured sag passes what is allowed.

Grades rise along the ladder by a cumulative logistic law (one threshold: logistic regression;
several: the proportional-odds model):

    P(grade >= j at x) = 1 / (1 + exp(-(x - t_j) / s)),   t_1 <= t_2 <= ...

Ladders are short and often change cleanly from one grade to the next, where the likelihood alone has
no maximum. So the posterior is worked out on a grid, with thresholds alike beforehand anywhere on
and near the ladder, and a weak prior on the spread s around the distance between rungs.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from calib.fit.linear import Array
from calib.model.estimate import Estimate

_DRAWS = 4000
_SAG_DRAWS = 2000
_SEED = 20
#: Prior of the spread: log-normal about this share of the distance between rungs.
_SPREAD_SHARE = 0.35
_SPREAD_LOG_SD = 0.9
_SPREADS = 18


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A place on the ladder: estimate, and its 95 % interval, which need not lie evenly about it."""

    estimate: Estimate
    low: float
    high: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Thresholds:
    """Thresholds between grades.

    Attributes
    ----------
    limits : one `Limit` per threshold
        Where either grade is as likely.
    brackets : one (low, high) or None per threshold
        Where the grades change cleanly: the last rung below and the first at or above it.
    separated : bool
        All changes are clean: the spread is then known from the prior alone and is not reported.
    spread : Estimate or None
    draws : (n, k) float, spreads : (n,) float
        Samples of the posterior, for what is derived from several thresholds.
    """

    limits: tuple[Limit, ...]
    brackets: tuple[tuple[float, float] | None, ...]
    separated: bool
    spread: Estimate | None
    draws: Array
    spreads: Array
    unit: str

    def where(self, threshold: int, probability: float, name: str) -> Limit:
        """Return where the grade at or above the threshold has the given probability."""
        logit = math.log(probability / (1 - probability))
        return summary(self.draws[:, threshold] + self.spreads * logit, name, self.unit)

    def still_clean(self, safe: Limit) -> Limit:
        """Return how far all is well: a safe place below the first change, with the change's own uncertainty.

        Where the change is clean it is no less than the last rung that was well.
        """
        change, value = self.limits[0], safe.estimate.value
        bracket = self.brackets[0]
        if bracket is not None and math.isfinite(bracket[0]):
            value = min(max(value, bracket[0]), change.estimate.value)
        back = change.estimate.value - value
        estimate = replace(change.estimate, name=safe.estimate.name, value=value)
        return Limit(estimate=estimate, low=change.low - back, high=change.high - back)

    def middle(self, threshold: int, name: str) -> Limit:
        """Return the middle between a threshold and the next: where the grade between is likeliest."""
        return summary(self.draws[:, threshold : threshold + 2].mean(axis=1), name, self.unit)

    def curve(self, x: Array) -> Array:
        """Mean probability of each grade at each x, (grades, len(x)), over the posterior."""
        some = slice(0, None, 10)
        pairs = zip(self.draws[some], self.spreads[some], strict=True)
        return np.asarray(np.mean([grade_probabilities(x, t, float(s)) for t, s in pairs], axis=0))


def summary(draws: Array, name: str, unit: str) -> Limit:
    """Median, standard deviation and 95 % interval of samples, (n,) float in `unit`."""
    low, middle, high = np.percentile(draws, [2.5, 50, 97.5])
    u = float(np.std(draws))
    return Limit(
        estimate=Estimate(name=name, value=float(middle), u=u, unit=unit),
        low=float(low),
        high=float(high),
    )


def grade_probabilities(x: Array, thresholds: Array, spread: float) -> Array:
    """Probability of every grade at every x: (grades, len(x))."""
    from scipy.special import expit

    reached = expit((x[None, :] - np.asarray(thresholds)[:, None]) / spread)
    ends = np.vstack([np.ones(len(x)), reached, np.zeros(len(x))])
    return np.asarray(ends[:-1] - ends[1:])


def fit_thresholds(
    x: Array, grade: Array, grades: int, unit: str = "", counts: Array | None = None
) -> Thresholds:
    """Find the thresholds of grades that rise along a ladder.

    Parameters
    ----------
    x : (n,) float
        Rung of each judgement.
    grade : (n,) int
        0 to grades - 1. Turn the sign of x, or the order of the grades, where they fall.
    counts : (n,) float
        How often each was judged so (1 where left out).

    Raises
    ------
    ValueError
        Fewer than two rungs, or a grade out of range.

    References
    ----------
    McCullagh, Regression models for ordinal data, J. R. Statist. Soc. B 42 (1980) 109-142.
    """
    x, grade = np.asarray(x, float), np.asarray(grade)
    n = np.ones(len(x)) if counts is None else np.asarray(counts, float)
    rungs = np.unique(x)
    if len(rungs) < 2 or grade.min() < 0 or grade.max() >= grades:
        msg = f"{len(rungs)} rungs and grades {grade.min()} to {grade.max()} of {grades}"
        raise ValueError(msg)
    spacing = float(np.median(np.diff(rungs)))
    at = _grid(rungs, spacing, 600 if grades == 2 else 160)
    spreads = _spread_grid(rungs, spacing)

    def weigh(spreads: Array) -> tuple[list[_Table], Array]:
        tables = [_messages(x, grade, n, grades, at, float(s)) for s in spreads]
        return tables, _weights(np.array([t[0] for t in tables]), spreads, spacing)

    tables, weights = weigh(spreads)
    alive = np.flatnonzero(weights > 1e-4)
    if len(alive) < _SPREADS / 2:
        # Much data: look closer at the few spreads that remain.
        lowest, highest = max(alive[0] - 1, 0), min(alive[-1] + 1, len(spreads) - 1)
        spreads = np.geomspace(spreads[lowest], spreads[highest], _SPREADS)
        tables, weights = weigh(spreads)
    draws, drawn = _sample(tables, weights, at, spreads, grades)
    brackets = tuple(_bracket(x, grade, j) for j in range(1, grades))
    separated = all(b is not None for b in brackets)
    return Thresholds(
        limits=tuple(summary(draws[:, j], f"threshold_{j + 1}", unit) for j in range(grades - 1)),
        brackets=brackets,
        separated=separated,
        spread=None if separated else summary(drawn, "spread", unit).estimate,
        draws=draws,
        spreads=drawn,
        unit=unit,
    )


def _grid(rungs: Array, spacing: float, points: int) -> Array:
    """Places a threshold may be: the ladder and half its length beyond either end."""
    margin = max(0.5 * float(np.ptp(rungs)), 2 * spacing)
    return np.linspace(rungs[0] - margin, rungs[-1] + margin, points)


def _spread_grid(rungs: Array, spacing: float) -> Array:
    return np.geomspace(0.03 * spacing, max(float(np.ptp(rungs)), 2 * spacing), _SPREADS)


def _weights(log_evidence: Array, spreads: Array, spacing: float) -> Array:
    """Posterior weight of each spread, for a log-normal prior on a logarithmic grid."""
    z = np.log(spreads / (_SPREAD_SHARE * spacing)) / _SPREAD_LOG_SD
    log_weight = log_evidence - 0.5 * z**2
    weights = np.exp(log_weight - log_weight.max())
    return np.asarray(weights / weights.sum())


_Table = tuple[float, list[Array]]


def _messages(x: Array, grade: Array, n: Array, grades: int, at: Array, spread: float) -> _Table:
    """Sum the likelihood over ordered thresholds on the grid, from the last to the first.

    Given the spread, a judgement ties at most two neighbouring thresholds, so the sum runs along a
    chain. Returns the log evidence and, for each threshold, its table of weights: (grid,) for the
    first, (grid of the one before, grid) for the rest. A middle grade's probability is
    F(z_j) - F(z_j+1) = F(z_j) (1 - F(z_j+1)) (1 - exp((t_j - t_j+1) / s)).
    """
    from scipy.special import log_expit

    z = (x[:, None] - at[None, :]) / spread
    reached, missed = log_expit(z), log_expit(-z)

    def total(terms: Array, j: int) -> Array:
        return np.asarray(n[grade == j] @ terms[grade == j])

    ahead = total(reached, grades - 1)
    steps: list[Array] = []
    apart = _log_apart(at, spread) if grades > 2 else np.zeros(0)
    for j in range(grades - 2, 0, -1):
        count = float(n[grade == j].sum())
        ties = count * apart if count else np.where(np.isfinite(apart), 0.0, -np.inf)
        pair = ties + (ahead + total(missed, j))[None, :]
        top = pair.max(axis=1, keepdims=True)
        top = np.where(np.isfinite(top), top, 0.0)
        table = np.exp(pair - top)
        steps.insert(0, table)
        with np.errstate(divide="ignore"):
            ahead = top[:, 0] + np.log(table.sum(axis=1)) + total(reached, j)
    weights = total(missed, 0) + ahead
    top_weight = float(weights.max())
    weights = np.exp(weights - top_weight)
    evidence = top_weight + math.log(float(weights.sum())) - (grades - 1) * math.log(len(at))
    return evidence, [weights, *steps]


def _log_apart(at: Array, spread: float) -> Array:
    """Log of 1 - exp((t_j - t_j+1) / s) for each pair of grid points; -inf where out of order."""
    gap = (at[:, None] - at[None, :]) / spread
    with np.errstate(divide="ignore"):
        return np.asarray(np.where(gap < 0, np.log(-np.expm1(np.minimum(gap, 0.0))), -np.inf))


def _sample(
    tables: list[_Table], weights: Array, at: Array, spreads: Array, grades: int
) -> tuple[Array, Array]:
    """Draw spreads and thresholds; the seed is fixed so that an answer never changes."""
    rng = np.random.default_rng(_SEED)
    step = at[1] - at[0]
    which = rng.choice(len(spreads), _DRAWS, p=weights)
    draws = np.zeros((_DRAWS, grades - 1))
    for k in np.unique(which):
        own = np.flatnonzero(which == k)
        first, *rest = tables[k][1]
        place = rng.choice(len(at), len(own), p=first / first.sum())
        draws[own, 0] = at[place]
        for j, table in enumerate(rest, start=1):
            climb = np.cumsum(table[place], axis=1)
            pick = rng.random(len(own)) * climb[:, -1]
            place = (climb < pick[:, None]).sum(axis=1)
            draws[own, j] = at[place]
    draws += rng.uniform(-step / 2, step / 2, draws.shape)
    return np.sort(draws, axis=1), spreads[which]


def _bracket(x: Array, grade: Array, j: int) -> tuple[float, float] | None:
    below, above = x[grade < j], x[grade >= j]
    low = float(below.max()) if len(below) else -math.inf
    high = float(above.min()) if len(above) else math.inf
    return (low, high) if low < high else None


@dataclass(frozen=True, eq=False, kw_only=True)
class SagFit:
    """Sag along a ladder, and where it passes what is allowed.

    Attributes
    ----------
    fitted : (rungs,) float
        Monotone regression at each rung.
    limit : Limit or None
        Where the sag passes what is allowed; None where it does not on this ladder.
    beyond : "", "above" or "below"
        The limit lies above the last rung or below the first.
    """

    rungs: Array
    mean: Array
    fitted: Array
    limit: Limit | None
    beyond: str


def isotonic(y: Array, weights: Array) -> Array:
    """Weighted least-squares fit that never falls, along the last axis of y (..., n), weights (n,)."""
    from scipy.optimize import isotonic_regression

    rows = np.atleast_2d(np.asarray(y, float))
    found = [isotonic_regression(row, weights=weights).x for row in rows]
    return np.asarray(found).reshape(np.shape(y))


def fit_sag(
    x: Array, sag: Array, u: Array, allowed: float, unit: str = "", name: str = "limit"
) -> SagFit:
    """Find where a sag that only grows along the ladder passes what is allowed.

    Between rungs the fit is taken as straight. The interval comes from drawing the readings again
    about the fit (fixed seed), with their uncertainty or their scatter about the fit where that is
    larger.

    Parameters
    ----------
    x, sag, u : (n,) float
        Rung, measured sag and its standard uncertainty; rungs may repeat.
    """
    rungs, at = np.unique(x, return_inverse=True)
    weights = np.asarray(np.bincount(at, 1 / u**2), dtype=np.float64)
    mean = np.bincount(at, sag / u**2) / weights
    fitted = isotonic(mean, weights)
    over = fitted > allowed
    beyond = "above" if not over.any() else "below" if over.all() else ""
    draws = np.random.default_rng(_SEED).normal(size=(_SAG_DRAWS, len(rungs)))
    scatter = math.sqrt(float(np.mean((sag - fitted[at]) ** 2)))
    spread = np.maximum(weights**-0.5, scatter)
    again = isotonic(fitted + spread * draws, weights)
    crossing = np.array([_crossing(rungs, row, allowed) for row in again])
    return SagFit(
        rungs=rungs,
        mean=mean,
        fitted=fitted,
        limit=None if beyond else _sag_limit(crossing, rungs, fitted, allowed, name, unit),
        beyond=beyond,
    )


def _sag_limit(
    crossing: Array, rungs: Array, fitted: Array, allowed: float, name: str, unit: str
) -> Limit:
    found = summary(crossing, name, unit)
    value = _crossing(rungs, fitted, allowed)
    u = math.hypot(found.estimate.u, _bend(rungs))
    low, high = found.low - 2 * _bend(rungs), found.high + 2 * _bend(rungs)
    return Limit(estimate=Estimate(name=name, value=value, u=u, unit=unit), low=low, high=high)


def _bend(rungs: Array) -> float:
    """How far a crossing may lie from the straight line between rungs: 1/20 of their distance.

    A parabola through three rungs leaves its chord by at most an eighth of the second difference.
    """
    return 0.05 * float(np.median(np.diff(rungs)))


def _crossing(rungs: Array, level: Array, allowed: float) -> float:
    """Where the straight lines between rungs pass the allowed level; the ends where they do not."""
    over = np.flatnonzero(level > allowed)
    if not len(over):
        return float(rungs[-1])
    k = int(over[0])
    if k == 0:
        return float(rungs[0])
    share = (allowed - level[k - 1]) / (level[k] - level[k - 1])
    return float(rungs[k - 1] + share * (rungs[k] - rungs[k - 1]))
