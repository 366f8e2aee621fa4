"""Where corrections take effect, story by story: nothing is corrected twice, and nothing is undone."""

import csv
import io
import json
import re
import shutil
import struct
import sys
from contextlib import chdir

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from calib.errors import BadInput
from calib.model.correction import Scope, Verdict
from calib.model.place import Place
from calib.readings import read_sheet
from calib.store import open_store
from calib.store.base import ChangedMeanwhile
from calib.store.records import Nozzle, Spool
from tests.processkit import Child, say
from tests.storekit import DATABASES, correction, fresh_url, keep, workshop

#: What the printer of the stories does to every length while nothing is set.
TRUE_SCALE = 1.003
SCALES = ["scale_x_percent", "scale_y_percent", "scale_z_percent"]


@pytest.fixture(params=DATABASES)
def store(request, tmp_path):
    with fresh_url(request.param, tmp_path) as url, open_store(url) as opened:
        yield workshop(opened, spools=("white-1", "white-2"))


def commands_in(folder):
    """Return what runs a command on a store in a folder."""
    env = {"TRUEBEAD_STORE": str(folder / "s.sqlite"), "COLUMNS": "200", "NO_COLOR": "1"}

    def run(line, code=0):
        result = CliRunner().invoke(build_app(), line.split(), env=env)
        assert result.exit_code == code, result.output
        return result.stdout if "--json" in line else result.output

    run.folder = folder
    return run


@pytest.fixture(scope="module")
def first_cube(tmp_path_factory):
    """Set a workshop up and keep a first cube, once for all stories that begin so."""
    run = commands_in(tmp_path_factory.mktemp("first-cube"))
    with chdir(run.folder):
        run("add printer lantern --build 220x220x250 --hot-end-max 260")
        run("add nozzle brass --size 0.4")
        run("add spool white-1 --type PLA")
        run.said = calibrate(run, "one", 100.0)
    return run


