"""Machine and material from a sheet: agreement with the fit, wrong parts by name."""

import math

import numpy as np
import pytest

from calib.fit.dimensions import fit_dimensions
from calib.interpret.scales import scales_of
from calib.interpret.solve import Context, solve_sheet
from calib.interpret.split import explain_split
from calib.model.drive import Drive
from calib.model.instrument import DEFAULTS
from patterns.filaments import filament
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.readkit import sheet

BELTS = {a: Drive(belt_pitch_mm=2.0, pulley_teeth=20) for a in "XY"}
GAUGE = get("step-gauge").piece({}, PrintSetup())
TRAVEL = get("carriage-travel").piece({}, PrintSetup())
PLA = Context(filament="PLA", drives=BELTS)


def scaled(x=0.997, y=0.997, z=1.0):
    return lambda f: f.nominal * {"X": x, "Y": y, "Z": z}[f.axis]


def test_the_calipers_scale_is_taken_out_as_if_it_were_known():
    """Fixing a parameter of a joint normal equals fitting with that parameter known."""
    from dataclasses import replace

    rng = np.random.default_rng(1)
    which = np.arange(len(GAUGE.features))
    value = np.array([f.nominal * 0.997 + rng.normal(0, 0.02) for f in GAUGE.features])
    solution = solve_sheet(
        sheet(GAUGE, lambda f: value[[g.id for g in GAUGE.features].index(f.id)])
    )
    error, covariance = scales_of(solution.findings[0].evidence)
    known = replace(DEFAULTS["caliper"], reach=1e9)
    direct = fit_dimensions(GAUGE.features, which, value, known).linear
    assert error[0] == pytest.approx(direct["scale_x"].value, abs=2e-7)
    assert math.sqrt(covariance[0, 0]) == pytest.approx(direct["scale_x"].u, rel=1e-3)
    assert np.isnan(error[2])


def test_what_one_sheet_says_adds_up():
    solution = solve_sheet(sheet(GAUGE, scaled()), PLA)
    error, covariance = scales_of(solution.findings[0].evidence)
    told = explain_split(error, covariance, BELTS, "PLA", part_c=20.0)
    size = told.size["X"]
    assert size.value == pytest.approx(-0.003, abs=2e-4)
    assert size.u < 0.35 * told.machine["X"].u
    shrink = told.shrinkage["XY"]
    assert told.machine["X"].value - shrink.value == pytest.approx(size.value, abs=1e-9)
    pla = filament("PLA")
    assert abs(shrink.value - 0.003) < pla.shrink_u_percent / 100
    steps = next(c for c in told.choices["X"] if c.name == "steps")
    assert steps.steps_per_mm == pytest.approx(80 / (1 + size.value))
    assert any("% of that from the readings" in line for line in told.lines)


def test_travel_settles_it():
    printed = np.array([-0.002, -0.002, np.nan]), np.eye(3) * 2e-4**2
    moved = np.array([0.0015, 0.0015, np.nan]), np.eye(3) * 2e-4**2
    alone = explain_split(*printed, BELTS, "PLA")
    both = explain_split(*printed, BELTS, "PLA", travel=moved)
    assert both.machine["X"].u < 0.25 * alone.machine["X"].u
    assert both.machine["X"].value == pytest.approx(0.0015, abs=1e-4)
    assert both.shrinkage["XY"].value == pytest.approx(0.0035, abs=3e-4)


@pytest.mark.parametrize(
    ("ratio", "part"),
    [
        (0.8 * 0.997, "a pulley of 16 teeth, not 20"),
        (0.5 * 0.997, "a driver at 1/32 microsteps, not 1/16"),
    ],
)
def test_a_wrong_part_is_named_by_solve_and_not_scaled_away(ratio, part):
    solution = solve_sheet(sheet(GAUGE, scaled(x=ratio)), PLA)
    assert part in solution.findings[0].summary[0]
    found = {c.setting: c for c in solution.corrections}
    assert "scale_x_percent" not in found
    assert found["steps_x_per_mm"].new == pytest.approx(80 / (0.8 if ratio > 0.6 else 0.5))
    assert "scale_y_percent" in found


def test_a_wrong_lead_shows_in_travel():
    drives = {"Z": Drive(screw_lead_mm=8.0)}
    solution = solve_sheet(sheet(TRAVEL, scaled(1, 1, 0.25)), Context(drives=drives))
    assert "a screw with a lead of 2 mm, not 8 mm" in solution.findings[0].summary[0]


def test_a_wrong_setting_is_said_by_its_steps():
    """Steps of 84 where the mechanics give 80 print 5 % large: no part is wrong."""
    told = explain_split(
        np.array([0.05 - 0.003, np.nan, np.nan]),
        np.eye(3) * 3e-4**2,
        BELTS,
        "PLA",
        steps={"X": 84.0},
    )
    assert not told.faults
    assert told.machine["X"].value == pytest.approx(0.05, abs=2e-3)
    steps = next(c for c in told.choices["X"] if c.name == "both")
    assert steps.steps_per_mm == pytest.approx(80, rel=2e-3)


def test_warm_pieces_are_referred_to_20_c():
    """68e-6 per K of plastic, 11.5e-6 of a steel caliper: at 35 C a piece reads 0.085 % larger.

    Sizes hold at 20 C (ISO 1); the expansions are handbook values.
    """
    from dataclasses import replace

    cold = replace(sheet(GAUGE, scaled(0.997, 0.997)), part_c=20.0)
    grown = 0.997 * 1.00102 / (1 + 15 * 11.5e-6)
    warm = replace(sheet(GAUGE, scaled(grown, grown)), part_c=35.0)
    a, b = (
        {c.setting: c for c in solve_sheet(s, PLA).corrections}["scale_x_percent"]
        for s in (cold, warm)
    )
    assert b.new == pytest.approx(a.new, abs=2e-3)
    assert b.u_new > a.u_new
    why = " ".join(solve_sheet(warm, PLA).findings[0].why)
    assert "+0.085 % of the size is warmth" in why


@pytest.mark.parametrize("steps", [80.0, 81.0])
def test_prints_before_and_after_a_change_of_steps_agree(steps):
    """The machine's error is told at the mechanics' steps/mm, whatever was set when printing."""
    error = np.array([steps / 80 * (1 + 0.001) * (1 - 0.003) - 1, np.nan, np.nan])
    told = explain_split(error, np.eye(3) * 2e-4**2, BELTS, "PLA", steps={"X": steps}, part_c=20.0)
    size = told.size["X"]
    assert (1 + size.value) * 80 / steps - 1 == pytest.approx(-0.002, abs=1e-4)
