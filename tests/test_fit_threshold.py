"""Thresholds against published data, statsmodels, scikit-learn and simulated ladders."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.isotonic import IsotonicRegression
from statsmodels.miscmodels.ordinal_model import OrderedModel

from calib.fit.threshold import fit_sag, fit_thresholds, grade_probabilities, isotonic
from tests.simulate_fits import coverage, graded, pass_fail, sag

# Bliss (1935), beetle mortality, as in Dobson's text: log dose, beetles, killed.
DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
BEETLES = np.array([59, 60, 62, 56, 63, 59, 62, 60])
KILLED = np.array([6, 13, 18, 28, 52, 53, 61, 60])


def beetles():
    x = np.concatenate([DOSE, DOSE])
    grade = np.repeat([1, 0], 8)
    return fit_thresholds(x, grade, 2, counts=np.concatenate([KILLED, BEETLES - KILLED]))


def test_beetle_mortality_logit():
    """Dobson: logit b0 -60.717, b1 34.270; the threshold -b0/b1 is 1.77172 with u 0.00386."""
    result = beetles()
    limit = result.limits[0]
    assert limit.estimate.value == pytest.approx(1.7717210, abs=0.0006)
    assert limit.estimate.u == pytest.approx(0.0038581, rel=0.05)
    assert result.spread.value == pytest.approx(1 / 34.270326, rel=0.03)
    assert result.spread.u == pytest.approx(2.912140 / 34.270326**2, rel=0.1)
    assert not result.separated


def test_beetle_fitted_counts():
    """Dobson's fitted counts for the logit link."""
    p = grade_probabilities(DOSE, np.array([1.7717210]), 1 / 34.270326)[1]
    expected = [3.457, 9.842, 22.451, 33.898, 50.096, 53.291, 59.222, 58.743]
    np.testing.assert_allclose(BEETLES * p, expected, atol=0.02)


def test_likelihood_against_statsmodels_logit():
    rng = np.random.default_rng(1)
    x = rng.uniform(0, 10, 80)
    y = (rng.random(80) < 1 / (1 + np.exp(-(x - 6) / 0.9))).astype(int)
    theirs = sm.Logit(y, sm.add_constant(x)).fit(disp=0)
    b0, b1 = theirs.params
    p = grade_probabilities(x, np.array([-b0 / b1]), 1 / b1)
    assert np.log(p[y, np.arange(80)]).sum() == pytest.approx(theirs.llf, rel=1e-10)
    ours = fit_thresholds(x, y, 2)
    assert abs(ours.limits[0].estimate.value + b0 / b1) < 0.3 * ours.limits[0].estimate.u


def test_ordinal_against_statsmodels_ordered_model():
    rng = np.random.default_rng(2)
    x = np.repeat(np.linspace(0.0, 0.6, 13), 12)
    latent = x + 0.03 * rng.logistic(size=len(x))
    y = np.digitize(latent, [0.12, 0.27, 0.45])
    # Scaled to about one: their optimiser stops on an absolute gradient.
    model = OrderedModel(y, 10 * x[:, None], distr="logit")
    theirs = model.fit(method="bfgs", disp=0, maxiter=500)
    slope = 10 * theirs.params[0]
    cuts = model.transform_threshold_params(theirs.params)[1:-1] / slope
    p = grade_probabilities(x, cuts, 1 / slope)
    assert np.log(p[y, np.arange(len(x))]).sum() == pytest.approx(theirs.llf, rel=1e-9)
    ours = fit_thresholds(x, y, 4)
    for limit, cut in zip(ours.limits, cuts, strict=True):
        assert abs(limit.estimate.value - cut) < 0.35 * limit.estimate.u
    assert ours.spread.value == pytest.approx(1 / slope, rel=0.05)


def test_two_grades_are_one_case_of_several():
    """An ordinal ladder on which only two grades occur keeps the binary threshold."""
    x = np.arange(1.0, 9.0)
    y = np.array([0, 0, 0, 1, 0, 1, 1, 1])
    binary = fit_thresholds(x, y, 2).limits[0]
    three = fit_thresholds(x, 2 * y, 3)
    # The thresholds of the empty middle grade lie close together about the binary one.
    assert three.draws.mean() == pytest.approx(binary.estimate.value, abs=0.15)


