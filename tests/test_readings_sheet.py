"""Measurement sheets: what is written is read back, as people and spreadsheets fill it in."""

import csv
import io
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.errors import SheetError
from calib.model.instrument import DEFAULTS, Instrument
from calib.readings import read_sheet, sheet_csv
from patterns import registry
from patterns.errors import SpecError
from patterns.filaments import filaments
from patterns.piece import Piece
from patterns.spec import Param, PrintSetup, Spec

MADE = datetime(2026, 3, 12, 14, 30, tzinfo=UTC)


def cube(**given: str) -> Piece:
    return registry.get("dimensional-cube").piece({"size_mm": "40", **given}, PrintSetup())


def filled(*cells: str, **options: object) -> str:
    """Return the sheet of a cube with cells in the reading columns of its first feature."""
    text = sheet_csv(cube(), "c1", MADE, repeats=max(1, len(cells)), **options)  # type: ignore[arg-type]
    rows = list(csv.reader(io.StringIO(text)))
    row = next(r for r in rows if r[:2] == ["1", "x_outside_low"])
    row[7 : 7 + len(cells)] = cells
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def read(*cells: str) -> tuple[float, ...]:
    return read_sheet(filled(*cells)).values("x_outside_low")


# Round trip


def _values(name: str, spec_type: type[Spec]) -> st.SearchStrategy[dict[str, object]]:
    def one(param: Param, default: object) -> st.SearchStrategy[object]:
        if param.choices:
            return st.sampled_from(param.choices)
        if isinstance(default, str):
            return st.sampled_from(sorted(filaments()))  # the one sort of word there is
        if isinstance(default, int):
            return st.integers(int(param.low), int(min(param.high, 50)))
        near = float(default) if isinstance(default, float) else 0.0
        spread = max(0.3 * near, 0.05)
        low, high = max(param.low, near - spread), min(param.high, near + spread)
        return st.floats(low, high)

    fields = {k: one(p, d) for k, (p, d) in spec_type.params().items()}
    return st.fixed_dictionaries({}, optional=fields)


@pytest.mark.parametrize("name", sorted(registry.all_patterns() | registry.all_checks()))
@settings(max_examples=40)  # of each pattern
@given(data=st.data())
def test_any_piece_comes_back_exactly(name: str, data: st.DataObject) -> None:
    recipe = registry.get(name)
    given_values = data.draw(_values(name, recipe.spec_type))
    nozzle = data.draw(st.sampled_from([0.25, 0.4, 0.6, 0.8]))
    try:
        setup = PrintSetup(
            nozzle_mm=nozzle, layer_mm=data.draw(st.floats(0.2 * nozzle, 0.7 * nozzle)),
            build_x_mm=data.draw(st.floats(200, 400)),
        )  # fmt: skip
        piece = recipe.lay_out(recipe.spec_type(**given_values), setup)
    except SpecError:
        return
    unit = data.draw(st.sampled_from(["mm", "inch"]))
    separator = data.draw(st.sampled_from([",", ";", "\t"]))
    caliper = Instrument(
        name="caliper", kind="caliper", unit="mm", resolution=data.draw(st.floats(1e-3, 0.1)),
        mpe=data.draw(st.floats(0, 0.1)), repeatability=0.02, jaw_mpe=0.01, reach=200.0,
    )  # fmt: skip
    text = sheet_csv(
        piece, "p-7", MADE, {"caliper": caliper}, unit=unit, separator=separator,
        keys={"printer": "Workshop; left, \"old\"", "spool": "grey"}, part_c=21.5,
    )  # fmt: skip
    sheet = read_sheet(text.encode())
    assert sheet.piece == piece
    assert (sheet.piece_id, sheet.unit, sheet.part_c) == ("p-7", unit, 21.5)
    assert sheet.readings == ()
    assert sheet.instruments == {**DEFAULTS, "caliper": caliper}
    assert sheet.keys["printer"] == 'Workshop; left, "old"'
    assert sheet.keys["made"] == "2026-03-12T14:30:00+00:00"


def test_the_sheet_says_all_about_itself() -> None:
    lines = sheet_csv(cube(), "c1", MADE, keys={"spool": "grey"}).splitlines()
    for line in (
        "# truebead sheet: 1", "# pattern: dimensional-cube", "# piece: c1",
        "# made: 2026-03-12T14:30:00+00:00", "# unit: mm", "# spool: grey", "# spec.size_mm: 40.0",
        "# setup.nozzle_mm: 0.4", "# caliper_resolution_mm: 0.01", "# caliper_mpe_mm: 0.03",
        "# caliper_repeatability_mm: 0.015", "# balance_mpe_g: 0.1", "# part_c:",
    ):  # fmt: skip
        assert line in lines
    assert "number,feature,where,kind,axis,nominal,unit,reading 1" in lines
    assert (
        '1,x_outside_low,"low terrace, across the whole piece, along X",outside,X,40,mm,' in lines
    )


