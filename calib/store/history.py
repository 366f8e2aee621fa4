"""Looking back at what was kept: corrections, sheets, readings and fits."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from calib.errors import StoreError
from calib.store.base import StoreBase, find, find_nozzle
from calib.store.records import KeptCorrection, KeptSheet, SheetReadings
from calib.store.rows import correction_record, corrections_query, sheet_record
from calib.store.tables import (
    CorrectionRow,
    MaterialRow,
    NozzleRow,
    PrinterRow,
    ReadingRow,
    SheetRow,
    SpoolRow,
    UndoRow,
)


class History(StoreBase):
    """The part of the store that looks back."""

    def corrections(self, uids: Sequence[str]) -> list[KeptCorrection]:
        """Return kept corrections by their uids, in that order."""
        with self._read() as session:
            query = corrections_query().where(CorrectionRow.uid.in_(uids))
            found = [correction_record(*r) for r in session.execute(query)]
        return sorted(found, key=lambda k: uids.index(k.uid))

    def of_sheet(self, sheet_uid: str) -> list[KeptCorrection]:
        """Return the corrections that came of a kept sheet, in the order in which they were found."""
        with self._read() as session:
            query = corrections_query().where(SheetRow.uid == sheet_uid).order_by(CorrectionRow.id)
            return [correction_record(*r) for r in session.execute(query)]

    def sheet(self, uid: str) -> KeptSheet:
        """Return a kept sheet by its uid or the unique beginning of it."""
        with self._read() as session:
            rows = session.scalars(
                select(SheetRow).where(SheetRow.uid.startswith(uid, autoescape=True)).limit(2)
            ).all()
            if len(rows) != 1:
                raise StoreError(
                    f"{'no sheet has' if not rows else 'more than one sheet has'} the id {uid!r}",
                    mend="see truebead profile history",
                )
            return sheet_record(rows[0])

    def sheets_of_piece(
        self, piece_id: str, printer: str, nozzle: str, spool: str
    ) -> list[KeptSheet]:
        """Return the sheets of one piece kept for the same things that still count, the oldest first."""
        with self._read() as session:
            row = find(session, PrinterRow, "printer", printer)
            query = select(SheetRow).where(
                SheetRow.piece_id == piece_id, SheetRow.id.in_(_sheets_in_use(session, row))
            )
            found = [sheet_record(r) for r in session.scalars(query.order_by(SheetRow.id))]
        return [s for s in found if (s.nozzle, s.spool) == (nozzle, spool)]

    def history(
        self,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        setting: str | None = None,
        limit: int | None = None,
    ) -> list[KeptCorrection]:
        """Return kept corrections, newest first; names narrow it down."""
        with self._read() as session:
            query = corrections_query().order_by(
                CorrectionRow.kept_at.desc(), CorrectionRow.id.desc()
            )
            if printer is not None:
                row = find(session, PrinterRow, "printer", printer)
                query = query.where(CorrectionRow.printer_id == row.id)
                if nozzle is not None:
                    tip = find_nozzle(session, row, nozzle)
                    query = query.where(CorrectionRow.nozzle_id == tip.id)
            if spool is not None:
                reel = find(session, SpoolRow, "spool", spool)
                query = query.where(CorrectionRow.spool_id == reel.id)
            if setting is not None:
                query = query.where(CorrectionRow.setting == setting)
            return [correction_record(*r) for r in session.execute(query.limit(limit))]

    def readings_of(self, printer: str | None = None) -> Iterator[SheetReadings]:
        """Yield the readings of every kept sheet of a printer, sheet by sheet, as columns.

        Sheets whose corrections were all taken back are left out. Memory stays that of one sheet.
        """
        with self._read() as session:
            row = find(session, PrinterRow, "printer", printer)
            sheets = _sheets_in_use(session, row)
            query = (
                select(
                    ReadingRow.sheet_id, ReadingRow.feature, ReadingRow.kind, ReadingRow.axis,
                    ReadingRow.nominal, ReadingRow.value, ReadingRow.u,
                )
                .join(SheetRow, ReadingRow.sheet_id == SheetRow.id)
                .where(SheetRow.printer_id == row.id)
                .order_by(ReadingRow.sheet_id, ReadingRow.id)
                .execution_options(yield_per=20_000)
            )  # fmt: skip
            for sheet_id, rows in groupby(session.execute(query), key=lambda r: r[0]):
                if sheet_id in sheets:
                    yield _columns(sheets[sheet_id], list(rows))


def _sheets_in_use(session: Session, printer: PrinterRow) -> dict[int, Any]:
    kept, undone = func.count(CorrectionRow.id), func.count(UndoRow.id)
    used = (
        select(SheetRow.id)
        .outerjoin(CorrectionRow, CorrectionRow.sheet_id == SheetRow.id)
        .outerjoin(UndoRow, UndoRow.correction_id == CorrectionRow.id)
        .where(SheetRow.printer_id == printer.id)
        .group_by(SheetRow.id)
        .having((kept == 0) | (kept > undone))
    )
    query = (
        select(SheetRow.id, SheetRow.uid, SheetRow.keys, SpoolRow.name, MaterialRow.name, NozzleRow.name)
        .outerjoin(SpoolRow, SheetRow.spool_id == SpoolRow.id)
        .outerjoin(MaterialRow, SpoolRow.material_id == MaterialRow.id)
        .outerjoin(NozzleRow, SheetRow.nozzle_id == NozzleRow.id)
        .where(SheetRow.id.in_(used))
    )  # fmt: skip
    return {row[0]: row for row in session.execute(query)}


def _columns(sheet: Any, rows: list[Any]) -> SheetReadings:
    import numpy as np  # only the split needs it

    _id, feature, kind, axis, nominal, value, u = zip(*rows, strict=True)
    return SheetReadings(
        sheet_uid=sheet[1],
        keys=sheet[2],
        spool=sheet[3] or "",
        material=sheet[4] or "",
        nozzle=sheet[5] or "",
        feature=feature,
        kind=kind,
        axis=axis,
        nominal=np.array(nominal, dtype=float),
        value=np.array(value, dtype=float),
        u=np.array(u, dtype=float),
    )
