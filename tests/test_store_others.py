"""Stores that are not ours to write, and restoring while others write: nothing is left behind or lost."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from calib.errors import StoreError
from calib.store import engine, open_store
from calib.store.restore import restore
from tests.processkit import Child, say
from tests.storekit import keep, workshop


@pytest.fixture
def theirs(tmp_path):
    """Give the file of somebody else's store with one kept sheet, in a folder of its own."""
    path = tmp_path / "theirs" / "s.sqlite"
    with open_store(str(path)) as store:
        keep(workshop(store), "a")
    return path


def everything(folder):
    """Return every file with its bytes and the time of its last change."""
    return {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()}


def pieces(store):
    return {k.piece_id for k in store.history()}


def run(*words, code=0, store):
    env = {"TRUEBEAD_STORE": str(store), "COLUMNS": "200"}
    result = CliRunner().invoke(build_app(), list(words), env=env)
    assert result.exit_code == code, result.output
    return result.output


# --- looking ----------------------------------------------------------------------------------


def test_looking_leaves_a_store_and_its_folder_as_they_are(theirs):
    before = everything(theirs.parent)
    with open_store(str(theirs), read_only=True) as store:
        assert pieces(store) == {"a"}
        assert store.check() == []
        assert everything(theirs.parent) == before  # not even while it is open
    assert everything(theirs.parent) == before


def test_what_may_not_be_written_can_be_read(theirs, monkeypatch):
    monkeypatch.setattr(engine, "_may_write", lambda path: False)
    before = everything(theirs.parent)
    assert "lantern" in run("profile", "history", store=theirs)
    said = run("event", "moved", "--printer", "lantern", code=2, store=theirs)
    assert "the store can only be read; look at the rights" in " ".join(said.split())
    assert everything(theirs.parent) == before


@pytest.mark.parametrize("mode", [0o444, 0o644])
def test_a_folder_without_rights_is_read_in_truth(mode):
    """The rights themselves, and not a stand-in: the process may not write there."""
    drop = ["setpriv", "--bounding-set", "-dac_override"] if os.geteuid() == 0 else []
    if drop and not shutil.which("setpriv"):
        pytest.skip("no way to give the rights of the superuser up")
    folder = Path(tempfile.mkdtemp())
    path = folder / "s.sqlite"
    with open_store(str(path)) as store:
        keep(workshop(store), "a")
    path.chmod(mode)
    folder.chmod(0o555)
    try:
        words = [*drop, sys.executable, "-m", "calib", "profile", "history", "--store", str(path)]
        done = subprocess.run(words, capture_output=True, encoding="utf-8", timeout=60)
        names = [p.name for p in folder.iterdir()]
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)
    assert (done.returncode, done.stderr) == (0, "")
    assert "lantern/brass/white-1" in done.stdout
    assert names == ["s.sqlite"]


def test_what_its_owner_just_wrote_is_seen(theirs):
    with open_store(str(theirs)) as owner:
        keep(owner, "b")  # in the log still, not in the file
        with open_store(str(theirs), read_only=True) as store:
            assert pieces(store) == {"a", "b"}
        keep(owner, "c")
        assert owner.check() == []


def test_a_log_that_was_left_behind_counts(theirs, tmp_path):
    """A copy of a store that was in use, log and all, but without the log's index."""
    copy = tmp_path / "copy" / "s.sqlite"
    copy.parent.mkdir()
    with open_store(str(theirs)) as owner:
        keep(owner, "b")
        for tail in ("", "-wal"):
            shutil.copy(f"{theirs}{tail}", f"{copy}{tail}")
    before = everything(copy.parent)
    with open_store(str(copy), read_only=True) as store:
        assert pieces(store) == {"a", "b"}
    assert everything(copy.parent) == before


def test_a_store_that_changes_while_it_is_copied_is_copied_again(theirs, tmp_path, monkeypatch):
    copy = tmp_path / "copy" / "s.sqlite"
    copy.parent.mkdir()
    with open_store(str(theirs)) as owner:
        keep(owner, "b")
        for tail in ("", "-wal"):  # without the log's index, so that it has to be copied
            shutil.copy(f"{theirs}{tail}", f"{copy}{tail}")
    true, tried = shutil.copyfile, []

    def slow(source, target):
        tried.append(source)
        true(source, target)
        if len(tried) == 1:
            os.utime(source, (1, 1))

    monkeypatch.setattr(shutil, "copyfile", slow)
    with open_store(str(copy), read_only=True) as store:
        assert pieces(store) == {"a", "b"}
    assert len(tried) == 4  # database and log, twice


