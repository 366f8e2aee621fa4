"""One cell of a sheet: numbers, units, judgements and "not measured" as people write them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.readings.cells import CellError, parse_cell
from patterns.feature import Feature, Kind

INCH = 25.4  # exact, by definition


def feature(kind: Kind, nominal: float = 40.0, grades: tuple[str, ...] = ()) -> Feature:
    return Feature(
        id="f", kind=kind, axis="X", nominal=nominal, where="here", start=(0, 0, 0), end=(1, 0, 0),
        grades=grades,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("39.97", 39.97),
        ("39,97", 39.97),
        (" 39.97 ", 39.97),
        ("\u00a039,97\u202f", 39.97),
        ("+39.97", 39.97),
        ("39.", 39.0),
        (",5", 0.5),
        ("3.997E+01", 39.97),
        ("'39.97", 39.97),
        ("３９.９７", 39.97),
        ("39.97 mm", 39.97),
        ("39.97mm", 39.97),
        ("39,97 Mm.", 39.97),
        ("3.997 cm", 39.97),
        ("39970 µm", 39.97),
        ("39970 μm", 39.97),
        ('1.574"', 1.574 * INCH),
        ("1.574″", 1.574 * INCH),
        ("1.574”", 1.574 * INCH),
        ("1.574''", 1.574 * INCH),
        ("1.574 in", 1.574 * INCH),
        ("1,574 inches", 1.574 * INCH),
        ("1574 thou", 1.574 * INCH),
        ("0.03997 m", 39.97),
        ("\u200f39.97\u200e", 39.97),  # marks of direction: Unicode Standard Annex 9
        ("\u20661.574 in\u2069", 1.574 * INCH),
    ],
)
def test_a_length_with_or_without_its_unit(text: str, mm: float) -> None:
    assert parse_cell(text, feature(Kind.OUTSIDE)) == pytest.approx(mm, rel=1e-12)
    # The cell's own unit wins on a sheet in inches; a bare number is then in inches.
    has_unit = any(c.isalpha() and c.lower() != "e" for c in text) or text[-1] in "\"″”'"
    expected = mm if has_unit else mm * INCH
    assert parse_cell(text, feature(Kind.OUTSIDE), "inch") == pytest.approx(expected, rel=1e-12)


def test_300_mm_are_11_8_inches() -> None:
    assert parse_cell("11.811 in", feature(Kind.OUTSIDE)) == pytest.approx(300.0, abs=0.001)


@pytest.mark.parametrize(
    ("text", "g"),
    [("12,3 g", 12.3), ("12.3", 12.3), ("12.3 Gramm", 12.3), ("0.0123 kg", 12.3),
     ("12300 mg", 12.3), ("1 oz", 28.349523125)],  # avoirdupois ounce, exact
)  # fmt: skip
@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_a_mass_is_in_grams_whatever_the_unit_of_lengths(text: str, g: float, unit: str) -> None:
    assert parse_cell(text, feature(Kind.MASS, 12.0), unit) == pytest.approx(g)


@pytest.mark.parametrize(
    "text", ["", " ", "-", "--", "–", "—", "n/a", "N/A", "n.a.", "not measured", "?"]
)
@pytest.mark.parametrize("kind", [Kind.OUTSIDE, Kind.MASS, Kind.SCORE, Kind.PASS])
def test_not_measured(text: str, kind: Kind) -> None:
    assert parse_cell(text, feature(kind)) is None


@pytest.mark.parametrize(
    ("text", "value"),
    [("yes", 1), ("Y", 1), ("pass", 1), ("OK", 1), ("1", 1), ("x", 1), ("✓", 1), ("TRUE", 1),
     ("no", 0), ("N", 0), ("fail", 0), ("0", 0), ("✗", 0), ("FALSE", 0)],
)  # fmt: skip
def test_a_judgement(text: str, value: float) -> None:
    assert parse_cell(text, feature(Kind.PASS, 1.0)) == value


def test_a_grade_is_its_place_in_the_list() -> None:
    graded = feature(Kind.PASS, 2.0, ("stuck", "press", "slide", "loose"))
    assert [parse_cell(t, graded) for t in ("stuck", "Press", " SLIDE", "loose", "2", "")] == [
        0, 1, 2, 3, 2, None,
    ]  # fmt: skip
    with pytest.raises(CellError, match="'yes' is not a grade"):
        parse_cell("yes", graded)
    with pytest.raises(CellError, match="'4' is not a grade"):
        parse_cell("4", graded)


def test_a_score_is_from_0_to_10() -> None:
    assert [parse_cell(t, feature(Kind.SCORE, 10.0)) for t in ("7", "7/10", "0", "7,5", "10")] == [
        7, 7, 0, 7.5, 10,
    ]  # fmt: skip
    for text in ("11", "-1", "good"):
        with pytest.raises(CellError, match=r"score|not a number"):
            parse_cell(text, feature(Kind.SCORE, 10.0))


def test_a_sag_may_be_nothing_at_all() -> None:
    assert parse_cell("0", feature(Kind.STEP, 0.0)) == 0.0


@given(
    st.floats(0.001, 9_999), st.sampled_from(["", " mm", "mm", " cm", " in", '"']), st.booleans()
)
def test_every_way_to_write_a_length_means_the_same(mm: float, unit: str, comma: bool) -> None:
    factor = {"cm": 10.0, "in": INCH, '"': INCH}.get(unit.strip(), 1.0)
    text = f"{mm / factor:.9f}{unit}"
    got = parse_cell(text.replace(".", ",") if comma else text, feature(Kind.OUTSIDE))
    assert got == pytest.approx(mm, abs=1e-7)
