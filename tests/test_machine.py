"""Machine or material on one sheet: what one error says of each, and wrong parts called by name."""

from dataclasses import replace

import numpy as np
import pytest

from bench.coverage import default_piece, read_by_hand, sheet_of
from calib.interpret.machine import advice, explained
from calib.interpret.solve import Context, solve_sheet
from calib.model.drive import Drive
from calib.model.estimate import Estimate
from calib.model.instrument import DEFAULTS
from tests.simulate_world import REAL, printed

BELT = Drive(belt_pitch_mm=2, pulley_teeth=20)
SCREW = Drive(screw_lead_mm=8)
NOW = {"steps_x_per_mm": 80.0, "steps_z_per_mm": 400.0}


def travel(value, u=1e-4):
    return Estimate(name="travel", value=value, u=u, unit="")


def split(axis, value, context, u=1e-4):
    evidence = {
        "parameters": [f"scale_{axis.lower()}"],
        "values": [value],
        "covariance": np.array([[u**2]]),
    }
    return explained(evidence, context, DEFAULTS["caliper"], travel=False, part_c=None)


def test_with_carriage_travel_the_rest_is_shrinkage():
    context = Context(now=NOW, drives={"X": BELT}, travel={"X": travel(0.001)}, filament="PLA")
    found = split("X", -0.003, context)
    assert found.machine["X"].value == pytest.approx(0.001, abs=2e-4)
    assert found.shrinkage["XY"].value == pytest.approx(0.004, abs=4e-4)
    assert found.shrinkage["XY"].from_data > 0.85


def test_with_the_mechanics_alone_the_split_is_mostly_prior_but_the_sum_is_kept():
    context = Context(now=NOW, drives={"X": BELT}, filament="PLA")
    found = split("X", -0.003, context)
    difference = found.machine["X"].value - found.shrinkage["XY"].value
    assert difference == pytest.approx(-0.003, abs=3e-4)
    assert found.machine["X"].expanded() > 0.001
    assert found.machine["X"].from_data < 0.7


def test_the_scale_of_the_model_is_not_taken_for_the_machine():
    """A model printed at 100.4 % that comes out true still shows 0.4 % of shrinkage."""
    now = {**NOW, "scale_x_percent": 100.4}
    context = Context(now=now, travel={"X": travel(0.0)}, filament="PLA")
    found = split("X", 0.0, context)
    assert found.shrinkage["XY"].value == pytest.approx(0.004, abs=4e-4)


@pytest.mark.parametrize(
    ("axis", "drive", "value", "words"),
    [
        ("X", BELT, -0.2, "16 teeth"),
        ("X", BELT, -0.5, "0.9 degrees"),
        ("X", BELT, -0.5, "1/32 microsteps"),
        ("X", BELT, 1.0, "1/8 microsteps"),
        ("Z", SCREW, -0.75, "lead of 2 mm"),
        ("Z", SCREW, -0.5, "lead of 4 mm"),
        ("X", None, -0.2, "16 teeth"),
    ],
)
def test_wrong_parts_are_named(axis, drive, value, words):
    context = Context(now=NOW, drives={axis: drive} if drive else {}, filament="PLA")
    found = split(axis, (1 + value) * 0.997 - 1, context).faults[axis]
    assert any(words in f.words for f in found), found


@pytest.mark.parametrize("value", [-0.012, -0.003, 0.0, 0.004])
def test_shrinkage_and_small_errors_are_no_wrong_part(value):
    context = Context(now=NOW, drives={"X": BELT}, filament="PLA")
    assert split("X", value, context).faults == {}


def test_steps_that_differ_from_the_mechanics_are_looked_at_first():
    context = Context(now={"steps_x_per_mm": 84.0}, drives={"X": BELT}, filament="PLA")
    lines = advice(split("X", 0.047, context), ["X"], context)
    assert any("the mechanics give 80 steps/mm but 84 are set" in line for line in lines)


def test_what_nothing_explains_is_neither_machine_nor_shrinkage():
    context = Context(now=NOW, drives={"X": BELT}, filament="PLA")
    found = split("X", 0.07, context)
    assert found.far_off == ("X",)
    assert found.shrinkage == {}
    assert advice(found, ["X"], context) == []


def test_a_wrong_part_is_seen_in_the_print_though_travel_was_sound_before():
    context = Context(now=NOW, drives={"X": BELT}, travel={"X": travel(0.0)}, filament="PLA")
    assert any("microsteps" in f.words for f in split("X", -0.5, context).faults["X"])


@pytest.mark.parametrize(("axis", "drive", "ratio"), [("X", BELT, 0.5), ("Z", SCREW, 0.25)])
def test_once_the_steps_are_those_of_the_part_what_is_left_is_scale(axis, drive, ratio):
    name = f"steps_{axis.lower()}_per_mm"
    now = {name: drive.steps_per_mm / ratio}
    found = split(axis, -0.003, Context(now=now, drives={axis: drive}, filament="PLA"))
    assert found.faults == {}
    assert found.far_off == ()
    assert found.drives[axis].steps_per_mm == pytest.approx(now[name])
    assert abs(found.machine[axis].value) < 0.003
    assert found.choices[axis][0].scale_percent == pytest.approx(100.3, abs=0.05)


@pytest.mark.parametrize(
    ("pattern", "axis", "ratio", "drive"),
    [
        ("step-gauge", "Y", 0.5, BELT),
        ("step-gauge", "X", 0.8, BELT),
        ("dimensional-cube", "Z", 0.5, SCREW),
        ("step-gauge", "Y", 0.5, None),
        ("step-gauge", "X", 1.016, BELT),
        ("step-gauge", "X", 1.012, BELT),
    ],
)
def test_large_faults_are_named_and_small_ratios_are_no_belt(pattern, axis, ratio, drive):
    """Prints of an unknown filament on printers that are off by 0.5 % (standard deviation) beside it."""
    rng, piece = np.random.default_rng(1), default_piece(pattern)
    world = replace(REAL, stretch_sd=0.005)
    steps = {f"steps_{axis.lower()}_per_mm": drive.steps_per_mm} if drive else {}
    for _ in range(5):
        machine = world.machine(rng)
        off = [
            (1 + e) * (ratio if a == axis else 1.0) - 1
            for a, e in zip("XYZ", machine.stretch, strict=True)
        ]
        one = printed(piece, read_by_hand(piece), world, rng, replace(machine, stretch=tuple(off)))
        context = Context(now=steps, drives={axis: drive} if drive else {})
        solution = solve_sheet(sheet_of(piece, one), context)
        words = " ".join(t for f in solution.findings for t in f.summary)
        named = any(w in words for w in ("pulley", "belt of", "lead", "microstep", "motor of"))
        assert named == (abs(ratio - 1) > 0.1), words
