"""Copies of a SQLite store: a snapshot in memory that touches nothing, and a copy into a file."""

import shutil
import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from calib.errors import StoreError
from calib.files import replacing, scratch

_TRIES = 20
_LOG_VERSIONS = slice(
    18, 20
)  # bytes of the header: 2 says that a log is kept beside, 1 that none is
_WITHOUT_LOG = b"\x01\x01"


def snapshot(path: Path) -> sqlite3.Connection:
    """Return a copy of a database in memory, as it was at one moment; nothing is written anywhere.

    Opening it in the usual way would make files beside it that belong to whoever looks, and lock its
    owner out; where the folder can't be written it would fail.

    Raises
    ------
    StoreError
        It can't be read, or somebody writes all the time, so that no whole copy could be had.
    sqlite3.Error
        It is no database, or damaged.
    """
    for _ in range(_TRIES):
        try:
            copy = _from_log(path) if _has_log(path) else _from_file(path)
        except OSError as err:
            raise StoreError(f"can't be read ({err.strerror})", where=str(path), mend="look at the path and its rights") from err  # fmt: skip
        if copy is not None:
            return copy
        time.sleep(0.05)
    raise StoreError("the store is busy", where=str(path), mend="wait a moment and try again")


def _beside(path: Path, tail: str) -> Path:
    return path.with_name(path.name + tail)


def _has_log(path: Path) -> bool:
    log = _beside(path, "-wal")
    return log.exists() and log.stat().st_size > 0


def _from_file(path: Path) -> sqlite3.Connection | None:
    """Read a database that nobody has open; None where somebody opened it meanwhile."""
    before = _state(path)
    data = bytearray(path.read_bytes())
    if _state(path) != before or _has_log(path):
        return None
    if not data.startswith(b"SQLite format 3\0"):
        raise sqlite3.DatabaseError("file is not a database")
    data[_LOG_VERSIONS] = _WITHOUT_LOG  # a database in memory has no log
    copy = sqlite3.connect(":memory:", check_same_thread=False)
    try:
        copy.deserialize(bytes(data))
    except BaseException:
        copy.close()
        raise
    return copy


def _state(path: Path) -> list[tuple[int, int]]:
    """Return what tells whether a database and its log were changed."""
    found = [p.stat() for p in (path, _beside(path, "-wal")) if p.exists()]
    return [(s.st_mtime_ns, s.st_size) for s in found]


def _from_log(path: Path) -> sqlite3.Connection | None:
    """Read a database with a log beside it: somebody has it open, or was killed over it."""
    shared = f"{path.resolve().as_uri()}?mode=ro&readonly_shm=1"
    try:
        with closing(sqlite3.connect(shared, uri=True, timeout=5)) as live:
            return _in_memory(live)
    except sqlite3.OperationalError:  # nobody has it open, so that the log's index is of no use
        return _copied(path) if _has_log(path) else None


def _copied(path: Path) -> sqlite3.Connection | None:
    """Read a copy of a database and its log; None where they were changed meanwhile."""
    with scratch() as folder:
        before = _state(path)
        try:
            for tail in ("", "-wal"):  # without the log's index: it is made anew
                shutil.copyfile(_beside(path, tail), folder / f"copy{tail}")
        except FileNotFoundError:
            return None
        if _state(path) != before:
            return None
        with closing(sqlite3.connect(folder / "copy")) as copy:
            return _in_memory(copy)


def _in_memory(source: sqlite3.Connection) -> sqlite3.Connection:
    copy = sqlite3.connect(":memory:", check_same_thread=False)
    try:
        source.backup(copy)
    except BaseException:
        copy.close()
        raise
    return copy


def copy_to(engine: Engine, target: Path, *, force: bool = True) -> None:
    """Copy a SQLite store into a file through its own back-up call, whole or not at all.

    Raises
    ------
    FileError
        The file is there and `force` is not given, or can't be written.
    """
    raw = engine.raw_connection()
    try:
        live: Any = raw.driver_connection
        copy_connection(live, target, force=force)
    finally:
        raw.close()


def copy_connection(source: sqlite3.Connection, target: Path, *, force: bool = True) -> None:
    """Copy an open database into a file; as `copy_to`."""
    with replacing(target, force=force) as out, closing(sqlite3.connect(out.name)) as new:
        source.backup(new)
        new.execute("PRAGMA journal_mode = DELETE")  # one file, with nothing beside it
