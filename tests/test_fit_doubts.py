"""Doubts: how often honest repeats are called disagreeing, and forecasts against the real thing."""

import numpy as np
import pytest

from calib.fit.doubts import (
    FALSE_ALARM,
    allowed_spread,
    disagreeing,
    effect,
    with_more,
    without_rows,
)
from calib.fit.linear import Problem, fit
from calib.model.estimate import Estimate


def test_two_readings_by_hand():
    """The difference of two normals has sqrt(2) times their standard deviation; z(0.999) = 3.0902."""
    assert allowed_spread(2, 0.01, 0.002) == pytest.approx(0.01 * 2**0.5 * 3.0902, rel=1e-4)


@pytest.mark.parametrize("n", [2, 3, 5])
def test_false_alarms_keep_their_rate(n):
    values = np.random.default_rng(n).normal(0, 0.01, (200_000, n))
    rate = float(np.mean(np.ptp(values, axis=1) > allowed_spread(n, 0.01)))
    assert rate == pytest.approx(FALSE_ALARM, rel=0.2)  # 5 % of it is the draws' own scatter


def test_ranges_of_several_readings_against_published_points():
    """Upper 5 % and 1 % points of the studentized range, infinite degrees of freedom: 3.31, 4.12 for
    3 readings, 3.86, 4.60 for 5 (any table of Tukey's test; from memory)."""
    for n, points in {3: (3.31, 4.12), 5: (3.86, 4.60)}.items():
        for alarm, point in zip((0.05, 0.01), points, strict=True):
            assert allowed_spread(n, 1.0, alarm) == pytest.approx(point, abs=0.006)


def test_the_furthest_reading_is_named_where_it_can_be():
    found = disagreeing({"a": [10.0, 10.01, 10.4], "b": [5.0, 5.3], "c": [1.0, 1.01]}, 0.01)
    assert [(d.name, d.furthest) for d in found] == [("a", 2), ("b", None)]
    assert "a: repeats differ by 0.4 mm" in found[0].words()


def line(n, seed=1):
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 10, n)
    return Problem(
        names=("a", "b"),
        x=np.column_stack([np.ones(n), t]),
        y=1 + 2 * t + rng.normal(0, 0.1, n),
        variance=np.full(n, 0.01),
        prior_mean=np.zeros(2),
        prior_sd=np.full(2, np.inf),
    )


def test_a_forecast_is_what_the_same_readings_would_leave():
    problem = line(6)
    forecast = with_more(problem, problem.x, problem.variance)
    # Twice the readings: exactly half the variance.
    np.testing.assert_allclose(forecast.covariance, fit(problem).covariance / 2, rtol=1e-9)


def test_rows_left_out():
    problem = line(6)
    part = without_rows(problem, [True, True, False, True, False, True])
    assert len(part.y) == 4
    assert list(part.y) == list(problem.y[[0, 1, 3, 5]])


def test_effect_in_words():
    a = Estimate(name="flow", value=105.0, u=1.0, unit="%")
    b = Estimate(name="flow", value=101.0, u=1.5, unit="%")
    assert effect(a, b, 1) == "flow is 105.0 ± 2.0 % with it, 101.0 ± 2.9 % without it"
