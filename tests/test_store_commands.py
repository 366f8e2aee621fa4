"""The verbs add, keep and profile as a user types them."""

import json

import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from tests.storekit import filled_sheet


@pytest.fixture
def truebead(tmp_path):
    env = {"TRUEBEAD_STORE": str(tmp_path / "s.sqlite"), "COLUMNS": "200", "NO_COLOR": "1"}

    def run(line, code=0):
        result = CliRunner().invoke(build_app(), line.split(), env=env)
        assert result.exit_code == code, result.output
        return result.output

    return run


PRINTER = "add printer lantern --build 220x220x250 --hot-end-max 260"


@pytest.fixture
def workshop(truebead):
    truebead(
        f"{PRINTER} --belt-pitch 2 --teeth 20 --screw-lead 8 --motor-steps 200 --microsteps 16"
    )
    truebead("add nozzle brass --size 0.4")
    truebead("add spool white-1 --type PLA")
    return truebead


def test_add_printer_works_the_steps_out_and_shows_a_conflict(truebead):
    said = truebead(
        f"{PRINTER} --belt-pitch 2 --teeth 20 --motor-steps 200 --microsteps 16 --steps-y 100"
    )
    assert "X: 80 steps/mm worked out: 200 steps x 16 / 40 mm" in said
    assert "axis Y is set to 100 steps/mm, its mechanics give 80 (1.250 times)" in said


def test_replace_changes_only_what_is_given(workshop):
    workshop(
        "add printer lantern --replace --bed-max 90 --drive Y:screw-lead=4,motor-steps=200,microsteps=16"
    )
    said = json.loads(workshop("add printer lantern --replace --steps-x 80.4 --json"))
    assert (said["bed_max_c"], said["hot_end_max_c"]) == (90.0, 260.0)
    assert {a["axis"]: a["mechanical_steps_per_mm"] for a in said["axes"]} == {
        "X": 80,
        "Y": 800,
        "Z": 400,
    }
    assert said["axes"][0]["steps_per_mm"] == 80.4


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("add printer lantern --hot-end-max 260", "needs --build"),
        ("add printer lantern --build 220x220x250", "needs --hot-end-max"),
        ("add printer lantern --build 220x220 --hot-end-max 260", "not a build volume"),
        (f"{PRINTER} --belt-pitch 2 --motor-steps 200", "--teeth and --microsteps missing"),
        (f"{PRINTER} --microsteps 16", "half said"),
        (f"{PRINTER} --screw-lead -8 --motor-steps 200 --microsteps 16", "either a belt"),
        (f"{PRINTER} --drive Q:screw-lead=8", "does not describe a drive|only half said"),
        (f"{PRINTER} --drive Z:lead=8", "not a part of a drive"),
        (f"{PRINTER} --steps-x -80", "steps/mm of axis X must be more than 0"),
        (f"{PRINTER} --layer 0", "layer_mm must be"),
        ("add nozzle brass", "no printer in the store yet"),
        ("add spool white-1", "needs --type"),
        ("add spool white-1 --type PLA --density 1240", "density_g_cm3 of spool"),
        ("add instrument bench --kind ruler", "no kind of instrument"),
        ("add instrument bench --mpe -1", "mpe of instrument"),
        ("profile show", "no printer in the store yet"),
        ("profile show --store mysql://x/y", "can't be kept in"),
    ],
)
def test_bad_arguments_are_one_line_and_exit_2(truebead, line, message):
    import re

    said = truebead(line, code=2)
    assert re.search(message, said)
    assert said.startswith("truebead: ")
    assert said.count("\n") == 1


def test_keep_and_show(workshop, tmp_path):
    path = filled_sheet(tmp_path)
    said = workshop(f"keep {path}")
    assert "lantern / brass / white-1" in said
    assert "Not used, since each would correct an error twice: steps_x_per_mm" in said
    settings = {v["setting"]: v for v in json.loads(workshop("profile show --json"))["settings"]}
    scale = settings["scale_x_percent"]
    # Printed 0.3 % too large: 100 / 1.003 = 99.7009.
    assert abs(scale["value"] - 100 / 1.003) < scale["expanded_95"] < 0.2
    assert scale["layer"] == "spool"
    assert scale["source"]["piece"] == "cube-1"
    assert "scale_x_percent" in workshop("profile show")


def test_keep_twice_says_so(workshop, tmp_path):
    path = filled_sheet(tmp_path)
    workshop(f"keep {path}")
    assert "was kept already" in workshop(f"keep {path}", code=2)


def test_keep_names_what_is_missing(workshop, tmp_path):
    assert "no such file" in workshop(f"keep {tmp_path}/none.csv", code=2)
    workshop("add spool white-2 --type PLA")
    assert "which spool? There are white-1, white-2" in workshop(
        f"keep {filled_sheet(tmp_path)}", code=2
    )


def test_the_steps_can_be_chosen_instead(workshop, tmp_path):
    path = filled_sheet(tmp_path)
    use = " ".join(f"--use steps_{a}_per_mm" for a in "xyz")
    workshop(f"keep {path} {use}")
    settings = {v["setting"]: v for v in json.loads(workshop("profile show --json"))["settings"]}
    assert "scale_x_percent" not in settings
    assert settings["steps_x_per_mm"]["value"] == pytest.approx(80 / 1.003, rel=1e-3)
