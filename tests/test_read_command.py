"""`truebead read` and `truebead sheet` as a user meets them."""

import json
import os
import pty
import select
import signal
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from calib.cli import build_app
from calib.files import write_atomic
from calib.readings import Sheet, read_sheet, read_table, sheet_csv
from calib.readings.fill import cells
from calib.workshop.entering import Answering, answer_in_file, of_file
from patterns import registry
from patterns.feature import Feature, Kind
from patterns.spec import PrintSetup
from tests.processkit import Child, program

runner = CliRunner()


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    piece = registry.get("dimensional-cube").piece({"size_mm": "40"}, PrintSetup())
    path = tmp_path / "sheet.csv"
    text = sheet_csv(
        piece,
        "c1",
        datetime(2026, 3, 12, tzinfo=UTC),
        repeats=2,
        keys={"spool": "a, b", "jaws_closed_mm": "0.00"},
    )
    path.write_text(text, encoding="utf-8")
    return path


def run(*arguments: str, answers: list[str] | None = None) -> Result:
    return runner.invoke(build_app(), list(arguments), input="\n".join([*(answers or []), ""]))


def typed(path: Path, answers: list[str]) -> Sheet:
    result = run("read", str(path), answers=answers)
    assert result.exit_code == 0, result.output
    return read_sheet(path)


def all_values(s: Sheet) -> list[float]:
    return [r.value for r in s.readings]


def test_all_readings_of_a_piece(sheet: Path) -> None:
    piece = read_sheet(sheet).piece
    answers = [f"{f.nominal - 0.03 - 0.01 * k:.2f}".replace(".", ",") for f in piece.features for k in (0, 1)]  # fmt: skip
    result = run("read", str(sheet), answers=answers)
    assert result.exit_code == 0
    assert f"Kept 42 new readings in {sheet}; 0 are still empty." in result.output
    assert f"Next: truebead solve {sheet}" in result.output
    done = read_sheet(sheet)
    assert done.piece == piece
    assert done.keys["spool"] == "a, b"
    for f in piece.features:
        assert done.values(f.id) == pytest.approx((f.nominal - 0.03, f.nominal - 0.04))
    assert "every reading is there already" in run("read", str(sheet)).output


def test_closed_jaws_are_asked_for_once_and_another_reading_is_not_taken_for_them(
    sheet: Path,
) -> None:
    blank = sheet.read_text("utf-8").replace("# jaws_closed_mm: 0.00", "# jaws_closed_mm:")
    sheet.write_text(blank, "utf-8")
    said = run("read", str(sheet), answers=["39.97", "0,01", "39.98", "q"]).output
    assert "Closed jaws show about 0" in said
    found = read_sheet(sheet)
    assert found.keys["jaws_closed_mm"] == "0.01"
    assert all_values(found) == [39.98]
    assert "closed jaws" not in run("read", str(sheet), answers=["q"]).output


def test_a_number_where_yes_or_no_is_asked_is_the_reading_once_more(sheet: Path) -> None:
    found = typed(sheet, ["12.15", "39.96", "q"])
    assert all_values(found) == [39.96]


def test_number_place_and_nominal_are_shown(sheet: Path) -> None:
    out = run("read", str(sheet), answers=["q"]).output
    assert "piece c1, dimensional-cube, 42 readings to go" in out
    assert "(1) low terrace, across the whole piece, along X, nominal 40 mm, outside jaws" in out
    assert "reading 1 of 2, mm" in out


def test_skip_not_measured_stop_and_resume(sheet: Path) -> None:
    first = typed(sheet, ["39.97", "", "-", "29.96", "q"])
    assert [(r.feature, r.value) for r in first.readings] == [
        ("x_outside_low", 39.97), ("x_outside_mid", 29.96),
    ]  # fmt: skip
    # Goes on after the last one; what was skipped comes at the end, "-" never again.
    out = run("read", str(sheet), answers=["5.18", "q"]).output
    assert "39 readings to go" in out
    assert "(3) wall beside the well" in out
    assert read_sheet(sheet).values("x_wall_near") == (5.18,)
    answers = [""] * 37 + ["39.95"]
    assert typed(sheet, answers).values("x_outside_low") == (39.97, 39.95)


