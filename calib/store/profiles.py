"""Profiles of a printer, nozzle and spool; events; drift; what a plan and an interpreter ask for."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from calib.errors import StoreError
from calib.interpret.finding import Context
from calib.model.correction import Scope, Verdict
from calib.model.estimate import Estimate
from calib.model.gate import ratings_of
from calib.model.instrument import DEFAULTS, Instrument
from calib.model.setting import kept_setting
from calib.plan.aims import PlanInput
from calib.profile.events import TAKEN_BACK, event_kind, why_stale
from calib.store.base import check_words, find, find_nozzle
from calib.store.estimates import Estimates
from calib.store.inventory import (
    instrument_record,
    nozzle_record,
    printer_record,
    setup,
    spool_record,
)
from calib.store.layers import (
    EVERY,
    event_records,
    happened_to,
    layered,
    newest_query,
    records,
)
from calib.store.places import newest_said, placed
from calib.store.records import EventRecord, KeptCorrection, ProfileValue, Series
from calib.store.rows import event_record
from calib.store.tables import (
    CorrectionRow,
    EventRow,
    InstrumentRow,
    PrinterRow,
    SpoolRow,
)
from calib.store.tables import now as time_now

_DRIFT_DEPTH = 60  # newest corrections of each setting that its chart looks back on


class Profiles(Estimates):
    """The part of the store that says what is in force."""

    def in_force(
        self,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        at: datetime | None = None,
    ) -> list[ProfileValue]:
        """Return every setting of a profile, in the order in which they are to be settled.

        One rule of precedence: spool, then material, then nozzle, then printer. A spool without a
        value of its own starts from the other spools of its type on the same printer and nozzle;
        such values are marked and their uncertainty is widened by how much spools differ.

        Parameters
        ----------
        at : datetime or None
            The moment to look back to; None is now.
        """
        with self._read() as session:
            found = self._query(session, printer, nozzle, spool, at).profile()
        return [v for v in found if not kept_setting(v.setting).done_once]

    def to_do_once(
        self, printer: str | None = None, nozzle: str | None = None, spool: str | None = None
    ) -> list[ProfileValue]:
        """Return what was found to be done once: how far to turn each levelling screw."""
        with self._read() as session:
            found = self._query(session, printer, nozzle, spool).profile()
        return [v for v in found if kept_setting(v.setting).done_once]

    def known(
        self, printer: str | None = None, nozzle: str | None = None, spool: str | None = None
    ) -> PlanInput:
        """Return all that a plan of what to print next rests on."""
        with self._read() as session:
            query = self._query(session, printer, nozzle, spool)
            name = query.printer.name
            in_force = query.profile()
            known = PlanInput(
                printer=printer_record(query.printer),
                spool=query.spool.name,
                material=query.spool.material.name,
                in_force=in_force,
                posterior=query.state.posterior,
                where=query.where({v.setting: v for v in in_force}),
                setup=setup(
                    printer_record(query.printer),
                    nozzle_record(query.nozzle),
                    spool_record(query.spool),
                ),
                reel=spool_record(query.spool),
                instruments=_instruments(session),
                unsettled=query.unsettled(),
            )
        alarms = {s.setting: s.alarm for s in self.drift(name) if s.alarm}
        events = [e for e in self.events(name, limit=200) if not e.taken_back]
        return replace(known, events=events, drifting=alarms)

    def drift(self, printer: str | None = None, setting: str | None = None) -> list[Series]:
        """Return what was found for each setting of a printer in the order of time.

        What lies before an event that made the setting stale is left out: a changed belt starts
        another machine. Settings of a spool are not drift, so only the printer's own are here.
        """
        with self._read() as session:
            p = find(session, PrinterRow, "printer", printer)
            c = CorrectionRow
            where = [c.printer_id == p.id, c.scope == str(Scope.PRINTER)]
            if setting is not None:
                where.append(c.setting == setting)
            rows = records(session, newest_query(*where, verdicts=EVERY, depth=_DRIFT_DEPTH))[::-1]
            happened = happened_to(session, p.id, None)
        by_setting: dict[str, list[KeptCorrection]] = defaultdict(list)
        for k in rows:
            name = k.correction.setting
            if not kept_setting(name).done_once and not why_stale(
                name, k.kept_at, k.printer, k.nozzle, k.spool, happened
            ):
                by_setting[name].append(k)
        return [Series(setting=name, found=tuple(ks)) for name, ks in sorted(by_setting.items())]

    def steps_set(self, printer: str | None = None) -> dict[str, float]:
        """Return the steps/mm of each axis: what was said to be set, else what the printer's data say."""
        with self._read() as session:
            p = find(session, PrinterRow, "printer", printer)
            query = newest_query(
                CorrectionRow.printer_id == p.id, CorrectionRow.setting.like("steps_%")
            )
            kept = list(layered(records(session, query)).values())
            found = placed(kept, newest_said(session, p.id, 0), 0)
            axes = printer_record(p).axes
        steps = {a.axis: a.best_steps_per_mm for a in axes}
        steps |= {kept_setting(v.setting).axis: v.set_value for v in found if v.set_value}
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

        Only what was said to be set counts as set; a value that is still to be set does not. What is
        put into models or G-code is not set either: a calibration piece is printed without it.
        With `printed` false (a check without plastic) only what belongs to the printer.
        """
        now_set: dict[str, float] = {}
        in_force: dict[str, float] | None = None
        travel: dict[str, Estimate] = {}
        filament = ""
        if printed:
            values = self.in_force(printer, nozzle, spool)
            now_set = {v.setting: v.set_value for v in values if v.set_value is not None}
            in_force = {v.setting: v.value for v in values if v.value is not None}
            travel = _travel(values)
            filament = self.spool(spool).material
        steps = self.steps_set(printer)
        with self._read() as session:
            known = printer_record(find(session, PrinterRow, "printer", printer))
            axes, ratings = known.axes, ratings_of(known)
            instruments = _instruments(session)
        by_steps = {f"steps_{a.lower()}_per_mm": v for a, v in steps.items()}
        return Context(
            now=now_set | by_steps,
            in_force=None if in_force is None else by_steps | in_force,
            drives={a.axis: a.drive for a in axes if a.drive is not None},
            travel=travel,
            filament=filament,
            instruments=instruments,
            ratings=ratings,
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
        """Write down that something happened; nothing is deleted by it.

        Raises
        ------
        StoreError
            It is not over yet, is no event of its own, or names what is not in the store.
        """
        happens_to = event_kind(kind).happens_to
        if not happens_to:
            raise StoreError(f"{kind} is no event of its own", mend="truebead event --undo ID")
        when = (at or time_now()).astimezone(UTC)
        if when > time_now():
            raise StoreError(
                f"{when:%Y-%m-%d %H:%M} UTC has not come yet",
                where="--at",
                mend="write an event down once it has happened",
            )
        with self._write() as session:
            row = EventRow(kind=kind, axis=axis.upper(), note=check_words("note", note), at=when)
            if "printer" in happens_to:
                row.printer = find(session, PrinterRow, "printer", printer)
                if "nozzle" in happens_to:
                    row.nozzle = find_nozzle(session, row.printer, nozzle, fitted=False)
            if "spool" in happens_to:
                row.spool = find(session, SpoolRow, "spool", spool)
            session.add(row)
            session.flush()
            return event_record(row)

    def take_event_back(self, uid: str, why: str = "") -> EventRecord:
        """Take an event back, by its id or the unique beginning of it; it stays, marked.

        Raises
        ------
        StoreError
            There is no such event, more than one, or it was taken back before.
        """
        with self._write() as session:
            begins = EventRow.uid.startswith(uid, autoescape=True)
            found = session.scalars(
                select(EventRow).where(begins, EventRow.kind != TAKEN_BACK.name).limit(2)
            ).all()
            if len(found) != 1 or not uid:
                some = "more than one event has" if found else "no event has"
                raise StoreError(f"{some} the id {uid!r}", mend="see truebead event --past")
            row = found[0]
            mark = EventRow.note.startswith(row.uid)
            if session.scalar(
                select(EventRow.id).where(EventRow.kind == TAKEN_BACK.name, mark).limit(1)
            ):
                raise StoreError("that was taken back before", mend="see truebead event --past")
            session.add(
                EventRow(
                    kind=TAKEN_BACK.name, axis="", note=f"{row.uid} {check_words('note', why)}".strip(), at=time_now(),
                    printer=row.printer, nozzle=row.nozzle, spool=row.spool,
                )
            )  # fmt: skip
            return replace(event_record(row), taken_back=True)

    def events(
        self, printer: str | None = None, spool: str | None = None, limit: int | None = None
    ) -> list[EventRecord]:
        """Return events, newest first; those that were taken back are marked."""
        with self._read() as session:
            query = select(EventRow).order_by(EventRow.at.desc(), EventRow.id.desc())
            if printer is not None:
                row = find(session, PrinterRow, "printer", printer)
                query = query.where(EventRow.printer_id == row.id)
            if spool is not None:
                reel = find(session, SpoolRow, "spool", spool)
                query = query.where(EventRow.spool_id == reel.id)
            # The marks of what was taken back are newer than it, so the limit doesn't part them.
            return event_records(session.scalars(query.limit(limit)))


def _instruments(session: Session) -> dict[str, Instrument]:
    """Return the instrument of each kind that is in use: the only one there is, else the usual one."""
    used = select(InstrumentRow).where(InstrumentRow.retired_at.is_(None))
    own = [instrument_record(r) for r in session.scalars(used)]
    only = {i.kind: i for i in own if sum(j.kind == i.kind for j in own) == 1}
    return {**DEFAULTS, **only}


def _travel(found: Sequence[ProfileValue]) -> dict[str, Estimate]:
    """Return the machine's own scale error per axis (a fraction), where its carriage was measured."""
    known = {}
    for v in found:
        c = v.source.correction
        if v.source.pattern != "carriage-travel" or not c.setting.startswith("steps_") or v.stale:
            continue
        left = c.error.times(0.01, "")  # in % as it was found
        if c.verdict is Verdict.APPLY:
            left = replace(left, value=0.0)
        known[c.setting.split("_")[1].upper()] = left
    return known
