"""Flow against hand-worked cross-sections, JCGM 100's rules and simulated prints."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from calib.fit.bead import area_mm2, filament_area_mm2, width_mm
from calib.fit.flow import (
    SECTION_U,
    Block,
    FlowData,
    Roll,
    Wall,
    fit_flow,
    roll,
    wall_ratios,
)
from tests.simulate_fits import coverage
from tests.simulate_rest import box_block_filament, small_piece


# Plain geometry worked by hand: A = h (w - h) + pi h^2 / 4, filament area pi d^2 / 4.
@pytest.mark.parametrize(
    ("w", "h", "area", "filament_per_mm", "over_rectangle", "mm3_s_at_60"),
    [
        (0.45, 0.20, 0.081416, 0.033849, 0.90462, 4.8850),
        (0.42, 0.20, 0.075416, 0.031354, 0.89781, 4.5250),
        (0.40, 0.20, 0.071416, 0.029691, 0.89270, 4.2850),
        (0.60, 0.30, 0.160686, 0.066805, 0.89270, 9.6412),
        (0.45, 0.30, 0.115686, 0.048097, 0.85693, 6.9412),
    ],
)
def test_hand_worked_cross_sections(w, h, area, filament_per_mm, over_rectangle, mm3_s_at_60):
    got = area_mm2(w, h)
    assert got == pytest.approx(area, abs=6e-7)
    assert got / filament_area_mm2(1.75) == pytest.approx(filament_per_mm, abs=6e-7)
    assert got / (w * h) == pytest.approx(over_rectangle, abs=6e-6)
    assert got * 60 == pytest.approx(mm3_s_at_60, abs=6e-5)
    assert width_mm(got, h) == pytest.approx(w, abs=1e-12)


def test_filament_areas():
    assert filament_area_mm2(1.75) == pytest.approx(2.405282, abs=5e-7)
    assert filament_area_mm2(2.85) == pytest.approx(6.379397, abs=5e-7)


def test_a_line_higher_than_wide_is_refused():
    with pytest.raises(ValueError, match="rounded rectangle"):
        area_mm2(0.2, 0.3)


@given(w=st.floats(0.2, 2.0), share=st.floats(0.05, 1.0))
def test_width_undoes_area(w, share):
    assert width_mm(area_mm2(w, share * w), share * w) == pytest.approx(w, rel=1e-12)


def test_area_ratio_is_further_from_one_than_the_width_ratio():
    wall = [Wall(name="w", read_mm=0.48, nominal_mm=0.45, u_mm=0.01)]
    area, width = wall_ratios(wall, 0.2)
    assert area == pytest.approx((0.48 - 0.0429204) / (0.45 - 0.0429204), rel=1e-6)
    assert area > width == pytest.approx(0.48 / 0.45)


def test_mass_alone_is_the_ratio_with_the_uncertainties_in_quadrature():
    """JCGM 100, 5.1.6: relative variances of a quotient add."""
    block = Block(name="block", mass_g=9.70, asked_mm3=8000.0, u_g=0.03, u_volume=0.002)
    data = FlowData(
        layer_mm=0.2,
        set_filament_mm=1.75,
        blocks=[block],
        density_g_cm3=1.25,
        u_density=0.01,
        u_balance_g=0.05,
    )
    flow = fit_flow(data).flow
    assert flow.value == pytest.approx(0.97, rel=1e-9)
    relative = math.hypot(0.01 * 0.97, 0.05 / 10, 0.03 / 10, 0.002)
    assert flow.u == pytest.approx(relative, rel=1e-6)
    assert flow.dof == math.inf


def test_the_roll():
    """Hand-worked: places 1.74/1.76 and 1.72/1.74, a NaN where a direction is missing."""
    r = roll(np.array([[1.74, 1.76], [1.72, 1.74], [1.73, np.nan]]), 0.01)
    assert r.mean_mm == pytest.approx((1.75 + 1.73 + 1.73) / 3)
    assert r.ovality_mm == pytest.approx(0.02)
    assert r.spread_mm == pytest.approx(0.02)
    areas = [1.74 * 1.76, 1.72 * 1.74, 1.73**2]
    assert r.effective_mm == pytest.approx(math.sqrt(sum(areas) / 3), rel=1e-12)
    assert r.u_mm == pytest.approx(np.std([1.75, 1.73, 1.73], ddof=1) / math.sqrt(3))


def test_independent_sorts_combine_by_inverse_variance():
    """With no shared term the combination is the weighted mean (PDG and JCGM 100 agree)."""
    block = Block(name="b", mass_g=9.8, asked_mm3=8000.0, u_g=0.1)
    r = Roll(mean_mm=1.75, u_mm=0.01, ovality_mm=0, spread_mm=0, effective_mm=1.75, places=5)
    data = FlowData(
        layer_mm=0.2,
        set_filament_mm=1.75,
        blocks=[block],
        roll=r,
        density_g_cm3=1.25,
        u_density=1e-6,
        u_balance_g=1e-6,
        u_zero_mm=1e-6,
        u_feed=0.02,
    )
    result = fit_flow(data)
    u1, u2 = 0.1 / 10, math.hypot(0.02, 2 * 0.01 / 1.75)
    w1, w2 = u1**-2, u2**-2
    assert result.flow.value == pytest.approx((0.98 * w1 + 1.0 * w2) / (w1 + w2), rel=1e-5)
    assert result.flow.u == pytest.approx((w1 + w2) ** -0.5, rel=1e-5)
    z = 0.02 / math.hypot(u1, u2)
    assert result.chi2 == pytest.approx(z**2, rel=1e-3)
    assert result.p_agree == pytest.approx(stats.chi2.sf(z**2, 1), rel=1e-3)


def test_a_common_zero_does_not_average_out():
    walls = [Wall(name=str(i), read_mm=0.45, nominal_mm=0.45, u_mm=0.01) for i in range(400)]
    flow = fit_flow(FlowData(layer_mm=0.2, set_filament_mm=1.75, walls=walls)).flow
    floor = math.hypot(0.0173, SECTION_U * 0.0429204) / (0.45 - 0.0429204)
    assert flow.u == pytest.approx(floor, rel=0.01)


def test_walls_of_several_thicknesses_tell_the_zero_from_the_flow():
    walls = [
        Wall(
            name=f"{n}-{i}",
            read_mm=0.03 + 0.9 * (n - 0.0429204) + 0.0429204,
            nominal_mm=n,
            u_mm=0.005,
        )
        for n in (0.45, 0.86, 1.67)
        for i in range(8)
    ]
    result = fit_flow(FlowData(layer_mm=0.2, set_filament_mm=1.75, walls=walls))
    assert abs(result.flow.value - 0.9) < 2 * result.flow.u < 0.02


def test_lines_side_by_side_hide_some_of_the_flow():
    """Two lines: the wall grows by half to all of what a fused one would, so it tells less."""
    c = 0.2 * (1 - math.pi / 4)
    grown = 0.9 + 0.75 * 0.1 * (0.9 - c)

    def flow(lines, read):
        walls = [
            Wall(name=str(i), read_mm=read, nominal_mm=0.9, u_mm=0.005, lines=lines)
            for i in range(12)
        ]
        return fit_flow(
            FlowData(layer_mm=0.2, set_filament_mm=1.75, walls=walls, u_zero_mm=0.003)
        ).flow

    one, two = flow(1, 0.9 + 0.1 * (0.9 - c)), flow(2, grown)
    assert one.value == pytest.approx(1.1, abs=1e-6)
    assert two.value == pytest.approx(1.1, abs=1e-3)
    assert two.u > 1.5 * one.u


def test_the_sort_that_lies_apart_is_named():
    walls = [Wall(name=str(i), read_mm=0.55, nominal_mm=0.45, u_mm=0.01) for i in range(8)]
    block = Block(name="b", mass_g=25.0, asked_mm3=20000.0, u_g=0.03)
    r = Roll(mean_mm=1.75, u_mm=0.003, ovality_mm=0, spread_mm=0, effective_mm=1.75, places=5)
    data = FlowData(
        layer_mm=0.2,
        set_filament_mm=1.75,
        walls=walls,
        blocks=[block],
        roll=r,
        density_g_cm3=1.25,
        u_zero_mm=0.005,
    )
    result = fit_flow(data)
    assert result.p_agree < 1e-4
    assert max(result.pulls, key=lambda k: abs(result.pulls[k])) == "walls"
    assert result.pulls["walls"] > 4


@pytest.mark.parametrize("draw", [small_piece, box_block_filament])
def test_coverage_in_a_world_that_shares_nothing_with_the_fit(draw):
    # 95 % of 150 has a standard deviation of 1.8 %; the bound is three of them wide.
    rates = coverage(draw, 150, seed=5)
    assert all(rate >= 0.896 for rate in rates.values()), rates
