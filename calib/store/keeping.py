"""Keeping sheets with their corrections, and taking them back."""

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from calib.errors import StoreError
from calib.model.correction import Correction, Scope
from calib.readings import Sheet
from calib.store.base import (
    StoreBase,
    changed_meanwhile,
    check_words,
    find,
    find_nozzle,
    plain_json,
)
from calib.store.records import KeptCorrection
from calib.store.rows import correction_record, corrections_query, estimate_json
from calib.store.states import keep_block
from calib.store.tables import (
    CorrectionRow,
    NozzleRow,
    PrinterRow,
    ReadingRow,
    SheetRow,
    SpoolRow,
    UndoRow,
)
from calib.version import version

#: Why a sheet no longer counts whose readings were mended or completed.
MENDED = "the sheet was mended and kept anew"


class AlreadyKept(StoreError):
    """The same sheet was kept before for the same printer, nozzle and spool."""


class Keeping(StoreBase):
    """The part of the store that only ever grows."""

    def keep(
        self,
        sheet_text: str,
        sheet: Sheet,
        corrections: Sequence[Correction],
        fit_json: Mapping[str, Any],
        *,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        use: Sequence[str] = (),
        seen: int | None = None,
        instead_of: Sequence[str] = (),
    ) -> list[str]:
        """Keep a sheet, its readings and its corrections, all of them or none.

        Parameters
        ----------
        sheet_text : str
            The sheet as it was read; kept whole, so that every number can be traced.
        use : sequence of str
            Settings to use where a correction has an alternative (`Correction.instead_of`).
            Where none is named, the one with the narrower scope is: what was found with one spool
            is then not laid upon the others.
        seen : int or None
            The `revision` of the printer's history that the solution rests on.
        instead_of : sequence of str
            Uids of kept sheets that no longer count from now on: earlier readings of the same print.

        Returns
        -------
        list of str
            The uids of the corrections.

        Raises
        ------
        AlreadyKept
            The same sheet was kept before and not taken back; nothing is written.
        StoreError
            Printer, nozzle or spool is not in the store, or somebody kept or took back something
            for this printer since it was seen; nothing is written.
        """
        chosen = choose(corrections, use)
        try:
            with self._write() as session:
                used = _used(session, printer, nozzle, spool, printed=sheet.piece.printed)
                if seen is not None:
                    _check_revision(session, used.printer, seen)
                for uid in instead_of:
                    _take_back(session, _to_undo(session, None, uid), MENDED)
                row = _sheet_row(session, sheet_text, sheet, fit_json, used, bool(corrections))
                uids = _add_corrections(session, row, used, corrections, chosen)
                keep_block(session, row, sheet)
                return uids
        except IntegrityError as err:  # another process kept it in the same moment
            raise AlreadyKept("this sheet was kept a moment ago", mend="nothing to do") from err

    def revision(self, printer: str | None = None) -> int:
        """Return a number that grows with everything kept or taken back for a printer."""
        with self._read() as session:
            return _revision(session, find(session, PrinterRow, "printer", printer))

    def undo(
        self, uid: str | None = None, why: str = "", **names: str | None
    ) -> list[KeptCorrection]:
        """Take corrections back; they stay in the history, marked.

        Parameters
        ----------
        uid : str or None
            Of a correction or a sheet, or its unique beginning; None: the newest kept sheet
            (of the named printer, nozzle or spool) that is not taken back.
        """
        with self._write() as session:
            rows = _to_undo(session, uid, _newest_uid(session, names) if uid is None else "")
            if not rows:
                raise StoreError("no correction came of that sheet: there is nothing to take back")
            open_rows = _take_back(session, rows, check_words("reason", why))
            if not open_rows:
                raise StoreError("that was taken back before", mend="see truebead profile history")
            ids = [r.id for r in open_rows]
            session.expire_all()
            query = corrections_query().where(CorrectionRow.id.in_(ids))
            return [correction_record(*r) for r in session.execute(query)]


def choose(corrections: Sequence[Correction], use: Sequence[str]) -> list[bool]:
    """Say which corrections are used where two would correct the same error.

    Raises
    ------
    StoreError
        `use` names a setting that is not among them, or both of a pair.
    """
    names = [c.setting for c in corrections]
    for name in use:
        if name not in names:
            raise StoreError(
                f"{name!r} is not among the corrections", mend=f"there are {', '.join(names)}"
            )
    wanted = set(use)
    dropped: set[str] = set()
    for c in corrections:
        other = c.instead_of
        if not other or other not in names:
            continue
        if c.setting in wanted and other in wanted:
            raise StoreError(
                f"{c.setting} and {other} correct the same error", mend="use only one of them"
            )
        loser = other if c.setting in wanted else c.setting
        if other not in wanted and c.setting not in wanted:
            loser = max((c, corrections[names.index(other)]), key=_width).setting
        dropped.add(loser)
    return [c.setting not in dropped for c in corrections]


