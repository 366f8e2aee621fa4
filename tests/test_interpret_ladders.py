"""From judged ladders, towers and sockets to settings, verdicts and what to print next."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from calib.errors import SheetError
from calib.interpret.ladders import nice
from calib.interpret.solve import Context, solve_sheet
from calib.model.correction import Verdict
from calib.model.request import refusal
from calib.model.setting import setting
from patterns.feature import Kind
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.readkit import feature, ladder, piece, sheet, sockets, tower

ANGLES = tuple(np.arange(30.0, 80.0, 5.0))
TEMPS = tuple(np.arange(190.0, 235.0, 5.0))


def only(solution):
    (correction,) = solution.corrections
    return correction


def judged(f, limit):
    return float(f.rung <= limit) if f.group == "pass" else None


def test_a_clean_change_gives_the_last_clean_rung_and_no_slope():
    solution = solve_sheet(sheet(ladder("overhang-ladder", ANGLES), lambda f: judged(f, 55)))
    c = only(solution)
    assert c.setting == "overhang_limit_deg"
    assert c.verdict is Verdict.APPLY
    assert 52 <= c.new <= 56
    finding = solution.findings[0]
    assert "changes cleanly between 55 and 60" in finding.summary[0]
    assert any("no slope is given" in line for line in finding.why)
    assert finding.evidence["separated"] is True
    json.dumps(solution.to_json())


def test_a_value_within_the_interval_is_left():
    made = sheet(ladder("overhang-ladder", ANGLES), lambda f: judged(f, 55))
    assert (
        only(solve_sheet(made, Context(now={"overhang_limit_deg": 54.0}))).verdict is Verdict.LEAVE
    )
    assert (
        only(solve_sheet(made, Context(now={"overhang_limit_deg": 30.0}))).verdict is Verdict.APPLY
    )


def only_request(correction):
    """The one request of a correction; it can be made with the usual set-up."""
    (request,) = correction.requests
    assert refusal(request, PrintSetup()) == ""
    assert request.settles == (correction.setting,)
    return request


@pytest.mark.parametrize(
    ("limit", "said", "ends"), [(90, "everything", (75, 90)), (10, "nothing", (16.5, 30))]
)
def test_a_ladder_that_never_changes_asks_for_another_that_can_be_made(limit, said, ends):
    c = only(solve_sheet(sheet(ladder("overhang-ladder", ANGLES), lambda f: judged(f, limit))))
    assert c.verdict is Verdict.PRINT_AGAIN
    assert f"{said} came out clean" in c.reason
    request = only_request(c)
    assert request.pattern == "overhang-ladder"
    low, high = request.parameters["from_deg"], request.parameters["to_deg"]
    assert ends[0] <= low < high <= ends[1]
    assert "truebead" not in c.reason


def test_measured_sag_counts_and_the_lower_limit_wins():
    def read(f):
        if f.group == "pass":
            return float(f.rung <= 65)
        return f.nominal + 0.3 * (f.rung / 47.0) ** 4

    solution = solve_sheet(sheet(ladder("overhang-ladder", ANGLES), read))
    c = only(solution)
    assert c.verdict is Verdict.APPLY
    assert abs(c.new - 47) < 2.0
    assert "looks and measured sag" in c.evidence
    assert len(solution.findings[0].residuals) == len(ANGLES)


def test_allowed_sag_is_the_users():
    read = lambda f: f.nominal + 0.02 * (f.rung - 30) if f.group == "sag" else None  # noqa: E731
    strict = only(solve_sheet(sheet(ladder("bridge-ladder", ANGLES), read, allowed_sag_mm="0.2")))
    loose = only(solve_sheet(sheet(ladder("bridge-ladder", ANGLES), read, allowed_sag_mm="0.6")))
    assert strict.new == pytest.approx(40, abs=1)
    assert loose.new == pytest.approx(60, abs=1)


def test_a_judgement_against_its_neighbours_is_shown_with_its_effect():
    wrong = 45.0
    read = lambda f: None if f.group != "pass" else float((f.rung <= 55) != (f.rung == wrong))  # noqa: E731
    (suspect,) = solve_sheet(sheet(ladder("overhang-ladder", ANGLES), read)).suspects
    assert suspect.used
    assert "(45) goes against its neighbours" in suspect.explanation
    assert "without" in suspect.effect


def graded(f, cuts=(0.08, 0.22, 0.42)):
    return float(np.digitize(f.rung, cuts))


def test_press_and_sliding_fit():
    made = sheet(sockets(np.arange(0.0, 0.6, 0.05).round(2)), graded)
    solution = solve_sheet(made)
    found = {c.setting: c for c in solution.corrections}
    assert set(found) == {
        "clearance_press_round_mm", "clearance_slide_round_mm",
        "clearance_press_square_mm", "clearance_slide_square_mm",
    }  # fmt: skip
    press, slide = found["clearance_press_round_mm"], found["clearance_slide_round_mm"]
    assert press.verdict is slide.verdict is Verdict.APPLY
    assert 0.10 <= press.new <= 0.20  # all sockets from 0.10 to 0.20 pressed
    assert 0.22 <= slide.new <= 0.40  # all sockets from 0.25 to 0.40 slid
    json.dumps(solution.to_json())


def test_grades_never_seen_ask_for_other_clearances():
    tight = sheet(sockets((0.0, 0.05, 0.1, 0.15)), lambda f: float(f.rung > 0.07))
    found = {c.setting: c for c in solve_sheet(tight).corrections}
    c = found["clearance_slide_round_mm"]
    assert c.verdict is Verdict.PRINT_AGAIN
    assert "nothing was slide" in c.reason
    wide = sheet(sockets((0.3, 0.4, 0.5, 0.6)), lambda f: 2.0 + (f.rung > 0.45))
    found = {c.setting: c for c in solve_sheet(wide).corrections}
    tighter = only_request(found["clearance_press_round_mm"])
    assert tighter.why == "print tighter sockets"
    assert tighter.parameters["to_mm"] == 0.3
    loose = sheet(sockets((0.0, 0.1, 0.2, 0.3)), lambda f: 2.0 + (f.rung > 0.15))
    found = {c.setting: c for c in solve_sheet(loose).corrections}
    assert "correct the outline offset first" in found["clearance_press_round_mm"].reason


def scored(best, width=25.0):
    return lambda f: float(np.clip(round(9 - 5 * ((f.rung - best) / width) ** 2, 1), 0, 10))


def test_temperature_best_inside():
    solution = solve_sheet(sheet(tower(TEMPS), scored(212)), Context(now={"hot_end_c": 235.0}))
    c = only(solution)
    assert c.setting == "hot_end_c"
    assert c.verdict is Verdict.APPLY
    assert c.new == pytest.approx(212, abs=2)
    low, high = solution.findings[0].evidence["plateau"]
    assert low < 212 < high
    assert solution.findings[0].topic == "temperature"
    json.dumps(solution.to_json())


def test_a_temperature_on_the_plateau_is_left():
    c = only(solve_sheet(sheet(tower(TEMPS), scored(212)), Context(now={"hot_end_c": 215.0})))
    assert c.verdict is Verdict.LEAVE
    assert "makes no difference" in c.reason


def rising(f):
    return float(2 + 6 * (f.rung - 190) / 40)


def test_the_best_at_the_end_asks_for_more_within_the_rating():
    c = only(solve_sheet(sheet(tower(TEMPS, setup=PrintSetup(hot_end_max_c=240)), rising)))
    assert c.verdict is Verdict.PRINT_AGAIN
    assert "look from 220 to 240 degC" in c.reason
    assert only_request(c).parameters == {"from_c": 220.0, "to_c": 240.0}
    assert "ventilate" in c.reason  # past what the type usually prints at


def test_no_room_beyond_the_rating_is_not_asked_for():
    c = only(solve_sheet(sheet(tower(TEMPS, setup=PrintSetup(hot_end_max_c=230)), rising)))
    assert c.verdict is Verdict.APPLY
    assert c.new <= 230
    assert "no room beyond" in c.reason


def test_a_rating_below_the_tower_caps_the_answer():
    c = only(solve_sheet(sheet(tower(TEMPS, setup=PrintSetup(hot_end_max_c=205)), scored(212))))
    assert c.new <= 205


def test_weights_come_from_the_sheet():
    def read(f):
        return scored(200 if f.group == "bridge" else 222)(f)

    made = tower(TEMPS)
    even = only(solve_sheet(sheet(made, read))).new
    bridges = only(solve_sheet(sheet(made, read, weight_bridge="5"))).new
    assert bridges < even - 3
    with pytest.raises(SheetError, match="weight_bridge"):
        solve_sheet(sheet(made, read, weight_bridge="lots"))


def test_bands_that_cannot_be_told_apart_are_left():
    rng = np.random.default_rng(1)
    c = only(solve_sheet(sheet(tower(TEMPS), lambda f: 8.0 + round(rng.normal(0, 0.3)))))
    assert c.verdict is Verdict.LEAVE


def test_a_score_far_off_its_curve_is_shown():
    read = lambda f: 1.0 if f.id == "strings_4" else scored(212)(f)  # noqa: E731
    suspects = solve_sheet(sheet(tower(TEMPS), read)).suspects
    assert [s.reading.feature for s in suspects] == ["strings_4"]
    assert suspects[0].used


def with_flaws(temps, gap=15.0, scored=("bridge", "strings")):
    """A tower whose strings are scored and measured, in a gap 15 mm long, and a fin's droop measured."""
    made = tower(temps, scored)
    more = [
        feature(f"{g}_{k}_m", kind, 0.0, to=(gap, 0.0, 0.0), rung=t, group=g)
        for k, t in enumerate(temps)
        for g, kind in (("strings", Kind.STRANDS), ("overhang", Kind.DROOP))
    ]
    return piece([*made.features, *more], pattern=made.pattern, schedule=made.schedule)