def test_back_to_the_one_before(sheet: Path) -> None:
    result = run("read", str(sheet), answers=["b", "39.97", "39.98", "b", "39.99", "q"])
    assert "This is the first one." in result.output
    assert "[39.98]" in result.output
    assert read_sheet(sheet).values("x_outside_low") == (39.97, 39.99)


def test_help_and_nonsense_ask_again(sheet: Path) -> None:
    result = run("read", str(sheet), answers=["?", "forty", "12. Mar", "39.97", "q"])
    assert "not measured, do not ask again" in result.output
    assert "'forty' is not a number; write a number such as 39.97" in result.output
    assert "'12. Mar' is a date" in result.output
    assert all_values(read_sheet(sheet)) == [39.97]


def test_inches_are_questioned_at_once_and_kept_as_typed(sheet: Path) -> None:
    result = run(
        "read", str(sheet), answers=["1.574", "y", "1.573", "y", "y", "1.180", "29.9 mm", "q"]
    )
    assert "You typed 1.574: inches, 39.98 mm? [y/n]" in result.output
    assert result.output.count("inches, ") == 2  # the third one is taken as agreed
    text = sheet.read_text(encoding="utf-8")
    assert ",1.574 in,1.573 in" in text
    assert ",1.180 in,29.9 mm" in text
    assert all_values(read_sheet(sheet)) == pytest.approx([39.9796, 39.9542, 29.972, 29.9])


def test_a_slip_is_mended_kept_or_typed_again(sheet: Path) -> None:
    answers = ["399.7", "y", "399.8", "n", "n", "39.98", "77", "what", "y", "30.02", "q"]
    result = run("read", str(sheet), answers=answers)
    assert "the decimal point one place too far right, 39.97 mm?" in result.output
    assert "y or n, or the number once more." in result.output
    assert all_values(read_sheet(sheet)) == pytest.approx([39.97, 39.98, 77, 30.02])
    assert f"Look again: {sheet} line" in result.output


def test_the_reading_of_another_place_is_asked_about(sheet: Path) -> None:
    result = run("read", str(sheet), answers=["30.02", "n", "39.98", "q"])
    assert "It may be the reading of x_outside_mid." in result.output
    assert all_values(read_sheet(sheet)) == [39.98]


def test_judgements_are_asked_once_with_their_words(tmp_path: Path) -> None:
    graded = ("stuck", "press", "slide", "loose")

    def feature(id: str, kind: Kind, grades: tuple[str, ...] = ()) -> Feature:
        return Feature(
            id=id, kind=kind, axis="", nominal=1.0, where=id, start=(0, 0, 0), end=(0, 0, 0),
            jaws="", grades=grades,
        )  # fmt: skip

    cube = registry.get("dimensional-cube").piece({"size_mm": "40"}, PrintSetup())
    judged = replace(
        cube,
        features=(feature("span", Kind.PASS), feature("peg", Kind.PASS, graded),
                  feature("band", Kind.SCORE), feature("whole", Kind.MASS)),
    )  # fmt: skip
    table = read_table(sheet_csv(judged, "c1", "2026-03-12", repeats=3))
    sheet = Sheet(piece=judged, piece_id="c1", readings=())
    asked = [(c.feature.id, c.repeat, c.repeats, c.unit_word) for c in cells(table, sheet)]
    assert asked == [
        ("span", 1, 1, "yes/no"), ("peg", 1, 1, "stuck/press/slide/loose"), ("band", 1, 1, "0-10"),
        ("whole", 1, 3, "g"), ("whole", 2, 3, "g"), ("whole", 3, 3, "g"),
    ]  # fmt: skip


