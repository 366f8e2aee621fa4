"""The linear core against published certified values and a general statistics library."""

import json
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.fit.linear import NotDetermined, Problem, fit, outlying

DATA = Path(__file__).parent / "data"
# NIST/ITL Statistical Reference Datasets, linear least squares, public domain.
NIST = json.loads((DATA / "nist_strd_linear.json").read_text(encoding="utf-8"))


def problem(x, y, *, variance=None, prior_sd=None, prior_mean=None, noise_dof=0.0):
    x, y = np.asarray(x, float), np.asarray(y, float)
    p = x.shape[1]
    return Problem(
        names=tuple(f"b{i}" for i in range(p)),
        x=x,
        y=y,
        variance=np.ones(len(y)) if variance is None else np.asarray(variance, float),
        prior_mean=np.zeros(p) if prior_mean is None else np.asarray(prior_mean, float),
        prior_sd=np.full(p, np.inf) if prior_sd is None else np.asarray(prior_sd, float),
        noise_dof=noise_dof,
    )


def digits(got, certified):
    """Log relative error: how many digits agree."""
    return -np.log10(abs(got / certified - 1) + 1e-16)


def nist_case(name):
    case = NIST[name]
    if name == "norris":
        table = np.loadtxt(DATA / case["data"], delimiter=",", skiprows=1)
        y, x = table[:, 0], np.column_stack([np.ones(len(table)), table[:, 1]])
    elif name == "noint1":
        x, y = np.array(case["x"], float)[:, None], case["y"]
    elif name == "pontius":
        t = np.array(case["x"], float)
        x, y = np.column_stack([np.ones(len(t)), t, t**2]), case["y"]
    else:
        rows = np.array(case["rows"])
        x, y = np.column_stack([np.ones(len(rows)), rows[:, 1:]]), rows[:, 0]
    return case, problem(x, y)


@pytest.mark.parametrize(
    ("name", "floor"), [("norris", 11), ("noint1", 13), ("pontius", 9), ("longley", 9)]
)
def test_certified_values(name, floor):
    case, prob = nist_case(name)
    result = fit(prob)
    for got, value, sd in zip(result.estimates, case["estimate"], case["sd"], strict=True):
        assert digits(got.value, float(value)) > floor
        assert digits(got.u, float(sd)) > floor
    assert digits(result.noise_scale, float(case["residual_sd"])) > floor


# JCGM 100:2008, example H.3, table H.6: calibration of a thermometer.
H3_T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
H3_B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def h3(t0=20.0, variance=None, noise_dof=0.0):
    x = np.column_stack([np.ones(11), np.array(H3_T) - t0])
    return fit(problem(x, H3_B, variance=variance, noise_dof=noise_dof))


def test_gum_h3_to_the_published_digits():
    result = h3()
    y1, y2 = result.estimates
    assert round(y1.value, 4) == -0.1712
    assert round(y1.u, 4) == 0.0029
    assert round(y2.value, 5) == 0.00218
    assert round(y2.u, 5) == 0.00067
    correlation = result.covariance[0, 1] / (y1.u * y2.u)
    assert round(correlation, 3) == -0.930
    assert round(result.noise_scale, 4) == 0.0035
    assert result.dof == pytest.approx(9)
    at30 = result.combine({"b0": 1, "b1": 10}, "b(30)")
    assert round(at30.value, 4) == -0.1494
    assert round(at30.u, 4) == 0.0041  # 0.0073 where the covariance is forgotten


def test_gum_h3_prediction_does_not_depend_on_the_origin():
    other = h3(t0=24.0085)
    assert abs(other.covariance[0, 1]) < 1e-9
    at30 = other.combine({"b0": 1, "b1": 30 - 24.0085}, "b(30)")
    assert at30.value == pytest.approx(-0.149376812732, rel=1e-10)
    assert at30.u == pytest.approx(0.004138595752855, rel=1e-9)


def test_gum_h36_common_error_moves_only_the_intercept():
    s2 = 0.00349756396351**2
    result = h3(variance=np.eye(11) * s2 + 0.005**2, noise_dof=np.inf)
    plain = h3()
    assert result["b0"].u == pytest.approx(0.00576893, rel=1e-6)
    assert result["b1"].u == pytest.approx(plain["b1"].u, rel=1e-9)


def random_data(seed, n=40, p=4):
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(n), rng.normal(size=(n, p - 1))])
    y = x @ rng.normal(size=p) + rng.normal(size=n)
    return rng, x, y


def test_statsmodels_wls():
    rng, x, y = random_data(1)
    variance = rng.uniform(0.2, 5, len(y))
    ours, theirs = fit(problem(x, y, variance=variance)), sm.WLS(y, x, weights=1 / variance).fit()
    np.testing.assert_allclose(ours.theta, theirs.params, rtol=1e-10)
    np.testing.assert_allclose(ours.covariance, theirs.cov_params(), rtol=1e-9, atol=1e-14)


def test_statsmodels_gls():
    rng, x, y = random_data(2)
    half = rng.normal(size=(len(y), len(y)))
    v = half @ half.T / len(y) + np.eye(len(y))
    ours, theirs = fit(problem(x, y, variance=v)), sm.GLS(y, x, sigma=v).fit()
    np.testing.assert_allclose(ours.theta, theirs.params, rtol=1e-9)
    np.testing.assert_allclose(ours.covariance, theirs.cov_params(), rtol=1e-8, atol=1e-13)


