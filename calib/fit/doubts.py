"""Doubts about readings: repeats that disagree, what a reading changes, what more would bring."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist, median

import numpy as np

from calib.fit.linear import Array, LinearFit, Problem, fit
from calib.model.estimate import Estimate

#: How often honest readings may be called disagreeing.
FALSE_ALARM = 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """Repeats of one feature that lie further apart than the instrument allows.

    Attributes
    ----------
    name : str
    spread, allowed : float
        Largest less smallest reading, and what the instrument allows.
    furthest : int or None
        Index of the reading that stands apart from the rest; None with two, which can't be told
        apart.
    """

    name: str
    spread: float
    allowed: float
    furthest: int | None

    def words(self, unit: str = "mm") -> str:
        """One sentence for the user."""
        return (
            f"{self.name}: repeats differ by {self.spread:.3g} {unit}, more than the"
            f" {self.allowed:.2g} {unit} the instrument allows; measure it again"
        )


def allowed_spread(n: int, u: float, false_alarm: float = FALSE_ALARM) -> float:
    """Range that n readings with standard uncertainty u exceed no more often than `false_alarm`."""
    return _studentized(n, false_alarm) * u


@lru_cache(maxsize=256)
def _studentized(n: int, false_alarm: float) -> float:
    """Return the upper point of the range of n standard normal readings."""
    if n == 2:  # their difference is normal: no need of the slow general integral
        return NormalDist().inv_cdf(1 - false_alarm / 2) * math.sqrt(2)
    from scipy.stats import studentized_range

    return float(studentized_range.isf(false_alarm, n, math.inf))


def disagreeing(groups: Mapping[str, Sequence[float]], u: float) -> tuple[Disagreement, ...]:
    """Find the features whose repeats disagree.

    Parameters
    ----------
    groups : name -> repeated readings
    u : float
        Standard uncertainty of one reading, repeatability and resolution.
    """
    found = []
    for name, values in groups.items():
        if len(values) < 2:
            continue
        spread, allowed = max(values) - min(values), allowed_spread(len(values), u)
        if spread > allowed:
            middle = median(values)
            apart = [abs(v - middle) for v in values]
            furthest = int(np.argmax(apart)) if len(values) > 2 else None
            found.append(Disagreement(name=name, spread=spread, allowed=allowed, furthest=furthest))
    return tuple(found)


def effect(with_it: Estimate, without: Estimate, digits: int = 2) -> str:
    """Say what a reading does to a result, with its expanded uncertainty both ways."""
    return (
        f"{with_it.name} is {with_it.value:.{digits}f} ± {with_it.expanded():.{digits}f}"
        f" {with_it.unit} with it, {without.value:.{digits}f} ± {without.expanded():.{digits}f}"
        f" {without.unit} without it"
    )


def without_rows(problem: Problem, keep: Sequence[bool]) -> Problem:
    """Return the problem with only the rows marked to keep (the variance must be a vector)."""
    mask = np.asarray(keep, dtype=bool)
    return replace(problem, x=problem.x[mask], y=problem.y[mask], variance=problem.variance[mask])


def with_more(problem: Problem, x: Array, variance: Array) -> LinearFit:
    """Forecast: fit with further rows, to see what uncertainty further readings would leave.

    Only the covariance of the result means anything; the further readings are taken to agree with
    the present fit.

    Parameters
    ----------
    x : (k, p) float
        Design rows of the further readings.
    variance : (k,) float
        Their variances.
    """
    theta = fit(problem).theta
    more = replace(
        problem,
        x=np.vstack([problem.x, x]),
        y=np.concatenate([problem.y, x @ theta]),
        variance=np.concatenate([problem.variance, variance]),
    )
    return fit(more)
