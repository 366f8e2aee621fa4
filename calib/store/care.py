"""Looking after a store: back-up, restore, and checking that all of it hangs together."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import func, select, text

from calib.errors import StoreError
from calib.model.place import Place
from calib.store.base import StoreBase
from calib.store.engine import HEAD, speaking, store_url
from calib.store.keeping import keep_key, text_sha256
from calib.store.tables import CorrectionRow, EventRow, PlaceRow, ReadingRow, SheetRow, UndoRow


class Care(StoreBase):
    """The part of the store that looks after the rest."""

    def counts(self) -> dict[str, int]:
        """Return how many rows each kept table has."""
        tables = {"sheets": SheetRow, "readings": ReadingRow, "corrections": CorrectionRow, "taken back": UndoRow, "events": EventRow, "places": PlaceRow}  # fmt: skip
        with self._read() as session:
            return {
                name: int(session.scalar(select(func.count()).select_from(t)) or 0)
                for name, t in tables.items()
            }

    def backup(self, target: Path, *, force: bool = False) -> None:
        """Copy a SQLite store to a file, whole, while others may be writing.

        Raises
        ------
        StoreError
            The file is there already, or the store is on a server.
        """
        source = _sqlite_path(
            str(self.engine.url), self.engine.url.database, self.engine.dialect.name
        )
        if target.exists() and not force:
            raise StoreError(
                "is there already", where=str(target), mend="add --force to replace it"
            )
        with speaking(self.engine.url):
            _copy(source, target)

    def check(self) -> list[str]:
        """Return what is wrong with the store, in words; empty where all is well."""
        with self._read() as session:
            wrong = list(_database_problems(session.connection()))
            sheets = select(SheetRow).order_by(SheetRow.id).execution_options(yield_per=500)
            for s in session.scalars(sheets):
                if text_sha256(s.sheet_text) != s.sheet_sha256:
                    wrong.append(f"sheet {s.uid}: its text was changed after it was kept")
                elif keep_key(s.sheet_sha256, s.printer, s.nozzle, s.spool) != s.keep_key:
                    wrong.append(f"sheet {s.uid}: it was printed with something else than it says")
            strayed = (
                select(CorrectionRow.uid)
                .join(SheetRow, CorrectionRow.sheet_id == SheetRow.id)
                .where(CorrectionRow.printer_id != SheetRow.printer_id)
            )
            wrong += [f"correction {u}: its sheet is of another printer" for u in session.scalars(strayed)]  # fmt: skip
            odd = select(PlaceRow.uid, PlaceRow.place).where(PlaceRow.place.not_in(list(Place)))
            wrong += [f"place {u}: {place!r} is none that is known" for u, place in session.execute(odd)]  # fmt: skip
        return wrong


def _database_problems(connection: object) -> Iterator[str]:
    from sqlalchemy import Connection

    assert isinstance(connection, Connection)
    if connection.dialect.name != "sqlite":
        return
    for row in connection.execute(text("PRAGMA integrity_check")):
        if row[0] != "ok":
            yield f"the file is damaged: {row[0]}"
    for row in connection.execute(text("PRAGMA foreign_key_check")):
        yield f"row {row[1]} of table {row[0]} names a row of {row[2]} that is not there"


def _sqlite_path(shown: str, database: str | None, dialect: str) -> Path:
    if dialect != "sqlite" or not database or database == ":memory:":
        raise StoreError(
            "only a store in a file can be copied here",
            where=shown,
            mend="use pg_dump for a server, or: truebead store export",
        )
    return Path(database)


def _copy(source: Path, target: Path) -> None:
    """Copy a database through its own back-up call, whole or not at all."""
    draft = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(draft)) as new:
            old.backup(new)
            new.execute("PRAGMA journal_mode = DELETE")  # one file, with nothing beside it
        with draft.open("rb") as stream:
            os.fsync(stream.fileno())
        draft.replace(target)
    except (OSError, sqlite3.Error) as err:
        raise StoreError(f"can't be copied ({err})", where=str(target), mend="nothing was changed; look at the place and its room") from err  # fmt: skip
    finally:
        draft.unlink(missing_ok=True)


def restore(where: str | None, backup: Path) -> Path | None:
    """Put a back-up in the place of a store; what was there is set aside, not deleted.

    Returns
    -------
    Path or None
        Where the store that was there is now; None where there was none.

    Raises
    ------
    StoreError
        The back-up is missing, damaged, no store, or of a newer Truebead; nothing is changed.
    """
    url = store_url(where)
    target = _sqlite_path(url.render_as_string(), url.database, url.get_backend_name())
    _check_backup(backup)
    stamp = f"{datetime.now(UTC):%Y%m%dT%H%M%S%f}"
    aside = target.with_name(f"{target.name}.before-restore-{stamp}")
    fresh = target.with_name(f".{target.name}.{os.getpid()}.restore")
    target.parent.mkdir(parents=True, exist_ok=True)
    _copy(backup, fresh)
    # The store may be damaged, so it is moved as files, with its log, and not through the database.
    found = target.exists()
    if found:
        for tail in ("", "-wal", "-shm"):
            part = target.with_name(target.name + tail)
            if part.exists():
                part.replace(aside.with_name(aside.name + tail))
    fresh.replace(target)
    return aside if found else None


def _check_backup(backup: Path) -> None:
    if not backup.is_file():
        raise StoreError("there is no such file", where=str(backup), mend="give a back-up")
    try:
        with closing(sqlite3.connect(f"{backup.resolve().as_uri()}?mode=ro", uri=True)) as raw:
            whole = raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            row = raw.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.Error as err:
        raise StoreError(f"is no back-up of a store ({err})", where=str(backup), mend="nothing was changed; give another file") from err  # fmt: skip
    if not whole or row is None:
        raise StoreError("the back-up is damaged", where=str(backup), mend="nothing was changed; give another file")  # fmt: skip
    if str(row[0]) > HEAD:
        raise StoreError("the back-up was made by a newer Truebead", where=str(backup), mend="update Truebead; nothing was changed")  # fmt: skip
