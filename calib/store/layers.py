"""What is in force for a printer, nozzle and spool: which settings, from what, and by the posterior.

Which settings a profile has, and where each came from last, follows from the kept corrections, layer
over layer; the values follow from the joint posterior of all sheets (`calib.profile.posterior`).
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from calib.model.correction import Scope, Verdict
from calib.model.estimate import Estimate
from calib.model.gate import ratings_of, why_refused
from calib.model.setting import SETTINGS, TOPICS, Place, Setting, kept_setting, topic_of
from calib.profile.answers import Where, values
from calib.profile.events import TAKEN_BACK, Happened, Staleness, why_stale
from calib.store.inventory import printer_record
from calib.store.places import newest_said, placed
from calib.store.records import EventRecord, KeptCorrection, ProfileValue
from calib.store.rows import correction_record, corrections_query, event_record
from calib.store.states import State, nozzle_key, printer_key, spool_key
from calib.store.tables import (
    CorrectionRow,
    EventRow,
    NozzleRow,
    PlaceRow,
    PrinterRow,
    SpoolRow,
    UndoRow,
)
from calib.store.tables import now as time_now

#: From the narrowest to the widest; the first layer that has a value for a setting wins.
PRECEDENCE = (Scope.SPOOL, Scope.MATERIAL, Scope.NOZZLE, Scope.PRINTER)
_SETTLED = (str(Verdict.APPLY), str(Verdict.LEAVE))
EVERY = (*_SETTLED, str(Verdict.PRINT_AGAIN))
_INHERIT_ROWS = 300  # newest corrections of other spools to look at for a spool's starting values


@dataclass(frozen=True, slots=True)
class ProfileQuery:
    """What a profile is asked of.

    Attributes
    ----------
    at : datetime or None
        The moment to look back to; None is now.
    memo : dict
        What was answered before and still holds: one page or command asks for a profile several times.
    """

    session: Session
    printer: PrinterRow
    nozzle: NozzleRow
    spool: SpoolRow
    state: State
    at: datetime | None = None
    memo: dict[Any, list[ProfileValue]] = field(default_factory=dict)

    def profile(self) -> list[ProfileValue]:
        """Return every setting in force, in the order in which they are to be settled.

        What is to be done once is among them, for the plan to know of it.
        """
        hour = f"{time_now():%Y-%m-%d %H}"  # values drift slowly, and no faster than this
        key = (self.printer.id, self.nozzle.id, self.spool.id, self.at or hour)
        if key not in self.memo:
            self.memo[key] = self._profile()
        return list(self.memo[key])

    def _profile(self) -> list[ProfileValue]:
        kept = self._own()
        happened = happened_to(self.session, self.printer.id, self.spool.id, self.at)
        found = layered(kept)
        for setting, value in self._inherited().items():
            own = found.get(setting)
            if own is None or own.layer in (Scope.NOZZLE, Scope.PRINTER):
                found[setting] = value
        said = newest_said(self.session, self.printer.id, self.spool.id, self.at)
        found = self._estimated(found, said)
        values = [_with_staleness(v, found, happened) for v in found.values()]
        ordered = sorted(values, key=lambda v: (_order(v.setting), v.setting))
        ratings = ratings_of(self.printer)
        return [_gated(v, ratings) for v in placed(ordered, said, self.spool.id)]

    def where(self, found: Mapping[str, ProfileValue] | None = None) -> Where:
        """Return what the posterior is asked for; sizes are corrected on top of the steps in force."""
        steps = {a.axis: a.best_steps_per_mm for a in printer_record(self.printer).axes}
        for axis in "XYZ":
            kept = (found or {}).get(f"steps_{axis.lower()}_per_mm")
            if kept is not None and kept.value:
                steps[axis] = kept.value
        return Where(
            printer=printer_key(self.printer.id),
            nozzle=nozzle_key(self.nozzle.id),
            spool=spool_key(self.spool.id),
            material=self.spool.material.name,
            at=self.at or time_now(),
            steps={a: s for a, s in steps.items() if s},
        )

    def _estimated(
        self, found: Mapping[str, ProfileValue], said: Mapping[str, PlaceRow]
    ) -> dict[str, ProfileValue]:
        """Return the values with what the posterior says of them.

        Steps of X, Y and Z stay as they were decided: what they leave is the scale's.
        """
        asked = [s for s in found if is_estimated(s)]
        estimates = values(self.state.posterior, self.where(found), asked)
        result = dict(found)
        for setting, e in estimates.items():
            v = found[setting]
            value = _value(v, e, said.get(setting), begun=_steps_applied(setting, found))
            result[setting] = replace(v, value=value, u=e.u, estimate=e)
        return result

    def unsettled(self) -> list[KeptCorrection]:
        """Return the newest corrections of their settings, where they say "print again"."""
        newest: dict[str, KeptCorrection] = {}
        query = newest_query(self._reach(), verdicts=EVERY, depth=1, at=self.at)
        for k in records(self.session, query):
            if self._holds(k):
                newest.setdefault(k.correction.setting, k)
        return [k for k in newest.values() if k.correction.verdict == Verdict.PRINT_AGAIN]

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

    def _inherited(self) -> dict[str, ProfileValue]:
        """Return what other spools of the same type on this printer have values for."""
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
        return {name: _from_others(list(rows.values())) for name, rows in by_setting.items()}


def is_estimated(setting: str) -> bool:
    """Whether the posterior knows a setting; the others keep their newest value.

    Those are what the table lacks, steps, and what is so much a printer's own that nothing is usual.
    """
    about = SETTINGS.get(setting)
    if about is None or about.topic in ("ripple", "smooth"):
        return False
    return not (about.topic == "axes" and about.axis in ("X", "Y", "Z"))


def _steps_applied(setting: str, found: Mapping[str, ProfileValue]) -> bool:
    """Whether a setting is the scale of an axis whose size has been corrected by its steps."""
    about = kept_setting(setting)
    steps = found.get(f"steps_{about.axis.lower()}_per_mm") if about.topic == "scale" else None
    return steps is not None and steps.source.correction.verdict == Verdict.APPLY


def _value(v: ProfileValue, e: Estimate, said: PlaceRow | None, *, begun: bool) -> float:
    """Return the value to have set: what is set already stays where it can't be told from the best.

    A correction that is carried into files anyway costs nobody anything to refine: it stays within one
    standard uncertainty of the best, for what is left and what is not known then add up to less than half as
    much again. To begin to correct, or to type a number anew, takes a difference that is sure.
    """
    if v.inherited_from:
        return e.value
    about, c = kept_setting(v.setting), v.source.correction
    stays = c.old if c.verdict is Verdict.LEAVE and c.old is not None else about.neutral
    typed = said is not None and said.place == Place.PRINTER and said.value is not None
    if said is not None and typed:
        stays = said.value
    if stays is None:
        return e.value
    sure = e.u if not typed and (begun or stays != about.neutral) else e.expanded()
    return stays if abs(e.value - stays) <= max(sure, about.step / 2) else e.value


def _from_others(rows: Sequence[KeptCorrection]) -> ProfileValue:
    """Return what another spool of the type starts from; the posterior says how far they differ."""
    newest = max(rows, key=lambda k: k.kept_at)
    return ProfileValue(
        setting=newest.correction.setting,
        value=newest.value,
        u=newest.correction.u_new,
        unit=newest.correction.unit,
        layer=Scope.MATERIAL,
        source=newest,
        inherited_from=tuple(sorted({k.spool for k in rows})),
    )


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


def layered(kept: Iterable[KeptCorrection]) -> dict[str, ProfileValue]:
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
        found[setting] = ProfileValue(
            setting=setting, value=value, u=c.u_new, unit=c.unit, layer=layer, source=here[0]
        )
    return found


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
    value: ProfileValue, found: Mapping[str, ProfileValue], happened: list[Happened]
) -> ProfileValue:
    k = value.source
    stale = why_stale(value.setting, k.kept_at, k.printer, k.nozzle, k.spool, happened)
    stale = stale or _changed_upstream(value, found.values())
    if stale is None:
        return replace(value, stale="", stale_by="")
    return replace(value, stale=f"{stale.by}: {stale.why}", stale_by=stale.by)


def _gated(value: ProfileValue, ratings: Mapping[str, float]) -> ProfileValue:
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


def _changed_upstream(value: ProfileValue, found: Iterable[ProfileValue]) -> Staleness | None:
    """Return which setting that this one rests on was changed after it was found; None where none was."""
    about = kept_setting(value.setting)
    if about.topic == "scale":  # it is worked out on top of the steps, whatever they are
        return None
    for other in found:
        s = other.source
        if (
            topic_of(other.setting).name in about.after
            and s.correction.verdict == Verdict.APPLY
            and s.kept_at > value.source.kept_at
            and s.sheet_uid != value.source.sheet_uid
            and not other.inherited_from
            and not kept_setting(other.setting).done_once
            and _same_axis(about, kept_setting(other.setting))
        ):
            changed = kept_setting(other.setting).label
            by = f"{changed} was changed on {s.kept_at:%Y-%m-%d}"
            return Staleness(by=by, why="this was found before")
    return None


def _same_axis(one: Setting, other: Setting) -> bool:
    """Whether a change of one setting can touch another: not where both act on axes, and on different ones."""
    return not (one.axis and other.axis) or one.axis == other.axis