def _width(c: Correction) -> int:
    return (Scope.SPOOL, Scope.MATERIAL, Scope.NOZZLE, Scope.PRINTER).index(c.scope)


def _revision(session: Session, printer: PrinterRow) -> int:
    kept = select(func.count()).where(CorrectionRow.printer_id == printer.id)
    undone = select(func.count(UndoRow.id)).join(
        CorrectionRow, UndoRow.correction_id == CorrectionRow.id
    ).where(CorrectionRow.printer_id == printer.id)  # fmt: skip
    return int(session.scalar(kept) or 0) + int(session.scalar(undone) or 0)


def _check_revision(session: Session, printer: PrinterRow, seen: int) -> None:
    """Refuse what rests on an older state; the printer's row is locked, so that none slips between."""
    session.execute(select(PrinterRow.id).where(PrinterRow.id == printer.id).with_for_update())
    if _revision(session, printer) != seen:
        raise changed_meanwhile(f"the profile of {printer.name}")


class _Used:
    """What a piece was printed with; a check made without plastic has neither nozzle nor spool."""

    def __init__(
        self, printer: PrinterRow, nozzle: NozzleRow | None, spool: SpoolRow | None
    ) -> None:
        self.printer = printer
        self.nozzle = nozzle
        self.spool = spool

    def key(self, text_hash: str) -> str:
        """Return a name that is the same wherever this sheet is kept for the same things."""
        return keep_key(text_hash, self.printer, self.nozzle, self.spool)


def keep_key(
    text_hash: str, printer: PrinterRow, nozzle: NozzleRow | None, spool: SpoolRow | None
) -> str:
    """Return the hash by which a sheet is known to be kept for these things."""
    uids = (row.uid if row else "" for row in (printer, nozzle, spool))
    return hashlib.sha256("|".join((text_hash, *uids)).encode()).hexdigest()


def _used(
    session: Session, printer: str | None, nozzle: str | None, spool: str | None, *, printed: bool
) -> _Used:
    row = find(session, PrinterRow, "printer", printer)
    with_nozzle, with_spool = printed or nozzle is not None, printed or spool is not None
    return _Used(
        row,
        find_nozzle(session, row, nozzle) if with_nozzle else None,
        find(session, SpoolRow, "spool", spool) if with_spool else None,
    )


def text_sha256(text: str) -> str:
    """Return the hash of a sheet's text, whatever its line ends."""
    plain = "\n".join(text.removeprefix("\ufeff").splitlines()).rstrip()
    return hashlib.sha256(plain.encode()).hexdigest()


def _sheet_row(
    session: Session, text: str, sheet: Sheet, fit_json: Mapping[str, Any], used: _Used,
    has_corrections: bool,
) -> SheetRow:  # fmt: skip
    text_hash = text_sha256(text)
    key = used.key(text_hash)
    found = session.scalar(select(SheetRow).where(SheetRow.keep_key == key))
    if found is not None:
        _refuse_if_in_use(session, found, has_corrections)
        return found
    row = SheetRow(
        keep_key=key,
        sheet_sha256=text_hash,
        sheet_text=text,
        pattern=sheet.piece.pattern,
        piece_id=sheet.piece_id,
        parameters={**sheet.piece.spec.as_text(), **sheet.piece.setup.as_text()},
        keys=dict(sheet.keys),
        printer=used.printer,
        nozzle=used.nozzle,
        spool=used.spool,
        fit=plain_json(dict(fit_json)),
        by_version=version(),
    )
    session.add(row)
    session.flush()
    session.add_all(_reading_rows(row.id, sheet))
    return row


def _refuse_if_in_use(session: Session, row: SheetRow, has_corrections: bool) -> None:
    """Refuse to keep a sheet again, unless all that came of it was taken back, or nothing came."""
    rows = session.scalars(select(CorrectionRow).where(CorrectionRow.sheet_id == row.id)).all()
    kept = f"this sheet was kept already, on {row.kept_at:%Y-%m-%d %H:%M} UTC (id {row.uid[:8]})"
    if not rows and not has_corrections:
        raise AlreadyKept(f"{kept}, and still no correction comes of it", mend="nothing to do")
    if any(r.undo is None for r in rows):
        raise AlreadyKept(
            f"{kept}; nothing was added",
            mend=f"to keep it anew take it back first: truebead profile undo {row.uid[:8]}",
        )


