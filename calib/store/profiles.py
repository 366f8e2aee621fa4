"""The profile of one printer, nozzle and spool: the corrections in force, layer over layer."""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from calib.corrections import Scope, Verdict
from calib.events import Happened, Topic, event_kind, topic_of, why_stale
from calib.instruments import DEFAULTS
from calib.solve import Context
from calib.store.base import find, find_nozzle
from calib.store.keeping import correction_record, corrections_query
from calib.store.records import AXES, EventRecord, InForce, KeptCorrection
from calib.store.tables import (
    CorrectionRow,
    EventRow,
    InstrumentRow,
    NozzleRow,
    PrinterRow,
    SpoolRow,
    UndoRow,
    now,
)
from calib.store.things import Things, instrument_record, printer_record

#: From the narrowest to the widest; the first layer that has a value for a setting wins.
PRECEDENCE = (Scope.SPOOL, Scope.MATERIAL, Scope.NOZZLE, Scope.PRINTER)
_SETTLED = (str(Verdict.APPLY), str(Verdict.LEAVE))
_INHERIT_ROWS = 300  # newest corrections of other spools to look at for a spool's starting values
_PRIOR_DOF = 3.0  # weight of the usual spread between spools against the spread seen


class Profiles(Things):
    """The part of the store that says what is in force."""

    def in_force(
        self, printer: str | None = None, nozzle: str | None = None, spool: str | None = None
    ) -> list[InForce]:
        """Return every setting of a profile, in the order in which they are to be settled.

        One rule of precedence: spool, then material, then nozzle, then printer. A spool without a
        value of its own starts from the other spools of its type on the same printer and nozzle;
        such values are marked and their uncertainty is widened by how much spools differ.
        """
        with self._read() as session:
            p = find(session, PrinterRow, "printer", printer)
            n = find_nozzle(session, p, nozzle)
            s = find(session, SpoolRow, "spool", spool)
            own = _own(session, p, n, s)
            found = layered(own)
            for setting, value in _inherited(session, p, n, s).items():
                if _may_inherit(found.get(setting)):
                    found[setting] = value
            happened = _happened(session, p.id, s.id)
        settings = [_with_staleness(v, found, happened) for v in found.values()]
        return sorted(settings, key=lambda v: (_order(v.setting), v.setting))

    def steps_in_force(self, printer: str | None = None) -> dict[str, float]:
        """Return the steps/mm of each axis: kept corrections, else what is set, else the mechanics."""
        with self._read() as session:
            p = find(session, PrinterRow, "printer", printer)
            query = _newest(CorrectionRow.printer_id == p.id, CorrectionRow.setting.like("steps_%"))
            kept = layered(_records(session, query))
            axes = printer_record(p).axes
        steps = {a.axis: a.best_steps_per_mm for a in axes}
        steps |= {
            a: v.value for a in AXES if (v := kept.get(f"steps_{a.lower()}_per_mm")) and v.value
        }
        return {axis: value for axis, value in steps.items() if value is not None}

    def context_for(
        self,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        *,
        printed: bool = True,
    ) -> Context:
        """Return what an interpreter should know besides a sheet: what is set, drives, instruments.

        With `printed` false (a check without plastic) only what belongs to the printer.
        """
        now_set: dict[str, float] = {}
        filament = ""
        if printed:
            now_set = {
                v.setting: v.value
                for v in self.in_force(printer, nozzle, spool)
                if v.value is not None
            }
            filament = self.spool(spool).material
        steps = self.steps_in_force(printer)
        with self._read() as session:
            axes = printer_record(find(session, PrinterRow, "printer", printer)).axes
            own = [instrument_record(r) for r in session.scalars(select(InstrumentRow))]
        only = {i.kind: i for i in own if sum(j.kind == i.kind for j in own) == 1}
        return Context(
            now=now_set | {f"steps_{a.lower()}_per_mm": v for a, v in steps.items()},
            drives={a.axis: a.drive for a in axes if a.drive is not None},
            filament=filament,
            instruments={**DEFAULTS, **only},
        )

    def add_event(
        self,
        kind: str,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        axis: str = "",
        note: str = "",
        at: datetime | None = None,
    ) -> EventRecord:
        """Write down that something happened; nothing is deleted by it."""
        happens_to = event_kind(kind).happens_to
        with self._write() as session:
            row = EventRow(
                kind=kind, axis=axis.upper(), note=note, at=(at or now()).astimezone(UTC)
            )
            if "printer" in happens_to:
                row.printer = find(session, PrinterRow, "printer", printer)
                if "nozzle" in happens_to:
                    row.nozzle = find_nozzle(session, row.printer, nozzle)
            if "spool" in happens_to:
                row.spool = find(session, SpoolRow, "spool", spool)
            session.add(row)
            session.flush()
            return event_record(row)

    def events(
        self, printer: str | None = None, spool: str | None = None, limit: int | None = None
    ) -> list[EventRecord]:
        """Return events, newest first."""
        with self._read() as session:
            query = select(EventRow).order_by(EventRow.at.desc(), EventRow.id.desc())
            if printer is not None:
                row = find(session, PrinterRow, "printer", printer)
                query = query.where(EventRow.printer_id == row.id)
            if spool is not None:
                reel = find(session, SpoolRow, "spool", spool)
                query = query.where(EventRow.spool_id == reel.id)
            return [event_record(r) for r in session.scalars(query.limit(limit))]