@pytest.fixture
def calibrated(first_cube, tmp_path, monkeypatch):
    shutil.copytree(first_cube.folder, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    run = commands_in(tmp_path)
    run.said = first_cube.said
    return run


def calibrate(run, name, set_percent, seed=1, spool="white-1"):
    """Make a sheet, print the cube with a scale set, fill it in and keep it; return what was said."""
    run(f"sheet dimensional-cube --printer lantern --spool {spool} --out {name} --repeats 3")
    path = run.folder / name / "sheet.csv"
    rng = np.random.default_rng(seed)
    text = path.read_text(encoding="utf-8")
    known = {f.id: f for f in read_sheet(text).piece.features}
    lines = []
    for line in text.splitlines():
        row = next(csv.reader([line]), [""])
        if len(row) > 1 and row[1] in known:
            true = known[row[1]].nominal * TRUE_SCALE * set_percent / 100
            row[-3:] = [f"{true + rng.normal(0, 0.008):.2f}" for _ in range(3)]
            out = io.StringIO()
            csv.writer(out, lineterminator="").writerow(row)
            line = out.getvalue()
        lines.append(line)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return run(f"keep {name}/sheet.csv --spool {spool}")


def now_line(run, name, setting="scale_x_percent"):
    return float(
        read_sheet((run.folder / name / "sheet.csv").read_text(encoding="utf-8")).keys[
            f"now.{setting}"
        ]
    )


def settings(run, spool="white-1"):
    said = json.loads(run(f"profile show --spool {spool} --json"))
    return {v["setting"]: v for v in said["settings"]}


def model(run, name="lamp.stl", size=100.0):
    corners = [0, 0, 0, size, 0, 0, 0, size, size]
    (run.folder / name).write_bytes(bytes(80) + struct.pack("<I12fH", 1, 0, 0, 1, *corners, 0))
    return name


def sliced(run, name="lamp.gcode"):
    (run.folder / name).write_text("G28\nG90\nM83\nG1 X100 Y100 Z1\nG1 X120 Y100 E1\n")
    return name


def size_after(run, line):
    return json.loads(run(f"apply {line} --force --json"))["size_after_mm"][0]


# --- the stories ------------------------------------------------------------------------------


def test_values_typed_into_the_printer_are_set_once(calibrated):
    assert "For your models, put into each by truebead apply FILE" in calibrated.said
    first = settings(calibrated)["scale_x_percent"]
    assert (first["place"], first["place_said_at"], first["is_set"]) == ("models", None, False)
    said = calibrated("apply --in-printer scale")
    assert "Calibration pieces are printed with it, files go without" in said
    assert re.search(r"size along X +99.* % +set$", said, re.MULTILINE)  # the table marks it
    after = settings(calibrated)["scale_x_percent"]
    assert (after["place"], after["is_set"]) == ("printer", True)
    # Files go without, of either kind.
    assert size_after(calibrated, model(calibrated)) == pytest.approx(100.0)
    assert "left out: size along X" in calibrated(f"apply {sliced(calibrated)}")
    # The next cube is printed with it, its sheet says so, and what comes out is left alone.
    assert "as if" not in calibrate(calibrated, "two", first["value"], seed=2)
    assert now_line(calibrated, "two") == first["value"]
    assert settings(calibrated)["scale_x_percent"]["value"] == pytest.approx(
        100 / TRUE_SCALE, abs=0.1
    )


def test_models_that_are_corrected_leave_calibration_pieces_alone(calibrated):
    value = settings(calibrated)["scale_x_percent"]["value"]
    assert size_after(calibrated, model(calibrated)) == pytest.approx(value, abs=1e-3)
    assert settings(calibrated)["scale_x_percent"]["place_said_at"]  # done once, it counts as said
    # The next cube is printed without it. Taken for corrected it would come out at 99.4.
    calibrate(calibrated, "two", 100.0, seed=2)
    assert now_line(calibrated, "two") == 100.0
    assert settings(calibrated)["scale_x_percent"]["value"] == pytest.approx(
        100 / TRUE_SCALE, abs=0.1
    )
    # G-code sliced from corrected models is not corrected once more.
    said = calibrated(f"apply {sliced(calibrated)}")
    assert "put into the models, so it would be corrected twice" in said
    assert "nothing to change" in said


def test_gcode_that_is_corrected_first_leaves_models_alone(calibrated):
    said = calibrated(f"apply {sliced(calibrated)}")
    assert "From now on put into G-code, not into models: size along X, size along Y" in said
    assert "nothing to change" not in said
    assert "From now on" not in calibrated("apply lamp.gcode --force")
    assert size_after(calibrated, model(calibrated)) == pytest.approx(100.0)
    told = json.loads(calibrated("apply lamp.stl --force --json"))
    assert "put into the G-code" in told["left_out"][0]["reason"]


def test_a_dry_run_says_nothing_for_later(calibrated):
    calibrated(f"apply {sliced(calibrated)} --dry-run")
    calibrated(f"apply {sliced(calibrated)} --dry-run --in-printer scale")
    assert settings(calibrated)["scale_x_percent"]["place_said_at"] is None
    assert "scale" not in calibrated("profile history --setting flow_percent")


def test_moving_from_the_printer_to_models_and_back(calibrated):
    calibrated("apply --in-printer scale")
    said = calibrated("apply --in-models scale")
    assert "100.00 % in the printer and the slicing settings, else it is corrected twice" in said
    value = settings(calibrated)["scale_x_percent"]["value"]
    assert size_after(calibrated, model(calibrated)) == pytest.approx(value, abs=1e-3)
    calibrated("apply --in-printer scale_x_percent")
    places = {s: settings(calibrated)[s]["place"] for s in SCALES}
    assert list(places.values()) == ["printer", "models", "models"]
    history = calibrated("profile history --setting scale_x_percent")
    words = [w for line in history.splitlines() for w in ("set,", "in models") if w in line]
    assert words == ["set,", "in models", "set,"]  # newest first, none forgotten


def test_a_new_spool_and_a_new_nozzle(calibrated):
    calibrated("apply --in-printer scale")
    calibrated("add spool white-2 --type PLA")
    calibrated("add nozzle brass-06 --printer lantern --size 0.6")
    new = json.loads(calibrated("profile show --nozzle brass-06 --spool white-2 --json"))[
        "settings"
    ]
    scale = {v["setting"]: v for v in new}["scale_x_percent"]
    # The new spool starts from the first one's value, in the same place, but nobody has set it.
    assert scale["inherited_from"] == ["white-1"]
    assert (scale["place"], scale["is_set"]) == ("printer", False)
    said = calibrated(
        "sheet dimensional-cube --printer lantern --nozzle brass --spool white-2 --out w2"
    )
    assert "To be set in the printer or the slicing settings before you print: size along X" in said
    assert now_line(calibrated, "w2") == scale["value"]


def test_a_value_that_was_never_set_is_noticed(calibrated):
    calibrated("apply --in-printer scale")
    value = settings(calibrated)["scale_x_percent"]["value"]
    said = calibrate(calibrated, "two", 100.0, seed=2)  # the sheet takes it to be set
    assert f"size along X: the very error of before is found once more, as if {value:.5g}" in said
    assert "# now.scale_x_percent:" in said


def test_a_value_that_was_set_unsaid_is_noticed(calibrated):
    value = settings(calibrated)["scale_x_percent"]["value"]
    said = calibrate(calibrated, "two", value, seed=2)  # the sheet takes it not to be
    assert f"size along X: the error of before is gone, as if {value:.5g}" in said
    # What is said there mends it.
    calibrated("profile undo --spool white-1")
    calibrated("apply --in-printer scale")
    path = calibrated.folder / "two" / "sheet.csv"
    text = path.read_text(encoding="utf-8")
    for s in SCALES:
        text = text.replace(f"# now.{s}: 100.0", f"# now.{s}: {settings(calibrated)[s]['value']!r}")
    path.write_text(text, encoding="utf-8")
    assert "as if" not in calibrated("keep two/sheet.csv")
    assert settings(calibrated)["scale_x_percent"]["value"] == pytest.approx(value, abs=0.1)


def test_what_is_taken_back_is_to_be_set_back(calibrated):
    assert "Set back" not in calibrated("profile undo")
    calibrated("keep one/sheet.csv")
    calibrated("apply --in-printer scale_x_percent")
    assert "slicing settings: scale_x_percent 100" in calibrated("profile undo")


def test_profile_next_and_report_show_where(calibrated):
    assert "in models" in calibrated("profile show")
    assert "For your models, put into each by truebead apply FILE: size along X" in (
        calibrated("next")
    )
    calibrated("apply --in-printer scale")
    assert json.loads(calibrated("next --json"))["places"]["scale_x_percent"] == {
        "place": "printer", "is_set": True,
    }  # fmt: skip
    calibrated("report --printer lantern --out r.html")
    assert '<td data-name="where">set</td>' in (calibrated.folder / "r.html").read_text(
        encoding="utf-8"
    )


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("apply --in-models flow", "--in-models: the profile has no flow; it has"),
        ("apply --in-printer scale --in-models scale_x_percent", "is put in two places"),
        ("apply --in-gcode outline_offset_mm", "outline_offset_mm can't be put into G-code"),
    ],
)
def test_what_cannot_be_is_one_line_and_nothing_is_kept(calibrated, line, message):
    said = calibrated(line, code=2)
    assert message in said
    assert said.count("\n") == 1
    assert settings(calibrated)["scale_x_percent"]["place_said_at"] is None


