"""Looking after a store: back-up, and checking that all of it hangs together."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

from sqlalchemy import Connection, func, inspect, select, text
from sqlalchemy.orm import Session

from calib.model.correction import Verdict
from calib.model.gate import why_refused
from calib.model.place import Place
from calib.store.base import StoreBase
from calib.store.engine import check_is_file, speaking
from calib.store.keeping import keep_key, text_sha256
from calib.store.snapshot import copy_to
from calib.store.tables import (
    CorrectionRow,
    EventRow,
    PlaceRow,
    ReadingRow,
    SheetRow,
    UndoRow,
    now,
)
from calib.store.work_tables import Base


class Upkeep(StoreBase):
    """The part of the store that looks after the rest."""

    def counts(self) -> dict[str, int]:
        """Return how many rows each kept table has."""
        tables = {"sheets": SheetRow, "readings": ReadingRow, "corrections": CorrectionRow, "taken back": UndoRow, "events": EventRow, "places where a setting takes effect": PlaceRow}  # fmt: skip
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
            The store is on a server.
        FileError
            The file is there already, or can't be written.
        """
        check_is_file(self.engine.url)
        with speaking(self.engine.url):
            copy_to(self.engine, target, force=force)

    def check(self) -> list[str]:
        """Return what is wrong with the store, in words; empty where all is well."""
        with self._read() as session:
            if wrong := list(_lacking(session.connection())):
                return wrong  # nothing else can be asked of it
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
            wrong += _senseless(session)
            wrong += _of_tomorrow(session)
            odd = select(PlaceRow.uid, PlaceRow.place).where(PlaceRow.place.not_in(list(Place)))
            wrong += [f"place {u}: {place!r} is none that is known" for u, place in session.execute(odd)]  # fmt: skip
        return wrong


def _senseless(session: Session) -> Iterator[str]:
    """Yield the corrections whose value makes no sense for their setting; none of them is used."""
    c = CorrectionRow
    rows = session.execute(select(c.uid, c.setting, c.new).where(c.verdict == str(Verdict.APPLY)))
    for uid, name, new in rows:
        if why := why_refused(name, new, {}):
            yield f"correction {uid}: {name}: {why}; it is not used"


def _lacking(connection: Connection) -> Iterator[str]:
    """Yield the tables and columns that are not there."""
    found = inspect(connection)
    there = set(found.get_table_names())
    for table in Base.metadata.sorted_tables:
        if table.name not in there:
            yield f"the table {table.name} is missing; restore a back-up"
            continue
        columns = {c["name"] for c in found.get_columns(table.name)}
        for name in sorted(set(table.columns.keys()) - columns):
            yield f"the table {table.name} lacks the column {name}; restore a back-up"


def _of_tomorrow(session: Session) -> Iterator[str]:
    """Yield what is dated after now: the clock was wrong then or is now, and the order of things is by date."""
    after = now() + timedelta(hours=1)
    dated = ("sheet", SheetRow.uid, SheetRow.kept_at), ("event", EventRow.uid, EventRow.at)
    for what, uid, at in dated:
        for found, when in session.execute(select(uid, at).where(at > after).order_by(at)):
            yield f"{what} {found}: dated {when:%Y-%m-%d}, which is yet to come; look at the computer's clock"


def _database_problems(connection: Connection) -> Iterator[str]:
    if connection.dialect.name != "sqlite":
        return
    for row in connection.execute(text("PRAGMA integrity_check")):
        if row[0] != "ok":
            yield f"the file is damaged: {row[0]}"
    for row in connection.execute(text("PRAGMA foreign_key_check")):
        yield f"row {row[1]} of table {row[0]} names a row of {row[2]} that is not there"
