"""A correction's place is claimed when the file that it goes into is in its place, and not before."""

import json
import os
import signal
import struct
from contextlib import contextmanager
from datetime import timedelta

import pytest
from typer.testing import CliRunner

from calib import files
from calib.cli import build_app
from calib.errors import FileError
from calib.files import replacing
from calib.model.correction import Scope
from calib.model.place import Place
from calib.store import claims, open_store
from calib.store.base import ChangedMeanwhile
from calib.store.places import Saying
from tests.processkit import program
from tests.storekit import correction, keep, workshop

NAMES = ["--printer", "lantern", "--spool", "white-1"]


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """Give a folder with a store that has a scale and a skew in force, and the means to run a command."""
    monkeypatch.chdir(tmp_path)
    env = {"TRUEBEAD_STORE": str(tmp_path / "s.sqlite"), "COLUMNS": "200"}
    with open_store(env["TRUEBEAD_STORE"]) as store:
        wide = {"scope": Scope.PRINTER}
        found = [
            correction("scale_x_percent", 100.3, 100.0, u=0.02, **wide),
            correction("skew_xy_deg", 0.2, 0.0, u=0.01, **wide),
        ]
        keep(workshop(store), corrections=found)

    def run(*words, code=0):
        result = CliRunner().invoke(build_app(), list(words), env=env)
        assert result.exit_code == code, result.output
        return result.output

    run.folder, run.store = tmp_path, env["TRUEBEAD_STORE"]
    return run


def places(shop):
    with open_store(shop.store) as store:
        return {p.setting: p.place for p in store.places("lantern")}


def model(shop, size=100.0):
    corners = [0, 0, 0, size, 0, 0, 0, size, size]
    data = bytes(80) + struct.pack("<I12fH", 1, 0, 0, 1, *corners, 0)
    (shop.folder / "lamp.stl").write_bytes(data)
    return "lamp.stl"


def sliced(shop, text="G28\nG90\nM83\nG1 X100 Y100 Z1\nG1 X120 Y100 E1\n"):
    (shop.folder / "lamp.gcode").write_text(text)
    return "lamp.gcode"


@pytest.mark.parametrize("wrong", ["no G-code \0", "M104 S400\n", "G1 X500 Y100 E1\n", ""])
def test_a_sliced_file_that_is_refused_claims_nothing(shop, wrong):
    shop("apply", sliced(shop, wrong and f"G28\nG90\nM83\n{wrong}"), *NAMES, code=2)
    assert places(shop) == {}
    # The next model is corrected whole, as if the command had never been given.
    shop("apply", model(shop), *NAMES)
    assert set(places(shop).values()) == {"models"}


def test_a_model_that_is_refused_claims_nothing(shop):
    (shop.folder / "lamp.stl").write_bytes(b"no model at all")
    shop("apply", "lamp.stl", *NAMES, code=2)
    assert places(shop) == {}