def test_a_prior_parameter_equals_a_common_covariance_term():
    """A zero error as a parameter with a prior gives what the common term in V gives (JCGM 100)."""
    _, x, y = random_data(3)
    u = 0.7
    common = fit(problem(x[:, 1:], y, variance=np.eye(len(y)) + u**2, noise_dof=np.inf))
    parameter = fit(
        problem(
            x, y, prior_sd=[u, np.inf, np.inf, np.inf], prior_mean=np.zeros(4), noise_dof=np.inf
        )
    )
    np.testing.assert_allclose(parameter.theta[1:], common.theta, rtol=1e-9)
    np.testing.assert_allclose(parameter.covariance[1:, 1:], common.covariance, rtol=1e-9)


def test_welch_satterthwaite_of_a_mean_with_a_systematic_term():
    """Mean of n readings plus a type B term: nu_eff = u^4 / (s^4 / n^2 / nu), JCGM 100 G.4.1."""
    y = np.array([10.01, 9.98, 10.03, 10.00, 9.99])
    x = np.ones((5, 2))
    result = fit(problem(x, y, variance=np.full(5, 1.0), prior_sd=[np.inf, 0.02]))
    u_mean = y.std(ddof=1) / 5**0.5
    mean = result["b0"]
    assert mean.u == pytest.approx((u_mean**2 + 0.02**2) ** 0.5, rel=1e-6)
    # s is estimated with n - 1 degrees of freedom; the systematic term takes none away.
    assert mean.dof == pytest.approx((u_mean**2 + 0.02**2) ** 2 / (u_mean**4 / 4), rel=0.02)


def test_what_is_left_free_is_named():
    x = np.column_stack([np.ones(5), np.full(5, 2.0), np.arange(5.0)])
    with pytest.raises(NotDetermined) as error:
        fit(problem(x, np.arange(5.0)))
    assert error.value.names == ("b0", "b1")


def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="not finite"):
        fit(problem([[1.0], [1.0]], [1.0, np.nan]))
    with pytest.raises(ValueError, match="positive"):
        fit(problem([[1.0], [1.0]], [1.0, 2.0], variance=[1.0, 0.0]))
    with pytest.raises(ValueError, match="not positive definite"):
        fit(problem([[1.0], [1.0]], [1.0, 2.0], variance=[[1.0, 2.0], [2.0, 1.0]]))


@settings(max_examples=60, deadline=None)
@given(
    slope=st.floats(0.5, 2),
    start=st.floats(-200, 200),
    factor=st.floats(0.01, 100),
    seed=st.integers(0, 99),
)
def test_shift_and_scale_of_the_data_act_as_algebra_says(slope, start, factor, seed):
    rng = np.random.default_rng(seed)
    t = np.linspace(5.0, 100.0, 9)
    x = np.column_stack([np.ones(9), t])
    noise = rng.normal(size=9)
    base, other = fit(problem(x, noise)), fit(problem(x, factor * (start + slope * t + noise)))
    np.testing.assert_allclose(
        other.theta, factor * (base.theta + np.array([start, slope])), rtol=1e-7, atol=1e-7 * factor
    )
    np.testing.assert_allclose(other.covariance, factor**2 * base.covariance, rtol=1e-6)


def test_outlying_marks_the_planted_blunders_and_nothing_else():
    rng = np.random.default_rng(8)
    t = np.linspace(10, 100, 30)
    y = 0.05 + 1.002 * t + rng.normal(0, 0.02, 30)
    y[[4, 17, 29]] += [1.0, -0.4, 9.0]
    marked, _ = outlying(
        problem(np.column_stack([np.ones(30), t]), y, variance=np.full(30, 0.02**2))
    )
    assert list(np.flatnonzero(marked)) == [4, 17, 29]


def test_errors_in_both_coordinates():
    """Pearson's data with York's weights: slope, intercept and chi-square of York et al., Am. J. Phys.
    72 (2004) 367. The true abscissae are parameters beside slope and intercept; every step is linear."""
    x = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    wx = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
    wy = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    n = len(x)
    slope, true = -0.5, x.copy()
    for _ in range(60):
        design = np.zeros((2 * n, n + 2))
        design[:n, 2:] = np.eye(n)
        design[n:, 0], design[n:, 1] = 1.0, true
        design[n:, 2:] = slope * np.eye(n)
        problem = Problem(
            names=("intercept", "slope", *(f"x{i}" for i in range(n))),
            x=design,
            y=np.concatenate([x, y + slope * true]),
            variance=1 / np.concatenate([wx, wy]),
            prior_mean=np.zeros(n + 2),
            prior_sd=np.full(n + 2, np.inf),
        )
        result = fit(problem)
        slope, true = result["slope"].value, result.theta[2:]
    assert slope == pytest.approx(-0.480533407446, abs=1e-11)
    assert result["intercept"].value == pytest.approx(5.479910224, abs=1e-9)
    chi2 = float(np.sum(result.residuals**2 / problem.variance))
    assert chi2 == pytest.approx(11.866353194, abs=1e-8)