def _order(setting: str) -> int:
    from calib.events import TOPICS

    names = [t.name for t in TOPICS]
    name = topic_of(setting).name
    return names.index(name) if name in names else len(names)


def _newest(*where: Any) -> Any:
    """Return the query for the newest two settled corrections of each setting and source.

    Two, since the newest may say "leave it alone" without knowing the value.
    """
    rank = (
        func.row_number()
        .over(
            partition_by=(
                CorrectionRow.scope, CorrectionRow.setting, CorrectionRow.printer_id,
                CorrectionRow.nozzle_id, CorrectionRow.spool_id,
            ),
            order_by=(CorrectionRow.kept_at.desc(), CorrectionRow.id.desc()),
        )
        .label("rank")
    )  # fmt: skip
    ranked = (
        select(CorrectionRow.id, rank)
        .outerjoin(UndoRow, UndoRow.correction_id == CorrectionRow.id)
        .where(
            UndoRow.id.is_(None),
            CorrectionRow.chosen,
            CorrectionRow.verdict.in_(_SETTLED),
            *where,
        )
        .subquery()
    )
    keep = select(ranked.c.id).where(ranked.c.rank <= 2)
    return corrections_query().where(CorrectionRow.id.in_(keep))


def _records(session: Session, query: Any) -> list[KeptCorrection]:
    found = [correction_record(*r) for r in session.execute(query)]
    return sorted(found, key=lambda k: k.kept_at, reverse=True)


def _own(session: Session, p: PrinterRow, n: NozzleRow, s: SpoolRow) -> list[KeptCorrection]:
    """Return what was found for these three, newest first."""
    c = CorrectionRow
    query = _newest(
        or_(
            and_(c.printer_id == p.id, c.scope.in_((str(Scope.PRINTER), str(Scope.NOZZLE)))),
            and_(c.material_id == s.material_id, c.scope == str(Scope.MATERIAL)),
            and_(c.spool_id == s.id, c.scope == str(Scope.SPOOL)),
        )
    )
    return [k for k in _records(session, query) if _holds(k, p.name, n.name)]


def _holds(kept: KeptCorrection, printer: str, nozzle: str) -> bool:
    """Whether a value found on one printer and nozzle holds on these."""
    about = topic_of(kept.correction.setting)
    if kept.printer != printer:
        return about.any_printer
    if kept.correction.scope == Scope.PRINTER:
        return True
    return kept.nozzle == nozzle or not about.per_nozzle


def layered(kept: Iterable[KeptCorrection]) -> dict[str, InForce]:
    """Return the value in force of each setting; `kept` is newest first and not taken back."""
    by_setting: dict[str, list[KeptCorrection]] = defaultdict(list)
    for k in kept:
        by_setting[k.correction.setting].append(k)
    found = {}
    for setting, rows in by_setting.items():
        for layer in PRECEDENCE:
            here = [k for k in rows if k.correction.scope == layer]
            if here:
                found[setting] = _in_force(here, layer)
                break
    return found


def _in_force(rows: Sequence[KeptCorrection], layer: Scope) -> InForce:
    newest = rows[0]
    value = next((k.value for k in rows if k.value is not None), None)
    c = newest.correction
    return InForce(
        setting=c.setting, value=value, u=c.u_new, unit=c.unit, layer=layer, source=newest
    )


