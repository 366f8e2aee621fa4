"""Layer over layer: which of the kept corrections are in force for a printer, nozzle and spool."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from calib.model.correction import Scope, Verdict
from calib.model.gate import ratings_of, why_refused
from calib.model.setting import TOPICS, Setting, kept_setting, topic_of
from calib.profile.events import TAKEN_BACK, Happened, Staleness, why_stale
from calib.store.placing import newest_said, placed
from calib.store.records import EventRecord, InForce, KeptCorrection
from calib.store.rows import correction_record, corrections_query, event_record
from calib.store.tables import CorrectionRow, EventRow, NozzleRow, PrinterRow, SpoolRow, UndoRow
from calib.store.tables import now as time_now

#: From the narrowest to the widest; the first layer that has a value for a setting wins.
PRECEDENCE = (Scope.SPOOL, Scope.MATERIAL, Scope.NOZZLE, Scope.PRINTER)
_SETTLED = (str(Verdict.APPLY), str(Verdict.LEAVE))
EVERY = (*_SETTLED, str(Verdict.PRINT_AGAIN))
_INHERIT_ROWS = 300  # newest corrections of other spools to look at for a spool's starting values
#: Newer evidence that is this many times less sure does not take a value's place where they agree.
_FAR_LESS_SURE = 2.0
_AGREE = 2.0  # standard uncertainties of the difference
_PRIOR_DOF = 3.0  # weight of the usual spread between spools against the spread seen


@dataclass(frozen=True, slots=True)
class Look:
    """What a profile is asked of; `at` is the moment to look back to, None is now."""

    session: Session
    printer: PrinterRow
    nozzle: NozzleRow
    spool: SpoolRow
    at: datetime | None = None

    def profile(self) -> list[InForce]:
        """Return every setting in force, in the order in which they are to be settled.

        What is to be done once (a deed) is among them, for the plan to know of it.
        """
        kept = self._own()
        happened = happened_to(self.session, self.printer.id, self.spool.id, self.at)
        newest = layered(kept)
        found = {s: _surest(v, kept, newest, happened) for s, v in newest.items()}
        for setting, value in self._inherited().items():
            own = found.get(setting)
            if own is None or own.layer in (Scope.NOZZLE, Scope.PRINTER):
                found[setting] = value
        values = [_with_staleness(v, found, happened) for v in found.values()]
        ordered = sorted(values, key=lambda v: (_order(v.setting), v.setting))
        said = newest_said(self.session, self.printer.id, self.spool.id, self.at)
        ratings = ratings_of(self.printer)
        return [_gated(v, ratings) for v in placed(ordered, said, self.spool.id)]

    def unsettled(self, in_force: Sequence[InForce]) -> list[KeptCorrection]:
        """Return the newest corrections of their settings, where they say "print again".

        One that is less sure than the value in force, and agrees with it, unsettles nothing.
        """
        newest: dict[str, KeptCorrection] = {}
        query = newest_query(self._reach(), verdicts=EVERY, depth=1, at=self.at)
        for k in records(self.session, query):
            if self._holds(k):
                newest.setdefault(k.correction.setting, k)
        again = [k for k in newest.values() if k.correction.verdict == Verdict.PRINT_AGAIN]
        return [k for k in again if not any(self._outweighs(v, k) for v in in_force)]

    def _outweighs(self, v: InForce, again: KeptCorrection) -> bool:
        """Whether a value in force stands against a later "print again" of the same error."""
        c, mine = again.correction, v.source.correction
        if v.stale or v.inherited_from or c.setting not in (v.setting, mine.instead_of):
            return False
        if c.setting == v.setting:
            return v.u < c.u_new and (v.value is None or _agree(v.value, v.u, c.new, c.u_new))
        # Steps set from this very spool stand for its scale: compare in per cent.
        if not v.value or v.source.spool != self.spool.name:
            return False
        return v.u / v.value < c.u_new / 100

    def _reach(self) -> Any:
        """Return the condition for what was found on this printer, with this spool or its type."""
        c = CorrectionRow
        return or_(
            and_(c.printer_id == self.printer.id, c.scope.in_(_of_machine())),
            and_(c.material_id == self.spool.material_id, c.scope == str(Scope.MATERIAL)),
            and_(c.spool_id == self.spool.id, c.scope == str(Scope.SPOOL)),
        )

    def _own(self) -> list[KeptCorrection]:
        found = records(self.session, newest_query(self._reach(), at=self.at))
        return [k for k in found if self._holds(k)]

    def _holds(self, kept: KeptCorrection) -> bool:
        """Whether a value found on one printer and nozzle holds on these."""
        about = topic_of(kept.correction.setting)
        if kept.printer != self.printer.name:
            return about.any_printer
        if kept.correction.scope == Scope.PRINTER:
            return True
        # A check without plastic may not say which nozzle was in.
        return kept.nozzle in ("", self.nozzle.name) or not about.per_nozzle

    def _inherited(self) -> dict[str, InForce]:
        """Return starting values from other spools of the same type on this printer."""
        c = CorrectionRow
        query = (
            corrections_query()
            .where(
                c.material_id == self.spool.material_id,
                c.printer_id == self.printer.id,
                c.scope == str(Scope.SPOOL),
                c.spool_id != self.spool.id,
                *_in_use(_SETTLED, self.at),
            )
            .order_by(c.kept_at.desc())
            .limit(_INHERIT_ROWS)
        )
        by_setting: dict[str, dict[str, KeptCorrection]] = defaultdict(dict)
        for kept in records(self.session, query):
            if kept.value is not None and self._holds(kept):
                by_setting[kept.correction.setting].setdefault(kept.spool, kept)
        return {name: pool(list(rows.values())) for name, rows in by_setting.items()}


def _of_machine() -> tuple[str, str]:
    return str(Scope.PRINTER), str(Scope.NOZZLE)


def _in_use(verdicts: Sequence[str], at: datetime | None) -> list[Any]:
    """Return the conditions for corrections that count (at a moment)."""
    c = CorrectionRow
    conditions: list[Any] = [c.chosen, c.verdict.in_(verdicts)]
    if at is None:
        return [*conditions, UndoRow.id.is_(None)]
    return [*conditions, c.kept_at <= at, or_(UndoRow.id.is_(None), UndoRow.at > at)]


def newest_query(
    *where: Any,
    verdicts: Sequence[str] = _SETTLED,
    depth: int = 8,
    at: datetime | None = None,
) -> Any:
    """Return the query for the newest corrections in use of each setting, printer and nozzle.

    Several of them by default, since the newest may say "leave it alone" without knowing the value,
    or be far less sure than one before it.
    """
    c = CorrectionRow
    rank = (
        func.row_number()
        .over(
            partition_by=(c.scope, c.setting, c.printer_id, c.nozzle_id),
            order_by=(c.kept_at.desc(), c.id.desc()),
        )
        .label("rank")
    )
    ranked = (
        select(c.id, rank)
        .outerjoin(UndoRow, UndoRow.correction_id == c.id)
        .where(*_in_use(verdicts, at), *where)
        .subquery()
    )
    keep = select(ranked.c.id).where(ranked.c.rank <= depth)
    return corrections_query().where(c.id.in_(keep))


def records(session: Session, query: Any) -> list[KeptCorrection]:
    """Return what a query of kept corrections gives, newest first."""
    found = [correction_record(*r) for r in session.execute(query)]
    return sorted(found, key=lambda k: k.kept_at, reverse=True)


def layered(kept: Iterable[KeptCorrection]) -> dict[str, InForce]:
    """Return the value in force of each setting; `kept` is newest first and not taken back."""
    by_setting: dict[str, list[KeptCorrection]] = defaultdict(list)
    for k in kept:
        by_setting[k.correction.setting].append(k)
    found = {}
    for setting, rows in by_setting.items():
        layer = min((k.correction.scope for k in rows), key=PRECEDENCE.index)
        here = [k for k in rows if k.correction.scope == layer]
        value = next((k.value for k in here if k.value is not None), None)
        c = here[0].correction
        found[setting] = InForce(
            setting=setting, value=value, u=c.u_new, unit=c.unit, layer=layer, source=here[0]
        )
    return found


def _agree(a: float, u_a: float, b: float, u_b: float) -> bool:
    return abs(a - b) <= _AGREE * math.hypot(u_a, u_b)


def _surest(
    newest: InForce,
    kept: Iterable[KeptCorrection],
    found: Mapping[str, InForce],
    happened: list[Happened],
) -> InForce:
    """Return the newest value, or an older one that agrees, is far surer and still holds."""
    if newest.value is None:
        return newest
    best = newest
    for k in kept:
        c = k.correction
        if (
            c.setting != newest.setting
            or c.scope != newest.layer
            or k.value is None
            or _FAR_LESS_SURE * c.u_new > best.u
            or not _agree(k.value, c.u_new, newest.value, newest.u)
        ):
            continue
        surer = replace(newest, value=k.value, u=c.u_new, source=k, vaguer=newest.source)
        if not _with_staleness(surer, found, happened).stale:
            best = surer
    return best


def pool(rows: Sequence[KeptCorrection]) -> InForce:
    """Return the value that another spool of the type starts from.

    The mean over the spools; its uncertainty is that of one more spool: the spread between spools
    (what is usual, sharpened by what was seen) and the share of each one's own uncertainty.
    """
    newest = max(rows, key=lambda k: k.kept_at)
    values = [k.value for k in rows if k.value is not None]
    n = len(values)
    mean = sum(values) / n
    usual = kept_setting(newest.correction.setting).spool_sd
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


def _order(setting: str) -> int:
    names = [t.name for t in TOPICS]
    name = topic_of(setting).name
    return names.index(name) if name in names else len(names)


def happened_to(
    session: Session, printer_id: int, spool_id: int | None, at: datetime | None = None
) -> list[Happened]:
    """Return the events of a printer, and of a spool, up to a moment (None: now).

    Those that were taken back are left out; what an import may have brought from the future counts
    once it is there.
    """
    query = (
        select(
            EventRow.uid, EventRow.note,
            EventRow.kind, EventRow.at, PrinterRow.name, NozzleRow.name, SpoolRow.name, EventRow.axis,
        )
        .outerjoin(PrinterRow, EventRow.printer_id == PrinterRow.id)
        .outerjoin(NozzleRow, EventRow.nozzle_id == NozzleRow.id)
        .outerjoin(SpoolRow, EventRow.spool_id == SpoolRow.id)
        .where(or_(EventRow.printer_id == printer_id, EventRow.spool_id == spool_id))
        .where(EventRow.at <= (at or time_now()))
    )  # fmt: skip
    rows = session.execute(query).all()
    undone = {_taken_back_by(note) for _, note, kind, *_ in rows if kind == TAKEN_BACK.name}
    return [
        Happened(kind=kind, at=when, printer=p or "", nozzle=n or "", spool=s or "", axis=axis)
        for uid, _, kind, when, p, n, s, axis in rows
        if kind != TAKEN_BACK.name and uid not in undone
    ]


def _taken_back_by(note: str) -> str:
    """Return the id of the event that a mark takes back."""
    return note.partition(" ")[0]


def event_records(rows: Iterable[EventRow]) -> list[EventRecord]:
    """Return events as plain data, those that were taken back marked; the marks are left out."""
    events = [event_record(r) for r in rows]
    undone = {_taken_back_by(e.note) for e in events if e.kind == TAKEN_BACK.name}
    return [replace(e, taken_back=e.uid in undone) for e in events if e.kind != TAKEN_BACK.name]


def _with_staleness(
    value: InForce, found: Mapping[str, InForce], happened: list[Happened]
) -> InForce:
    k = value.source
    stale = why_stale(value.setting, k.kept_at, k.printer, k.nozzle, k.spool, happened)
    stale = stale or _changed_upstream(value, found.values())
    if stale is None:
        return replace(value, stale="", stale_by="")
    return replace(value, stale=f"{stale.by}: {stale.why}", stale_by=stale.by)


def _gated(value: InForce, ratings: Mapping[str, float]) -> InForce:
    """Take out a value that the printer must not be given."""
    if value.value is None:
        return value
    why = why_refused(value.setting, value.value, ratings)
    if not why:
        return value
    return replace(
        value,
        value=None,
        stale=f"not used: {why}",
        stale_by="not used",
        is_set=False,
        set_value=None,
    )


def _changed_upstream(value: InForce, found: Iterable[InForce]) -> Staleness | None:
    """Return which setting that this one rests on was changed after it was found; None where none was."""
    about = kept_setting(value.setting)
    for other in found:
        s = other.source
        if (
            topic_of(other.setting).name in about.after
            and s.correction.verdict == Verdict.APPLY
            and s.kept_at > value.source.kept_at
            and s.sheet_uid != value.source.sheet_uid
            and not other.inherited_from
            and not kept_setting(other.setting).deed
            and _same_axis(about, kept_setting(other.setting))
        ):
            changed = kept_setting(other.setting).label
            by = f"{changed} was changed on {s.kept_at:%Y-%m-%d}"
            return Staleness(by=by, why="this was found before")
    return None


def _same_axis(one: Setting, other: Setting) -> bool:
    """Whether a change of one setting can touch another: not where both act on axes, and on different ones."""
    return not (one.axis and other.axis) or one.axis == other.axis