# --- the store --------------------------------------------------------------------------------


def scale(new=99.7, u=0.02, **change):
    return correction("scale_x_percent", new, 100.0, unit="%", u=u, **change)


def place_of(store, setting="scale_x_percent", **names):
    (found,) = [v for v in store.in_force(**names) if v.setting == setting]
    return found.place, found.is_set


def test_usual_places(store):
    keep(
        store,
        corrections=[scale(), correction(), correction("clearance_slide_round_mm", 0.2, None)],
    )
    found = {v.setting: v.where for v in store.in_force(spool="white-1")}
    assert found == {
        "scale_x_percent": "in models",
        "flow_percent": "to set",
        "clearance_slide_round_mm": "to draw",
    }


def test_a_newer_value_is_to_be_set_anew(store):
    keep(store, corrections=[scale()])
    store.say_place({"scale_x_percent": 99.7}, Place.PRINTER, spool="white-1")
    assert place_of(store, spool="white-1") == ("printer", True)
    # One sheet that contradicts another settles nothing; a third does.
    keep(store, "cube-2", corrections=[scale(99.2)])
    keep(store, "cube-3", corrections=[scale(99.21)])
    assert place_of(store, spool="white-1") == ("printer", False)
    # What was found to be left alone was set while the piece was printed.
    keep(store, "cube-4", corrections=[scale(99.2, verdict=Verdict.LEAVE)])
    assert place_of(store, spool="white-1") == ("printer", True)


