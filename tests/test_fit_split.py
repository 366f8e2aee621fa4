"""The split of machine and material against hand-worked cases and simulation; wrong parts by name."""

import math

import numpy as np
import pytest

from calib.fit.mechanics import BELT_U, find_faults, mechanics_u
from calib.fit.split import PRINT_SD, SPOOL_SD, Errors, Priors, size, split
from calib.fit.warmth import refer_to_20c
from calib.model.drive import Drive
from calib.model.estimate import Estimate
from tests.simulate_fits import coverage
from tests.simulate_rest import machine_and_material

NOTHING = np.full(3, np.nan)


def along_x(error, u):
    """Read along X alone."""
    return Errors(np.array([error, np.nan, np.nan]), np.eye(3) * u**2)


def known(machine_sd=0.0015, shrinkage_sd=0.0015):
    return Priors(
        machine_sd=np.full(3, machine_sd),
        shrinkage=0.003,
        shrinkage_sd=shrinkage_sd,
        instrument_sd=1e-7,
    )


def test_one_print_by_hand():
    """Prior size error -0.003 +- hypot(a, b); the reading moves machine and material by their share."""
    a, b, u = 0.0015, math.hypot(0.001, SPOOL_SD), math.hypot(0.0005, PRINT_SD)
    result = split(along_x(-0.001, 0.0005), known(a, 0.001))
    total = a**2 + b**2 + u**2
    machine, shrink = result["machine_x"], result["shrinkage_xy"]
    assert machine.value == pytest.approx(a**2 / total * 0.002, rel=5e-6)
    assert machine.u == pytest.approx(a * math.sqrt(1 - a**2 / total), rel=5e-6)
    assert shrink.value == pytest.approx(0.003 - b**2 / total * 0.002, rel=5e-6)
    assert machine.from_data == pytest.approx(a**2 / total, rel=5e-6)
    both = size(result, "X")
    assert both.value == pytest.approx(-0.003 + (a**2 + b**2) / total * 0.002, rel=5e-6)
    assert both.u == pytest.approx(u * math.sqrt((a**2 + b**2) / total), rel=5e-6)
    # Nothing was read along Z: what is known of it is the prior.
    assert result["machine_z"].u == pytest.approx(a)
    assert result["machine_z"].from_data == pytest.approx(0, abs=1e-9)


def test_a_sheet_of_which_nothing_can_be_used_leaves_what_was_known():
    result = split(Errors(NOTHING, np.eye(3)), known(), Errors(NOTHING, np.eye(3)))
    assert result["machine_x"].u == pytest.approx(0.0015)
    assert size(result, "Z").value == pytest.approx(-0.003)


def test_travel_is_what_identifies_the_machine():
    printed = along_x(-0.002, 0.0003)
    before, after = split(printed, known()), split(printed, known(), along_x(0.001, 0.00015))
    assert before["machine_x"].u > 0.001
    assert after["machine_x"].u < 0.0002
    assert after["machine_x"].value == pytest.approx(0.001, abs=1e-4)
    assert after["shrinkage_xy"].value == pytest.approx(0.003, abs=3e-4)
    assert after["machine_x"].from_data > 0.98 > before["machine_x"].from_data


def test_coverage_in_a_world_that_shares_nothing_with_the_fit():
    # 95 % of 400 draws has a standard deviation of 1.1 %; the bounds are three of them wide.
    rates = coverage(machine_and_material, 400, seed=11)
    assert all(0.917 < rate < 0.988 for rate in rates.values()), rates


def test_a_wrong_prior_costs_coverage_of_the_parts():
    """Materials that shrink 0.8 % more than the table's range spoil the split, and we know it."""
    draw = lambda rng: machine_and_material(rng, material_off=0.008)  # noqa: E731
    rates = coverage(draw, 150, seed=12)
    assert rates["shrinkage"] < 0.8
    assert rates["size, their difference"] > 0.9