def test_json_at_the_end_and_prompts_elsewhere(sheet: Path) -> None:
    result = run("read", str(sheet), "--json", answers=["39.97", "q"])
    assert json.loads(result.stdout) == {
        "sheet": str(sheet), "piece": "c1", "typed": 1, "empty": 41, "doubtful": [],
    }  # fmt: skip


def test_the_byte_order_mark_of_a_spreadsheet_stays(sheet: Path) -> None:
    sheet.write_bytes(sheet.read_text(encoding="utf-8").encode("utf-16"))
    assert all_values(typed(sheet, ["39.97", "q"])) == [39.97]
    assert sheet.read_bytes().startswith(b"\xef\xbb\xbf")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "there is no such file"),
        (b"\x89PNG\r\n\x1a\n", "this is a PNG picture"),
        (b"", "the file is empty"),
    ],
)
def test_a_bad_sheet_is_one_line_and_exit_2(
    tmp_path: Path, content: bytes | None, words: str
) -> None:
    path = tmp_path / "lost.csv"
    if content is not None:
        path.write_bytes(content)
    result = run("read", str(path))
    assert result.exit_code == 2
    assert words in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


def test_a_folder_stands_for_its_sheet(sheet: Path) -> None:
    assert run("read", str(sheet.parent), answers=["39.97", "q"]).exit_code == 0
    assert all_values(read_sheet(sheet.parent)) == [39.97]


# A real process


def _answer(process: Child, path: Path, text: str, count: int) -> None:
    """Type one answer and wait until the sheet holds `count` readings."""
    process.stdin.write(text + "\n")
    process.stdin.flush()
    until = time.monotonic() + 60
    while len(read_sheet(path).readings) < count:
        assert time.monotonic() < until, "the answer never reached the sheet"
        time.sleep(0.01)


def test_killed_in_the_middle_and_resumed(sheet: Path) -> None:
    process = program("read", str(sheet))
    for k, text in enumerate(["39.97", "39.96", "29.98"], 1):
        _answer(process, sheet, text, k)
    process.kill()
    process.communicate()
    assert all_values(read_sheet(sheet)) == [39.97, 39.96, 29.98]
    assert [p.name for p in sheet.parent.iterdir()] == ["sheet.csv"]
    assert all_values(typed(sheet, ["29.97", "q"])) == [39.97, 39.96, 29.98, 29.97]


def test_ctrl_c_keeps_everything(sheet: Path) -> None:
    process = program("read", str(sheet))
    _answer(process, sheet, "39.97", 1)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Kept 1 new reading" in out
    assert "Traceback" not in err
    assert all_values(read_sheet(sheet)) == [39.97]


def test_what_another_program_writes_meanwhile_stays(sheet: Path) -> None:
    process = program("read", str(sheet))
    _answer(process, sheet, "39.97", 1)
    theirs = sheet.read_text(encoding="utf-8").replace("39.97", "39.99")
    sheet.write_text(theirs, encoding="utf-8")
    process.communicate("39.98\nq\n", timeout=60)
    assert process.returncode == 0
    assert all_values(read_sheet(sheet)) == [39.99, 39.98]