def test_a_full_disk_claims_nothing(shop, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    said = shop("apply", model(shop), *NAMES, code=2)
    assert "disk is full" in said
    assert places(shop) == {}
    assert not (shop.folder / "lamp.corrected.stl").exists()


@pytest.mark.parametrize("file", ["missing.stl", "missing.gcode", "folder"])
def test_what_is_said_with_a_file_that_fails_is_not_kept(shop, file):
    (shop.folder / "folder").mkdir()
    shop("apply", file, *NAMES, "--in-printer", "scale", code=2)
    assert places(shop) == {}


def test_what_is_said_with_a_card_that_cannot_be_written_is_not_kept(shop):
    shop("apply", *NAMES, "--in-printer", "scale", "--card", "missing/card.html", code=2)
    assert places(shop) == {}


def test_what_is_said_is_kept_with_the_file(shop):
    said = shop("apply", sliced(shop), *NAMES, "--in-printer", "scale")
    assert "scale_x_percent 100.3 % is set in the printer" in said or "scale_x_percent" in said
    assert places(shop) == {"scale_x_percent": "printer", "skew_xy_deg": "gcode"}


def test_nothing_is_written_where_somebody_put_it_elsewhere_meanwhile(shop, monkeypatch):
    """Between looking and placing, another process puts the scale into models."""
    import calib.apply.gcode.stream as stream

    real = stream.rewrite

    def slow(*args, **named):
        with open_store(shop.store) as other:
            other.say_place({"scale_x_percent": 100.3}, Place.MODELS, spool="white-1")
        return real(*args, **named)

    monkeypatch.setattr(stream, "rewrite", slow)
    said = shop("apply", sliced(shop), *NAMES, code=2)
    assert "someone else meanwhile" in said
    assert sorted(p.name for p in shop.folder.glob("*lamp*")) == ["lamp.gcode"]
    assert places(shop) == {"scale_x_percent": "models"}


def test_a_dry_run_keeps_nothing(shop):
    shop("apply", sliced(shop), *NAMES, "--in-printer", "scale", "--dry-run")
    shop("apply", *NAMES, "--in-printer", "scale", "--dry-run")
    assert places(shop) == {}


def test_json_is_all_that_goes_to_standard_output(shop):
    words = ["apply", model(shop), *NAMES, "--json"]
    env = {"TRUEBEAD_STORE": shop.store}
    result = CliRunner().invoke(build_app(), words, env=env)
    assert json.loads(result.stdout)
    assert "From now on put into models" in result.stderr


def test_what_goes_with_a_file_is_undone_where_the_file_is_not_placed(tmp_path):
    steps = []

    @contextmanager
    def around(draft, target):
        assert (draft.exists(), target.exists()) == (True, target.name == "b")
        steps.append("begun")
        try:
            yield
        except BaseException:
            steps.append("undone")
            raise
        steps.append("done")

    with replacing(tmp_path / "a", around=around) as out:
        assert steps == []
        out.write(b"x")
    assert steps == ["begun", "done"]
    with pytest.raises(FileError), replacing(tmp_path / "b", around=around):
        (tmp_path / "b").write_bytes(b"theirs")
    assert steps[2:] == ["begun", "undone"]
    assert (tmp_path / "b").read_bytes() == b"theirs"


# --- killed between the claim and its file ----------------------------------------------------


@pytest.mark.parametrize("when", ["before", "after"])
def test_a_kill_beside_the_rename_leaves_the_claim_with_the_file(shop, when, monkeypatch):
    """A model that is corrected on the disk must not be corrected again once it is sliced."""
    words = ["apply", model(shop), *NAMES]

    def die(*given, **named):
        if when == "after":
            real(*given, **named)
        os.kill(os.getpid(), signal.SIGKILL)

    real = files._put_in_place
    with monkeypatch.context() as there:
        there.setattr(files, "_put_in_place", die)
        child = program(*words, env={"TRUEBEAD_STORE": shop.store})
    child.communicate()
    assert child.returncode == -signal.SIGKILL
    placed = (shop.folder / "lamp.corrected.stl").exists()
    assert placed == (when == "after")
    monkeypatch.setattr(claims, "_RENAMED_IN", timedelta(0))
    here = "models" if placed else "gcode"  # whatever comes first claims what is free
    shop("apply", sliced(shop), *NAMES)
    assert set(places(shop).values()) == {here}


def claiming(store, folder, place=Place.MODELS, content=b"corrected"):
    """Claim the scale for a file, and stop there as if killed: what is returned is never left."""
    draft = folder / f"{place}.part"
    draft.write_bytes(content)
    words = [Saying("scale_x_percent", place, 100.3, unless_said=True)]
    names = {"printer": "lantern", "spool": "white-1"}
    return draft, store.claiming(words, draft, folder / f"{place}.stl", **names)


def test_a_claim_on_its_way_counts_as_said(shop):
    with open_store(shop.store) as store, open_store(shop.store) as other:
        _, first = claiming(store, shop.folder)
        first.__enter__()
        with pytest.raises(ChangedMeanwhile), claiming(other, shop.folder, Place.GCODE)[1]:
            pass
        with claiming(other, shop.folder)[1]:  # into models, too
            pass
        assert places(shop) == {"scale_x_percent": "models"}
        first.__exit__(None, None, None)


def test_of_two_claims_that_end_crosswise_both_are_said(shop):
    with open_store(shop.store) as store, open_store(shop.store) as other:
        _, first = claiming(store, shop.folder)
        _, second = claiming(other, shop.folder, content=b"another")
        first.__enter__()
        second.__enter__()
        second.__exit__(None, None, None)
        first.__exit__(None, None, None)
        assert [p.place for p in store.places("lantern")] == ["models", "models"]


def test_another_machines_claim_is_taken_to_be_in_place(shop, monkeypatch):
    with open_store(shop.store) as store, monkeypatch.context() as there:
        there.setattr(claims.platform, "node", lambda: "in-the-attic")
        _, left = claiming(store, shop.folder)
        left.__enter__()
    assert places(shop) == {}
    monkeypatch.setattr(claims, "_RENAMED_IN", timedelta(0))
    assert places(shop) == {"scale_x_percent": "models"}


@pytest.mark.parametrize("placed", [True, False])
def test_an_error_after_the_rename_does_not_lose_the_claim(shop, placed):
    with open_store(shop.store) as store:
        draft, claim = claiming(store, shop.folder)
        claim.__enter__()
        if placed:
            draft.rename(shop.folder / "models.stl")
        with pytest.raises(KeyboardInterrupt):
            claim.gen.throw(KeyboardInterrupt)
    assert places(shop) == ({"scale_x_percent": "models"} if placed else {})
