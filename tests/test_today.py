"""Sheets of pieces printed before something was changed: nothing is corrected twice."""

import pytest

from calib.interpret.solve import Context, solve_sheet, with_settings_of
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.readkit import sheet

GAUGE = get("step-gauge").piece({}, PrintSetup())
PLATE = get("hole-plate").piece({}, PrintSetup())


def found(piece, read, in_force, **made_with):
    keys = {f"now.{name}": str(value) for name, value in made_with.items()}
    one = sheet(piece, read, part_c="20", jaws_closed_mm="0.00", **keys)
    context = with_settings_of(one, Context(now=in_force, in_force=in_force, filament="PLA"))
    return {c.setting: c for c in solve_sheet(one, context).corrections}


def test_steps_set_by_travel_leave_the_scale_its_own_part():
    """Travel was 1.00 % long and the steps were cut to 79.208; the gauge, 0.60 % long, was printed before.

    Parts now come out 1.006 x 0.990099 = 0.99604 of what they should: the scale is 100.398 %.
    """
    after = {"steps_x_per_mm": 80 / 1.01, "steps_y_per_mm": 80.0}
    c = found(GAUGE, lambda f: f.nominal * 1.006, after, steps_x_per_mm=80, steps_y_per_mm=80)
    warm = c["scale_y_percent"].new / (100 / 1.006)  # what the room's warmth takes off
    assert c["scale_x_percent"].new == pytest.approx(100 * 1.01 / 1.006 * warm, abs=1e-6)
    assert "went from 80 to 79.2079" in c["scale_x_percent"].reason
    assert c["scale_y_percent"].new == pytest.approx(100 / 1.006, abs=0.03)


def test_a_size_that_was_set_right_since_is_left_alone():
    """The same gauge, after its own steps were set: nothing is left for the scale."""
    after = {"steps_x_per_mm": 80 / 1.006, "steps_y_per_mm": 80 / 1.006}
    c = found(GAUGE, lambda f: f.nominal * 1.006, after, steps_x_per_mm=80, steps_y_per_mm=80)
    assert c["scale_x_percent"].verdict == "leave"
    assert "leaves nothing to set" in c["scale_x_percent"].reason
    assert c["steps_x_per_mm"].new == pytest.approx(80 / 1.006, abs=0.02)


def test_steps_in_place_of_the_scale_are_what_they_were_without_it():
    """Printed without the scale that models get: as it was, or steps alone, say the same of each axis."""
    today = {"scale_x_percent": 100 / 1.006, "steps_x_per_mm": 80.0, "steps_y_per_mm": 80.0}
    then = {"scale_x_percent": 100.0, "steps_x_per_mm": 80, "steps_y_per_mm": 80}
    c = found(GAUGE, lambda f: f.nominal * 1.006, today, **then)
    assert c["steps_x_per_mm"].instead_of == "scale_x_percent"
    assert c["steps_x_per_mm"].new == pytest.approx(c["steps_y_per_mm"].new, abs=1e-9)
    assert c["steps_x_per_mm"].verdict == c["steps_y_per_mm"].verdict == "apply"


def test_holes_are_not_widened_twice():
    """Holes 0.2 mm too small, and since then every wall was brought in by 0.06 mm: 0.08 is left."""
    before = found(PLATE, lambda f: f.nominal - 0.2, {})["hole_oversize_mm"]
    after = found(PLATE, lambda f: f.nominal - 0.2, {"outline_offset_mm": -0.06},
                  outline_offset_mm=0.0)["hole_oversize_mm"]  # fmt: skip
    assert before.new == pytest.approx(0.2, abs=0.03)
    assert after.new == pytest.approx(before.new - 0.12, abs=1e-9)
