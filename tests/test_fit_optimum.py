"""Desirability and Gaussian processes against published examples, plain algebra and simulation."""

import itertools

import numpy as np
import pytest
from scipy.optimize import minimize

from calib.fit.linear import Problem, fit
from calib.fit.optimum import (
    Response,
    Wish,
    desirability,
    find_optimum,
    further_range,
    overall,
)
from tests.simulate_fits import TEMPS, coverage, tower, tower_scores

# Derringer and Suich, J. Quality Technology 12 (1980) 214-219: tyre treads, 20 runs of a central
# composite design (the data set as a public statistics package gives it).
A = 1.633
SIGNS = ["--+", "+--", "-+-", "+++", "---", "+-+", "-++", "++-"]
CORNERS = [[1.0 if c == "+" else -1.0 for c in s] for s in SIGNS]
STARS = [[A * sign if i == k else 0.0 for i in range(3)] for k in range(3) for sign in (-1, 1)]
RUNS = np.array([*CORNERS, *STARS, *[[0.0] * 3] * 6])
Y = np.array(
    [
        [102, 120, 117, 198, 103, 132, 132, 139, 102, 154, 96, 163, 116, 153, 133, 133, 140, 142, 145, 142],
        [900, 860, 800, 2294, 490, 1289, 1270, 1090, 770, 1690, 700, 1540, 2184, 1784, 1300, 1300, 1145, 1090, 1260, 1344],
        [470, 410, 570, 240, 640, 270, 410, 380, 590, 260, 520, 380, 520, 290, 380, 380, 430, 430, 390, 390],
        [67.5, 65, 77.5, 74.5, 62.5, 67, 78, 70, 76, 70, 63, 75, 65, 71, 70, 68.5, 68, 68, 69, 70],
    ]
)  # fmt: skip
WISHES = (
    Wish(sort="larger", low=120, high=170),
    Wish(sort="larger", low=1000, high=1300),
    Wish(sort="target", low=400, target=500, high=600),
    Wish(sort="target", low=60, target=67.5, high=75),
)


def quadratic(x):
    x = np.atleast_2d(x)
    pairs = [x[:, i] * x[:, j] for i, j in itertools.combinations(range(3), 2)]
    return np.column_stack([np.ones(len(x)), x, x**2, *pairs])


def tyre_fits():
    x = quadratic(RUNS)
    names = tuple(str(i) for i in range(10))
    free = np.full(10, np.inf)
    return [
        fit(Problem(names=names, x=x, y=y, variance=np.ones(20), prior_mean=np.zeros(10), prior_sd=free, noise_dof=0.0))
        for y in Y.astype(float)
    ]  # fmt: skip


def test_tyre_treads_quadratic_fits():
    fits = tyre_fits()
    published = [139.12, 16.49, 17.88, 10.91, -4.01, -3.45, -1.57, 5.12, 7.13, 7.88]
    np.testing.assert_allclose(fits[0].theta, published, atol=0.006)
    for got, sd, digits in zip(fits, [5.611, 328.69, 20.549, 1.267], [3, 2, 3, 3], strict=True):
        assert round(got.noise_scale, digits) == sd


def test_tyre_treads_best_desirability():
    """The paper's optimum: D = 0.583 at (-0.050, 0.145, -0.868)."""
    fits = tyre_fits()

    def joint(x):
        y = [float((quadratic(x) @ f.theta)[0]) for f in fits]
        return float(overall([desirability(v, w) for v, w in zip(y, WISHES, strict=True)]))

    assert joint([-0.050, 0.145, -0.868]) == pytest.approx(0.583263, abs=2e-5)
    best = minimize(
        lambda x: -joint(x), [-0.05, 0.15, -0.87], method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-9},
    )  # fmt: skip
    assert -best.fun == pytest.approx(0.583271, abs=1e-4)
    np.testing.assert_allclose(best.x, [-0.0525, 0.1480, -0.8684], atol=0.02)


def test_small_desirabilities_by_hand():
    assert desirability(130, Wish(sort="larger", low=120, high=170)) == pytest.approx(0.2)
    assert desirability(130, Wish(sort="larger", low=120, high=170, s=2)) == pytest.approx(0.04)
    assert desirability(1150, Wish(sort="larger", low=1000, high=1300)) == pytest.approx(0.5)
    assert desirability(520, WISHES[2]) == pytest.approx(0.8)
    assert desirability(0.25, Wish(sort="smaller", low=0.0, high=1.0)) == pytest.approx(0.75)
    parts = [np.array(0.2), np.array(0.5), np.array(0.8)]
    assert overall(parts) == pytest.approx(0.43088694)
    assert overall([*parts, np.array(0.0)]) == 0
    assert overall(parts, [1, 0, 0]) == pytest.approx(0.2)