@pytest.mark.parametrize("text", ["23.5", "23,5", "23.5 °C", "23.5C", "23,5 degC", '"23,5"'])
def test_the_temperature_of_the_piece_as_people_write_it(text: str) -> None:
    sheet = sheet_csv(cube(), "c1", MADE).replace("# part_c:", f"# part_c: {text}")
    if text.startswith('"'):  # quoted with the whole line, as a spreadsheet does
        sheet = sheet.replace('# part_c: "23,5"', '"# part_c: 23,5"')
    assert read_sheet(sheet).part_c == 23.5


@pytest.mark.parametrize(
    "options",
    [{"unit": "feet"}, {"repeats": 0}, {"repeats": 51}, {"separator": "x"},
     {"keys": {"pattern": "x"}}, {"keys": {"a:b": "x"}}, {"keys": {"spec.size_mm": "1"}}],
)  # fmt: skip
def test_what_can_not_be_written_is_refused(options: dict[str, object]) -> None:
    with pytest.raises(SheetError):
        sheet_csv(cube(), "c1", MADE, **options)  # type: ignore[arg-type]


def test_a_key_can_not_smuggle_in_another_line() -> None:
    sheet = read_sheet(sheet_csv(cube(), "c1\n# unit: inch", MADE, keys={"spool": "a\r\nb"}))
    assert sheet.unit == "mm"
    assert sheet.piece_id == "c1 # unit: inch"
    assert sheet.keys["spool"] == "a b"


INCH = 25.4  # exact, by definition


# The sheet as it comes back


def test_readings_know_where_they_were_read_and_what_was_written() -> None:
    sheet = read_sheet(filled("39.97", "", "39,98 mm"), "my sheet.csv")
    line = (
        filled().splitlines().index(next(x for x in filled().splitlines() if x.startswith("1,")))
        + 1
    )
    first, second = sheet.readings
    assert (first.feature, first.value, first.text) == ("x_outside_low", 39.97, "39.97")
    assert first.where == f"my sheet.csv line {line}, reading 1"
    assert (second.value, second.text) == (39.98, "39,98 mm")
    assert second.where.endswith("reading 3")


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]
)
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(encoding: str, newline: str) -> None:
    text = filled("39.97", "39970 µm").replace("\n", newline)
    assert read_sheet(text.encode(encoding)).values("x_outside_low") == pytest.approx(
        (39.97, 39.97)
    )


def _saved(text: str, separator: str, *, quote_all: bool = False, pad: int = 0) -> str:
    """Save as a spreadsheet does: rows padded to one width, another separator."""
    rows = list(csv.reader(io.StringIO(text)))
    width = max(map(len, rows)) + pad
    out = io.StringIO()
    writer = csv.writer(
        out, delimiter=separator, lineterminator="\r\n",
        quoting=csv.QUOTE_ALL if quote_all else csv.QUOTE_MINIMAL,
    )  # fmt: skip
    writer.writerows([r + [""] * (width - len(r)) for r in rows])
    writer.writerows([[""] * width] * 3)
    return out.getvalue()


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("quote_all", [False, True])
@pytest.mark.parametrize("pad", [0, 4])
def test_saved_by_a_spreadsheet(separator: str, quote_all: bool, pad: int) -> None:
    text = _saved(filled("39,97", "39,98"), separator, quote_all=quote_all, pad=pad)
    sheet = read_sheet(text)
    assert sheet.piece == cube()
    assert sheet.values("x_outside_low") == (39.97, 39.98)


def test_whole_rows_in_the_first_cell_with_readings_beside_them() -> None:
    plain = sheet_csv(cube(), "c1", MADE).splitlines()
    rows = [[line] for line in plain]
    row = next(r for r in rows if r[0].startswith("1,"))
    row += ["39,97", "39,98"]
    width = max(map(len, rows))
    out = io.StringIO()
    csv.writer(out, delimiter=";").writerows([r + [""] * (width - len(r)) for r in rows])
    sheet = read_sheet(out.getvalue())
    assert sheet.piece == cube()
    assert sheet.values("x_outside_low") == (39.97, 39.98)


def test_a_million_empty_rows_at_the_end() -> None:
    assert read_sheet(filled("39.97") + ",,,\n" * 900_000).values("x_outside_low") == (39.97,)


def test_extra_columns_of_readings_and_others_with_names() -> None:
    text = (
        filled("39.97")
        .replace("reading 1", "reading 1,who,reading 2,")
        .replace(",mm,39.97", ",mm,39.97,me,39.98,39.99")
    )
    assert read_sheet(text).values("x_outside_low") == (39.97, 39.98, 39.99)


