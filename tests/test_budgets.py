"""What every piece costs its user and what it settles, as it comes: minutes, grams, readings, half-widths.

Figures are those of `truebead list` for a 0.4 mm nozzle with usual instruments, each feature read once; a change
that makes a piece dearer or blunter has to change the table here, and say why. Half-widths from lengths are up to
6 % wider than a scatter that leans to small values would make them: that held angles in 91 % on rough printers.
"""

import pytest

from calib.plan.expected import worth
from patterns import registry
from patterns.filaments import filament
from patterns.spec import PrintSetup

#: Pattern -> at most so many minutes, grams, readings, and half-widths (95 %) by setting.
BUDGETS = {
    "bed-patches": (12, 2.0, 9, {"first_layer_gap_mm": 0.025}),
    "bridge-ladder": (32, 8.0, 10, {"bridge_limit_mm": 18}),
    "corner-gauge": (30, 5.5, 19, {
        "scale_x_percent": 0.075, "scale_y_percent": 0.075, "scale_z_percent": 0.225,
        "outline_offset_mm": 0.0205, "skew_xy_deg": 0.051, "first_layer_gap_mm": 0.0395,
        "flow_percent": 4.0,
    }),
    "dimensional-cube": (40, 8.6, 21, {
        "scale_x_percent": 0.175, "scale_z_percent": 0.22, "outline_offset_mm": 0.013,
        "first_layer_gap_mm": 0.048,
    }),
    "fit-gauge": (35, 8.6, 16, {}),
    "hole-plate": (45, 9.2, 18, {"hole_oversize_mm": 0.038, "hole_pin_oversize_mm": 0.03}),
    "overhang-ladder": (33, 7.8, 10, {"overhang_limit_deg": 7.5}),
    "squareness-frame": (30, 7.0, 14, {"scale_x_percent": 0.065, "skew_xy_deg": 0.0255}),
    "step-gauge": (26, 6.0, 12, {"scale_x_percent": 0.056, "outline_offset_mm": 0.018}),
    "string-posts": (35, 4.9, 27, {"retraction_mm": 0.40}),
    "strip": (12, 2.0, 2, {"scale_x_percent": 0.078}),
    "temperature-tower": (46, 6.0, 27, {"hot_end_c": 4.5}),
    "wall-box": (14, 1.0, 8, {"flow_percent": 6.0}),
    "weigh-block": (25, 5.7, 4, {"flow_percent": 5.0}),
    "setting-ladder": (24, 3.6, 18, {"fan_percent": 10.0}),
    "lag-line": (11, 1.5, 12, {"flow_lag_s": 0.0095}),
    "ripple-wall": (28, 6.0, 12, {"ripple_x_hz": 1.1, "ripple_y_hz": 1.1}),
    "reversal": (0, 0, 20, {"reversal_x_mm": 0.04, "reversal_y_mm": 0.04}),
    "carriage-travel": (0, 0, 6, {}),
    "extruder-feed": (0, 0, 5, {}),
    "filament-diameter": (0, 0, 10, {"filament_mm": 0.024}),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(BUDGETS))
def test_a_piece_keeps_to_its_budget(name):
    minutes, grams, readings, half_widths = BUDGETS[name]
    takes = worth(registry.get(name).piece({}, PrintSetup()), filament("PLA"))
    assert takes.minutes <= minutes
    assert takes.grams <= grams
    assert takes.readings <= readings
    found = {e.setting: e.half_width for e in takes.settles}
    for setting, most in half_widths.items():
        assert found[setting] <= most, setting


def test_every_piece_has_a_budget():
    assert {*registry.all_patterns(), *registry.all_checks()} == {*BUDGETS}
