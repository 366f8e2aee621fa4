"""What was set while a piece was printed: listed on the sheet, confirmed or changed on one line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import SheetError
from calib.interpret.finding import Finding
from calib.interpret.finish import finished
from calib.interpret.solve import Context, solve_sheet, with_settings_of
from calib.model.correction import Verdict
from calib.model.setting import SETTINGS
from calib.readings import read_sheet, sheet_csv
from calib.readings.now import box_of, lines_of, printed_with
from calib.report.solution_words import as_text
from patterns import registry
from patterns.spec import PrintSetup
from tests.readkit import sheet, tower, wall_box
from tests.storekit import correction

KEYS = lines_of({"flow_percent": 100.0, "scale_x_percent": 100.0}, {"flow_percent": 97.0})


def said(answer):
    return printed_with({**KEYS, "printed_with": answer}, lambda key: f"s.csv, '# {key}'")


def text_of(keys, separator=","):
    piece = registry.get("wall-box").piece({}, PrintSetup())
    return sheet_csv(piece, "abcd", "2026-03-01", keys=keys, separator=separator)


def test_what_is_listed_is_taken_as_set_unless_the_line_says_otherwise():
    assert said("").values["flow_percent"] == 97.0
    assert said("as listed").values == {"flow_percent": 97.0, "scale_x_percent": 100.0}
    assert said("As before.").values["flow_percent"] == 100.0
    assert said("flow_percent=98,5").values["flow_percent"] == 98.5
    other = said("as before; hot_end_c = 205").values
    assert other == {"flow_percent": 100.0, "scale_x_percent": 100.0, "hot_end_c": 205.0}


def test_a_value_that_was_not_known_before_is_not_taken_for_known():
    keys = lines_of({}, {"hot_end_c": 215.0}) | {"printed_with": "as before"}
    assert printed_with(keys, str).values == {}
    made = sheet(wall_box(), lambda f: 0.45, **keys)
    assert "hot_end_c" not in with_settings_of(made, Context(now={"hot_end_c": 215.0})).now


@pytest.mark.parametrize(
    ("line", "value", "wrong"),
    [
        ("now.steps_x_per_mm", "-80", "makes no sense"),
        ("now.steps_x_per_mm", "1e9", "makes no sense"),
        ("now.steps_x_per_mm", "nan", "makes no sense"),
        ("now.first_layer_gap_mm", "-50", "makes no sense"),
        ("now.hot_end_c", "1e308", "makes no sense"),
        ("now.flow_percent", "much", "is not a number"),
        ("now.flux", "3", "there is no setting 'flux'"),
        ("before.flow_percent", "0", "makes no sense"),
        ("printed_with", "whatever", "does not say what was set"),
        ("printed_with", "flow_percent=9000", "makes no sense"),
    ],
)
def test_nonsense_is_refused_with_file_and_line(line, value, wrong):
    with pytest.raises(SheetError, match=wrong) as caught:
        read_sheet(text_of({line: value}), "box/sheet.csv")
    assert caught.value.where.startswith("box/sheet.csv line ")
    assert f"'# {line}'" in caught.value.where
    assert caught.value.mend


@pytest.mark.parametrize("separator", [",", ";"])
def test_a_line_survives_the_sheet_and_a_value_in_the_next_cell_is_read(separator):
    keys = {**KEYS, "printed_with": "flow_percent=98; hot_end_c=205"}
    found = read_sheet(text_of(keys, separator))
    assert printed_with(found.keys, found.where).values["hot_end_c"] == 205.0
    text = text_of(KEYS, separator).replace("# part_c:", f"# part_c:{separator}21")
    assert read_sheet(text).part_c == 21.0


@given(st.dictionaries(st.sampled_from(sorted(SETTINGS)), st.floats(0, 1), max_size=6))
def test_listed_values_come_back_as_they_were(shares):
    within = {n: lo + x * (hi - lo) for n, x in shares.items() for lo, hi in [SETTINGS[n].limits]}
    assert printed_with(lines_of(within, {}), str).values == within
    assert printed_with(lines_of({}, within), str).values == within


def test_the_page_shows_what_is_to_be_set_and_solving_says_what_it_took_for_granted():
    assert box_of(KEYS) == [("flow", "97.0 % (before: 100.0)")]
    made = sheet(wall_box(), lambda f: 0.45, **KEYS)
    solution = solve_sheet(made, with_settings_of(made, Context()))
    (c,) = solution.corrections
    assert c.old == 97.0
    assert "flow 97.0 %" in solution.assumed[0]
    assert "what the sheet lists to be set: flow 97.0 %" in as_text(solution)
    before = sheet(wall_box(), lambda f: 0.45, **KEYS | {"printed_with": "as before"})
    assert with_settings_of(before, Context()).now["flow_percent"] == 100.0
    assert solve_sheet(before, Context()).assumed == (
        "Taken to be printed as before, as its sheet says.",
    )
    nothing = sheet(wall_box(), lambda f: 0.45, **lines_of({"flow_percent": 100.0}, {}))
    assert solve_sheet(nothing, Context()).assumed == ()


# --- the nearest remedy ---------------------------------------------------------------------------


def cube(read):
    made = registry.get("dimensional-cube").piece({"size_mm": "40"}, PrintSetup())
    return sheet(made, read)


def test_rows_left_empty_come_before_another_print():
    some = ("x_outside_low", "x_outside_mid", "z_height_top")
    solution = solve_sheet(cube(lambda f: f.nominal if f.id in some else None))
    unsure = {c.setting: c for c in solution.corrections if c.verdict is Verdict.PRINT_AGAIN}
    assert {"scale_x_percent", "scale_z_percent"} <= set(unsure)
    features = {f.id: f for f in solution.sheet.piece.features}
    for name, axis in (("scale_x_percent", "X"), ("scale_z_percent", "Z")):
        assert unsure[name].requests == ()
        assert {features[i].axis for i in unsure[name].fill} == {axis}
        assert not set(unsure[name].fill) & set(some)
    assert "First fill in rows 3-7 of the sheet." in as_text(solution)
    assert "truebead make" not in as_text(solution)


def test_a_slip_that_is_not_taken_is_to_be_mended_before_anything_is_printed():
    """Of four heights one has a decimal slip: not "print a larger cube"."""
    some = ("z_height_low", "z_height_mid", "z_height_top", "z_step_low_mid")
    slip = {"z_height_mid": 0.1}
    made = cube(lambda f: f.nominal * slip.get(f.id, 1.0) if f.id in some else None)
    solution = solve_sheet(made)
    (c,) = [c for c in solution.corrections if c.setting == "scale_z_percent"]
    assert c.verdict is Verdict.PRINT_AGAIN
    assert c.mend == ("z_height_mid",)
    assert c.requests == c.fill == ()
    assert "First mend what is marked ? above: row 16 of the sheet." in as_text(solution)
    assert not any(c.mend for c in solve_sheet(made, accept=True).corrections)


def test_travel_with_unknown_steps_gives_the_factor_and_needs_the_user():
    piece = registry.get("carriage-travel").piece({}, PrintSetup())
    solution = solve_sheet(sheet(piece, lambda f: 0.99 * f.nominal))
    assert solution.corrections == ()
    assert solution.findings[0].factors["steps_x_per_mm"] == pytest.approx(1 / 0.99, rel=1e-3)
    assert solution.needs_user
    assert "Multiply the steps/mm of X by 1.01" in as_text(solution)
    known = solve_sheet(solution.sheet, Context(now={f"steps_{a}_per_mm": 80.0 for a in "xyz"}))
    assert known.findings[0].factors == {}
    assert known.corrections[0].new == pytest.approx(80 / 0.99, rel=1e-3)


def test_the_last_look_knows_the_printers_rating_of_today():
    """Whatever fit a temperature comes from, and whatever the piece was made for."""
    hot = Finding(topic="temperature", corrections=(correction("hot_end_c", 215.0, 210.0),))
    of = sheet(wall_box(), lambda f: 0.45)
    assert of.piece.setup.hot_end_max_c > 215

    def looked_at(**ratings):
        (c,) = finished(hot, lambda f: True, of, Context(ratings=ratings), ()).corrections
        return c.verdict

    assert looked_at() is Verdict.APPLY
    assert looked_at(hot_end_max_c=205.0) is Verdict.PRINT_AGAIN


def test_a_value_past_the_rating_or_out_of_range_is_never_to_be_applied():
    made = sheet(wall_box(), lambda f: 0.45 * 0.75)
    (c,) = solve_sheet(made, Context(now={"flow_percent": 180.0})).corrections
    assert c.new > SETTINGS["flow_percent"].limits[1]
    assert c.verdict is Verdict.PRINT_AGAIN
    assert "makes no sense" in c.reason
    assert c.requests == ()
    tower_sheet = sheet(tower(range(190, 235, 5)), lambda f: 10 - abs(f.rung - 215) / 4)
    (best,) = solve_sheet(tower_sheet).corrections
    assert best.new > 205
    (held,) = solve_sheet(tower_sheet, Context(ratings={"hot_end_max_c": 205.0})).corrections
    assert held.new <= 205