def _may_inherit(own: InForce | None) -> bool:
    return own is None or own.layer in (Scope.NOZZLE, Scope.PRINTER)


def _inherited(session: Session, p: PrinterRow, n: NozzleRow, s: SpoolRow) -> dict[str, InForce]:
    """Return starting values from other spools of the same type on this printer."""
    c = CorrectionRow
    query = (
        corrections_query()
        .where(
            c.material_id == s.material_id,
            c.printer_id == p.id,
            c.scope == str(Scope.SPOOL),
            c.spool_id != s.id,
            c.chosen,
            c.verdict.in_(_SETTLED),
            UndoRow.id.is_(None),
        )
        .order_by(c.kept_at.desc())
        .limit(_INHERIT_ROWS)
    )
    by_setting: dict[str, dict[str, KeptCorrection]] = defaultdict(dict)
    for kept in _records(session, query):
        if kept.value is not None and _holds(kept, p.name, n.name):
            by_setting[kept.correction.setting].setdefault(kept.spool, kept)
    return {name: pool(list(rows.values())) for name, rows in by_setting.items()}


def pool(rows: Sequence[KeptCorrection]) -> InForce:
    """Return the value that another spool of the type starts from.

    The mean over the spools; its uncertainty is that of one more spool: the spread between spools
    (what is usual, sharpened by what was seen) and the share of each one's own uncertainty.
    """
    newest = max(rows, key=lambda k: k.kept_at)
    values = [k.value for k in rows if k.value is not None]
    n = len(values)
    mean = sum(values) / n
    usual = topic_of(newest.correction.setting).spool_sd
    seen = sum((v - mean) ** 2 for v in values)
    spread2 = (_PRIOR_DOF * usual**2 + seen) / (_PRIOR_DOF + n - 1)
    own2 = sum(k.correction.u_new**2 for k in rows) / n
    return InForce(
        setting=newest.correction.setting,
        value=mean,
        u=math.sqrt(spread2 * (1 + 1 / n) + own2 / n),
        unit=newest.correction.unit,
        layer=Scope.MATERIAL,
        source=newest,
        inherited_from=tuple(sorted({k.spool for k in rows})),
    )


def _happened(session: Session, printer_id: int, spool_id: int) -> list[Happened]:
    query = select(EventRow).where(
        or_(EventRow.printer_id == printer_id, EventRow.spool_id == spool_id)
    )
    return [
        Happened(
            kind=e.kind, at=e.at, printer=e.printer, nozzle=e.nozzle, spool=e.spool, axis=e.axis
        )
        for e in map(event_record, session.scalars(query))
    ]


def _with_staleness(value: InForce, all_: dict[str, InForce], happened: list[Happened]) -> InForce:
    k = value.source
    why = why_stale(value.setting, k.kept_at, k.printer, k.nozzle, k.spool, happened)
    return replace(value, stale=why or _changed_upstream(value, all_.values()))


def _changed_upstream(value: InForce, all_: Iterable[InForce]) -> str:
    """Say which setting that this one rests on was changed after it was found."""
    about = topic_of(value.setting)
    for other in all_:
        s = other.source
        if (
            topic_of(other.setting).name in about.after
            and s.correction.verdict == Verdict.APPLY
            and s.kept_at > value.source.kept_at
            and s.sheet_uid != value.source.sheet_uid
            and not other.inherited_from
            and _same_axis(value.setting, other.setting, about)
        ):
            return f"{other.setting} was changed on {s.kept_at:%Y-%m-%d}, after this was found"
    return ""


def _same_axis(setting: str, other: str, about: Topic) -> bool:
    if about.name != "scale":
        return True
    axis = other.removeprefix("steps_")[:1]
    return setting.removeprefix("scale")[:2] not in {f"_{a}" for a in "xyz" if a != axis}


def event_record(row: EventRow) -> EventRecord:
    """Return a row as plain data."""
    return EventRecord(
        uid=row.uid,
        kind=row.kind,
        at=row.at,
        printer=row.printer.name if row.printer else "",
        nozzle=row.nozzle.name if row.nozzle else "",
        spool=row.spool.name if row.spool else "",
        axis=row.axis,
        note=row.note,
    )
