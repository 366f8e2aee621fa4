"""The demo runs, and its answers agree with the truth that its invented readings were made from."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from calib.errors import BadInput
from demo.folder import LIST, made_in


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    out = tmp_path_factory.mktemp("museum") / "demo-out"
    result = CliRunner().invoke(build_app(), ["demo", "--out", str(out)])
    assert result.exit_code == 0, result.output
    return out, result.output


@pytest.mark.kernel
def test_the_profile_agrees_with_the_truth_of_the_scenario(demo):
    out, _ = demo
    shown = CliRunner().invoke(
        build_app(), ["profile", "show", "--json", "--store", str(out / "store.db")]
    )
    found = {v["setting"]: v for v in json.loads(shown.stdout)["settings"]}
    truth = {  # the docstring of demo.scenario
        "steps_y_per_mm": 80 / 1.0015,
        "scale_x_percent": 100 / (1.0002 * (1 - 0.0034)),
        "outline_offset_mm": -0.05,
        "skew_xy_deg": 0.3,
        "first_layer_gap_mm": 0.07,
    }
    for setting, value in truth.items():
        assert abs(found[setting]["value"] - value) < 3 * found[setting]["u"], setting


@pytest.mark.kernel
def test_the_mistyped_reading_is_named_and_the_second_piece_confirms_the_first(demo):
    _, text = demo
    assert "digits swapped" in text
    gauge = text.split("make step-gauge")[-1]
    assert "leave" in gauge


@pytest.mark.kernel
def test_it_prints_where_to_look_and_touches_nothing_else(demo):
    out, text = demo
    for name in ("corner-gauge", "step-gauge"):
        assert str(out / name / "sheet.html") in text
        assert (out / name / "piece.stl").stat().st_size > 1000
    again = CliRunner().invoke(build_app(), ["demo", "--out", str(out)])
    assert again.exit_code == 2
    assert "--force" in again.stderr


@pytest.mark.kernel
def test_what_the_demo_did_not_write_stays(demo):
    out, _ = demo
    mine = out / "notes.txt"
    mine.write_text("mine")
    with pytest.raises(BadInput, match="not empty"), made_in(out, anew=True):
        pass
    assert [p.name for p in out.iterdir()] == ["notes.txt"]
    mine.unlink()
    with made_in(out, anew=True):
        (out / "deep").mkdir()
        (out / "deep" / "piece").write_text("x")
    with made_in(out, anew=True):
        assert [p.name for p in out.iterdir()] == [LIST]


def test_a_folder_of_the_users_is_never_made_anew(tmp_path):
    (tmp_path / "store.db").write_text("mine")
    with pytest.raises(BadInput), made_in(tmp_path, anew=True):
        pass
    assert (tmp_path / "store.db").exists()


@pytest.mark.kernel
def test_the_first_calibration_on_the_public_api(tmp_path):
    import demo as data

    script = Path(data.__file__).with_name("first_calibration.py")
    code = [line for line in script.read_text(encoding="utf-8").splitlines()[6:] if line.strip()]
    assert len(code) <= 15
    done = subprocess.run(
        [sys.executable, "-m", "demo.first_calibration"], cwd=tmp_path, check=True,
        capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(script.parent.parent)},
    )  # fmt: skip
    assert "scale_x_percent: 100.0 -> 100.3" in done.stdout
    assert "applied: size along X" in done.stdout
    assert (tmp_path / "ring-segment.stl").exists()
