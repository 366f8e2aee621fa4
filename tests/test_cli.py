"""The command line as a user meets it: answers, exit codes, one-line errors, quick help."""

import json
import re
import subprocess
import sys

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from calib.readings import read_sheet, sheet_csv
from patterns import registry
from patterns.spec import PrintSetup
from tests.simulate import Caliper, Printer, readings

APP = build_app()


def run(*args):
    return CliRunner().invoke(APP, [str(a) for a in args])


def filled(tmp_path, name, printer, caliper=None, seed=5, **given):
    """Write a sheet with simulated readings, as a user would have filled it in."""
    piece = registry.get(name).piece(given, PrintSetup())
    which, value = readings(
        piece.features, printer, caliper or Caliper(), np.random.default_rng(seed)
    )
    by_id = {}
    for i, v in zip(which, value, strict=True):
        by_id.setdefault(piece.features[i].id, []).append(f"{v:.2f}")
    lines = []
    for line in sheet_csv(piece, "abcd1234", "2026-03-01T10:00:00").splitlines():
        cells = line.split(",")
        read = by_id.get(cells[1]) if len(cells) > 6 and not line.startswith("#") else None
        lines.append(line.rstrip(",") + "," + ",".join(read) if read else line)
    path = tmp_path / f"{name}.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def corrections(result):
    return {
        c["setting"]: c for f in json.loads(result.stdout)["findings"] for c in f["corrections"]
    }


def test_solve_finds_the_printers_errors(tmp_path):
    truth = Printer(scale=(-0.004, -0.003, 0), offset_mm=0.12, skew={"XY": 0.006})
    result = run(
        "solve", filled(tmp_path, "squareness-frame", truth), "--now", "steps_x_per_mm=80", "--json"
    )
    assert result.exit_code == 0
    found = corrections(result)
    assert found["steps_x_per_mm"]["new"] == pytest.approx(80 / 0.996, abs=0.05)
    assert found["scale_y_percent"]["new"] == pytest.approx(100 / 0.997, abs=0.05)
    assert found["outline_offset_mm"]["new"] == pytest.approx(-0.06, abs=0.02)
    assert found["skew_xy_deg"]["new"] == pytest.approx(np.degrees(0.006), abs=0.02)
    assert {c["verdict"] for c in found.values()} == {"apply"}


def test_a_true_printer_is_left_alone(tmp_path):
    result = run("solve", filled(tmp_path, "squareness-frame", Printer()), "--json")
    assert result.exit_code == 0
    assert {c["verdict"] for c in corrections(result).values()} == {"leave"}


def test_one_material_is_said_and_the_mechanics_speak(tmp_path):
    sheet = filled(tmp_path, "step-gauge", Printer(scale=(-0.005, -0.005, 0)))
    text = run("solve", sheet).stdout
    assert "One material alone can't tell" in text
    assert "carriage-travel" in text


def test_too_little_to_settle_asks_for_a_longer_piece_and_exits_1(tmp_path):
    sheet = filled(tmp_path, "dimensional-cube", Printer(), size_mm="30")
    result = run("solve", sheet, "--tolerance-mm", "0.02", "--part-mm", "100")
    assert result.exit_code == 1
    assert "truebead make step-gauge" in result.stdout


def test_a_wrong_pulley_is_not_taken_for_slips_of_the_hand(tmp_path):
    """16 teeth for 20 at 80 steps/mm: everything along X comes out at 16/20."""
    sheet = filled(tmp_path, "step-gauge", Printer(scale=(-0.2, 0.0, 0.0)))
    result = run("solve", sheet, "--now", "steps_x_per_mm=80", "--json")
    assert json.loads(result.stdout)["suspects"] == []
    assert corrections(result)["steps_x_per_mm"]["new"] == pytest.approx(100, abs=0.1)


def test_a_gross_error_without_a_known_cause_is_not_scaled_away(tmp_path):
    sheet = filled(tmp_path, "step-gauge", Printer(scale=(0.12, 0.0, 0.0)))
    result = run("solve", sheet, "--now", "steps_x_per_mm=80", "--json")
    assert result.exit_code == 1
    found = corrections(result)
    assert "scale_x_percent" not in found
    assert found["steps_x_per_mm"]["verdict"] == "print again"
    assert "wrong part" in found["steps_x_per_mm"]["reason"]
    assert found["scale_y_percent"]["verdict"] == "leave"


def test_a_slip_is_shown_not_used_and_exits_1(tmp_path):
    sheet = filled(tmp_path, "step-gauge", Printer())
    text = sheet.read_text(encoding="utf-8")
    slipped = re.sub(
        r"(,144,mm,)([\d.]+)", lambda m: f"{m[1]}{float(m[2]) / 10:.3f}", text, count=1
    )
    assert slipped != text
    sheet.write_text(slipped, encoding="utf-8")
    result = run("solve", sheet)
    assert result.exit_code == 1
    assert "decimal point" in result.stdout
    assert "not used" in result.stdout
    assert run("solve", sheet, "--accept").exit_code == 0