def test_rows_may_be_moved_or_deleted_and_columns_left_out() -> None:
    lines = filled("39.97").splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("number,"))
    head, rows = lines[: at + 1], lines[at + 1 :]
    sheet = read_sheet("\n".join([*head, *reversed(rows[:5])]))
    assert sheet.values("x_outside_low") == (39.97,)
    short = [*lines[:at], "Feature;Reading 1", "X_Outside_Low;39,97", "y_outside_low;40,02"]
    sheet = read_sheet("\n".join(short))
    assert [(r.feature, r.value) for r in sheet.readings] == [
        ("x_outside_low", 39.97), ("y_outside_low", 40.02),
    ]  # fmt: skip


def test_a_head_below_the_table_is_found() -> None:
    lines = filled("39.97").splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("number,"))
    sheet = read_sheet("\n".join(lines[at:] + lines[:at]))
    assert sheet.values("x_outside_low") == (39.97,)


def test_a_nominal_value_that_a_spreadsheet_has_rounded_is_no_error() -> None:
    text = sheet_csv(cube(size_mm="41.2345"), "c1", MADE)
    assert ",41.2345,mm" in text
    assert read_sheet(text.replace(",41.2345,mm", ",41.23,mm")).piece == cube(size_mm="41.2345")


def test_grades_scores_and_judgements_of_real_pieces() -> None:
    def read_with(name: str, feature: str, text: str) -> tuple[float, ...]:
        piece = registry.get(name).piece({}, PrintSetup())
        rows = list(csv.reader(io.StringIO(sheet_csv(piece, "p", MADE))))
        next(r for r in rows if r[1:2] == [feature])[7] = text
        out = io.StringIO()
        csv.writer(out).writerows(rows)
        return read_sheet(out.getvalue()).values(feature)

    assert read_with("fit-gauge", "round_1", "Slide") == (2.0,)
    assert read_with("bridge-ladder", "pass_2", "no") == (0.0,)
    assert read_with("weigh-block", "mass", "22,3 g") == (22.3,)
    with pytest.raises(SheetError, match="'yes' is not a grade; write one of stuck, press, slide"):
        read_with("fit-gauge", "round_1", "yes")


# Units


def test_a_sheet_in_inches() -> None:
    text = filled("1.574", "39.97 mm", unit="inch")
    assert ",1.5748,in," in text
    assert read_sheet(text).values("x_outside_low") == pytest.approx((1.574 * INCH, 39.97))


@pytest.mark.parametrize(
    ("old", "new"),
    [("# unit: mm", "# unit: inch"), (",40,mm,", ",40,in,"), (",40,mm,", ',40,"""",')],
)
def test_whoever_changes_one_mark_of_the_unit_means_it(old: str, new: str) -> None:
    text = filled("1.574")
    assert old in text
    sheet = read_sheet(text.replace(old, new))
    assert sheet.values("x_outside_low") == pytest.approx((1.574 * INCH,))


def test_a_sheet_in_inches_changed_to_mm() -> None:
    text = filled("39.97", unit="inch")
    assert read_sheet(text.replace("# unit: inch", "# unit: mm")).values("x_outside_low") == (
        39.97,
    )
    assert read_sheet(text.replace(",in,", ",mm,")).values("x_outside_low") == (39.97,)


# Speed, and what is not needed


def test_a_thousand_readings_are_all_read() -> None:
    piece = cube()
    rows = list(csv.reader(io.StringIO(sheet_csv(piece, "g1", MADE, repeats=50))))
    for row in rows:
        if row[0].isdecimal():
            row[7:] = ["39,97"] * 25 + ["1.574 in"] * 25
    out = io.StringIO()
    csv.writer(out, delimiter=";").writerows(rows)
    count = len(read_sheet(out.getvalue().encode()).readings)
    assert count == 50 * len(piece.features) >= 1000


def test_sheets_need_neither_kernel_nor_store(tmp_path: Path) -> None:
    (tmp_path / "sheet.csv").write_text(filled("39.97"), encoding="utf-8")
    program = (
        "import sys; from pathlib import Path; from calib.readings import read_sheet, sheet_csv;"
        "s = read_sheet(Path(sys.argv[1])); sheet_csv(s.piece, 'x', '2026-03-12');"
        "heavy = {'OCP', 'cadquery', 'sqlalchemy', 'scipy', 'jinja2', 'numpy'} & set(sys.modules);"
        "print(len(s.readings), sorted(heavy))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.split()[0] == "1"
    assert not {"OCP", "cadquery", "sqlalchemy", "scipy", "jinja2"} & set(done.stdout.split("'"))


def test_a_line_written_below_fills_the_one_left_empty() -> None:
    """People add a line instead of filling in the one that is there; two values still contradict."""
    block = registry.get("weigh-block").piece({}, PrintSetup())
    text = sheet_csv(block, "p-1", "2026-03-12")
    assert "\n# extruded_mm:\n" in text
    for added in (text + "# extruded_mm: 7400\n", "# extruded_mm: 7400\n" + text):
        assert read_sheet(added.encode()).keys["extruded_mm"] == "7400"
    with pytest.raises(SheetError, match="keep one of the two lines"):
        read_sheet((text + "# extruded_mm: 7400\n# extruded_mm: 7500\n").encode())
