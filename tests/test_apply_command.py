"""`truebead apply` as a user meets it."""

import json
import os
import re
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from patterns.schedule import schedule_csv
from tests.test_apply_schedule import rows, tower

APP = build_app()

PRINTER = ["--build", "220x220x250", "--hot-end-max", "250"]


def run(*args):
    return CliRunner().invoke(APP, ["apply", *map(str, args)], env={"COLUMNS": "160"})


@pytest.fixture
def lamp(tmp_path):
    path = tmp_path / "lamp.gcode"
    path.write_text(tower(4), encoding="utf-8")
    return path


def stl(path, size=200.0):
    corners = [0, 0, 0, size, 0, 0, 0, size, size]
    path.write_bytes(bytes(80) + struct.pack("<I12fH", 1, 0, 0, 1, *corners, 0))
    return path


def test_gcode_is_corrected_checked_and_told_about(lamp):
    before = lamp.read_text(encoding="utf-8")
    answer = run(lamp, "--scale-x", 100.3, "--skew-xy", 0.2, "--flow", 97, *PRINTER, "--check")
    assert answer.exit_code == 0, answer.output
    assert "agrees: filament laid down, mm" in answer.output
    assert "about X110 Y110 Z0 mm" in answer.output
    out = lamp.with_name("lamp.corrected.gcode")
    assert f"wrote {out}\n" in answer.output
    assert out.read_text(encoding="utf-8").startswith("; corrected by truebead: coordinates mapped")
    assert lamp.read_text(encoding="utf-8") == before


def test_a_schedule_and_json(lamp, tmp_path):
    (tmp_path / "schedule.csv").write_text(
        schedule_csv(rows("hot_end_c", 240, 230, start=0, height=2), "")
    )
    answer = run(lamp, "--schedule", tmp_path / "schedule.csv", *PRINTER, "--check", "--json")
    told = json.loads(answer.stdout)
    assert [i["gcode"] for i in told["inserted"]] == ["M104 S240", "M104 S230"]
    assert [round(i["z_mm"], 3) for i in told["inserted"]] == [0.2, 2.2]
    assert told["checks"]
    assert all(c["good"] for c in told["checks"])
    assert told["written"].endswith("lamp.corrected.gcode")


def test_dry_run_shows_the_first_changes_and_writes_nothing(lamp, tmp_path):
    answer = run(lamp, "--scale-z", 101, "--dry-run", "--check", *PRINTER)
    assert answer.exit_code == 0
    assert "    - G1 Z5\n    + G1 Z5.05\n" in answer.output
    assert "nothing written (--dry-run)" in answer.output
    assert "agrees" in answer.output
    assert [p.name for p in tmp_path.iterdir()] == ["lamp.gcode"]


def test_a_model_is_mapped_and_its_sizes_told(tmp_path):
    answer = run(stl(tmp_path / "ring.stl"), "--scale-x", 100.5, "--build", "200x300x300")
    assert answer.exit_code == 0, answer.output
    assert "size before 200.000 x 200.000 x 200.000 mm" in answer.output
    assert "size after  201.000 x 200.000 x 200.000 mm" in answer.output
    assert "the corrected model is 201.00 mm along X; the printer builds 200 mm" in answer.output
    told = json.loads(run(tmp_path / "ring.stl", "--scale-x", 100.5, "--force", "--json").stdout)
    assert told["size_after_mm"] == pytest.approx([201, 200, 200])


def test_values_are_shown_and_printed(tmp_path):
    answer = run(
        "--skew-xy", 0.2, "--flow", 97, "--card", tmp_path / "c.html", "--csv", tmp_path / "v.csv"
    )
    assert "lean of Y towards +X" in answer.output
    assert "<svg" in (tmp_path / "c.html").read_text(encoding="utf-8")
    assert "flow_percent,extrusion multiplier,100.0,97.0,%" in (tmp_path / "v.csv").read_text(
        encoding="utf-8"
    )
    assert json.loads(run("--flow", 97, "--json").stdout)["values"][0]["new"] == 97


def kept_store(tmp_path, *found):
    from calib.store import open_store
    from tests.storekit import keep, workshop

    where = str(tmp_path / "store.sqlite")
    with open_store(where) as opened:
        keep(workshop(opened), corrections=list(found))
    return ["--store", where]


def test_a_kept_correction_comes_out_of_a_real_store(lamp, tmp_path):
    from calib.model.correction import Verdict
    from tests.storekit import correction

    where = kept_store(
        tmp_path,
        correction("scale_x_percent", 100.4, 100.0, unit="%", u=0.005),
        correction("scale_y_percent", 100.01, 100.0, unit="%", u=0.02, verdict=Verdict.LEAVE),
        correction("flow_percent", 96.0, 98.0, unit="%", u=0.1),
    )
    answer = run(lamp, *where, "--in-gcode", "flow", "--check")
    assert answer.exit_code == 0, answer.output
    # What is known of the type beforehand moves a sure value by next to nothing.
    assert re.search(
        r"about X110 Y110 Z0 mm by rows \(1\.00(39|40)\d\d 0.000000 0.000000\) \(0 1.000000",
        answer.output,
    )
    # Put into G-code it is not set when slicing, so the whole of it is needed.
    assert "Put into G-code: flow 96.0 %. Have flow 100.0 % in the printer" in answer.output
    assert "filament multiplied by 0.96" in answer.output
    assert "not checked" not in answer.output  # the limits are the printer's


