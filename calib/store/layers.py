"""Layer over layer: which of the kept corrections are in force for a printer, nozzle and spool."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from calib.corrections import Scope, Verdict
from calib.events import TOPICS, Happened, Topic, topic_of, why_stale
from calib.store.records import InForce, KeptCorrection
from calib.store.rows import correction_record, corrections_query
from calib.store.tables import CorrectionRow, EventRow, NozzleRow, PrinterRow, SpoolRow, UndoRow

#: From the narrowest to the widest; the first layer that has a value for a setting wins.
PRECEDENCE = (Scope.SPOOL, Scope.MATERIAL, Scope.NOZZLE, Scope.PRINTER)
_SETTLED = (str(Verdict.APPLY), str(Verdict.LEAVE))
EVERY = (*_SETTLED, str(Verdict.PRINT_AGAIN))
_INHERIT_ROWS = 300  # newest corrections of other spools to look at for a spool's starting values
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
        """Return every setting in force, in the order in which they are to be settled."""
        found = layered(self._own())
        for setting, value in self._inherited().items():
            own = found.get(setting)
            if own is None or own.layer in (Scope.NOZZLE, Scope.PRINTER):
                found[setting] = value
        happened = happened_to(self.session, self.printer.id, self.spool.id, self.at)
        values = [_with_staleness(v, found, happened) for v in found.values()]
        return sorted(values, key=lambda v: (_order(v.setting), v.setting))

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
        return kept.nozzle == self.nozzle.name or not about.per_nozzle

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
    depth: int = 2,
    at: datetime | None = None,
) -> Any:
    """Return the query for the newest corrections in use of each setting, printer and nozzle.

    Two of them by default, since the newest may say "leave it alone" without knowing the value.
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


def _order(setting: str) -> int:
    names = [t.name for t in TOPICS]
    name = topic_of(setting).name
    return names.index(name) if name in names else len(names)


def happened_to(
    session: Session, printer_id: int, spool_id: int | None, at: datetime | None = None
) -> list[Happened]:
    """Return the events of a printer, and of a spool, up to a moment."""
    query = (
        select(
            EventRow.kind, EventRow.at, PrinterRow.name, NozzleRow.name, SpoolRow.name, EventRow.axis
        )
        .outerjoin(PrinterRow, EventRow.printer_id == PrinterRow.id)
        .outerjoin(NozzleRow, EventRow.nozzle_id == NozzleRow.id)
        .outerjoin(SpoolRow, EventRow.spool_id == SpoolRow.id)
        .where(or_(EventRow.printer_id == printer_id, EventRow.spool_id == spool_id))
    )  # fmt: skip
    if at is not None:
        query = query.where(EventRow.at <= at)
    return [
        Happened(kind=kind, at=when, printer=p or "", nozzle=n or "", spool=s or "", axis=axis)
        for kind, when, p, n, s, axis in session.execute(query)
    ]


def _with_staleness(
    value: InForce, found: Mapping[str, InForce], happened: list[Happened]
) -> InForce:
    k = value.source
    why = why_stale(value.setting, k.kept_at, k.printer, k.nozzle, k.spool, happened)
    return replace(value, stale=why or _changed_upstream(value, found.values()))


def _changed_upstream(value: InForce, found: Iterable[InForce]) -> str:
    """Say which setting that this one rests on was changed after it was found."""
    about = topic_of(value.setting)
    for other in found:
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