def test_repeated_rungs_with_mixed_results():
    """Dalal, Fowlkes, Hoadley (1989): distress against temperature, threshold 64.79 F by likelihood."""
    t = "66 70 69 68 67 72 73 70 57 63 70 78 67 53 67 75 70 81 76 79 75 76 58"
    d = "0 1 0 0 0 0 0 0 1 1 1 0 0 1 0 1 0 0 0 0 0 0 1"
    x, y = np.array(t.split(), float), np.array(d.split(), int)
    theirs = sm.Logit(y, sm.add_constant(x)).fit(disp=0)
    np.testing.assert_allclose(theirs.params, [15.04290165, -0.23216274], rtol=1e-6)
    p = grade_probabilities(-x, np.array([-64.7946]), 1 / 0.23216274)
    assert -2 * np.log(p[y, np.arange(23)]).sum() == pytest.approx(20.31519269, abs=1e-6)
    limit = fit_thresholds(-x, y, 2).limits[0]
    assert limit.low < -64.7946 < limit.high


def test_complete_separation_gives_the_bracket_and_no_slope():
    x = np.arange(1.0, 9.0)
    result = fit_thresholds(x, (x > 4.5).astype(int), 2)
    assert result.brackets == ((4.0, 5.0),)
    assert result.separated
    assert result.spread is None
    limit = result.limits[0]
    assert 4.0 <= limit.estimate.value <= 5.0
    assert limit.low < 4.0 < 5.0 < limit.high
    assert limit.high - limit.low < 3.0


def test_all_alike_says_beyond_the_ladder():
    x = np.arange(1.0, 9.0)
    limit = fit_thresholds(x, np.zeros(8, int), 2).limits[0]
    assert limit.low > 7.5
    assert fit_thresholds(x, np.zeros(8, int), 2).brackets == ((8.0, math.inf),)


def test_an_answer_never_changes():
    a, b = beetles(), beetles()
    assert np.array_equal(a.draws, b.draws)


@settings(max_examples=25, deadline=None)
@given(shift=st.floats(-100, 100), factor=st.floats(0.01, 100), seed=st.integers(0, 20))
def test_shift_and_scale_of_the_ladder(shift, factor, seed):
    rng = np.random.default_rng(seed)
    x = np.arange(8.0)
    y = (x + rng.logistic(size=8) > 3.5).astype(int)
    base = fit_thresholds(x, y, 2).limits[0]
    other = fit_thresholds(shift + factor * x, y, 2).limits[0]
    for a, b in ((base.low, other.low), (base.high, other.high)):
        assert b == pytest.approx(shift + factor * a, rel=1e-6, abs=0.02 * factor)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(2, 30))
def test_monotone_regression_against_scikit_learn(seed, n):
    rng = np.random.default_rng(seed)
    y, w = np.arange(n) * 0.1 + rng.normal(size=n), rng.uniform(0.2, 3, n)
    theirs = IsotonicRegression().fit_transform(np.arange(n), y, sample_weight=w)
    np.testing.assert_allclose(isotonic(y, w), theirs, atol=1e-12)


def test_sag_beyond_the_ladder():
    x = np.array([10.0, 20, 30])
    assert fit_sag(x, np.array([0.0, 0.1, 0.2]), np.full(3, 0.02), 0.5).beyond == "above"
    assert fit_sag(x, np.array([0.6, 0.7, 0.9]), np.full(3, 0.02), 0.5).beyond == "below"


@pytest.mark.parametrize(("draw", "draws"), [(pass_fail, 60), (graded, 30), (sag, 40)])
def test_coverage(draw, draws):
    """Asked for: at least 90 %; the bound leaves three standard deviations for so few draws."""
    rates = coverage(draw, draws, seed=3)
    floor = 0.95 - 3 * math.sqrt(0.95 * 0.05 / draws)
    assert all(rate >= floor for rate in rates.values())
