"""The setting ladder: a ladder of any one setting, also one that only the user's own line can set."""

import pytest

from calib.apply.gcode.check import compare
from calib.apply.gcode.job import Job
from calib.interpret.solve import Context, solve_sheet
from calib.model.correction import Verdict
from calib.model.setting import kept_setting, setting
from calib.readings import read_sheet, sheet_csv
from patterns.errors import SpecError
from patterns.filaments import filament
from patterns.preview import preview_mesh
from patterns.print_cost import print_cost
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.readkit import sheet
from tests.test_apply_gcode import corrected

OWN = {
    "setting": "own_corner_speed",
    "from_value": "4",
    "to_value": "18",
    "step_value": "2",
    "before": "8",
}


def ladder(setup=None, **given):
    return get("setting-ladder").piece(given, setup or PrintSetup())


@pytest.mark.parametrize("name", ["fan_percent", "speed_mm_s"])
def test_the_usual_ladders_are_quick_and_light(name):
    piece = ladder(setting=name)
    cost = print_cost(piece, preview_mesh(piece.body), filament("PLA"))
    assert cost.minutes <= 30
    assert cost.grams <= 8
    assert {r.setting for r in piece.schedule} == {name}
    assert [r.value for r in piece.schedule] == sorted({f.rung for f in piece.features})


def test_a_setting_of_ones_own_ends_with_what_was_set_before():
    piece = ladder(**OWN)
    last = piece.schedule[-1]
    assert (last.value, last.z_to_mm) == (8.0, 250.0)
    assert max(f.end[2] for f in piece.features) <= last.z_from_mm
    again = read_sheet(sheet_csv(piece, "own", "2026-01-01T00:00:00")).piece
    assert again.schedule == piece.schedule


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({**OWN, "before": "unknown"}, "own_corner_speed is set to now is not known"),
        ({**OWN, "setting": "corner_speed"}, "can't be used here"),
        ({**OWN, "setting": "own_; M112"}, "can't be used here"),
        ({**OWN, "to_value": "4"}, "no usual range"),
        ({"setting": "hot_end_c", "from_value": "200", "to_value": "280"}, "280 is not within 150 to 250 degC"),
        ({"setting": "fan_percent", "from_value": "0", "to_value": "150"}, "150 is not within 0 to 100 %"),
        ({"setting": "speed_mm_s", "from_value": "40", "to_value": "900"}, "900 is not within 5 to 500 mm/s"),
        ({"setting": "hot_end_c"}, "no usual range"),
        ({"setting": "flow_percent"}, "can't be used here"),  # its rows are shares of the file's own
    ],
)  # fmt: skip
def test_what_makes_no_sense_or_is_past_a_limit_is_refused(given, message):
    with pytest.raises(SpecError, match=message):
        ladder(**given)


def judged(piece, best, width, context=None):
    """Scores that fall off on both sides of the best, whole numbers as an eye gives them."""

    def read(f):
        return float(round(max(0.0, 9 - 8 * ((f.rung - best) / width) ** 2)))

    return solve_sheet(sheet(piece, read), context or Context())


def test_the_best_value_of_ones_own_setting_is_found_and_named():
    (finding,) = judged(ladder(**OWN), 13.0, 9.0).findings
    (c,) = finding.corrections
    assert (c.setting, c.old, c.verdict) == ("own_corner_speed", 8.0, Verdict.APPLY)
    assert c.new == pytest.approx(13.0, abs=1.0)
    assert setting(c.setting).label == "your own corner speed"
    assert kept_setting(c.setting).topic == "own"
    assert "  " not in " ".join(finding.summary) + c.reason


def test_a_best_at_the_end_asks_for_more_of_the_same_ladder():
    (finding,) = judged(ladder(setting="speed_mm_s"), 110.0, 60.0).findings
    (c,) = finding.corrections
    assert c.verdict is Verdict.PRINT_AGAIN
    assert c.requests[0].parameters["setting"] == "speed_mm_s"
    assert c.requests[0].parameters["to_value"] > 100


def sliced(top_mm):
    """Write a file as a slicing program would: travel of its own speed between rings."""
    lines = ["G28", "G90", "M83"]
    for k in range(1, round(top_mm / 0.2) + 1):
        lines.append(f"G0 X50 Y50 Z{0.2 * k:.2f} F9000")
        lines += [f"G1 {a} E0.8 F1800" for a in ("X80", "Y60", "X50", "Y50")]
    return "\n".join(lines) + "\n"


def test_bands_of_speed_agree_with_the_independent_check():
    piece = ladder(setting="speed_mm_s")
    text, job = sliced(piece.schedule[-1].z_to_mm), Job(schedule=piece.schedule)
    out = corrected(text, job)
    checks = compare(text.splitlines(), out.splitlines(), job)
    assert all(c.good for c in checks)
    low, high = piece.schedule[0].z_from_mm, piece.schedule[-1].z_to_mm
    assert checks[-1].found == str(4 * round((high - low) / 0.2))
    speeds = {line.split("F")[1] for line in out.splitlines() if " E0.8 F" in line}
    assert speeds == {
        "1800",
        *(f"{60 * r.value:g}" for r in piece.schedule),
    }  # the file's own below
