"""Machine or material: what one error says of each, and wrong parts called by name."""

import pytest

from calib.drives import Drive
from calib.estimate import Estimate
from calib.interpret.machine import advice, faults, split_axis
from calib.solve import Context

BELT = Drive(belt_pitch_mm=2, pulley_teeth=20)
SCREW = Drive(screw_lead_mm=8)
NOW = {"steps_x_per_mm": 80.0, "steps_z_per_mm": 400.0}


def error(value, u=2e-4):
    return Estimate(name="scale", value=value, u=u, unit="")


def test_with_carriage_travel_the_rest_is_shrinkage():
    context = Context(now=NOW, drives={"X": BELT}, travel={"X": error(0.001, 1e-4)}, filament="PLA")
    split = split_axis("X", error(-0.003, 1e-4), context)
    assert split.machine.value == pytest.approx(0.1, abs=0.02)
    assert split.shrinkage.value == pytest.approx(0.4, abs=0.03)
    assert split.shrinkage.from_data > 0.9


def test_with_the_mechanics_alone_the_split_is_mostly_prior_but_the_sum_is_kept():
    context = Context(now=NOW, drives={"X": BELT}, filament="PLA")
    split = split_axis("X", error(-0.003), context)
    assert split.machine.value - split.shrinkage.value == pytest.approx(-0.3, abs=0.01)
    assert split.machine.expanded() > 0.1
    assert split.machine.from_data < 0.7


def test_the_scale_of_the_model_is_not_taken_for_the_machine():
    """A model printed at 100.4 % that comes out true still shows 0.4 % of shrinkage."""
    context = Context(
        now={**NOW, "scale_x_percent": 100.4}, travel={"X": error(0, 1e-4)}, filament="PLA"
    )
    assert split_axis("X", error(0.0), context).shrinkage.value == pytest.approx(0.4, abs=0.03)


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
    found = faults(axis, error(value - 0.003), context, travel=False)
    assert any(words in f.words for f in found), found


@pytest.mark.parametrize("value", [-0.012, -0.003, 0.0, 0.004, 0.01])
def test_shrinkage_and_small_errors_are_no_wrong_part(value):
    context = Context(now=NOW, drives={"X": BELT}, filament="PLA")
    assert faults("X", error(value), context, travel=False) == ()


def test_steps_that_differ_from_the_mechanics_are_looked_at_first():
    context = Context(now={"steps_x_per_mm": 84.0}, drives={"X": BELT}, filament="PLA")
    (_, line, _) = advice({"X": error(0.047)}, context)
    assert "the mechanics give 80 steps/mm but 84 are set" in line
