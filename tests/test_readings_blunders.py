"""Readings that can't be right are named with their likely cause, and never dropped."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.readings import Sheet, read_sheet, sheet_csv
from calib.readings.blunders import Blunder, find_blunders, mended, window
from calib.readings.slips import explanations, only_proposal
from patterns import registry
from patterns.feature import Feature, Kind
from patterns.piece import Piece
from patterns.spec import PrintSetup


def cube() -> Piece:
    return registry.get("dimensional-cube").piece({"size_mm": "40"}, PrintSetup())


def filled(piece: Piece, changed: dict[str, str], unit: str = "mm", scale: float = 1.0) -> Sheet:
    """Fill every feature with a slightly wrong reading, some with the given text."""
    text = sheet_csv(piece, "c1", datetime(2026, 3, 12, tzinfo=UTC), unit=unit, repeats=1)
    lines = text.splitlines()
    for f in piece.features:
        k = next(k for k, line in enumerate(lines) if f",{f.id}," in line)
        lines[k] += changed.get(f.id, f"{(f.nominal - 0.07) * scale:.4f}")
    return read_sheet("\n".join(lines))


def only(sheet: Sheet) -> Blunder:
    (found,) = find_blunders(sheet)
    return found


def test_a_good_sheet_has_none_and_neither_has_a_badly_set_printer() -> None:
    assert find_blunders(filled(cube(), {})) == []
    assert find_blunders(filled(cube(), {}, scale=0.965)) == []
    assert find_blunders(filled(cube(), {}, scale=1.04)) == []


@pytest.mark.parametrize(
    ("text", "cause", "proposal"),
    [
        ("1.574", "inch", 1.574 * 25.4),  # 1 inch is 25.4 mm by definition
        ("3.997", "point", 39.97),
        ("399.7", "point", 39.97),
        ("3997", "point", 39.97),
        ("93.97", "swapped digits", 39.97),
        ("139.97", "extra digit", 39.97),
        ("1015.24", "mm", 1015.24 / 25.4),
        ("93.97 mm", "swapped digits", 39.97),
        ("5.174 in", "swapped digits", 1.574 * 25.4),
    ],
)
def test_one_slip_is_named_with_what_was_meant(text: str, cause: str, proposal: float) -> None:
    found = only(filled(cube(), {"x_outside_low": text}))
    assert found.causes == (cause,)
    assert found.reading.text == text
    assert found.proposal == pytest.approx(proposal, abs=1e-9)
    assert "sheet.csv line " in found.explanation
    assert "x_outside_low" in found.explanation


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("3.97", "a digit missing"),  # 39.7 with the point moved, or 39.97 with a digit missing
        ("30.02", "the reading of x_outside_mid"),
        ("77.7", "nothing simple explains it: measure it again"),
    ],
)
def test_where_more_than_one_explanation_fits_the_user_is_asked(text: str, words: str) -> None:
    found = only(filled(cube(), {"x_outside_low": text}))
    assert found.proposal is None
    assert words in found.explanation


def test_a_bridge_that_hangs_down_is_no_blunder() -> None:
    rung = Feature(
        id="sag_1", kind=Kind.STEP, axis="", nominal=1.2, where="span 50", start=(0, 0, 0),
        end=(0, 0, 1), rung=50.0, group="sag",
    )  # fmt: skip
    assert abs(9.5 - 1.2) < window(rung) < abs(30 - 1.2)
    assert window(replace(rung, rung=None, group="")) < 1


def test_swapped_rows_are_said_once_and_mended_together() -> None:
    sheet = filled(cube(), {"x_outside_low": "9.53", "x_inside_well": "39.91"})
    found = only(sheet)
    assert found.causes == ("swapped rows",)
    assert [r.feature for r in found.readings] == ["x_outside_low", "x_inside_well"]
    mend = mended(sheet, [found])
    assert mend.values("x_outside_low") == (39.91,)
    assert mend.values("x_inside_well") == (9.53,)


@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_a_whole_sheet_in_the_other_unit_is_said_once(unit: str) -> None:
    other = 1 / 25.4 if unit == "mm" else 1.0
    sheet = filled(cube(), {}, unit=unit, scale=other)
    found = only(sheet)
    assert found.causes == ("whole sheet",)
    assert len(found.readings) == 21
    assert ("as inches" if unit == "mm" else "as millimetres") in found.explanation
    for f in cube().features:
        assert mended(sheet, [found]).values(f.id)[0] == pytest.approx(f.nominal - 0.07, abs=2e-3)


def test_a_whole_sheet_in_inches_with_one_blunder_of_its_own() -> None:
    sheet = filled(cube(), {"x_outside_mid": "99"}, scale=1 / 25.4)
    whole, single = find_blunders(sheet)
    assert whole.causes == ("whole sheet",)
    assert single.reading.feature == "x_outside_mid"
    assert len(whole.readings) == 20


def test_swapped_digits_in_a_narrow_window_round_a_fitted_value() -> None:
    found = explanations(39.79, 39.96, {}, 0.05, text="39.79")
    assert [e.cause for e in found] == ["swapped digits"]
    assert only_proposal(found) == pytest.approx(39.97)


def test_a_missing_decimal_in_a_narrow_window() -> None:
    found = explanations(39.7, 39.96, {}, 0.05, text="39.7")
    assert [(e.cause, e.value) for e in found] == [("missing digit", pytest.approx(39.97))]


def test_nothing_is_said_of_a_value_that_fits() -> None:
    assert explanations(39.97, 40.0, {"another": 39.9}, 0.1) == ()


@given(st.floats(5, 200), st.floats(-0.02, 0.02), st.floats(-0.4, 0.4))
def test_a_plausible_print_is_never_suspected_and_inches_always_are(
    nominal: float, scale: float, offset: float
) -> None:
    true = nominal * (1 + scale) + offset
    tolerance = 0.06 * nominal + 0.6
    assert explanations(true, nominal, {}, tolerance) == ()
    typed = round(true / 25.4, 4)
    found = explanations(typed, nominal, {}, tolerance, text=f"{typed}")
    assert "inch" in [e.cause for e in found]


@given(st.lists(st.floats(1e-3, 1e4), min_size=21, max_size=21))
def test_no_reading_is_dropped_and_every_one_outside_its_window_is_named(
    values: list[float],
) -> None:
    piece = cube()
    sheet = filled(piece, {f.id: f"{v:.5f}" for f, v in zip(piece.features, values, strict=True)})
    found = find_blunders(sheet)
    named = [r.feature for b in found for r in b.readings]
    wide = [r.feature for r in sheet.readings
            if abs(r.value - piece.feature(r.feature).nominal) > window(piece.feature(r.feature))]  # fmt: skip
    assert sorted(named) == sorted(wide)
    assert len(mended(sheet, found).readings) == len(sheet.readings) == 21
