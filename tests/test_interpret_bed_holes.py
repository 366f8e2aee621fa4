"""From patches and holes to screws and drawn sizes."""

import json

import numpy as np
import pytest

from calib.errors import SheetError
from calib.interpret.solve import Context, solve_sheet
from calib.model.correction import Verdict
from tests.readkit import bed, hole_plate, sheet


def tilted(f):
    """0.1 mm thicker at the right edge patches than in the middle, 0.04 mm thinner at the back."""
    x, y = f.start[0], f.start[1]
    return f.nominal + 0.1 * (x - 110) / 80 - 0.04 * (y - 110) / 80


def test_screws_by_hand():
    """A screw in the row of the outer patches moves 0.1 mm: 0.2 turn of M3 (0.5 mm, ISO 261)."""
    made = sheet(bed(), tilted, screws_mm="30,110; 190,110; 110,190", screw_thread="M3")
    found = {c.setting: c for c in solve_sheet(made).corrections}
    assert found["level_middle_right_turns"].new == pytest.approx(0.2)
    assert found["level_middle_left_turns"].new == pytest.approx(-0.2)
    assert found["level_back_centre_turns"].new == pytest.approx(-0.08)
    right, left = found["level_middle_right_turns"], found["level_middle_left_turns"]
    assert "loosen (bed up)" in right.reason
    assert "72 degrees" in right.reason
    assert "tighten (bed down)" in left.reason
    assert right.verdict is Verdict.APPLY


def test_the_gap_is_apart_from_the_tilt():
    made = sheet(bed(), lambda f: tilted(f) + 0.08, jaws_closed_mm="0.00")
    found = {
        c.setting: c
        for c in solve_sheet(made, Context(now={"first_layer_gap_mm": 0.02})).corrections
    }
    gap = found["first_layer_gap_mm"]
    assert gap.new == pytest.approx(0.02 - 0.08, abs=1e-9)
    assert gap.verdict is Verdict.APPLY
    assert "closer" in gap.reason


def test_a_level_bed_is_left_alone():
    rng = np.random.default_rng(1)
    flat = sheet(bed(), lambda f: f.nominal + rng.normal(0, 0.005), jaws_closed_mm="0.00")
    assert {c.verdict for c in solve_sheet(flat).corrections} == {Verdict.LEAVE}


def test_a_zero_that_nobody_looked_at_leaves_the_first_layer_open_and_the_tilt_settled():
    rng = np.random.default_rng(1)
    flat = sheet(bed(), lambda f: f.nominal + rng.normal(0, 0.005))
    unsure = [c for c in solve_sheet(flat).corrections if c.verdict is not Verdict.LEAVE]
    assert {c.setting for c in unsure} == {"first_layer_gap_mm"}
    assert "jaws_closed_mm" in unsure[0].reason


def test_a_patch_read_wrong_does_not_tilt_the_bed():
    """0.017 among patches of 0.4: it is shown, and the screws stay as without it."""
    wrong = sheet(
        bed(), lambda f: 0.017 if f.id == "patch_0_2" else tilted(f), jaws_closed_mm="0.00"
    )
    right = sheet(bed(), tilted, jaws_closed_mm="0.00")
    a, b = ({c.setting: c.error.value for c in solve_sheet(s).corrections} for s in (right, wrong))
    assert a.keys() == b.keys()
    assert all(b[name] == pytest.approx(a[name], abs=2e-3) for name in a)
    suspect = solve_sheet(wrong).suspects[0]
    assert (suspect.reading.feature, suspect.used) == ("patch_0_2", False)
    assert "without it" in suspect.effect


def test_a_bowl_is_not_levelled_away_and_cautions_are_shown():
    def read(f):
        r2 = ((f.start[0] - 110) ** 2 + (f.start[1] - 110) ** 2) / (2 * 80**2)
        return f.nominal + 0.3 * (1 - r2)

    solution = solve_sheet(sheet(bed(), read))
    summary = " ".join(solution.findings[0].summary)
    assert "levelling can't mend that" in summary
    assert "hollow" in summary
    assert "moving parts pinch" in summary
    assert "Taken for granted: four screws" in summary
    json.dumps(solution.to_json())


@pytest.mark.parametrize(
    ("key", "text", "said"),
    [
        ("screw_thread", "M7", "'M7' is not known"),
        ("screws_mm", "1,2; 3,4", "2 screws can't level a bed"),
        ("screws_mm", "left; right; back", "is not a place"),
    ],
)
def test_nonsense_about_screws_gets_one_message(key, text, said):
    with pytest.raises(SheetError, match=said):
        solve_sheet(sheet(bed(), tilted, **{key: text}))


def test_patches_on_a_line_are_refused_with_what_to_do():
    made = sheet(
        bed(), lambda f: f.nominal if f.id in ("patch_0_0", "patch_1_1", "patch_2_2") else None
    )
    with pytest.raises(SheetError, match="fix no plane"):
        solve_sheet(made)


def test_holes_too_small_by_a_fifth_of_a_millimetre():
    # Inside jaws with flats of 0.49 mm span a chord of the hole.
    chord = lambda d: (d**2 - 0.49**2) ** 0.5  # noqa: E731
    made = sheet(hole_plate(), lambda f: chord(f.nominal - 0.2), jaws_closed_mm="0.00")
    solution = solve_sheet(made, Context(now={"hole_oversize_mm": 0.05}))
    (c,) = solution.corrections
    assert c.setting == "hole_oversize_mm"
    assert c.verdict is Verdict.APPLY
    assert c.new == pytest.approx(0.25, abs=3e-3)
    assert "draw 3.20 for 3" in c.reason
    json.dumps(solution.to_json())


def test_x_against_y_is_said():
    made = sheet(hole_plate(), lambda f: f.nominal - 0.1 + (0.06 if f.axis == "X" else -0.06))
    summary = " ".join(solve_sheet(made).findings[0].summary)
    assert "larger along X than along Y" in summary
    plain = sheet(hole_plate(), lambda f: f.nominal - 0.1)
    assert "along X" not in " ".join(solve_sheet(plain).findings[0].summary)


def test_pins_and_true_holes():
    pins = sheet(hole_plate(group="pin"), lambda f: f.nominal + 0.15)
    (c,) = solve_sheet(pins).corrections
    assert c.setting == "hole_pin_oversize_mm"
    assert c.new == pytest.approx(-0.15, abs=2e-3)
    (c,) = solve_sheet(sheet(hole_plate(), lambda f: f.nominal + 0.001)).corrections
    assert c.verdict is Verdict.LEAVE


def test_a_hole_that_does_not_belong_is_set_aside_with_its_effect():
    rng = np.random.default_rng(1)
    read = {f.id: f.nominal - 0.1 + rng.normal(0, 0.01) for f in hole_plate().features}
    read["vertical_6_X"] -= 0.4
    solution = solve_sheet(sheet(hole_plate(), lambda f: read[f.id]))
    (suspect,) = solution.suspects
    assert suspect.reading.feature == "vertical_6_X"
    assert not suspect.used
    assert "does not belong" in suspect.explanation
    assert "without it" in suspect.effect
    assert solution.corrections[0].new == pytest.approx(0.1, abs=0.03)