BAD_ARGUMENTS = [
    (["solve", "nowhere.csv"], "no such file"),
    (["make", "step-guage"], "did you mean step-gauge?"),
    (["make", "step-gauge", "--set", "pitch_mm"], "name=value"),
    (["make", "step-gauge", "--set", "pitch_mm=wide"], "is not a number"),
    (["make", "step-gauge", "--set", "pitch=40"], "there is no parameter 'pitch'"),
    (["make", "step-gauge", "--set", "pitch_mm=40", "--set", "pitch_mm=50"], "given twice"),
    (["make", "step-gauge", "--set", "pitch_mm=5000"], "must be 20 to 200 mm"),
    (["make", "step-gauge", "--set", "reach_mm=1000"], "the printer builds 220.0 mm"),
    (["make", "step-gauge", "--set", "tooth_mm=nan"], "must be 0 to 30 mm"),
    (["make", "squareness-frame", "--set", "plane=XW"], "is not one of XY, XZ, YZ"),
    (["make", "dimensional-cube", "--build", "big"], "is not a build volume"),
    (["make", "dimensional-cube", "--build", "220x220"], "three numbers"),
    (["make", "dimensional-cube", "--nozzle-mm", "0"], "nozzle_mm must be"),
    (["make", "dimensional-cube", "--layer-mm", "0.5"], "more than 0.8 x the nozzle"),
    (["make", "dimensional-cube", "--line-mm", "3"], "does not suit a nozzle"),
    (["make", "dimensional-cube", "dimensional-cube"], "named twice"),
    (["make", "step-gauge", "--set", "wall-box.wall_mm=2"], "which is not being made"),
    (
        [
            "make",
            "corner-gauge",
            "step-gauge",
            "--set",
            "reach_mm=92",
            "--build",
            "110x110x100",
            "--plate",
        ],
        "does not fit on a plate",
    ),
    (["make", "carriage-travel", "--plate"], "nothing to print"),
    (["make", "dimensional-cube", "--unit", "cubit"], "mm or inch"),
]


