"""What every spool is good for on every printer, in a few queries: the grid of an overview."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from calib.model.correction import Scope, Verdict
from calib.model.setting import topic_of
from calib.profile.events import TAKEN_BACK, Happened, why_stale
from calib.store.base import StoreBase
from calib.store.tables import (
    CorrectionRow,
    EventRow,
    MaterialRow,
    NozzleRow,
    PrinterRow,
    SpoolRow,
    UndoRow,
)

GOOD, STALE, INHERITED, UNKNOWN = STATES = ("good", "stale", "inherited", "unknown")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What is known of one spool on one printer.

    Attributes
    ----------
    state : str
        good (found with this spool, and nothing happened since), stale (something happened),
        inherited (only other spools of its type were measured) or unknown.
    why : str
        What happened, or which spools it starts from.
    known : int
        How many settings were found with this spool.
    """

    printer: str
    state: str
    why: str = ""
    known: int = 0
    newest: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpoolRowOf:
    """One spool with its cell for each printer."""

    spool: str
    material: str
    colour: str
    cells: tuple[Cell, ...]


class Overviews(StoreBase):
    """The part of the store that looks over all of it."""

    def overview(self) -> tuple[list[str], list[SpoolRowOf]]:
        """Return the printers in use, and a row for each spool in use, by name."""
        with self._read() as session:
            printers = list(session.scalars(_in_use(PrinterRow)))
            query = (
                select(SpoolRow.name, MaterialRow.name, SpoolRow.colour)
                .join(MaterialRow, SpoolRow.material_id == MaterialRow.id)
                .where(SpoolRow.retired_at.is_(None))
                .order_by(SpoolRow.name)
            )
            spools = [tuple(row) for row in session.execute(query)]
            found = _found(session)
            happened = _happened(session)
        measured: dict[tuple[str, str], list[str]] = defaultdict(list)
        material = {name: of for name, of, _ in spools}
        for printer, spool in found:
            if spool in material:
                measured[printer, material[spool]].append(spool)
        # Of most spools nothing was found on a printer: those of one type share their cell.
        unmeasured = {
            (p, of): _unmeasured(p, measured[p, of])
            for p in printers
            for of in {*material.values()}
        }
        rows = []
        for name, of, colour in spools:
            cells = tuple(
                _measured(p, found[p, name], happened, name)
                if (p, name) in found
                else unmeasured[p, of]
                for p in printers
            )
            rows.append(SpoolRowOf(spool=name, material=of, colour=colour, cells=cells))
        return printers, rows


def _in_use(table: Any) -> Any:
    return select(table.name).where(table.retired_at.is_(None)).order_by(table.name)


def _found(session: Session) -> dict[tuple[str, str], list[tuple[str, str, datetime]]]:
    """Return (printer, spool) -> (setting, nozzle, when it was found last) of the spool's own values."""
    c = CorrectionRow
    query = (
        select(PrinterRow.name, SpoolRow.name, c.setting, NozzleRow.name, func.max(c.kept_at, type_=c.kept_at.type))
        .outerjoin(UndoRow, UndoRow.correction_id == c.id)
        .join(PrinterRow, c.printer_id == PrinterRow.id)
        .join(SpoolRow, c.spool_id == SpoolRow.id)
        .outerjoin(NozzleRow, c.nozzle_id == NozzleRow.id)
        .where(c.chosen, UndoRow.id.is_(None), c.scope == str(Scope.SPOOL))
        .where(c.verdict.in_((str(Verdict.APPLY), str(Verdict.LEAVE))))
        .group_by(PrinterRow.name, SpoolRow.name, c.setting, NozzleRow.name)
    )  # fmt: skip
    found: dict[tuple[str, str], list[tuple[str, str, datetime]]] = defaultdict(list)
    for printer, spool, setting, nozzle, at in session.execute(query):
        found[printer, spool].append((setting, nozzle or "", at))
    return found


def _happened(session: Session) -> list[Happened]:
    query = (
        select(EventRow.uid, EventRow.note, EventRow.kind, EventRow.at, PrinterRow.name, NozzleRow.name, SpoolRow.name, EventRow.axis)
        .outerjoin(PrinterRow, EventRow.printer_id == PrinterRow.id)
        .outerjoin(NozzleRow, EventRow.nozzle_id == NozzleRow.id)
        .outerjoin(SpoolRow, EventRow.spool_id == SpoolRow.id)
    )  # fmt: skip
    rows = session.execute(query).all()
    undone = {note.partition(" ")[0] for _, note, kind, *_ in rows if kind == TAKEN_BACK.name}
    return [
        Happened(kind=kind, at=at, printer=p or "", nozzle=n or "", spool=s or "", axis=axis)
        for uid, _, kind, at, p, n, s, axis in rows
        if kind != TAKEN_BACK.name and uid not in undone
    ]


@cache
def _about(setting: str) -> str:
    return topic_of(setting).what


def _unmeasured(printer: str, others: Sequence[str]) -> Cell:
    """Return the cell of a spool that starts from others of its type, or knows nothing."""
    if not others:
        return Cell(printer=printer, state=UNKNOWN)
    few = ", ".join(others[:2]) + (" ..." if len(others) > 2 else "")
    return Cell(printer=printer, state=INHERITED, why=f"starts from {few}")


def _measured(
    printer: str,
    found: Sequence[tuple[str, str, datetime]],
    happened: Sequence[Happened],
    spool: str,
) -> Cell:
    newest = max(at for _, _, at in found)
    why: Mapping[str, str] = {}
    oldest = min(at for _, _, at in found)
    later = [e for e in happened if e.at > oldest and e.printer in ("", printer)]
    if later:
        reasons = {
            setting: why_stale(setting, at, printer, nozzle, spool, later)
            for setting, nozzle, at in found
        }
        why = {s: stale.by for s, stale in reasons.items() if stale}
    if not why:
        return Cell(printer=printer, state=GOOD, known=len(found), newest=newest)
    topics = ", ".join(dict.fromkeys(_about(s) for s in why))
    words = f"{next(iter(why.values()))}: {topics}"
    return Cell(printer=printer, state=STALE, why=words, known=len(found), newest=newest)