def _reading_rows(sheet_id: int, sheet: Sheet) -> Iterator[ReadingRow]:
    known = {f.id: f for f in sheet.piece.features}
    for r in sheet.readings:
        feature = known.get(r.feature)
        yield ReadingRow(
            sheet_id=sheet_id,
            feature=r.feature,
            kind=str(feature.kind) if feature else "",
            axis=feature.axis if feature else "",
            nominal=feature.nominal if feature else None,
            value=float(r.value),
            u=None if r.u is None else float(r.u),
        )


def _add_corrections(
    session: Session,
    sheet: SheetRow,
    used: _Used,
    corrections: Sequence[Correction],
    chosen: list[bool],
) -> list[str]:
    rows = []
    for c, take in zip(corrections, chosen, strict=True):
        if not (math.isfinite(c.new) and math.isfinite(c.u_new)):
            raise StoreError(f"{c.setting} came out as {c.new}", mend="look at the readings")
        rows.append(
            CorrectionRow(
                sheet_id=sheet.id,
                printer_id=used.printer.id,
                nozzle_id=used.nozzle.id if used.nozzle else None,
                material_id=used.spool.material_id if used.spool else None,
                spool_id=used.spool.id if used.spool else None,
                scope=str(c.scope),
                error=estimate_json(c.error),
                verdict=str(c.verdict),
                old=None if c.old is None else float(c.old),
                new=float(c.new),
                u_new=float(c.u_new),
                setting=c.setting,
                unit=c.unit,
                evidence=c.evidence,
                reason=c.reason,
                instead_of=c.instead_of,
                requests=[r.plain() for r in c.requests],
                chosen=take,
                by_version=version(),
            )
        )
    session.add_all(rows)
    session.flush()
    return [row.uid for row in rows]


def _newest_uid(session: Session, names: Mapping[str, str | None]) -> str:
    query = (
        select(SheetRow.uid)
        .join(CorrectionRow, CorrectionRow.sheet_id == SheetRow.id)
        .outerjoin(UndoRow, UndoRow.correction_id == CorrectionRow.id)
        .where(UndoRow.id.is_(None))
        .order_by(CorrectionRow.kept_at.desc(), CorrectionRow.id.desc())
        .limit(1)
    )
    if names.get("printer"):
        row = find(session, PrinterRow, "printer", names["printer"])
        query = query.where(SheetRow.printer_id == row.id)
        if names.get("nozzle"):
            tip = find_nozzle(session, row, names["nozzle"])
            query = query.where(SheetRow.nozzle_id == tip.id)
    if names.get("spool"):
        reel = find(session, SpoolRow, "spool", names["spool"])
        query = query.where(SheetRow.spool_id == reel.id)
    uid = session.scalar(query)
    if uid is None:
        raise StoreError("there is nothing to take back", mend="see truebead profile history")
    return uid


def _take_back(session: Session, rows: Sequence[CorrectionRow], why: str) -> list[CorrectionRow]:
    """Mark the corrections that still count as taken back, and return them."""
    open_rows = [r for r in rows if r.undo is None]
    for row in open_rows:
        session.add(UndoRow(correction_id=row.id, why=why))
    session.flush()
    for kept in {r.sheet_id: r.sheet for r in open_rows}.values():
        keep_block(session, kept)
    return open_rows


def _to_undo(session: Session, uid: str | None, sheet_uid: str) -> list[CorrectionRow]:
    if sheet_uid:
        where = SheetRow.uid == sheet_uid
        found = session.scalars(select(CorrectionRow).join(CorrectionRow.sheet).where(where)).all()
        return list(found)
    begins = uid or ""
    rows = session.scalars(
        select(CorrectionRow).where(CorrectionRow.uid.startswith(begins, autoescape=True)).limit(2)
    ).all()
    sheets = session.scalars(
        select(SheetRow).where(SheetRow.uid.startswith(begins, autoescape=True)).limit(2)
    ).all()
    if len(rows) + len(sheets) != 1:
        some = "nothing has" if not rows and not sheets else "more than one thing has"
        raise StoreError(f"{some} the id {uid!r}", mend="see truebead profile history")
    if rows:
        return list(rows)
    return list(
        session.scalars(select(CorrectionRow).where(CorrectionRow.sheet_id == sheets[0].id)).all()
    )
