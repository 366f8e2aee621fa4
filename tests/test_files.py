"""Files are written whole or not at all."""

import errno
import itertools
import os
import time
from pathlib import Path

import pytest

from calib.errors import FileError
from calib.files import keep_beside, replacing, write_atomic
from tests.processkit import Child, say


def test_writes_text_and_bytes_as_given(tmp_path: Path) -> None:
    assert write_atomic(tmp_path / "a.csv", "0,4 mm\r\nµ\n").read_bytes() == b"0,4 mm\r\n\xc2\xb5\n"
    assert write_atomic(tmp_path / "b.bin", b"\x00\xff").read_bytes() == b"\x00\xff"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv", "b.bin"]


def test_replaces_only_with_force_and_keeps_permissions(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    write_atomic(path, "old")
    path.chmod(0o640)
    with pytest.raises(FileError, match=r"sheet\.csv: the file is there already; add --force"):
        write_atomic(path, "new")
    assert path.read_text(encoding="utf-8") == "old"
    write_atomic(path, "new", force=True)
    assert path.read_text(encoding="utf-8") == "new"
    assert path.stat().st_mode & 0o777 == 0o640


def test_who_has_the_old_file_open_still_reads_all_of_it(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    write_atomic(path, "old " * 1000)
    with path.open(encoding="utf-8") as reader:
        write_atomic(path, "new", force=True)
        assert reader.read() == "old " * 1000
    assert path.read_text(encoding="utf-8") == "new"


def test_follows_a_link_instead_of_replacing_it(tmp_path: Path) -> None:
    real, link = tmp_path / "real.csv", tmp_path / "link.csv"
    real.write_text("old", encoding="utf-8")
    link.symlink_to(real)
    write_atomic(link, "new", force=True)
    assert link.is_symlink()
    assert real.read_text(encoding="utf-8") == "new"


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOSPC, "the disk is full; make room"),
        (errno.EROFS, "the disk is read-only"),
        (errno.EACCES, "no permission"),
        (errno.EIO, "can't be written"),
    ],
)
def test_a_failed_write_keeps_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, words: str
) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text("old", encoding="utf-8")

    def fail(_: int) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(FileError, match=words):
        write_atomic(path, "new", force=True)
    assert path.read_text(encoding="utf-8") == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["sheet.csv"]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
def test_a_really_full_device_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real_open = os.open
    monkeypatch.setattr(
        os, "open", lambda p, flags, mode=0o666: real_open("/dev/full", os.O_WRONLY)
    )
    with pytest.raises(FileError, match="disk is full"):
        write_atomic(tmp_path / "sheet.csv", "new")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("missing/sheet.csv", "the folder does not exist; make it first"),
        ("file/sheet.csv", "a part of that path is a file"),
        ("", "that is a folder, not a file"),
        ("n" * 300, "name is too long"),
        ("a\0b", "can't be written"),
    ],
)
def test_places_where_nothing_can_be_written(tmp_path: Path, name: str, words: str) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(FileError, match=words):
        write_atomic(tmp_path / name, "x")


def test_a_file_made_meanwhile_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "sheet.csv"
    real_link = os.link

    def late(source: Path, target: Path) -> None:
        path.write_text("theirs", encoding="utf-8")
        real_link(source, target)

    monkeypatch.setattr(os, "link", late)
    with pytest.raises(FileError, match="there already"):
        write_atomic(path, "ours")
    assert path.read_text(encoding="utf-8") == "theirs"


def test_a_kill_leaves_the_old_or_the_new_file_whole(tmp_path: Path) -> None:
    path = tmp_path / "big.txt"
    write_atomic(path, "0" * 3_000_000)

    def act() -> None:
        for n in itertools.count():
            write_atomic(path, str(n % 10) * 3_000_000, force=True)
            say(n)

    for pause in (0.0, 0.003, 0.011):
        writer = Child(act)
        for _ in range(5):  # who reads meanwhile never sees half a file
            writer.stdout.readline()
            assert path.stat().st_size == len(set(path.read_text(encoding="utf-8"))) * 3_000_000
        time.sleep(pause)
        writer.kill()
        writer.communicate()
        text = path.read_text(encoding="utf-8")
        assert len(text) == 3_000_000
        assert len(set(text)) == 1


def test_the_next_write_clears_what_a_kill_left_and_leaves_who_still_writes_alone(
    tmp_path: Path,
) -> None:
    def writing(name: str) -> Child:
        def act() -> None:
            with replacing(tmp_path / name) as out:
                say(out.name)
                time.sleep(600)

        return Child(act)

    writers = [writing(name) for name in ("killed", "alive")]
    drafts = [Path(w.stdout.readline().strip()) for w in writers]
    writers[0].kill()
    writers[0].communicate()
    journals = [d.with_name(f"{d.name}-journal") for d in drafts]
    for journal in journals:
        journal.write_bytes(b"x")
    assert all(d.exists() for d in drafts)
    write_atomic(tmp_path / "other", "x")
    assert [d.exists() for d in drafts] == [False, True]
    assert [j.exists() for j in journals] == [False, True]
    writers[1].kill()
    writers[1].communicate()
    write_atomic(tmp_path / "third", "x")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["other", "third"]


def test_what_is_kept_beside_never_replaces_anything(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    (tmp_path / "sheet.2.csv").write_text("theirs", encoding="utf-8")
    kept = []
    for text in ("a", "b"):
        write_atomic(path, text, force=True)
        kept.append(keep_beside(path).name)
    assert kept == ["sheet.1.csv", "sheet.3.csv"]
    found = {p.name: p.read_text(encoding="utf-8") for p in tmp_path.iterdir()}
    assert found == {
        "sheet.csv": "b", "sheet.1.csv": "a", "sheet.2.csv": "theirs", "sheet.3.csv": "b",
    }  # fmt: skip