def strands(best, least=0.0):
    """Area in mm2 that grows by 0.05 with the square of the way from the best setting."""
    return lambda f: least + 0.05 * (f.rung - best) ** 2 if f.kind is Kind.STRANDS else None


def test_measured_strands_alone_find_the_best_temperature():
    solution = solve_sheet(sheet(with_flaws(TEMPS), strands(208)))
    c = only(solution)
    assert c.verdict is Verdict.APPLY
    assert c.new == pytest.approx(208, abs=3)
    assert "none is best" in " ".join(solution.findings[0].why)
    json.dumps(solution.to_json())


def test_the_least_bad_is_found_where_all_are_bad():
    """More than ten lines across the gap everywhere: still the least is best, and not the middle."""
    c = only(solve_sheet(sheet(with_flaws(TEMPS), strands(200, least=60.0))))
    assert c.new == pytest.approx(200, abs=4)


def test_measured_strands_count_instead_of_their_scores():
    def read(f):
        return scored(225)(f) if f.kind is Kind.SCORE else strands(205)(f)

    made = with_flaws(TEMPS, scored=("strings",))
    finding = solve_sheet(sheet(made, read)).findings[0]
    assert finding.corrections[0].new == pytest.approx(205, abs=3)
    assert any("the scores of the same do not" in line for line in finding.why)
    assert list(finding.evidence["responses"]) == ["strings"]
    few = lambda f: read(f) if f.kind is Kind.SCORE or f.rung < 205 else None  # noqa: E731
    assert only(solve_sheet(sheet(made, few))).new == pytest.approx(225, abs=3)