def test_temperature_reference():
    """100 mm of 68e-6 per K is 100.068 mm at 30 C (hand-worked; ISO 1 refers to 20 C).

    A steel caliper as warm (11.5e-6 per K) shows it as 100.0565 mm.
    """
    at20, u = refer_to_20c([0.000565, 0.0], 68e-6, 30.0, u_part_k=1.0)
    assert at20[0] == pytest.approx(0, abs=1e-7)
    assert at20[1] == pytest.approx(-0.000565 / 1.000565, rel=1e-4)
    assert u == pytest.approx(math.hypot(56.5e-6, 0.2 * 68e-5))


SCREW = Drive(screw_lead_mm=8.0)
BELT = Drive(belt_pitch_mm=2.0, pulley_teeth=20)


@pytest.mark.parametrize(
    ("ratio", "drive", "words", "steps"),
    [
        # 1.8 degrees, 1/16, belt of 2 mm: 16 teeth give 100 steps/mm, 20 give 80 (hand-worked).
        (0.798, BELT, "a pulley of 16 teeth, not 20", 100.0),
        (1.249, Drive(belt_pitch_mm=2.0, pulley_teeth=16), "a pulley of 20 teeth, not 16", 80.0),
        (0.499, BELT, "a driver at 1/32 microsteps, not 1/16", 160.0),
        (0.499, BELT, "a motor of 0.9 degrees a step, not 1.8", 160.0),
        (1.0155, BELT, "a belt of 2.032 mm pitch, not 2 mm", 80 / 1.016),
        (0.5, Drive(screw_lead_mm=8.0), "a screw with a lead of 4 mm, not 8 mm", 800.0),
        (0.2495, Drive(screw_lead_mm=8.0), "a screw with a lead of 2 mm, not 8 mm", 1600.0),
        (0.798, None, "a pulley of 16 teeth where 20 are assumed", None),
    ],
)
def test_wrong_parts_are_named(ratio, drive, words, steps):
    u_sound = math.hypot(mechanics_u(drive) if drive else 0.002, 0.0015)
    found = find_faults(Estimate(name="r", value=ratio, u=0.0003), drive, u_sound)
    assert words in [f.words for f in found]
    if steps:
        match = next(f for f in found if f.words == words)
        assert match.steps_per_mm == pytest.approx(steps)


@pytest.mark.parametrize("ratio", [1.0, 0.996, 1.004, 0.97, 1.05])
def test_ordinary_errors_are_not_called_wrong_parts(ratio):
    estimate = Estimate(name="r", value=ratio, u=0.0003)
    assert find_faults(estimate, BELT, math.hypot(BELT_U, 0.0015)) == ()


@pytest.mark.parametrize("off", [-0.009, -0.005, 0.003, 0.006])
@pytest.mark.parametrize(
    ("ratio", "drive", "words"),
    [(0.5, BELT, "0.9 degrees"), (0.8, BELT, "16 teeth"), (0.5, SCREW, "lead of 4 mm")],
)
def test_large_faults_are_named_beside_a_machine_error_and_unknown_shrinkage(
    off, ratio, drive, words
):
    estimate = Estimate(name="r", value=ratio * (1 + off), u=0.0003)
    found = find_faults(estimate, drive, math.hypot(mechanics_u(drive), 0.003), printed=True)
    assert any(words in f.words for f in found)


@pytest.mark.parametrize("value", [1.012, 1.0155, 1.016])
def test_small_ratios_are_not_named_from_prints(value):
    estimate = Estimate(name="r", value=value, u=0.0003)
    assert find_faults(estimate, BELT, math.hypot(BELT_U, 0.003), printed=True) == ()
    at_once = find_faults(estimate, BELT, BELT_U)
    assert bool(at_once) is (value > 1.015)  # 1.2 % is no belt of 2.032 mm, not by travel either


def test_a_vague_ratio_names_nothing():
    vague = Estimate(name="r", value=0.8, u=0.08)
    assert find_faults(vague, BELT, 0.002) == ()


def test_a_wrong_setting_is_not_a_wrong_part():
    """Steps set to 100 where the mechanics give 80 explain a ratio of 1.25 by themselves."""
    estimate = Estimate(name="r", value=1.25, u=0.0003)
    assert find_faults(estimate, BELT, 0.002, set_over_mechanical=100 / 80) == ()