@pytest.mark.parametrize(("args", "said"), BAD_ARGUMENTS, ids=lambda v: " ".join(v)[:50])
def test_bad_arguments_give_one_clear_line(args, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run(*args)
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert "Traceback" not in result.output
    assert list(tmp_path.iterdir()) == []


@pytest.mark.kernel
def test_make_writes_the_folder_and_never_over_it(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run("make", "dimensional-cube")
    assert result.exit_code == 0, result.output
    folder = tmp_path / "dimensional-cube"
    assert {p.name for p in folder.iterdir()} == {
        "piece.stl", "piece.3mf", "piece.step", "sheet.csv", "sheet.html",
    }  # fmt: skip
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    again = run("make", "dimensional-cube")
    assert again.exit_code == 2
    assert "--force" in again.stderr
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    assert run("make", "dimensional-cube", "--force").exit_code == 0


@pytest.mark.kernel
def test_several_pieces_on_one_plate(tmp_path, monkeypatch):
    import lib3mf

    monkeypatch.chdir(tmp_path)
    result = run("make", "dimensional-cube", "weigh-block", "--plate", "--out", "kit",
                 "--set", "dimensional-cube.size_mm=30")  # fmt: skip
    assert result.exit_code == 0, result.output
    model = lib3mf.get_wrapper().CreateModel()
    model.QueryReader("3mf").ReadFromFile(str(tmp_path / "kit" / "plate.3mf"))
    items, boxes = model.GetBuildItems(), []
    while items.MoveNext():
        item = items.GetCurrent()
        corners = np.array([v.Coordinates[:] for v in item.GetObjectResource().GetVertices()])
        shift = [item.GetObjectTransform().Fields[3][i] for i in range(3)]
        boxes.append((corners.min(axis=0) + shift, corners.max(axis=0) + shift))
    assert len(boxes) == 2
    (low_a, high_a), (low_b, high_b) = boxes
    assert (low_a[:2] > high_b[:2]).any() or (low_b[:2] > high_a[:2]).any()
    assert min(low_a.min(), low_b.min()) >= -1e-6
    assert (tmp_path / "kit" / "weigh-block" / "sheet.csv").exists()


def test_list_says_what_each_piece_answers_and_takes():
    rows = {r["name"]: r for r in json.loads(run("list", "--json").stdout)}
    assert rows["step-gauge"]["minutes"] > 10
    assert rows["carriage-travel"]["printed"] is False
    text = run("list").stdout
    assert all(r["answers"] in text for r in rows.values())


def test_a_check_without_plastic_has_a_sheet_and_no_solid(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run("make", "carriage-travel").exit_code == 0
    assert {p.name for p in (tmp_path / "carriage-travel").iterdir()} == {"sheet.csv", "sheet.html"}


def test_help_of_every_command_has_an_example():
    for name, command in _commands(APP).items():
        assert "Example" in (command.epilog or ""), name
        assert command.help, name


def _commands(app):
    """Return every command by its whole name, those of groups too."""
    import typer.main

    found = {}
    for name, command in typer.main.get_command(app).commands.items():
        inner = getattr(command, "commands", None)
        found |= {f"{name} {n}": c for n, c in inner.items()} if inner else {name: command}
    return found


def test_help_is_quick_and_loads_nothing_heavy():
    heavy = [
        "OCP",
        "cadquery",
        "cv2",
        "numpy",
        "scipy",
        "sklearn",
        "sqlalchemy",
        "alembic",
        "matplotlib",
    ]
    code = (
        "import sys; from calib.cli import build_app; build_app();"
        f"print([m for m in {heavy!r} if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


@pytest.fixture
def workshop(tmp_path, monkeypatch):
    """Return a folder with a store of one printer, nozzle and two spools."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TRUEBEAD_STORE", str(tmp_path / "store.db"))
    for words in (
        "add printer lantern --build 220x220x250 --hot-end-max 260",
        "add nozzle brass --printer lantern --size 0.4",
        "add spool white --type PLA",
        "add spool red --type PETG",
    ):
        assert run(*words.split()).exit_code == 0
    return tmp_path


def fill(folder, sheet_name, printer, seed=5):
    """Write simulated readings into a made sheet; return its path."""
    path = folder / sheet_name / "sheet.csv"
    made = read_sheet(path)
    which, value = readings(made.piece.features, printer, Caliper(), np.random.default_rng(seed))
    by_id = {}
    for i, v in zip(which, value, strict=True):
        by_id.setdefault(made.piece.features[i].id, []).append(f"{v:.2f}")
    lines = []
    for line in path.read_text(encoding="utf-8").splitlines():
        cells = line.split(",")
        read = by_id.get(cells[1]) if len(cells) > 6 and not line.startswith("#") else None
        lines.append(line.rstrip(",") + "," + ",".join(read) if read else line)
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_pieces_made_together_are_not_corrected_twice_over(workshop):
    who = ["--printer", "lantern", "--nozzle", "brass", "--spool", "white"]
    truth = Printer(scale=(-0.004, -0.004, 0), offset_mm=0.12)
    for name in ("step-gauge", "squareness-frame"):
        assert run("sheet", name, *who).exit_code == 0
    for name in ("step-gauge", "squareness-frame"):
        assert run("keep", fill(workshop, name, truth), *who).exit_code == 0
    shown = json.loads(run("profile", "show", "--json", *who).stdout)
    found = {v["setting"]: v["value"] for v in shown["settings"]}
    assert found["scale_x_percent"] == pytest.approx(100.4, abs=0.06)
    assert found["outline_offset_mm"] == pytest.approx(-0.06, abs=0.015)


def test_a_piece_of_one_spool_is_not_kept_for_another(workshop):
    run("sheet", "step-gauge", "--printer", "lantern", "--spool", "white")
    sheet = fill(workshop, "step-gauge", Printer())
    result = run("keep", sheet, "--printer", "lantern", "--nozzle", "brass", "--spool", "red")
    assert result.exit_code == 2
    assert "made for the spool white" in result.stderr
    assert run("keep", sheet, "--printer", "lantern", "--spool", "white").exit_code == 0


def test_a_piece_is_laid_out_for_the_type_of_its_spool(workshop):
    run("sheet", "temperature-tower", "--printer", "lantern", "--spool", "red", "--out", "tower")
    spec = read_sheet(workshop / "tower" / "sheet.csv").piece.spec
    assert spec.filament == "PETG"


def test_the_list_of_commands_cuts_no_sentence(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    for words in ([], ["profile"], ["store"], ["add"]):
        assert "..." not in run(*words, "--help").stdout.partition("Commands:")[2]


@pytest.mark.parametrize("size", ["0,6", "0.6 mm", "0,6mm"])
def test_numbers_are_read_as_people_write_them(tmp_path, size):
    store = f"--store={tmp_path / 's.sqlite'}"
    run("add", "printer", "lantern", "--build", "200x200x200", store)
    assert "0.6 mm" in run("add", "nozzle", "wide", "--size", size, store).stdout


def test_another_unit_in_an_option_is_refused(tmp_path):
    said = run("make", "strip", "--nozzle-mm", "0.4in", "--out", str(tmp_path / "p"))
    assert said.exit_code == 2
    assert "'0.4in' is not a number; write one such as 0.4" in said.output