def test_scores_and_measured_values_mix():
    def read(f):
        if f.group == "bridge":
            return scored(220)(f)
        return strands(204)(f) if f.kind is Kind.STRANDS else None

    made = with_flaws(TEMPS, scored=("bridge",))
    even = only(solve_sheet(sheet(made, read))).new
    assert 206 < even < 218
    assert only(solve_sheet(sheet(made, read, weight_strings="6"))).new < even - 2


def test_droop_counts_for_the_overhang():
    read = lambda f: 0.002 * (f.rung - 215) ** 2 if f.kind is Kind.DROOP else None  # noqa: E731
    solution = solve_sheet(sheet(with_flaws(TEMPS), read))
    assert only(solution).new == pytest.approx(215, abs=3)
    assert list(solution.findings[0].evidence["responses"]) == ["overhang"]


@pytest.mark.parametrize(
    ("step", "found"), [(0.0437, 0.02), (1.62, 1.0), (5.0, 5.0), (0.099, 0.05)]
)
def test_nice_steps(step, found):
    assert nice(step) == pytest.approx(found)


@pytest.mark.parametrize("pattern", ["bridge-ladder", "overhang-ladder"])
@pytest.mark.parametrize("clean", ["all", "none", "first", "every other"])
def test_limits_and_their_intervals_stay_within_what_exists(pattern, clean):
    """No span of -9 mm, no overhang of 95 degrees, and no value outside its own interval."""
    made = get(pattern).piece({}, PrintSetup())
    looks = [f.id for f in made.features if f.kind is Kind.PASS]
    good = {"all": looks, "none": [], "first": looks[:1], "every other": looks[::2]}[clean]
    mine = replace(made, features=tuple(f for f in made.features if f.kind is Kind.PASS))
    (c,) = solve_sheet(sheet(mine, lambda f: float(f.id in good))).corrections
    low, high = map(float, re.search(r"\(([-\d.]+) to ([-\d.]+)\)", c.reason).groups())
    least, most = setting(c.setting).limits
    assert least <= low <= c.new <= high <= most
