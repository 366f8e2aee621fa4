"""The posterior of a store's sheets: kept at hand, asked what a value rests on and which sheets matter."""

from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from calib.errors import StoreError
from calib.model.estimate import Estimate
from calib.profile.answers import answer, machine_and_material
from calib.profile.doubts import Judgement
from calib.profile.influence import (
    Influence,
    Rests,
    influences,
    own,
    rests,
)
from calib.profile.over_time import OverTime, over_time
from calib.store.base import find, find_nozzle
from calib.store.engine import is_read_only
from calib.store.inventory import Inventory
from calib.store.large import near_sheets, read, worked_out
from calib.store.layers import ProfileQuery
from calib.store.states import (
    Near,
    State,
    is_large,
    made_blocks,
    printer_key,
    signature,
    spool_key,
    state_of,
    without_blocks,
    write_blocks,
)
from calib.store.tables import MaterialRow, PosteriorPartRow, PosteriorRow, PrinterRow, SpoolRow
from calib.store.tables import now as time_now

#: Sheets of a printer that a look back at a large store's past rests on, beside the roll's own.
MOST_THEN = 300


class Estimates(Inventory):
    """The part of the store that knows how surely what is known."""

    #: What the next two rest on; posteriors by what is asked about; profiles that were asked for.
    _states: tuple[tuple[Any, ...], dict[Near | None, State], dict[Any, Any]] | None = None

    def standing(self) -> tuple[Any, ...]:
        """Return numbers that change with all that profiles, plans and the overview rest on."""
        with self._read() as session:
            return signature(session)

    def state(self, session: Session, near: Near, at: datetime | None = None) -> State:
        """Return the posterior; the same one as long as nothing changed that it rests on."""
        if at is not None:
            # The past of a large store is told by what is near alone: it is not kept in parts.
            near_by = near_sheets(session, near, MOST_THEN) if is_large(session) else None
            return state_of(session, at, near_by)
        stamp, large = signature(session), is_large(session)
        if self._states is None or self._states[0] != stamp:
            if not large:
                self._write_missing_blocks(session)
            self._states = (stamp, {}, {})
        kept = self._states[1]
        key = near if large else None
        with_sheets = replace(near, sheets=True)
        if large and with_sheets in kept:  # tells the same and more
            key = with_sheets
        if key not in kept:
            kept[key] = self._large_state(session, near) if large else state_of(session)
        return kept[key]

    def _large_state(self, session: Session, near: Near) -> State:
        """Return the posterior of a large store for what is near, worked out anew where it must be."""
        found = read(session, near)
        if found is not None:
            return found
        self._write_missing_blocks(session)
        whole, head, parts = worked_out(session)
        if not is_read_only(self.engine):
            session.rollback()
            with suppress(StoreError), self._write() as writing:  # else the next who asks writes it
                writing.execute(delete(PosteriorPartRow))
                writing.execute(delete(PosteriorRow))
                writing.add_all([head, *parts])
        return whole

    def _write_missing_blocks(self, session: Session) -> None:
        """Write the blocks of sheets that have none yet, such as those of an older store."""
        missing = without_blocks(session)
        if not missing or is_read_only(self.engine):
            return
        made = dict(made_blocks(session, missing))
        session.rollback()  # ends the reading, so that the writing need not wait for it
        try:
            with self._write() as writing:
                write_blocks(writing, made)
        except StoreError:  # somebody else writes: they are made again next time
            return

    def _query(
        self,
        session: Session,
        printer: str | None,
        nozzle: str | None,
        spool: str | None,
        at: datetime | None = None,
        *,
        sheets: bool = False,
    ) -> ProfileQuery:
        p = find(session, PrinterRow, "printer", printer)
        n = find_nozzle(session, p, nozzle)
        reel = find(session, SpoolRow, "spool", spool)
        near = Near(p.id, reel.id, reel.material.name, sheets)
        state = self.state(session, near, at)
        memo = self._states[2] if at is None and self._states is not None else {}
        return ProfileQuery(session, p, n, reel, state, at, memo)

    def rests(
        self,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        only: str | None = None,
    ) -> dict[str, Rests]:
        """Return, for each setting in force that the posterior knows, or one, what its value rests on."""
        with self._read() as session:
            query = self._query(session, printer, nozzle, spool, sheets=True)
            in_force = {v.setting: v for v in query.profile()}
            where = query.where(in_force)
        state, found = query.state, {}
        for setting, v in in_force.items():
            if v.estimate is not None and only in (None, setting):
                asked = answer(setting, where, state.world)
                found[setting] = rests(state.posterior, asked, own(state.blocks, asked))
        return found

    def over_time(
        self, printer: str | None = None, nozzle: str | None = None, spool: str | None = None
    ) -> OverTime:
        """Return how well each setting in force was known over time."""
        with self._read() as session:
            query = self._query(session, printer, nozzle, spool, sheets=True)
            in_force = {v.setting: v for v in query.profile()}
            where = query.where(in_force)
        asked = [name for name, v in in_force.items() if v.estimate is not None]
        state = query.state
        return over_time(state.blocks, state.world, where, asked, state.posterior.spreads)

    def why(
        self,
        setting: str,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
    ) -> list[Influence]:
        """Return what each sheet does to a value, the weightiest first.

        Raises
        ------
        StoreError
            Nothing is known of that setting there.
        """
        with self._read() as session:
            query = self._query(session, printer, nozzle, spool, sheets=True)
            in_force = {v.setting: v for v in query.profile()}
            where = query.where(in_force)
        if setting not in in_force or in_force[setting].estimate is None:
            known = ", ".join(s for s, v in in_force.items() if v.estimate is not None)
            raise StoreError(
                f"nothing is known of {setting!r}", mend=f"there is {known or 'nothing'}"
            )
        state = query.state
        return influences(state.posterior, answer(setting, where, state.world), state.blocks)

    def disagreeing(self, printer: str | None = None) -> list[Judgement]:
        """Return a printer's sheets that do not go with all the others, the oddest first."""
        with self._read() as session:
            row = find(session, PrinterRow, "printer", printer)
            key, now = printer_key(row.id), signature(session)
            # All that is at hand was judged alike.
            at_hand = (
                list(self._states[1].values()) if self._states and self._states[0] == now else []
            )
            state = at_hand[0] if at_hand else self.state(session, Near(row.id))
        odd = [j for j in state.judged.values() if j.printer == key and j.disagrees]
        return sorted(odd, key=lambda j: (-j.wrong, j.odds))

    def split(self, printer: str | None = None) -> list[tuple[str, str, Estimate]]:
        """Return (of, what, estimate as a fraction): a machine's own scale, and every spool's shrinkage.

        Raises
        ------
        StoreError
            No sheet with sizes was kept yet.
        """
        with self._read() as session:
            row = find(session, PrinterRow, "printer", printer)
            state = self.state(session, Near(row.id, sheets=True))
            spools = select(SpoolRow.id, SpoolRow.name, MaterialRow.name).join(
                MaterialRow, SpoolRow.material_id == MaterialRow.id
            )
            named = {spool_key(i): (name, of) for i, name, of in session.execute(spools)}
            name, key = row.name, printer_key(row.id)
        found = machine_and_material(state.posterior, key, name, time_now(), state.blocks, named)
        if not found:
            raise StoreError(
                "no sheet with sizes was kept yet",
                mend="print and measure one: truebead make corner-gauge, then truebead keep",
            )
        return found
