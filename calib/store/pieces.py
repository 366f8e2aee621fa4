"""Pieces that were made and whose readings are still being taken: seen by all, safe against a kill."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from calib.errors import StoreError
from calib.store.base import ChangedMeanwhile, StoreBase, find, find_nozzle
from calib.store.tables import PrinterRow, SpoolRow
from calib.store.tables import now as time_now
from calib.store.work_tables import PieceReadingRow, PieceRow

#: How far a piece has come; one that was kept or given up is no longer open.
STATES = ("made", "printed", "kept", "given up")
OPEN, KEPT = STATES[:2], STATES[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceRecord:
    """A piece in work; `version` grows with every change, `sheet_uid` is of the kept sheet."""

    uid: str
    piece_id: str
    pattern: str
    printer: str
    nozzle: str
    spool: str
    sheet_text: str
    state: str
    sheet_uid: str
    made_at: datetime
    changed_at: datetime
    by: str
    version: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry into a cell of a sheet: the text before and after; repeat 0 is a line of the head."""

    feature: str
    repeat: int
    before: str
    text: str
    sure: bool
    at: datetime
    by: str
    client_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entering:
    """An entry to be written: the sheet's new text, and what is logged of it."""

    sheet_text: str
    feature: str
    repeat: int
    before: str
    text: str
    sure: bool = False
    client_id: str = ""


class Pieces(StoreBase):
    """The part of the store that holds what is being measured."""

    def start_piece(
        self, pattern: str, piece_id: str, sheet_text: str, printer: str, nozzle: str, spool: str
    ) -> PieceRecord:
        """Hold a piece that was made; names may be empty."""
        with self._write() as session:
            row = PieceRow(
                pattern=pattern, piece_id=piece_id, sheet_text=sheet_text, state=STATES[0], sheet_uid=""
            )  # fmt: skip
            if printer:
                row.printer = find(session, PrinterRow, "printer", printer)
                row.nozzle = find_nozzle(session, row.printer, nozzle) if nozzle else None
            row.spool = find(session, SpoolRow, "spool", spool) if spool else None
            session.add(row)
            session.flush()
            return _record(row)

    def pieces(
        self, printer: str | None = None, spool: str | None = None, states: Sequence[str] = OPEN
    ) -> list[PieceRecord]:
        """Return the pieces in work, newest first."""
        with self._read() as session:
            query = select(PieceRow).where(PieceRow.state.in_(states))
            query = query.order_by(PieceRow.made_at.desc(), PieceRow.id.desc())
            if printer is not None:
                row = find(session, PrinterRow, "printer", printer)
                query = query.where(PieceRow.printer_id == row.id)
            if spool is not None:
                reel = find(session, SpoolRow, "spool", spool)
                query = query.where(PieceRow.spool_id == reel.id)
            return [_record(row) for row in session.scalars(query)]

    def piece(self, uid: str) -> PieceRecord:
        """Return one piece by its uid; StoreError where there is none."""
        with self._read() as session:
            return _record(_find_piece(session, uid))

    def set_piece_state(self, uid: str, state: str, sheet_uid: str = "") -> PieceRecord:
        """Say how far a piece has come; a kept one stays so (ChangedMeanwhile)."""
        if state not in STATES:
            raise StoreError(f"{state!r} is no state of a piece", mend=f"use {', '.join(STATES)}")
        with self._write() as session:
            row = _find_piece(session, uid, lock=True)
            if row.state == KEPT != state:
                raise _closed(row)
            row.state, row.changed_at = state, time_now()
            row.sheet_uid = sheet_uid or row.sheet_uid
            session.flush()
            return _record(row)

    def enter(self, uid: str, entering: Callable[[str], Entering | None]) -> PieceRecord:
        """Change one cell of a piece's sheet, in one transaction.

        Parameters
        ----------
        entering : callable
            Given the sheet's text as it stands, returns what to write, or None for nothing; what it
            raises leaves all as it was.

        Raises
        ------
        ChangedMeanwhile
            The piece is kept or given up, so that nothing more can be written.
        """
        with self._write() as session:
            row = _find_piece(session, uid, lock=True)
            if row.state not in OPEN:
                raise _closed(row)
            entry = entering(row.sheet_text)
            if entry is None or _known(session, row, entry.client_id):
                return _record(row)
            row.sheet_text, row.changed_at = entry.sheet_text, time_now()
            session.add(
                PieceReadingRow(
                    piece_id=row.id, feature=entry.feature, repeat=entry.repeat,
                    before=entry.before, text=entry.text, sure=entry.sure,
                    client_id=entry.client_id or None,
                )
            )  # fmt: skip
            session.flush()
            return _record(row)

    def entries(self, uid: str) -> list[Entry]:
        """Return everything that was entered into a piece's sheet, in order."""
        with self._read() as session:
            piece = _find_piece(session, uid)
            query = (
                select(PieceReadingRow)
                .where(PieceReadingRow.piece_id == piece.id)
                .order_by(PieceReadingRow.id)
            )
            return [
                Entry(
                    feature=r.feature, repeat=r.repeat, before=r.before, text=r.text, sure=r.sure,
                    at=r.at, by=r.by or "", client_id=r.client_id or "",
                )
                for r in session.scalars(query)
            ]  # fmt: skip


def _closed(row: PieceRow) -> ChangedMeanwhile:
    """Return the message for a piece that is not measured any more."""
    if row.state == KEPT:
        what, mend = "its result is kept", "look at the result; to measure once more, make it anew"
    else:
        what, mend = "it was put aside", "say that it is printed after all, or make it anew"
    return ChangedMeanwhile(
        f"piece {row.piece_id} is closed: {what}; nothing was written", mend=mend
    )


def _known(session: Session, piece: PieceRow, client_id: str) -> bool:
    """Whether an entry was taken before: a queue that sends it again must not enter it twice."""
    if not client_id:
        return False
    query = select(PieceReadingRow.id).where(
        PieceReadingRow.piece_id == piece.id, PieceReadingRow.client_id == client_id
    )
    return session.scalar(query.limit(1)) is not None


def _find_piece(session: Session, uid: str, *, lock: bool = False) -> PieceRow:
    query = select(PieceRow).where(PieceRow.uid == uid)
    if lock:
        query = query.with_for_update(of=PieceRow)
    row = session.scalar(query)
    if row is None:
        raise StoreError(f"there is no piece in work with the id {uid!r}", mend="make it anew")
    return row


def _record(row: PieceRow) -> PieceRecord:
    return PieceRecord(
        uid=row.uid, piece_id=row.piece_id, pattern=row.pattern,
        printer=row.printer.name if row.printer else "",
        nozzle=row.nozzle.name if row.nozzle else "",
        spool=row.spool.name if row.spool else "",
        sheet_text=row.sheet_text, state=row.state, sheet_uid=row.sheet_uid, made_at=row.made_at,
        changed_at=row.changed_at, by=row.by or "", version=row.version,
    )  # fmt: skip