def test_a_log_that_a_kill_left_counts(theirs):
    """Log and index are there, and nobody has them open any more."""

    def act():
        with open_store(str(theirs)) as store:
            keep(store, "b")
            os.kill(os.getpid(), signal.SIGKILL)

    Child(act).communicate()
    assert theirs.with_name("s.sqlite-wal").stat().st_size > 0
    shm = theirs.with_name("s.sqlite-shm")
    for index in (shm.read_bytes(), b"", bytes(32768)):
        shm.write_bytes(index)
        before = everything(theirs.parent)
        with open_store(str(theirs), read_only=True) as store:
            assert pieces(store) == {"a", "b"}
        assert everything(theirs.parent) == before


def test_an_older_store_is_read_without_changing_it(tmp_path):
    path = tmp_path / "old.sqlite"
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript((Path(__file__).parent / "data/store_0001.sql").read_text())
    before = everything(tmp_path)
    with open_store(str(path), read_only=True) as store:
        assert store.printers()
    assert everything(tmp_path) == before


def test_merge_leaves_the_other_store_alone(theirs, tmp_path):
    before = everything(theirs.parent)
    ours = tmp_path / "ours.sqlite"
    run("store", "merge", str(theirs), store=ours)
    assert everything(theirs.parent) == before
    with open_store(str(ours)) as store:
        assert pieces(store) == {"a"}


def test_a_store_is_not_merged_into_itself(theirs):
    link = theirs.with_name("link.sqlite")
    link.symlink_to(theirs)
    for other in (theirs, link):
        assert "this very store" in run("store", "merge", str(other), code=2, store=theirs)
    with pytest.raises(StoreError, match="the store itself"):
        restore(str(theirs), link)


# --- restoring --------------------------------------------------------------------------------


def test_what_is_acknowledged_while_restoring_is_in_one_of_the_two(theirs, tmp_path):
    saved = tmp_path / "saved.sqlite"

    def act():
        with open_store(str(theirs)) as store:
            while True:
                say(store.add_event("moved", printer="lantern").uid)

    writer = Child(act)
    with open_store(str(theirs)) as store:
        store.backup(saved)
        said = [writer.stdout.readline().strip() for _ in range(3)]
        asides = [restore(str(theirs), saved) for _ in range(3)]
        said += [writer.stdout.readline().strip() for _ in range(3)]
        writer.send_signal(signal.SIGTERM)
        said += writer.communicate()[0].split()
        assert pieces(store) == {"a"}  # who had it open sees what was restored
        held = {e.uid for e in store.events()}
        assert store.check() == []
    for aside in asides:
        with open_store(str(aside), read_only=True) as store:
            held |= {e.uid for e in store.events()}
    assert len(said) > 6
    assert set(said) - held == set()


def test_a_full_disk_while_restoring_changes_nothing(theirs, tmp_path, monkeypatch):
    saved = tmp_path / "saved.sqlite"
    with open_store(str(theirs)) as store:
        store.backup(saved)
        keep(store, "b")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "link", full)
    monkeypatch.setattr(os, "replace", full)
    said = run("store", "restore", str(saved), code=2, store=theirs)
    assert "disk is full" in said
    with open_store(str(theirs)) as store:
        assert pieces(store) == {"a", "b"}
    assert [p.name for p in theirs.parent.iterdir()] == ["s.sqlite"]


def test_a_damaged_store_in_use_is_not_replaced_under_its_user(theirs, tmp_path, monkeypatch):
    from calib.store import restore as module

    saved = tmp_path / "saved.sqlite"
    with open_store(str(theirs)) as store:
        store.backup(saved)
    monkeypatch.setattr(module, "BUSY_MS", 100)
    with closing(sqlite3.connect(theirs)) as user:
        user.execute("BEGIN IMMEDIATE")
        user.execute("UPDATE alembic_version SET version_num = '9999'")
        user.execute("COMMIT")  # newer than any known: only the whole file can be replaced
        user.execute("SELECT * FROM alembic_version").fetchall()
        with pytest.raises(StoreError, match="busy"):
            restore(str(theirs), saved)
    aside = restore(str(theirs), saved)
    with open_store(str(theirs)) as store:
        assert pieces(store) == {"a"}
    assert aside is not None
    with closing(sqlite3.connect(aside)) as raw:
        assert raw.execute("SELECT * FROM alembic_version").fetchall() == [("9999",)]
