"""Export, import and merge: a store as a stream of records, and records into a store."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from calib.errors import BadInput, FileError
from calib.store import fields
from calib.store.base import StoreBase, find
from calib.store.clash import Decisions
from calib.store.exchange_file import SCHEMA_VERSION, closing_items
from calib.store.importing import AT_ONCE, Import, ImportResult
from calib.store.tables import (
    CorrectionRow,
    EventRow,
    InstrumentRow,
    NozzleRow,
    PlaceRow,
    PrinterRow,
    ReadingRow,
    SheetRow,
    SpoolRow,
    UndoRow,
)
from calib.version import version


class Exchange(StoreBase):
    """The part of the store that speaks with other stores."""

    def records(self, printer: str | None = None) -> Iterator[dict[str, Any]]:
        """Yield the whole store, or one printer and its spools, as records of an export."""
        with self._read() as session:
            only = find(session, PrinterRow, "printer", printer).id if printer else None
            yield {
                "record": "export", "schema_version": SCHEMA_VERSION, "made_at": _iso(datetime.now(UTC)),
                "by_version": version(),
            }  # fmt: skip
            yield from _things(session, only)
            yield from _sheets(session, only)
            about = ("printer", "nozzle", "spool")
            yield from _said(session, only, "event", EventRow, fields.EVENT, *about)
            yield from _said(session, only, "place", PlaceRow, fields.PLACE, "printer", "spool")

    def take_in(
        self,
        records: Iterable[Mapping[str, Any]],
        decided: Decisions | None = None,
        *,
        source: str = "",
    ) -> ImportResult:
        """Add records that are not here yet, all of them or none.

        Things are the same where their uid is, or their name and all that is said of them; what they
        were measured with is then laid upon the store's own. A thing that only has the name of another
        is refused, unless `decided` says what it is. A sheet is the same where its uid is, or its text
        and what it was printed with: it is not taken twice.

        Parameters
        ----------
        source : str
            What messages call the records' origin.

        Raises
        ------
        BadInput
            A record would not be taken if it were typed in, names a thing that did not come before
            it, or clashes with one that is here; says which.
        """
        number = 0
        try:
            with closing_items(records), self._write() as session:
                taking = Import(session, decided)
                for record in records:
                    number += 1
                    taking.take(record)
                taking.finish()
                return taking.done
        except BadInput as err:
            if not err.where:
                place = f"{source} record {number}".strip()
                raise type(err)(err.what, where=place, mend=err.mend or _NOTHING) from err
            raise
        except IntegrityError as err:
            raise FileError("two records have the same id, or another import was quicker", where=source, mend=_NOTHING) from err  # fmt: skip


_NOTHING = "nothing was taken in"


def _iso(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _things(session: Session, only: int | None) -> Iterator[dict[str, Any]]:
    printers = select(PrinterRow).order_by(PrinterRow.id)
    nozzles = select(NozzleRow).order_by(NozzleRow.id)
    spools = select(SpoolRow).order_by(SpoolRow.id)
    if only is not None:
        printers = printers.where(PrinterRow.id == only)
        nozzles = nozzles.where(NozzleRow.printer_id == only)
        used = [
            select(t.spool_id).where(t.printer_id == only) for t in (SheetRow, EventRow, PlaceRow)
        ]
        spools = spools.where(or_(*(SpoolRow.id.in_(ids) for ids in used)))
    for p in session.scalars(printers):
        yield _thing("printer", p, fields.PRINTER) | {
            "axes": [fields.values(a, fields.AXIS) for a in p.axes]
        }
    for n in session.scalars(nozzles):
        yield _thing("nozzle", n, fields.NOZZLE) | {"printer": n.printer.uid}
    for s in session.scalars(spools.execution_options(yield_per=AT_ONCE)):
        yield _thing("spool", s, fields.SPOOL) | {"material": s.material.name}
    for i in session.scalars(select(InstrumentRow).order_by(InstrumentRow.id)):
        yield _thing("instrument", i, fields.INSTRUMENT)


def _thing(kind: str, row: Any, names: tuple[str, ...]) -> dict[str, Any]:
    retired_at = None if row.retired_at is None else _iso(row.retired_at)
    return {"record": kind, **fields.values(row, names), "retired_at": retired_at}


def _sheets(session: Session, only: int | None) -> Iterator[dict[str, Any]]:
    query = select(SheetRow.id).order_by(SheetRow.id)
    if only is not None:
        query = query.where(SheetRow.printer_id == only)
    ids = list(session.scalars(query))
    for start in range(0, len(ids), AT_ONCE):
        yield from _some_sheets(session, ids[start : start + AT_ONCE])
        session.expunge_all()  # memory stays that of one batch


def _some_sheets(session: Session, ids: list[int]) -> Iterator[dict[str, Any]]:
    readings: dict[int, list[Any]] = {i: [] for i in ids}
    corrections: dict[int, list[dict[str, Any]]] = {i: [] for i in ids}
    columns = [getattr(ReadingRow, n) for n in fields.READING]
    for row in session.execute(
        select(ReadingRow.sheet_id, *columns)
        .where(ReadingRow.sheet_id.in_(ids))
        .order_by(ReadingRow.id)
    ):
        readings[row[0]].append(row[1:])
    names = [getattr(CorrectionRow, n) for n in fields.CORRECTION]
    pairs = (
        select(
            CorrectionRow.sheet_id,
            CorrectionRow.kept_at,
            UndoRow,
            *names,
        )
        .outerjoin(UndoRow, UndoRow.correction_id == CorrectionRow.id)
        .where(CorrectionRow.sheet_id.in_(ids))
        .order_by(CorrectionRow.id)
    )
    for sheet_id, kept_at, undo, *own_values in session.execute(pairs):
        undone = {**fields.values(undo, fields.UNDO), "at": _iso(undo.at)} if undo else None
        own = dict(zip(fields.CORRECTION, own_values, strict=True))
        corrections[sheet_id].append({**own, "kept_at": _iso(kept_at), "undone": undone})
    for s in session.scalars(select(SheetRow).where(SheetRow.id.in_(ids)).order_by(SheetRow.id)):
        table = list(zip(*readings[s.id], strict=True)) or [()] * len(fields.READING)
        yield {
            "record": "sheet",
            **fields.values(s, fields.SHEET),
            **_uids(s, "printer", "nozzle", "spool"),
            "kept_at": _iso(s.kept_at),
            "readings": {n: list(c) for n, c in zip(fields.READING, table, strict=True)},
            "corrections": corrections[s.id],
        }


def _said(
    session: Session, only: int | None, kind: str, table: Any, names: tuple[str, ...], *things: str
) -> Iterator[dict[str, Any]]:
    """Yield the events, or the places, with what they are about."""
    query = select(table).order_by(table.id)
    if only is not None:
        query = query.where(table.printer_id == only)
    for row in session.scalars(query.execution_options(yield_per=AT_ONCE)):
        own = {"record": kind, **fields.values(row, names), "at": _iso(row.at)}
        yield own | _uids(row, *things)


def _uids(row: Any, *things: str) -> dict[str, str | None]:
    """Return the uids of the things that a row is about; None where it is about none."""
    return {t: getattr(row, t).uid if getattr(row, t) else None for t in things}
