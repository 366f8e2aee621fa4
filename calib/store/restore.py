"""Putting a back-up in the place of a store, with nothing that was acknowledged lost on the way."""

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, exc

from calib.errors import StoreError
from calib.files import replacing
from calib.store.engine import (
    BUSY_MS,
    HEAD,
    check_is_file,
    open_engine,
    same_store,
    speaking,
    store_url,
)
from calib.store.snapshot import copy_connection, snapshot


def restore(where: str | None, backup: Path) -> Path | None:
    """Put a back-up in the place of a store; what was there is set aside, not deleted.

    Others may have the store open: theirs is the restored one from then on. What they had written
    before is in what was set aside.

    Returns
    -------
    Path or None
        Where the store that was there is now; None where there was none.

    Raises
    ------
    StoreError
        The back-up is missing, damaged, no store, or of a newer Truebead, or the store is busy;
        nothing is changed.
    """
    url = store_url(where)
    target = check_is_file(url)
    if same_store(str(backup), where):
        raise StoreError("that is the store itself", where=str(backup), mend="give a back-up")
    _check_backup(backup)
    fresh = open_engine(str(backup), make=False, read_only=True)  # in memory, and up to date
    with _raw(fresh) as source, speaking(url):
        return _put_back(where, target, source)


def _put_back(where: str | None, target: Path, source: sqlite3.Connection) -> Path | None:
    target.parent.mkdir(parents=True, exist_ok=True)
    if not target.exists():
        copy_connection(source, target, force=False)
        return None
    stamp = f"{datetime.now(UTC):%Y%m%dT%H%M%S%f}"
    aside = target.with_name(f"{target.name}.before-restore-{stamp}")
    try:
        engine = open_engine(where)
    except StoreError:  # no store, damaged, or of a newer Truebead
        _replace_file(target, source, aside)
        return aside
    try:
        with _raw(engine) as live:
            _replace_content(live, target, source, aside)
    except sqlite3.DatabaseError as err:
        if "locked" in str(err):
            raise
        aside.unlink(missing_ok=True)
        _replace_file(target, source, aside)  # it is damaged
    return aside


@contextlib.contextmanager
def _raw(engine: Engine) -> Iterator[sqlite3.Connection]:
    """Give the database's own connection, and close it with its engine."""
    held = engine.raw_connection()
    try:
        live: Any = held.driver_connection
        yield live
    finally:
        held.close()
        engine.dispose()


def _replace_content(
    live: sqlite3.Connection, target: Path, source: sqlite3.Connection, aside: Path
) -> None:
    """Replace every row in one transaction; whoever writes meanwhile waits, or is in what is set aside."""
    live.execute("PRAGMA foreign_keys = OFF")
    live.execute("BEGIN IMMEDIATE")
    try:
        with closing(sqlite3.connect(target, timeout=BUSY_MS / 1000)) as reader:
            copy_connection(reader, aside, force=False)
        for table in _tables(source):
            columns = ", ".join(f'"{c[1]}"' for c in source.execute(f"PRAGMA table_info({table})"))
            rows = source.execute(f"SELECT {columns} FROM {table}")
            marks = ", ".join("?" * len(rows.description))
            live.execute(f"DELETE FROM {table}")
            live.executemany(f"INSERT INTO {table} ({columns}) VALUES ({marks})", rows)
        if live.execute("PRAGMA quick_check").fetchone() != ("ok",):
            raise sqlite3.DatabaseError("malformed")
        live.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            live.execute("ROLLBACK")
        raise


def _tables(source: sqlite3.Connection) -> list[str]:
    query = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    return [f'"{name}"' for (name,) in source.execute(query)]


def _replace_file(target: Path, source: sqlite3.Connection, aside: Path) -> None:
    """Replace a file that can't be used as a store, when nobody else has it open."""
    with (
        replacing(
            target, force=True, around=lambda _draft, _target: _set_aside(target, aside)
        ) as out,
        closing(sqlite3.connect(out.name)) as new,
    ):
        source.backup(new)
        new.execute("PRAGMA journal_mode = DELETE")


@contextlib.contextmanager
def _set_aside(target: Path, aside: Path) -> Iterator[None]:
    """Keep a file and what its database has beside it under another name, while none may use it."""
    with closing(sqlite3.connect(target, timeout=BUSY_MS / 1000)) as alone:
        try:
            alone.execute("PRAGMA locking_mode = EXCLUSIVE")
            alone.execute("BEGIN EXCLUSIVE")
            alone.execute("COMMIT")  # the lock stays
        except sqlite3.DatabaseError as err:
            if "locked" in str(err):
                raise
        for tail in ("-wal", "-shm"):
            beside = target.with_name(target.name + tail)
            if beside.exists():
                beside.replace(aside.with_name(aside.name + tail))
        os.link(target, aside)
    yield


def _check_backup(backup: Path) -> None:
    if not backup.is_file():
        raise StoreError("there is no such file", where=str(backup), mend="give a back-up")
    try:
        with closing(snapshot(backup)) as raw:
            whole = raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            row = raw.execute("SELECT version_num FROM alembic_version").fetchone()
    except (sqlite3.Error, exc.DBAPIError, OSError) as err:
        raise StoreError(f"is no back-up of a store ({err})", where=str(backup), mend="nothing was changed; give another file") from err  # fmt: skip
    if not whole or row is None:
        raise StoreError("the back-up is damaged", where=str(backup), mend="nothing was changed; give another file")  # fmt: skip
    if str(row[0]) > HEAD:
        raise StoreError("the back-up was made by a newer Truebead", where=str(backup), mend="update Truebead; nothing was changed")  # fmt: skip
