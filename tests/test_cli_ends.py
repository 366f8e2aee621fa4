"""How the program ends: full disks, odd arguments, signals in mid-work; one line, no traceback, no litter."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calib import cli
from calib.errors import FileError, StoreError
from calib.files import replacing
from tests.processkit import Child, program
from tests.storekit import sheet_text

FULL = Path("/dev/full")


def run(*words, code=2, **named):
    """Run the program as a shell does; return what it said on standard error."""
    child = program(*words, **named)
    _, said = child.communicate()
    assert "Traceback" not in said
    assert child.returncode == code, said
    return said


@pytest.fixture
def environment(tmp_path):
    return {"TRUEBEAD_STORE": str(tmp_path / "s.sqlite")}


@pytest.mark.parametrize(
    "words",
    [
        ["event", "moved", "--note", b"caf\xe9"],
        ["solve", b"sheet\xff.csv"],
        ["store", "import", b"\xff\xfe", "--store", b"\xe9.sqlite"],
        ["make", b"\xe9"],
    ],
)
def test_arguments_that_are_no_text_are_one_line(tmp_path, environment, words):
    said = run(*words, cwd=tmp_path, env=environment)
    assert "no UTF-8 text" in said
    assert said.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words", [["report"], ["solve"], ["sheet"], ["store", "import"], ["apply"]]
)
def test_a_name_longer_than_any_is_one_line(tmp_path, environment, words):
    assert run(*words, "x" * 300, cwd=tmp_path, env=environment).count("\n") == 1


def test_a_limit_beyond_all_numbers_is_one_line(tmp_path, environment):
    run("add", "printer", "lantern", "--build", "220x220x250", "--hot-end-max", "260", code=0, env=environment)  # fmt: skip
    said = run("profile", "history", "--limit", "9" * 20, env=environment)
    assert said.count("\n") == 1
    assert "larger than any" in said


@pytest.mark.skipif(not FULL.exists(), reason="needs the device that is always full")
@pytest.mark.parametrize("words", [["list"], ["--help"], ["store", "schema"], ["doctor", "--json"]])
def test_standard_output_on_a_full_disk(environment, words):
    with FULL.open("wb") as full:
        said = run(*words, stdout=full.fileno(), env=environment)
    assert said.count("\n") == 1, said
    assert "No space left" in said


def test_a_reader_that_goes_away_is_no_error_message(environment):
    reader, writer = os.pipe()
    os.close(reader)
    child = program("store", "schema", stdout=writer, env=environment)
    os.close(writer)
    assert child.communicate()[1] == ""
    assert child.returncode != 0


@pytest.mark.parametrize("closed", [(0,), (1,), (2,), (0, 1, 2)])
@pytest.mark.parametrize("words", [["overview"], ["read", "sheet.csv"], ["store", "schema"]])
def test_closed_streams_are_no_error(tmp_path, environment, closed, words):
    def act():
        for number, name in enumerate(("stdin", "stdout", "stderr")):
            if number in closed:
                os.close(number)
                setattr(sys, name, None)  # as Python finds it at its start
        sys.argv = ["truebead", *words]
        cli.main()

    (tmp_path / "sheet.csv").write_text(sheet_text())
    child = Child(act, cwd=tmp_path, env=environment)
    said, wrong = child.communicate()
    assert "Traceback" not in said + wrong
    assert child.returncode in (0, 2)
    assert bool(said) == (1 not in closed and words != ["overview"])


@pytest.mark.kernel
@pytest.mark.parametrize(
    "words",
    [
        ["dimensional-cube", "--set", "chamfer_mm=2"],
        ["shrink-bar", "--set", "width_mm=1", "--set", "chamfer_mm=1"],
    ],
)
def test_a_piece_that_the_kernel_can_t_build_is_one_line_or_a_piece(tmp_path, monkeypatch, words):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(cli.build_app(), ["make", *words, "--out", "x"])
    assert done.exception is None or isinstance(done.exception, SystemExit)
    assert done.exit_code == 0 or (done.exit_code, done.stderr.count("\n")) == (2, 1), done.stderr


def test_a_full_temporary_folder_is_one_line(tmp_path, monkeypatch):
    from calib.workshop import making
    from patterns import registry, solid
    from patterns.spec import PrintSetup

    def full(_shape, path, *_said, **_more):
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr(solid, "write_step", full)
    piece = registry.get("dimensional-cube").piece({}, PrintSetup())
    with pytest.raises(FileError, match=r"No space left.*TMPDIR"):
        making.solids_of(piece)


def test_a_schedule_without_an_end_is_one_line(tmp_path, environment):
    (tmp_path / "a.gcode").write_text("G28\nG90\nM83\nG1 X1 Y1 Z1\nG1 X2 E1\n")
    said = run("apply", "a.gcode", "--schedule", "/dev/zero", cwd=tmp_path, env=environment)
    assert "/dev/zero: that is a device, not a file" in said
    assert said.count("\n") == 1


def test_a_header_that_is_longer_than_any_is_one_line(tmp_path, environment):
    for name, text in (
        ("long.csv", f"number,feature,{'x' * 200_000},reading 1\n1,a,b,2\n"),
        ("longer.csv", f'feature,reading 1,"{"x" * 140_000}\n'),
    ):
        (tmp_path / name).write_text(text)
        assert run("solve", name, cwd=tmp_path, env=environment).count("\n") == 1


def test_the_doctor_in_a_folder_that_is_gone(tmp_path, environment):
    gone = tmp_path / "gone"
    gone.mkdir()

    def act():
        gone.rmdir()
        sys.argv = ["truebead", "doctor"]
        cli.main()

    child = Child(act, cwd=gone, env=environment)
    said, wrong = child.communicate()
    assert wrong == ""
    assert "BAD   writing in this folder" in said
    assert child.returncode == 1


# --- signals ----------------------------------------------------------------------------------


def stopped(invoke, number, *, cwd):
    """Start the program with `invoke` for a command, send a signal once it says that it is ready."""

    def act():
        cli.TyperGroup.invoke = invoke
        sys.argv = ["truebead", "list"]
        cli.main()

    child = Child(act, cwd=cwd)
    assert child.stdout.readline() == "ready\n"
    child.send_signal(number)
    _, said = child.communicate()
    return child.returncode, said


def writing(_group, _context):
    with replacing("big.txt") as out:
        out.write(b"x" * 1000)
        out.flush()
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        time.sleep(60)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_in_mid_write_leaves_nothing_half_written(tmp_path, number):
    code, said = stopped(writing, number, cwd=tmp_path)
    assert code == 128 + number
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == []


def loading(_group, _context):
    try:
        try:
            sys.stdout.write("ready\n")
            sys.stdout.flush()
            time.sleep(60)  # as a library does while it loads
        except BaseException:
            raise ModuleNotFoundError("no such thing") from None
    except ModuleNotFoundError as err:
        raise StoreError("it is not installed", mend="run: pip install it") from err


def test_ctrl_c_while_a_library_loads_advises_nothing(tmp_path):
    code, said = stopped(loading, signal.SIGINT, cwd=tmp_path)
    assert code == 130
    assert "pip" not in said
    assert "Traceback" not in said


@pytest.mark.kernel
def test_sigterm_while_a_piece_is_made_leaves_whole_files_only(tmp_path, environment):
    """In a process of its own from the start: the kernel's threads don't survive a fork."""
    words = [sys.executable, "-m", "calib", "make", "dimensional-cube", "--out", "cube", "--force"]
    for wait in (0.6, 1.2, 2.4):
        with subprocess.Popen(
            words, cwd=tmp_path, env={**os.environ, **environment}, stdout=subprocess.PIPE, stderr=subprocess.PIPE
        ) as process:  # fmt: skip
            time.sleep(wait)
            process.terminate()
            _, said = process.communicate(timeout=60)
        # Python ends by SIGINT once an interrupt has fallen into an `exec`, as of a dataclass being made.
        assert process.returncode in (0, 143, -signal.SIGTERM, -signal.SIGINT), said
        assert b"Traceback" not in said
    assert list(tmp_path.rglob(".*")) == []