def test_a_curve_is_the_average_over_kernels_by_hand():
    """Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), algorithm 2.1, in plain algebra.

    The average over lengths, heights and noises is a mixture of their posteriors by their evidence.
    """
    rng = np.random.default_rng(1)
    x = np.linspace(190.0, 230.0, 9)
    y = 5 - ((x - 212) / 12) ** 2 + 0.3 * rng.normal(size=9)
    found = find_optimum([Response(name="y", x=x, y=y, u=0.4)], "degC", "t")
    z, scatter = y - y.mean(), max(y.std(), 0.4)
    means, variances, evidence = [], [], []
    for length in (0.2, 0.3, 0.45, 0.7, 1.0, 1.5):
        for height in (0.7, 1.2, 2.0, 3.5):
            for noise in (0.7, 1.0, 1.4):

                def k(a, b, length=length, height=height):
                    far = np.subtract.outer(a, b) / (40 * length)
                    return (height * scatter) ** 2 * np.exp(-0.5 * far**2)

                inner = k(x, x) + (0.4 * noise) ** 2 * np.eye(9)
                gain = np.linalg.solve(inner, k(x, found.at)).T
                means.append(y.mean() + gain @ z)
                variances.append(np.diag(k(found.at, found.at) - gain @ k(x, found.at)))
                evidence.append(
                    -0.5 * z @ np.linalg.solve(inner, z) - 0.5 * np.linalg.slogdet(inner)[1]
                )
    w = np.exp(np.array(evidence) - max(evidence))
    w /= w.sum()
    mean = w @ np.array(means)
    sd = np.sqrt(w @ (np.array(variances) + (np.array(means) - mean) ** 2))
    np.testing.assert_allclose(found.curves["y"][:, 0], mean, atol=4 * sd.max() / 2000**0.5)
    width = found.curves["y"][:, 2] - found.curves["y"][:, 1]
    np.testing.assert_allclose(width, 2 * 1.96 * sd, rtol=0.15)


def test_a_best_inside_the_range():
    rng = np.random.default_rng(2)
    responses = [
        Response(name="bridge", x=TEMPS, y=tower_scores(205, rng), u=0.76),
        Response(name="wall", x=TEMPS, y=tower_scores(220, rng), u=0.76),
    ]
    result = find_optimum(responses, "degC", "hot_end_c")
    assert result.best.low < 212.5 < result.best.high
    assert result.plateau[0] < 212 < result.plateau[1]
    assert result.p_high_end < 0.1
    assert further_range(result, (190, 235), 150, 250) is None


def test_weights_move_the_best():
    rng = np.random.default_rng(3)
    bridge, wall = tower_scores(200, rng), tower_scores(225, rng)

    def best(weight):
        return find_optimum(
            [
                Response(name="bridge", x=TEMPS, y=bridge, u=0.76, weight=weight),
                Response(name="wall", x=TEMPS, y=wall, u=0.76),
            ],
            "degC",
            "hot_end_c",
        ).best.estimate.value

    assert best(4.0) < best(1.0) < best(0.25)


def test_the_end_of_the_range_asks_for_more_but_not_past_the_limit():
    y = 2 + 7 * (TEMPS - 190) / 45
    result = find_optimum([Response(name="wall", x=TEMPS, y=y, u=0.76)], "degC", "hot_end_c")
    assert result.p_high_end > 0.5
    low, high = further_range(result, (190, 235), 150, 250)
    assert 190 < low < 235 < high == 250
    assert further_range(result, (190, 235), 150, 235) is None
    mirrored = find_optimum(
        [Response(name="w", x=TEMPS, y=y[::-1].copy(), u=0.76)], "degC", "hot_end_c"
    )
    low, high = further_range(mirrored, (190, 235), 150, 250)
    assert 150 <= low < 190 < high


def test_smaller_is_better_for_measured_sag():
    sag = 0.02 + ((TEMPS - 210) / 40) ** 2
    wish = Wish(sort="smaller", low=0.0, high=0.5)
    result = find_optimum(
        [Response(name="sag", x=TEMPS, y=sag, u=0.02, wish=wish)], "degC", "hot_end_c"
    )
    assert result.best.estimate.value == pytest.approx(210, abs=3)


def test_none_is_best_and_the_least_of_much_is_better():
    """Half at the stated amount, a third at twice it; by hand."""
    wish = Wish(sort="none", low=1.0, high=5.0)
    assert desirability([0, 1, 5, 9, 13], wish) == pytest.approx([1, 1, 1 / 2, 1 / 3, 1 / 4])
    x = np.arange(190.0, 235.0, 5.0)
    bad = 50.0 + 0.05 * (x - 200) ** 2  # far past what a cut at the worthless end would tell apart
    found = find_optimum([Response(name="y", x=x, y=bad, u=0.5, wish=wish)], "degC", "t")
    assert found.best.estimate.value == pytest.approx(200, abs=3)


def test_an_uncertain_value_pulls_less():
    x = np.arange(190.0, 235.0, 5.0)
    y = 0.02 * (x - 210) ** 2
    y[-1] = -8.0
    wish = Wish(sort="none", low=-20.0, high=10.0)
    for u, best in ((0.5, 230.0), (np.where(x == 230, 30.0, 0.5), 210.0)):
        found = find_optimum([Response(name="y", x=x, y=y, u=u, wish=wish)], "degC", "t")
        assert found.best.estimate.value == pytest.approx(best, abs=4)


def test_two_settings_are_not_enough():
    with pytest.raises(ValueError, match="at least three"):
        find_optimum([Response(name="a", x=TEMPS[:2], y=TEMPS[:2], u=1.0)], "degC", "hot_end_c")


def test_coverage():
    """`python -m bench.fits` runs a thousand; three standard deviations of 25 draws below 95 %."""
    assert coverage(tower, 25, seed=6)["best temperature"] >= 0.82
