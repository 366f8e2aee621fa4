"""Readings with an uncertainty of their own: cells such as 60.03 ± 0.04, written and read again."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import SheetError
from calib.fit.dimensions import Shared
from calib.interpret.lengths import common_of, fitted, lengths, shared_by_photos
from calib.interpret.solve import Context
from calib.photo.defects import Defect
from calib.photo.measure import Length
from calib.photo.rows import fill_sheet, readings_of, shared_of, with_shared
from calib.readings import read_sheet, read_table, sheet_csv, sheet_of
from calib.readings.cells import CellError, parse_cell, parse_reading, reading_text
from patterns.feature import Feature, Kind
from patterns.registry import get
from patterns.spec import PrintSetup

GAUGE = get("step-gauge").piece({}, PrintSetup())


def feature(kind: Kind = Kind.OUTSIDE, nominal: float = 60.0) -> Feature:
    return Feature(
        id="f", kind=kind, axis="X", nominal=nominal, where="here", start=(0, 0, 0), end=(1, 0, 0)
    )


@pytest.mark.parametrize(
    "text",
    [
        "60.03 ± 0.04", "60,03±0,04", "60.03 +- 0.04", "60.03 +/- 0.04", "60.03+/-0.04 mm",
        "60.03 + / - 0.04 mm", "60.03 ± 0.04 mm", "60.03 mm ± 0.04 mm", "60.03 mm ± 0.04",
        "60.03 mm ± 40 µm", "(60.03 ± 0.04) mm", "6.003 ± 0.004 cm", "+60.03 +− 0.04",
    ],
)  # fmt: skip
def test_number_behind_plus_minus_is_twice_the_standard_uncertainty(text: str) -> None:
    # JCGM 100:2008, 7.2.4: Y = y ± U with U = k u; k = 2 is about 95 % (6.3.3).
    value, u = parse_reading(text, feature())
    assert value == pytest.approx(60.03)
    assert u == pytest.approx(0.02)


def test_example_of_the_gum() -> None:
    # JCGM 100:2008, 7.2.2 and 7.2.4: m = 100.021 47 g, u = 0.35 mg; U = 0.70 mg with k = 2.
    value, u = parse_reading("(100.02147 ± 0.00070) g", feature(Kind.MASS, 100.0))
    assert value == pytest.approx(100.02147)
    assert u == pytest.approx(0.35e-3)


def test_inches_and_readings_without_an_uncertainty() -> None:
    value, u = parse_reading("2.363 ± 0.002", feature(), "inch")
    assert (value, u) == pytest.approx((2.363 * 25.4, 0.001 * 25.4))
    assert parse_reading("60.03", feature()) == (60.03, None)
    assert parse_reading("n/a", feature()) == (None, None)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("60.03 ±", "not a number"),
        ("± 0.04", "not a number"),
        ("60.03 ± 0.04 ± 0.01", "not a number"),
        ("60.03 ± -0.04", "no uncertainty"),
        ("60.03 ± 0", "no uncertainty"),
        ("60.03 ± 80", "no uncertainty"),
        ("60.03 ± nan", "not a number"),
        ("60.03 ± 0.1 %", "unit that is known"),
        ("60.03 ± 0.04 g", "is in g"),
        ("60.03 ± 1e99", "no uncertainty"),
        ("n/a ± 0.04", "not a number"),
        ("=A1 ± 0.04", "formula"),
        ("(60.03 ± 0.04", "not a number"),
        ("60.0.3 ± 0.04", "more than one way"),
    ],
)
def test_broken_uncertainty_gives_one_clear_line(text: str, words: str) -> None:
    with pytest.raises(CellError, match=words) as caught:
        parse_reading(text, feature())
    assert "\n" not in str(caught.value)
    assert caught.value.mend


@pytest.mark.parametrize("kind", [Kind.PASS, Kind.SCORE])
def test_judgement_has_no_uncertainty(kind: Kind) -> None:
    with pytest.raises(CellError, match="no ±"):
        parse_reading("7 ± 1", feature(kind, 10.0))


@given(st.floats(0.01, 9_000), st.floats(0.0005, 0.004), st.sampled_from(["mm", "inch"]))
def test_written_reading_is_read_as_it_was(value: float, share: float, unit: str) -> None:
    u = max(share * value, 0.001)
    got, got_u = parse_reading(reading_text(value, u, "mm"), feature(nominal=value), unit)
    assert got == pytest.approx(value, abs=0.00051)
    assert got_u == pytest.approx(u, abs=0.00026)


@given(st.text(alphabet="0123456789.,±+-/ mµ()ingx'\"=#", max_size=20))
def test_any_text_gives_a_reading_or_one_line(text: str) -> None:
    value, u, words = None, None, ""
    try:
        value, u = parse_reading(text, feature())
    except CellError as err:
        words = str(err)
    assert "\n" not in words
    assert value is None or math.isfinite(value)
    assert u is None or (value is not None and 0 < u < value)
    if u is None and not words:
        assert value == parse_cell(text, feature())


def measured(own: float = 0.01, scale: float = 3e-4, edge: float = 0.03) -> list[Length]:
    rng = np.random.default_rng(2)
    return [
        Length(
            f, f.nominal * 1.002 + rng.normal(0, own), own, edge, scale * f.nominal, (), (), "a.jpg"
        )
        for f in GAUGE.features
        if f.kind in (Kind.OUTSIDE, Kind.PITCH, Kind.INSIDE)
    ]


@pytest.mark.parametrize("separator", [",", ";"])
@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_readings_of_a_photo_come_back_from_the_sheet_with_scale(separator: str, unit: str) -> None:
    found = measured()
    table = read_table(sheet_csv(GAUGE, "g", "2026-03-01", unit=unit, separator=separator))
    readings = readings_of(found)
    table, count = fill_sheet(table, GAUGE, readings)
    assert count == len(readings) == len(found)
    shared = shared_of(found)
    assert shared is not None
    assert (shared.scale_u, shared.edge_mm) == pytest.approx((3e-4, 0.03), rel=0.01)
    sheet = read_sheet(with_shared(table, shared).text())
    by_id = {r.feature: r for r in sheet.readings}
    for r in readings:
        assert by_id[r.feature].value == pytest.approx(r.value, abs=0.00051)
        assert by_id[r.feature].u == pytest.approx(0.01)  # without what is common
    assert shared_by_photos(sheet) == Shared(scale_u=3e-4, edge_mm=0.03)
    small, large = Shared(scale_u=1e-4, edge_mm=0.04), Shared(scale_u=7e-4, edge_mm=0.02)
    again = with_shared(with_shared(table, small), large)
    largest = Shared(scale_u=7e-4, edge_mm=0.04)
    assert shared_by_photos(sheet_of(again)) == largest
    assert shared_by_photos(sheet_of(with_shared(again, small))) == largest
    for key in ("photo_scale_u", "photo_edge_u_mm"):
        assert again.text().count(f"# {key}:") == 2  # its meaning, and the line itself


def test_scale_of_the_mat_limits_how_well_the_scale_of_the_piece_is_known() -> None:
    found = measured(own=0.002, edge=0.0)
    for scale_u in (2e-4, 5e-3):
        table, _ = fill_sheet(
            read_table(sheet_csv(GAUGE, "g", "2026-03-01")), GAUGE, readings_of(found)
        )
        sheet = sheet_of(with_shared(table, Shared(scale_u=scale_u)))
        sizes = [f for f in GAUGE.features if f.id in {r.feature for r in sheet.readings}]
        fit = fitted(sizes, lengths(sheet), common_of(sheet, Context()))
        scale = fit.linear["scale_x"]
        assert scale.value == pytest.approx(0.002, abs=0.0006)
        assert scale.u > 0.99 * scale_u  # a weak prior of 10 % on the piece's own takes a little
        assert scale.u < math.hypot(scale_u, 5e-4)


def test_how_edges_look_limits_how_well_the_outline_offset_is_known() -> None:
    # JCGM 100:2008, 5.2 and F.1.2.4: an error that all readings share does not average out.
    found = measured(own=0.002)
    for edge_mm in (0.005, 0.05):
        table, _ = fill_sheet(
            read_table(sheet_csv(GAUGE, "g", "2026-03-01")), GAUGE, readings_of(found)
        )
        sheet = sheet_of(with_shared(table, Shared(edge_mm=edge_mm)))
        sizes = [f for f in GAUGE.features if f.id in {r.feature for r in sheet.readings}]
        fit = fitted(sizes, lengths(sheet), common_of(sheet, Context()))
        offset, scale = fit.linear["offset_x"], fit.linear["scale_x"]
        assert 0.97 * edge_mm < offset.u < math.hypot(edge_mm, 0.02)
        assert scale.u < 8e-4  # which edges do not touch


@pytest.mark.parametrize("key", ["photo_scale_u", "photo_edge_u_mm"])
@pytest.mark.parametrize("text", ["many", "-0.1", "1.5", "nan"])
def test_broken_line_of_what_photos_share_is_named(key: str, text: str) -> None:
    filled = sheet_csv(GAUGE, "g", "2026-03-01", keys={key: text})
    with pytest.raises(SheetError, match=key):
        shared_by_photos(read_sheet(filled))


def test_thickness_with_sag_is_written_with_its_uncertainty() -> None:
    ladder = get("bridge-ladder").piece({}, PrintSetup())
    sag = ladder.feature("sag_1")
    readings = readings_of((), [Defect(sag, "thickness", 1.45, "mm", 0.06)])
    table, _ = fill_sheet(read_table(sheet_csv(ladder, "b", "2026-03-01")), ladder, readings)
    reading = read_sheet(table.text()).readings[0]
    assert (reading.value, reading.u) == pytest.approx((1.45, 0.06))
