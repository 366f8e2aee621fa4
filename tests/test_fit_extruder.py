"""Extruder feed against hand-worked steps, a general statistics library and simulated trials."""

import math

import numpy as np
import pytest
from scipy import stats

from calib.fit.extruder import fit_feed
from calib.fit.linear import Problem, fit, log_evidence
from patterns.errors import SpecError
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.simulate_fits import coverage
from tests.simulate_rest import feed

RATES = np.linspace(2.0, 14.0, 5)


def test_steps_by_hand():
    """93 steps/mm, asked 100 mm, got 97.5 mm: 93 x 100 / 97.5 = 95.384615 (hand-worked)."""
    result = fit_feed(np.array([2.0]), np.array([0.975]), np.array([0.003]))
    assert 93 / result.feed.value == pytest.approx(95.384615, rel=2e-6)
    assert result.p_slip == 0
    assert result.onset is None


def test_one_rate_many_trials_is_the_mean():
    ratio = np.array([0.974, 0.977, 0.975, 0.976])
    result = fit_feed(np.full(4, 3.0), ratio, np.full(4, 0.002), u_common=0.001)
    assert result.feed.value == pytest.approx(ratio.mean(), abs=2e-6)
    assert result.feed.u == pytest.approx(math.hypot(0.001, 0.001), rel=1e-4)


def test_evidence_against_a_multivariate_normal():
    rng = np.random.default_rng(1)
    x = rng.normal(size=(6, 2))
    y = rng.normal(size=6)
    problem = Problem(
        names=("a", "b"),
        x=x,
        y=y,
        variance=np.full(6, 0.3),
        prior_mean=np.array([0.5, 0.0]),
        prior_sd=np.array([2.0, 0.7]),
    )
    cov = 0.3 * np.eye(6) + x @ np.diag([4.0, 0.49]) @ x.T
    expected = stats.multivariate_normal(x @ [0.5, 0.0], cov).logpdf(y)
    assert log_evidence(fit(problem)) == pytest.approx(expected, rel=1e-10)


def test_steady_feed_shows_no_slip():
    rng = np.random.default_rng(2)
    result = fit_feed(RATES, 0.98 + rng.normal(0, 0.003, 5), np.full(5, 0.003))
    assert result.p_slip < 0.5
    assert result.onset is None


def test_slip_is_found_where_it_starts():
    ratio = 0.99 - 0.02 * np.maximum(RATES - 8.0, 0)
    result = fit_feed(RATES, ratio, np.full(5, 0.003))
    assert result.p_slip > 0.99
    low, high = result.onset_range
    assert low < 8.0 < high
    assert high - low < 3
    assert result.feed.value == pytest.approx(0.99, abs=0.003)


def test_a_ratio_that_rises_is_not_slip():
    result = fit_feed(RATES, 0.95 + 0.004 * RATES, np.full(5, 0.003))
    assert result.p_slip < 0.05


def test_coverage_of_feed_and_onset():
    """`python -m bench.fits` runs a thousand; three standard deviations of 40 draws, and of half, below 95 %."""
    rates = coverage(feed, 40, seed=3)
    assert rates["feed"] >= 0.846
    assert rates["slip onset"] >= 0.80


def test_the_checks_lay_out():
    feed = get("extruder-feed").piece({}, PrintSetup())
    assert [f.rung for f in feed.features] == [2, 5, 8, 11, 14]
    assert not feed.printed
    # 5 mm3/s of 1.75 mm filament (2.405282 mm2) is 2.0788 mm/s or 125 mm/min.
    assert "F125 (5 mm3/s)" in feed.features[1].where
    wire = get("filament-diameter").piece({"places": "3"}, PrintSetup(filament_mm=2.85))
    assert len(wire.features) == 6
    assert {f.nominal for f in wire.features} == {2.85}
    with pytest.raises(SpecError, match="fast_mm3_s"):
        get("extruder-feed").piece({"fast_mm3_s": "1"}, PrintSetup())
