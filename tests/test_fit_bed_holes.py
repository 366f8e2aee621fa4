"""Bed and holes against hand-worked planes, threads of ISO 261, statsmodels and simulation."""

import numpy as np
import pytest
import statsmodels.api as sm

from calib.fit.bed import PATCH, PITCHES_MM, Screw, fit_bed, turns
from calib.fit.holes import fit_holes
from calib.fit.linear import NotDetermined
from tests.simulate_fits import coverage
from tests.simulate_rest import bed, holes

U = np.full(9, 0.01)
BED_X, BED_Y = (a.ravel() for a in np.meshgrid([30.0, 110.0, 190.0], [30.0, 110.0, 190.0]))
DRAWN = np.repeat([3.0, 4, 5, 6, 8, 10, 15, 20], 2)
ALONG = np.tile([1.0, -1.0], 8)


@pytest.mark.parametrize(("thread", "degrees"), [("M3", 72.0), ("M4", 51.4), ("M5", 45.0)])
def test_a_tenth_of_a_millimetre_in_degrees(thread, degrees):
    """ISO 261 coarse pitches 0.5, 0.7, 0.8 mm: 0.10 mm needs 72.0, 51.4, 45.0 degrees."""
    # The plane rises by 0.2 mm over the 160 mm between the outer patches: 0.1 mm from the middle.
    result = fit_bed(BED_X, BED_Y, 0.2 + (BED_X - 110) * 0.1 / 80, U, 0.01)
    screw = Screw(name="right", x_mm=190, y_mm=110, pitch_mm=PITCHES_MM[thread])
    (turn,) = turns(result, [screw])
    assert turn.raise_mm.value == pytest.approx(0.1)
    assert turn.turns.value * 360 == pytest.approx(degrees, abs=0.05)
    assert "loosen" in turn.words


def test_thicker_means_the_bed_is_low_there():
    result = fit_bed(BED_X, BED_Y, 0.3 - (BED_Y - 110) * 0.001, U, 0.01)
    front = Screw(name="front", x_mm=110, y_mm=20, pitch_mm=0.7)
    back = Screw(name="back", x_mm=110, y_mm=200, pitch_mm=0.7)
    a, b = turns(result, [front, back])
    assert a.raise_mm.value == pytest.approx(0.09)
    assert b.turns.value == pytest.approx(-0.09 / 0.7)
    assert "tighten" in b.words


def test_plane_against_statsmodels():
    rng = np.random.default_rng(1)
    thick = 0.25 + 3e-4 * BED_X - 5e-4 * BED_Y + rng.normal(0, 0.05, 9)
    result = fit_bed(BED_X, BED_Y, thick, np.full(9, 1e-6), 1e-6)
    x = np.column_stack([np.ones(9), BED_X - 110, BED_Y - 110])
    theirs = sm.OLS(thick, x).fit()
    np.testing.assert_allclose(result.fit.theta[:3], theirs.params, rtol=1e-6)
    # Theirs takes the scatter from the residuals alone; here what is known beforehand weighs in. So
    # their residual sum of squares and their (X'X)^-1, with the scatter's expected variance by a fine sum
    # over the scatter (the log-normal weight times the scatter itself).
    z = np.linspace(-4, 4, 4001)
    variance = (PATCH.typical * np.exp(PATCH.log_sd * z)) ** 2
    weight = np.exp(-0.5 * (z**2 + theirs.ssr / variance)) * variance ** (0.5 - theirs.df_resid / 2)
    expected = float(weight @ variance / weight.sum())
    u = np.sqrt(expected * np.diag(theirs.normalized_cov_params)[1:])
    ours = [result.fit["slope_x"].u, result.fit["slope_y"].u]
    np.testing.assert_allclose(ours, u, rtol=0.01)


def test_the_calipers_zero_leaves_the_tilt_alone():
    thick = 0.2 + (BED_X - 110) * 1e-3
    right = Screw(name="r", x_mm=190, y_mm=110, pitch_mm=0.5)
    plain, shifted = (fit_bed(BED_X, BED_Y, thick + z, U, 0.02) for z in (0.0, 0.03))
    assert shifted.tilt(right).value == pytest.approx(plain.tilt(right).value)
    assert plain.height_at(110, 110).u > 0.02


def test_a_bowl_is_not_for_screws_to_mend():
    r2 = ((BED_X - 110) ** 2 + (BED_Y - 110) ** 2) / (2 * 80**2)
    result = fit_bed(BED_X, BED_Y, 0.2 + 0.3 * (1 - r2), U, 0.01)
    assert result.levelling_is_enough is False
    assert result.bow.value == pytest.approx(0.3)
    flat = fit_bed(BED_X, BED_Y, 0.2 + 1e-3 * BED_X, U, 0.01)
    assert flat.levelling_is_enough is True
    assert flat.warp_range_mm.value == pytest.approx(0, abs=1e-9)


def test_patches_on_a_line_fix_no_plane():
    with pytest.raises(NotDetermined):
        fit_bed(np.array([10.0, 50, 90]), np.array([10.0, 50, 90]), np.ones(3), U[:3], 0.01)


def test_holes_that_are_all_too_small_alike():
    """Hand-worked: 0.20 mm too small in X, 0.10 in Y: draw 0.15 larger; X is 0.10 smaller than Y."""
    read = DRAWN - 0.15 - 0.05 * ALONG
    found = fit_holes(DRAWN, read, np.full(16, 0.01), ALONG, 0.01)
    assert found.oversize(6.0).value == pytest.approx(0.15, abs=1e-3)
    assert found.x_less_y.value == pytest.approx(-0.10, abs=1e-3)
    assert found.draw(6.0).value == pytest.approx(6.15, abs=2e-3)


def test_small_holes_shrink_more():
    truth = lambda d: 0.08 + 0.3 / d  # noqa: E731 - the law in one line
    read = DRAWN - truth(DRAWN)
    found = fit_holes(DRAWN, read, np.full(16, 0.01), ALONG, 0.005)
    for d in (3.0, 5.0, 12.0):
        assert abs(found.oversize(d).value - truth(d)) < found.oversize(d).expanded() < 0.08
    drawn = found.draw(4.0).value
    assert drawn - found.oversize(drawn).value == pytest.approx(4.0, abs=1e-6)


def test_one_axis_alone_says_nothing_of_x_against_y():
    assert fit_holes(DRAWN, DRAWN - 0.1, np.full(16, 0.01), np.ones(16), 0.01).x_less_y is None


@pytest.mark.parametrize("draw", [bed, holes])
def test_coverage_in_a_world_that_shares_nothing_with_the_fit(draw):
    # 95 % of 400 draws has a standard deviation of 1.1 %; the bound below is three of them wide. A warp
    # that does not tilt the bed counts as scatter of its tilt, which is therefore covered more often.
    rates = coverage(draw, 400, seed=3)
    assert all(rate > 0.917 for rate in rates.values()), rates
    assert draw is bed or all(rate < 0.988 for rate in rates.values()), rates
