"""Sheets that were filled in without measuring, or with a ruler; a whole axis in another unit."""

from dataclasses import replace

import numpy as np
import pytest

from calib.errors import SheetError
from calib.interpret.solve import solve_sheet
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.readkit import sheet

GAUGE = get("step-gauge").piece({}, PrintSetup())


def scale_x(solution):
    return next(c for c in solution.corrections if c.setting == "scale_x_percent")


def test_a_sheet_filled_with_its_own_nominal_values_is_asked_about():
    with pytest.raises(SheetError, match="its own nominal value to the last digit"):
        solve_sheet(sheet(GAUGE, lambda f: f.nominal))


def test_whole_millimetres_are_asked_about_and_taken_for_what_they_are():
    """A ruler of 1 mm is known to 1 / sqrt(12) mm, however often it is read (JCGM 100:2008, F.2.2.1)."""
    rng = np.random.default_rng(1)
    true = {f.id: 1.004 * f.nominal + rng.normal(0, 0.02) for f in GAUGE.features}
    coarse = solve_sheet(sheet(GAUGE, lambda f: round(true[f.id]), repeats=3))
    fine = solve_sheet(sheet(GAUGE, lambda f: round(true[f.id], 2), repeats=3))
    assert "whole millimetres" in " ".join(coarse.assumed)
    assert not any("millimetres" in line for line in fine.assumed)
    assert scale_x(coarse).error.u > 3 * scale_x(fine).error.u
    assert abs(scale_x(coarse).error.value - 0.4) < scale_x(coarse).error.expanded()


def test_one_axis_in_inches_is_no_wrong_part():
    rng = np.random.default_rng(2)

    def read(f):
        value = 0.997 * f.nominal + rng.normal(0, 0.01)
        return round(value / 25.4, 4) if f.axis == "X" else round(value, 2)

    solution = solve_sheet(sheet(GAUGE, read))
    assert {s.reading.feature[0] for s in solution.suspects} == {"x"}
    assert all("inches" in s.explanation for s in solution.suspects)
    assert not any("moves" in line for f in solution.findings for line in f.summary)


@pytest.mark.parametrize(("text", "coarse"), [("6", True), ("6 g", True), ("6.0", False)])
def test_a_balance_of_one_gram_is_asked_about_and_handled(text, coarse):
    block = get("weigh-block").piece({}, PrintSetup())
    one = sheet(block, lambda f: 6.0 if f.unit == "g" else None)
    written = replace(one, readings=tuple(replace(r, text=text) for r in one.readings))
    solution = solve_sheet(written)
    assert any("whole grams" in line for line in solution.assumed) is coarse
    flow = next(c for c in solution.corrections if c.setting == "flow_percent")
    assert (flow.error.expanded() > 12) is coarse  # 0.65 g of 6 g, doubled
