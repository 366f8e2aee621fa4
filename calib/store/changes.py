"""Renaming, retiring and copying what the user owns; who changed what is kept, nothing is deleted."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from calib.errors import StoreError
from calib.store.base import StoreBase, check_name, find, find_nozzle, new_name
from calib.store.tables import AxisRow, InstrumentRow, NozzleRow, PrinterRow, SpoolRow
from calib.store.tables import now as time_now
from calib.store.work_tables import ChangeRow

_TABLES: dict[str, Any] = {"printer": PrinterRow, "spool": SpoolRow, "instrument": InstrumentRow}
_ASSUMED = "assumed"
THINGS = ("printer", "nozzle", "spool", "instrument")
_OWN_COLUMNS = ("id", "uid", "name", "added_at", "version", "retired_at")


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What was done to a printer, nozzle, spool or instrument, when and by whom."""

    what: str
    name: str
    action: str
    old_name: str
    at: datetime
    by: str


class Changes(StoreBase):
    """The part of the store that renames, retires and copies."""

    def rename(self, what: str, name: str, new: str, printer: str | None = None) -> None:
        """Give a thing another name; all that was kept for it stays its own.

        Sheets that were made under the old name are still understood.
        """
        clean = check_name(what, new)
        with new_name(what, clean), self._write() as session:
            row = _thing(session, what, name, printer)
            old, row.name = row.name, clean
            _log(session, what, row, "renamed", old)

    def retire(
        self, what: str, name: str, printer: str | None = None, *, back: bool = False
    ) -> None:
        """Take a thing out of use, or back into it: its history stays, it is no longer offered."""
        with self._write() as session:
            row = _thing(session, what, name, printer)
            row.retired_at = None if back else time_now()
            _log(session, what, row, "brought back" if back else "retired", row.name)

    def copy(self, what: str, name: str, new: str, printer: str | None = None) -> None:
        """Add a thing that is like another but for its name; a printer with its nozzles.

        What was found for the original stays its own: the copy has still to be calibrated.
        """
        clean = check_name(what, new)
        with new_name(what, clean), self._write() as session:
            row = _thing(session, what, name, printer)
            copy = _copied(row, clean)
            session.add(copy)
            if isinstance(row, PrinterRow) and isinstance(copy, PrinterRow):
                copy.axes = [AxisRow(**_values(a, ("id", "printer_id"))) for a in row.axes]
                tips = session.scalars(
                    select(NozzleRow).where(NozzleRow.printer_id == row.id)
                ).all()
                for tip in (t for t in tips if t.retired_at is None):
                    own = _copied(tip, tip.name)
                    own.printer = copy
                    session.add(own)
            session.flush()
            _log(session, what, copy, "copied", row.name)

    def say_assumed(self, printer: str, fields: Sequence[str]) -> None:
        """Write down which numbers of a printer nobody has told yet, and are taken cautiously."""
        with self._write() as session:
            row = _thing(session, "printer", printer, None)
            _log(session, "printer", row, _ASSUMED, row.name, {"fields": list(fields)})

    def assumed(self, printer: str | None = None) -> tuple[str, ...]:
        """Return the numbers of a printer that nobody has told yet, such as ``hot_end_max_c``."""
        with self._read() as session:
            row = find(session, PrinterRow, "printer", printer)
            newest = (
                select(ChangeRow.before)
                .where(ChangeRow.thing_uid == row.uid, ChangeRow.action == _ASSUMED)
                .order_by(ChangeRow.id.desc())
                .limit(1)
            )
            return tuple((session.scalar(newest) or {}).get("fields", ()))

    def changes(self, limit: int = 50) -> list[Change]:
        """Return what was done to things, newest first."""
        with self._read() as session:
            query = select(ChangeRow).order_by(ChangeRow.id.desc()).limit(limit)
            return [
                Change(what=c.what, name=c.name, action=c.action, old_name=c.old_name, at=c.at, by=c.by or "")
                for c in session.scalars(query)
            ]  # fmt: skip

    def retired(self) -> list[tuple[str, str]]:
        """Return (what, name) of everything that is out of use."""
        found = []
        with self._read() as session:
            for what, table in (*_TABLES.items(), ("nozzle", NozzleRow)):
                names = select(table.name).where(table.retired_at.is_not(None)).order_by(table.name)
                found += [(what, name) for name in session.scalars(names)]
        return found


def _thing(session: Session, what: str, name: str, printer: str | None) -> Any:
    if what not in THINGS:
        raise StoreError(f"there is no {what!r} in a store", mend=f"use {', '.join(THINGS)}")
    if what == "nozzle":
        return find_nozzle(session, find(session, PrinterRow, "printer", printer), name)
    return find(session, _TABLES[what], what, name)


def _copied(row: Any, name: str) -> Any:
    return type(row)(**_values(row, _OWN_COLUMNS), name=name)


def _values(row: Any, without: tuple[str, ...]) -> dict[str, Any]:
    return {c.key: getattr(row, c.key) for c in row.__table__.columns if c.key not in without}


def _log(
    session: Session,
    what: str,
    row: Any,
    action: str,
    old: str,
    before: dict[str, Any] | None = None,
) -> None:
    session.add(
        ChangeRow(
            what=what, thing_uid=row.uid, action=action, name=row.name, old_name=old,
            before=before or {},
        )
    )  # fmt: skip