def test_scale_and_steps_found_one_after_the_other_are_both_needed(lamp, tmp_path):
    """The scale was measured through the new steps: leaving it out would lose it."""
    from calib.model.correction import Scope
    from calib.store import open_store
    from tests.storekit import correction, keep

    steps = correction("steps_x_per_mm", 80.4, 80.0, scope=Scope.PRINTER, unit="steps/mm", u=0.01)
    where = kept_store(tmp_path, steps)
    with open_store(where[1]) as opened:
        scale = correction("scale_x_percent", 100.2, 100.0, instead_of="steps_x_per_mm", u=0.01)
        keep(opened, "cube-2", corrections=[scale])
    answer = run(lamp, *where)
    assert re.search(r"rows \(1\.00(19|20)\d\d 0.000000 0.000000\)", answer.output)
    assert "left out: steps/mm of X 80.40 (steps_x_per_mm;" in answer.output


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["none.gcode", "--flow", "98"], "none.gcode: there is no such file"),
        (["lamp.gcode", "--flow", "9"], "--flow: flow_percent of 9 % makes no sense"),
        (["lamp.gcode", "--scale-x", "3"], "--scale-x: scale_x_percent of 3 % makes no sense"),
        (["lamp.gcode", "--scale-x", "nan"], "--scale-x: scale_x_percent of nan % makes no sense"),
        (["lamp.gcode", "--skew-xy", "9"], "skew XY of 9 degrees is out of range"),
        (["lamp.gcode", "--flow", "98", "--build", "big"], "not a build volume"),
        (["lamp.gcode", "--flow", "98", "--centre", "1,2"], "--centre: '1,2' is not a point"),
        (
            ["lamp.gcode", "--scale-x", "102", "--centre", "0,0,0", "--build", "110x200x50"],
            "outside the build volume",
        ),
        (["lamp.gcode", "--schedule", "/dev/zero"], "that is a device, not a file"),
        (
            ["lamp.gcode", "--flow", "98", "--out", "link.gcode", "--force"],
            "that is a link, which is not replaced",
        ),
        (
            ["lamp.gcode", "--flow", "98", "--e-in-g91", "maybe"],
            "is relative or absolute, not 'maybe'",
        ),
        (["folder.gcode", "--flow", "98"], "that is a folder, not a file"),
        (["pipe.gcode", "--flow", "98"], "that is a pipe, not a file"),
        (["page.gcode", "--flow", "98"], "this is no G-code"),
        (["lamp.gcode", "--flow", "98", "--hot-end-max", "200"], "sets the hot end to 215 degC"),
        (["lamp.gcode", "--flow", "98", "--out", "lamp.gcode", "--force"], "replace its source"),
        (["lamp.gcode", "--flow", "98", "--out", "other.stl"], "is a .gcode like its source"),
        (["lamp.gcode", "--flow", "98", "--out", "nowhere/x.gcode"], "the folder does not exist"),
        (["ring.stl", "--flow", "98"], "--flow: only a sliced file can take this"),
        (["ring.stl", "--scale-x", "101", "--check"], "--check: only a sliced file"),
        (["notes.txt", "--scale-x", "101"], "files named *.txt can't be corrected"),
        (["old.corrected.gcode", "--flow", "98"], "would be corrected twice"),
    ],
)
def test_what_can_be_mended_is_one_line_and_exit_2(lamp, tmp_path, monkeypatch, args, message):
    monkeypatch.chdir(tmp_path)
    stl(tmp_path / "ring.stl")
    (tmp_path / "notes.txt").write_text("x")
    (tmp_path / "folder.gcode").mkdir()
    os.mkfifo(tmp_path / "pipe.gcode")
    (tmp_path / "link.gcode").symlink_to("nowhere.gcode")
    (tmp_path / "page.gcode").write_text("<html>\n<p>not found</p>\n</html>\n")
    (tmp_path / "old.corrected.gcode").write_text("G28\n")
    names = sorted(p.name for p in tmp_path.iterdir())
    answer = run(*args)
    assert answer.exit_code == 2
    assert message in answer.stderr
    assert answer.stderr.count("\n") == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == names


def test_a_result_that_is_there_is_not_replaced_unasked(lamp):
    assert run(lamp, "--flow", 98).exit_code == 0
    answer = run(lamp, "--flow", 98)
    assert (answer.exit_code, "is there already; add --force" in answer.stderr) == (2, True)
    assert run(lamp, "--flow", 98, "--force").exit_code == 0


def test_a_failed_check_keeps_the_result_back(lamp, monkeypatch):
    from calib.apply.gcode.writer import Writer

    real = Writer.write

    def wrong(self, edits):
        real(self, edits)
        edits.units[edits.chosen] += 100 * (edits.table.letter[edits.chosen] == ord("E"))

    monkeypatch.setattr(Writer, "write", wrong)
    answer = run(lamp, "--flow", 98, "--check")
    assert answer.exit_code == 2
    assert "the check failed: filament up to line" in answer.stderr
    assert not lamp.with_name("lamp.corrected.gcode").exists()


@pytest.mark.parametrize(
    ("words", "heavy"),
    [
        (["--help"], "numpy jinja2 segno sqlalchemy"),
        (
            ["lamp.gcode", "--scale-x", "100.3"],
            "jinja2 segno sqlalchemy",
        ),  # where there is no store
    ],
)
def test_nothing_heavy_is_loaded_that_is_not_needed(tmp_path, words, heavy):
    (tmp_path / "lamp.gcode").write_text("G28\nG1 X10 Y10 Z1\n")
    code = (
        "import sys, typer; from calib.commands import apply; app = typer.Typer(); apply.register(app);"
        f"app.command('x')(lambda: None); app(['apply', *{words!r}], standalone_mode=False);"
        f"heavy = set({heavy!r}.split()) & set(sys.modules); assert not heavy, heavy"
    )
    root = str(Path(__file__).parents[1])
    env = {**os.environ, "PYTHONPATH": root}
    subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, cwd=tmp_path, env=env
    )
    assert (tmp_path / "lamp.corrected.gcode").exists() == (words != ["--help"])
