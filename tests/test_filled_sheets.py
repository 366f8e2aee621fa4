"""What somebody measured and typed in is never lost, whatever is made anew over it."""

import json
import re

import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from calib.readings import read_sheet, read_table
from calib.readings.table import Table, table_of


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def run(*words, typed=None, code=0):
        env = {"TRUEBEAD_STORE": str(tmp_path / "s.sqlite")}
        result = CliRunner().invoke(build_app(), list(words), env=env, input=typed)
        assert result.exit_code == code, result.output
        return result.stdout

    return run


def fill(path, values=("39.97", "40.01 ± 0.02", "1.575 in")):
    """Write readings into the first rows of a sheet."""
    table, left = read_table(path), list(values)
    for row in table.rows[: len(left)]:
        table = table.with_cell(row.line, table.reading_columns[0], left.pop(0))
    path.write_text(table.text(), encoding="utf-8")
    return path.read_bytes()


@pytest.mark.parametrize("verb", ["make", "sheet"])
def test_a_filled_sheet_is_kept_beside_what_is_made_anew(run, tmp_path, verb):
    new = ["--set", "size_mm=50"]
    run(verb, "dimensional-cube", *new)
    sheet = tmp_path / "dimensional-cube" / "sheet.csv"
    first = fill(sheet)
    said = run(verb, "dimensional-cube", *new, "--force")
    assert "kept as dimensional-cube/sheet.1.csv" in said
    assert (sheet.parent / "sheet.1.csv").read_bytes() == first
    assert not read_sheet(sheet).readings
    second = fill(sheet, ("41.0",))
    report = json.loads(run(verb, "dimensional-cube", *new, "--force", "--json"))
    kept = (report[0] if isinstance(report, list) else report)["kept_beside"]
    assert kept == "sheet.2.csv"
    assert (sheet.parent / "sheet.1.csv").read_bytes() == first
    assert (sheet.parent / "sheet.2.csv").read_bytes() == second


def test_an_empty_sheet_leaves_nothing_beside(run, tmp_path):
    run("sheet", "dimensional-cube", "--repeats", "4")
    assert "kept" not in run("sheet", "dimensional-cube", "--repeats", "4", "--force")
    names = sorted(p.name for p in (tmp_path / "dimensional-cube").iterdir())
    assert names == ["sheet.csv", "sheet.html"]


@pytest.mark.parametrize("text", ["not a sheet any more\n", "", "# pattern: x\n"])
def test_what_can_t_be_read_is_kept_as_well(run, tmp_path, text):
    run("sheet", "dimensional-cube", "--repeats", "4")
    sheet = tmp_path / "dimensional-cube" / "sheet.csv"
    sheet.write_text(text, encoding="utf-8")
    run("sheet", "dimensional-cube", "--repeats", "4", "--force")
    assert (sheet.parent / "sheet.1.csv").read_text(encoding="utf-8") == text


def test_lines_of_the_head_count_as_filled_in(run, tmp_path):
    run("sheet", "hole-plate")
    sheet = tmp_path / "hole-plate" / "sheet.csv"
    text = sheet.read_text(encoding="utf-8")
    key = read_sheet(sheet).piece.head_lines[0]
    sheet.write_text(text.replace(f"\n# {key.key}:", f"\n# {key.key}: {key.example}", 1))
    run("sheet", "hole-plate", "--repeats", "4", "--force")
    assert (sheet.parent / "sheet.1.csv").exists()


def test_semicolons_for_a_folder_keep_readings_id_and_parameters(run, tmp_path):
    run("sheet", "dimensional-cube", "--set", "size_mm=50", "--nozzle-mm", "0.6")
    sheet = tmp_path / "dimensional-cube" / "sheet.csv"
    fill(sheet)
    before = read_sheet(sheet)
    run("sheet", "dimensional-cube", "--semicolons", "--force")
    after = read_sheet(sheet)
    rows = [line for line in sheet.read_text(encoding="utf-8").splitlines() if line[:1].isdigit()]
    assert rows[0].split(";")[5:8] == ["50", "mm", "39,97"]
    assert (after.piece_id, after.piece, after.keys) == (
        before.piece_id,
        before.piece,
        before.keys,
    )
    assert [(r.feature, r.value, r.u) for r in after.readings] == [
        (r.feature, r.value, r.u) for r in before.readings
    ]
    assert len(after.readings) == 3
    run("sheet", "dimensional-cube", "--semicolons", "--force")  # and once more
    assert read_sheet(sheet).readings == after.readings


def test_the_temperature_of_the_piece_counts_as_filled_in(run, tmp_path):
    run("sheet", "dimensional-cube")
    sheet = tmp_path / "dimensional-cube" / "sheet.csv"
    text = sheet.read_text(encoding="utf-8")
    sheet.write_text(re.sub(r"(?m)^# part_c:.*$", "# part_c: 27", text), encoding="utf-8")
    assert read_sheet(sheet).part_c == 27
    run("sheet", "dimensional-cube", "--repeats", "4", "--force")
    assert (sheet.parent / "sheet.1.csv").exists()


def test_a_sheet_that_would_not_read_the_same_with_semicolons_is_kept_beside(
    run, tmp_path, monkeypatch
):
    run("sheet", "dimensional-cube")
    sheet = tmp_path / "dimensional-cube" / "sheet.csv"
    before = fill(sheet)
    true = Table.with_separator

    def faulty(table, separator):
        made = true(table, separator)
        return made.with_cell(made.rows[0].line, made.reading_columns[0], "41")

    monkeypatch.setattr(Table, "with_separator", faulty)
    run("sheet", "dimensional-cube", "--semicolons", "--force")
    assert (sheet.parent / "sheet.1.csv").read_bytes() == before


def test_semicolons_leave_comments_letter_by_letter():
    text = "# note: a, b; c\nnumber,feature,where,kind,axis,nominal,unit,reading 1\n1,a,x.1,o,X,1.5,mm,2.5\n"
    table = table_of(text, "s").with_separator(";")
    assert table.text().splitlines() == [
        '"# note: a, b; c"',
        "number;feature;where;kind;axis;nominal;unit;reading 1",
        "1;a;x.1;o;X;1,5;mm;2,5",
    ]
