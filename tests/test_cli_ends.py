"""How the program ends: full disks, odd arguments, signals in mid-work; one line, no traceback, no litter."""

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

PROGRAM = [sys.executable, "-c", "from calib.cli import main; main()"]
FULL = Path("/dev/full")


def run(*words, cwd=None, code=2, **named):
    """Run the program as a shell does; return what it said on standard error."""
    done = subprocess.run(
        [*PROGRAM, *words], capture_output=True, cwd=cwd, timeout=120, check=False, **named
    )
    said = done.stderr.decode("utf-8", "replace")
    assert "Traceback" not in said
    assert done.returncode == code, said
    return said


@pytest.fixture
def environment(tmp_path):
    return {**os.environ, "TRUEBEAD_STORE": str(tmp_path / "s.sqlite")}


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
        done = subprocess.run(
            [*PROGRAM, *words], stdout=full, stderr=subprocess.PIPE, env=environment, timeout=120
        )
    said = done.stderr.decode()
    assert said.count("\n") == 1, said
    assert "No space left" in said
    assert done.returncode == 2


def test_a_reader_that_goes_away_is_no_error_message(environment):
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "wb") as out:
        done = subprocess.run(
            [*PROGRAM, "store", "schema"], stdout=out, stderr=subprocess.PIPE, env=environment
        )
    assert done.stderr == b""
    assert done.returncode != 0


@pytest.mark.parametrize(
    "words",
    [
        ["dimensional-cube", "--set", "chamfer_mm=2"],
        ["shrink-bar", "--set", "width_mm=1", "--set", "chamfer_mm=1"],
    ],
)
def test_a_piece_that_the_kernel_can_t_build_is_one_line_or_a_piece(tmp_path, environment, words):
    done = subprocess.run(
        [*PROGRAM, "make", *words, "--out", "x"], cwd=tmp_path, env=environment, capture_output=True
    )
    said = done.stderr.decode()
    assert "Traceback" not in said
    assert done.returncode == 0 or (done.returncode, said.count("\n")) == (2, 1), said


def test_a_full_temporary_folder_is_one_line(tmp_path, monkeypatch):
    from calib.errors import FileError
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
    program = "import os, sys; os.rmdir(os.getcwd()); from calib.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", program, "doctor"], cwd=gone, env={**environment, "PYTHONPATH": os.getcwd()},
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.stderr == ""
    assert "BAD   writing in this folder" in done.stdout
    assert done.returncode == 1


# --- signals ----------------------------------------------------------------------------------


def stopped(program, number, *, cwd, ready=b"ready"):
    """Start a program, send it a signal once it says that it is ready; return code and messages."""
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(program)], cwd=cwd, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.getcwd()},
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert ready in process.stdout.readline()
        process.send_signal(number)
        _, said = process.communicate(timeout=60)
    return process.returncode, said.decode()


WRITING = """
    import time
    from calib import cli, files
    def slow(app):
        with files.replacing("big.txt") as out:
            out.write(b"x" * 1000)
            out.flush()
            print("ready", flush=True)
            time.sleep(60)
    cli._Root.invoke = lambda self, ctx: slow(self)
    import sys
    sys.argv = ["truebead", "list"]
    cli.main()
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_in_mid_write_leaves_nothing_half_written(tmp_path, number):
    code, said = stopped(WRITING, number, cwd=tmp_path)
    assert code == 128 + number
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == []


LOADING = """
    import sys, time
    from calib import cli
    from calib.errors import StoreError
    def loading(self, ctx):
        try:
            try:
                print("ready", flush=True)
                time.sleep(60)  # as a library does while it loads
            except BaseException:
                raise ModuleNotFoundError("no such thing")
        except ModuleNotFoundError as err:
            raise StoreError("it is not installed", mend="run: pip install it") from err
    cli.TyperGroup.invoke = loading
    sys.argv = ["truebead", "list"]
    cli.main()
"""


def test_ctrl_c_while_a_library_loads_advises_nothing(tmp_path):
    code, said = stopped(LOADING, signal.SIGINT, cwd=tmp_path)
    assert code == 130
    assert "pip" not in said
    assert "Traceback" not in said


def test_sigterm_while_a_piece_is_made_leaves_whole_files_only(tmp_path, environment):
    for wait in (0.6, 1.2, 2.4):
        with subprocess.Popen(
            [*PROGRAM, "make", "dimensional-cube", "--out", "cube", "--force"], cwd=tmp_path,
            env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        ) as process:  # fmt: skip
            time.sleep(wait)
            process.terminate()
            _, said = process.communicate(timeout=60)
        assert process.returncode in (0, 143, -signal.SIGTERM), said
        assert b"Traceback" not in said
    assert list(tmp_path.rglob(".*")) == []