def test_a_spools_own_word_goes_before_the_printers_newest(store):
    keep(store, corrections=[scale()])
    keep(store, "cube-2", spool="white-2", corrections=[scale(99.5)])
    store.say_place({"scale_x_percent": 99.7}, Place.MODELS, spool="white-1")
    store.say_place({"scale_x_percent": 99.5}, Place.PRINTER, spool="white-2")
    assert place_of(store, spool="white-1") == ("models", False)
    assert place_of(store, spool="white-2") == ("printer", True)
    now = store.context_for("lantern", "brass", "white-1").now
    assert now["scale_x_percent"] == 100.0
    assert store.context_for("lantern", "brass", "white-2").now["scale_x_percent"] == 99.5


def test_what_belongs_to_the_printer_is_set_for_every_spool_and_nozzle(store):
    keep(store, corrections=[correction("skew_xy_deg", 0.2, 0.0, scope=Scope.PRINTER)])
    store.add_nozzle(Nozzle(name="wide", printer="lantern", bore_mm=0.6))
    store.say_place({"skew_xy_deg": 0.2}, Place.PRINTER, spool="white-1")
    assert place_of(store, "skew_xy_deg", nozzle="wide", spool="white-2") == ("printer", True)


def test_looking_back_shows_the_places_of_that_time(store):
    keep(store, corrections=[scale()])
    before = store.history()[0].kept_at
    store.say_place({"scale_x_percent": 99.7}, Place.PRINTER, spool="white-1")
    (then,) = store.in_force("lantern", "brass", "white-1", at=before)
    assert (then.place, then.place_said) == ("models", None)
    assert [(p.place, p.value, p.spool) for p in store.places()] == [("printer", 99.7, "white-1")]


def test_a_refused_place_writes_nothing(store):
    with pytest.raises(BadInput):
        store.say_place({"skew_xy_deg": 0.2, "flow_percent": 97.0}, Place.MODELS, spool="white-1")
    assert store.places() == []


def test_what_was_said_meanwhile_is_not_overruled_by_doing(store):
    store.say_place({"skew_xy_deg": 0.2}, Place.PRINTER, spool="white-1")
    with pytest.raises(ChangedMeanwhile, match="where skew_xy_deg takes effect"):
        store.say_place(
            {"scale_x_percent": 99.7, "skew_xy_deg": 0.2}, Place.MODELS, spool="white-1",
            unless_said=True,
        )  # fmt: skip
    assert [p.place for p in store.places()] == ["printer"]


def claimant(url, place):
    """Start a process that puts a scale somewhere, once it is told to."""

    def act():
        with open_store(url) as store:
            say("ready")
            sys.stdin.readline()
            words = {"scale_x_percent": 99.7}
            try:
                store.say_place(words, place, spool="white-1", unless_said=True)
            except ChangedMeanwhile:
                say("refused")
            else:
                say("said")

    return Child(act)