def test_a_sheet_that_another_program_is_just_writing_stops_no_answer(
    sheet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def then_emptied(path: Path, data: bytes, *, force: bool) -> None:
        write_atomic(path, data, force=force)
        path.write_bytes(b"")  # as one that begins to write it does

    first = of_file(sheet).order[0]
    monkeypatch.setattr("calib.files.write_atomic", then_emptied)
    taken = answer_in_file(sheet, Answering(feature=first.feature, text="39.97"))
    assert taken.measuring.question(first.feature, 1).text == "39.97"


def test_a_cell_that_another_program_filled_meanwhile_is_not_overwritten(sheet: Path) -> None:
    process = program("read", str(sheet))
    _answer(process, sheet, "39.97", 1)
    time.sleep(0.5)  # until the next question stands there, for an empty cell
    table = read_table(sheet)
    row = table.rows[0]
    theirs = table.with_cell(row.line, table.reading_columns[1], "39.95").text()
    sheet.write_text(theirs, encoding="utf-8")
    _, err = process.communicate("39.98\nq\n", timeout=60)
    assert process.returncode == 2
    assert "now 39.95" in err
    assert sheet.read_text(encoding="utf-8") == theirs


def test_at_a_real_terminal(sheet: Path) -> None:
    us, them = pty.openpty()
    process = program("read", str(sheet), terminal=them)
    os.close(them)
    seen = _until(us, b"reading 1 of 2, mm: ")
    os.write(us, b"39.97\r")
    seen += _until(us, b"reading 2 of 2, mm: ")
    os.write(us, b"q\r")
    seen += _until(us, b"Next: truebead read")
    assert process.wait(timeout=60) == 0
    process.close()
    os.close(us)
    assert b"(1) low terrace" in seen
    assert all_values(read_sheet(sheet)) == [39.97]


def _until(terminal: int, words: bytes) -> bytes:
    seen, until = b"", time.monotonic() + 60
    while words not in seen:
        assert time.monotonic() < until, seen
        if select.select([terminal], [], [], 0.1)[0]:
            seen += os.read(terminal, 4096)
    return seen


# `truebead sheet`


def test_the_sheet_of_a_pattern_without_its_solid(tmp_path: Path) -> None:
    folder = tmp_path / "cube"
    result = run("sheet", "dimensional-cube", "--set", "size_mm=50", "--out", str(folder),
                 "--unit", "inch", "--repeats", "4", "--semicolons", "--nozzle-mm", "0.6")  # fmt: skip
    assert result.exit_code == 0, result.output
    assert sorted(p.name for p in folder.iterdir()) == ["sheet.csv", "sheet.html"]
    found = read_sheet(folder)
    assert found.unit == "inch"
    assert found.piece.spec.as_text()["size_mm"] == "50.0"
    assert found.piece.setup.nozzle_mm == 0.6
    assert (
        "1;x_outside_low;low terrace, across the whole piece, along X;outside;X;1,9685;in;;;;"
        in ((folder / "sheet.csv").read_text(encoding="utf-8"))
    )
    page = (folder / "sheet.html").read_text(encoding="utf-8")
    assert found.piece_id in page
    assert "1.9685 in" in page
    assert page.count("<svg") >= 4  # the picture, and three ways to hold a caliper


def test_a_folder_gets_its_page_again_and_keeps_its_readings(sheet: Path) -> None:
    typed(sheet, ["39.97", "q"])
    before = sheet.read_bytes()
    assert run("sheet", str(sheet.parent)).exit_code == 0
    assert "c1" in (sheet.parent / "sheet.html").read_text(encoding="utf-8")
    assert sheet.read_bytes() == before
    again = run("sheet", str(sheet.parent))
    assert again.exit_code == 2
    assert "sheet.html is there already; add --force to replace it" in again.stderr
    assert run("sheet", str(sheet), "--force").exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["cubes"], "there is no pattern 'cubes'"),
        (["dimensional-cube", "--set", "size_mm"], "'size_mm' is not name=value"),
        (["dimensional-cube", "--set", "size_mm=1"], "size_mm must be 25 mm or more"),
        (["dimensional-cube", "--unit", "feet"], "a sheet is in mm or inch"),
        (["dimensional-cube", "--repeats", "0"], "1 to 50 readings"),
        (["dimensional-cube", "--build", "30"], "'30' is not a build volume"),
    ],
)
def test_bad_arguments_write_nothing(tmp_path: Path, arguments: list[str], words: str) -> None:
    result = run("sheet", *arguments, "--out", str(tmp_path / "new"))
    assert result.exit_code == 2
    assert words in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "new").exists()