@pytest.mark.parametrize("database", DATABASES)
def test_two_processes_never_put_one_correction_into_both_sorts_of_files(database, tmp_path):
    with fresh_url(database, tmp_path) as url:
        with open_store(url) as store:
            workshop(store)
        both = [claimant(url, place) for place in (Place.MODELS, Place.GCODE)]
        for p in both:
            assert p.stdout.readline() == "ready\n"
        for p in both:
            p.stdin.write("go\n")
            p.stdin.flush()
        assert sorted(p.communicate()[0].strip() for p in both) == ["refused", "said"]
        with open_store(url) as store:
            assert len(store.places()) == 1


def test_a_sheet_without_corrections_can_be_kept_again_once_there_are_some(store):
    from tests.storekit import sheet, sheet_text

    names = {"printer": "lantern", "nozzle": "brass", "spool": "white-1"}
    given = (sheet_text(), sheet())
    assert store.keep(*given, [], {}, **names) == []
    with pytest.raises(BadInput, match="still no correction comes of it"):
        store.keep(*given, [], {}, **names)
    with pytest.raises(BadInput, match="nothing to take back"):
        store.undo(next(iter(store.readings_of())).sheet_uid)
    assert len(store.keep(*given, [scale()], {}, **names)) == 1
    store.add_spool(Spool(name="other", material="PLA"))


# --- clumsy users -----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["stl", "gcode"])
def test_a_corrected_file_is_known_again_under_another_name(calibrated, kind):
    name = model(calibrated) if kind == "stl" else sliced(calibrated)
    calibrated(f"apply {name}")
    assert "is there already" in calibrated(f"apply {name}", code=2)
    (calibrated.folder / f"lamp.corrected.{kind}").rename(calibrated.folder / f"final.{kind}")
    said = calibrated(f"apply final.{kind}", code=2)
    assert "corrected before" in said
    assert "--again" in said
    assert said.count("\n") == 1
    assert not (calibrated.folder / f"final.corrected.{kind}").exists()


def test_a_calibration_piece_is_pointed_out(calibrated):
    model(calibrated, "one/piece.stl")
    made = calibrated.folder / "one/piece.stl"
    made.write_bytes(b"calibration piece, binary STL".ljust(80) + made.read_bytes()[80:])
    assert "this is a calibration piece" in calibrated("apply one/piece.stl", code=2)
    (calibrated.folder / "one/piece.stl").rename(calibrated.folder / "one/part.stl")
    assert "this is a calibration piece" in calibrated("apply one/part.stl", code=2)
    assert "size after" in calibrated("apply one/part.stl --again")


def test_a_schedule_brings_limits_and_no_corrections(calibrated):
    from patterns.schedule import schedule_csv
    from tests.test_apply_schedule import rows

    text = schedule_csv(rows("hot_end_c", 240, 230, start=0, height=2), "")
    (calibrated.folder / "schedule.csv").write_text(text, encoding="utf-8")
    said = calibrated(f"apply {sliced(calibrated)} --schedule schedule.csv --printer lantern")
    assert "M104 S240" in said
    assert "coordinates" not in said
    assert settings(calibrated)["scale_x_percent"]["place_said_at"] is None


def test_a_damaged_store_is_one_line(calibrated):
    import sqlite3
    from contextlib import closing

    path = calibrated.folder / "s.sqlite"
    calibrated("apply --in-printer scale")
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE places SET place = 'moon' WHERE setting = 'scale_x_percent'")
        raw.commit()
    # A place that is not known counts as not said, and the check names it.
    assert settings(calibrated)["scale_x_percent"]["place"] == "models"
    assert "moon" in calibrated("profile history")
    assert "'moon' is none that is known" in calibrated("store check", code=1)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("DROP TABLE places")
        raw.commit()
    said = calibrated("apply --in-printer scale", code=2)
    assert "no such table: places" in said
    assert said.count("\n") == 1
    path.write_bytes(b"junk" * 999)
    for tail in ("-wal", "-shm"):
        path.with_name(path.name + tail).unlink(missing_ok=True)
    assert "is not a store" in calibrated("apply --in-printer scale", code=2)
