"""The part of the workshop for what readings mean and what is known: solve, keep, next, event, overview."""

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Unpack

from calib.workshop.base import Base, Source, who_of
from calib.workshop.context import ASSUMED, PART_MM, Assumed
from calib.workshop.results import (
    EventOutcome,
    KeptSolution,
    Named,
    Next,
    Profile,
    Solved,
    TakenBack,
)

if TYPE_CHECKING:
    from calib.model.estimate import Estimate
    from calib.profile.influence import Influence
    from calib.profile.over_time import OverTime
    from calib.store.records import EventRecord, KeptCorrection
    from calib.workshop.overview import Overview
    from calib.workshop.own_part import OwnLength
    from calib.workshop.results import Difference


class ProfilePart(Base):
    """The part of the workshop that says what readings mean, what is known and what to do.

    `named` is printer, nozzle and spool by name, where the sheet or the store leaves a choice.
    """

    def solve(
        self,
        source: Source,
        *,
        assumed: Assumed = ASSUMED,
        **named: Unpack[Named],
    ) -> Solved:
        """Work out the corrections from a sheet's readings; works without any store.

        Parameters
        ----------
        source : path or str
            A sheet's file, a piece's folder, the id of a started piece, or a sheet's text.
        assumed : Assumed
            What is said besides the sheet: what was set, instruments, tolerance, what to accept.

        Raises
        ------
        BadInput
            The sheet can't be read, has no readings, or a name is not in the store.
        """
        from calib.workshop import solving

        who = who_of(**named)
        return solving.solve(self._store_for(who), self._sheet(source), who, assumed)

    def keep(
        self,
        source: Source,
        *,
        use: Sequence[str] = (),
        assumed: Assumed = ASSUMED,
        **named: Unpack[Named],
    ) -> KeptSolution:
        """Solve as `solve` does, and keep the corrections with their readings.

        Parameters
        ----------
        use : sequence of str
            Settings to use where two would correct the same error.

        Raises
        ------
        BadInput
            As for `solve`; or the sheet was kept before, or somebody changed the profile meanwhile.
        """
        from calib.workshop import solving

        store, uid = self.store(), self._uid(source)
        kept = solving.keep(store, self._sheet(source), who_of(**named), assumed, use)
        if uid:
            sheet_uid = kept.corrections[0].sheet_uid if kept.corrections else ""
            store.set_piece_state(uid, "kept", sheet_uid)
        return kept

    def keep_part(
        self,
        name: str,
        lengths: "Sequence[OwnLength]",
        *,
        corrected: bool | None = None,
        assumed: Assumed = ASSUMED,
        **named: Unpack[Named],
    ) -> KeptSolution:
        """Keep readings of a part of your own, of which lengths are known as drawn.

        Parameters
        ----------
        name : str
            What you call the part; what is kept under one name on one day is of one print.
        lengths : sequence of OwnLength
        corrected : bool or None
            Whether it was printed from a file that `apply` put corrections into.

        Raises
        ------
        BadInput
            A length or a reading makes no sense, or it matters and was not said whether its file was
            corrected.
        """
        from calib.workshop import own_part, solving

        store, who = self.store(), who_of(**named)
        text = own_part.sheet_text(
            store, name, lengths, who, corrected=corrected, accept=assumed.accept
        )
        return solving.keep(store, text, who, assumed)

    def profile(
        self,
        at: datetime | None = None,
        **named: Unpack[Named],
    ) -> Profile:
        """Return every setting that is known, with where it comes from, how old and how sure it is."""
        from calib.workshop import profiles

        return profiles.profile(self.store(), who_of(**named), at)

    def over_time(
        self,
        **named: Unpack[Named],
    ) -> "OverTime":
        """Return how well each setting was known over time, with what happened in between."""
        from calib.workshop.context import who_in_store

        store = self.store()
        who = who_in_store(store, who_of(**named))
        return store.over_time(who.printer, who.nozzle, who.spool)

    def why(
        self,
        setting: str,
        **named: Unpack[Named],
    ) -> "list[Influence]":
        """Return what each kept sheet does to the value of a setting, the weightiest first."""
        from calib.workshop import profiles

        return profiles.why(self.store(), setting, who_of(**named))

    def differences(
        self,
        *,
        against: str = "",
        at: datetime | None = None,
        **named: Unpack[Named],
    ) -> "list[Difference]":
        """Compare a profile with that of another spool, or with itself at an earlier moment."""
        from calib.workshop import profiles

        return profiles.differences(self.store(), who_of(**named), against, at)

    def split(self, printer: str | None = None) -> "list[tuple[str, str, Estimate]]":
        """Split size errors into the machine's own scale and each spool's shrinkage (fractions)."""
        from calib.workshop import profiles

        return profiles.split(self.store(), printer)

    def history(
        self,
        setting: str | None = None,
        limit: int | None = None,
        **named: Unpack[Named],
    ) -> "list[KeptCorrection]":
        """Return every kept correction, newest first, also those that were taken back."""
        return self.store().history(**named, setting=setting, limit=limit)

    def undo(
        self,
        uid: str | None = None,
        why: str = "",
        **named: Unpack[Named],
    ) -> TakenBack:
        """Take corrections back, by the id of a correction or a sheet; else a printer's newest sheet."""
        from calib.workshop import profiles

        return profiles.undo(self.store(), uid, why, who_of(**named))

    def next(
        self,
        goal: str = "all",
        *,
        within_mm: float | None = None,
        part_mm: float = PART_MM,
        pieces: int = 1,
        minutes: float | None = None,
        **named: Unpack[Named],
    ) -> Next:
        """Say what to print or to measure next, in order, with minutes and grams, and what is good."""
        from calib.workshop import planning

        return planning.next_steps(
            self.store(), who_of(**named), goal, within_mm, part_mm, pieces, minutes
        )

    def event(
        self,
        kind: str,
        *,
        axis: str = "",
        note: str = "",
        at: datetime | None = None,
        **named: Unpack[Named],
    ) -> EventOutcome:
        """Write down that something happened; what it touches is stale from then on, none is deleted."""
        from calib.workshop import planning

        return planning.event(self.store(), kind, who_of(**named), axis, note, at)

    def events(
        self, printer: str | None = None, spool: str | None = None, limit: int | None = None
    ) -> "list[EventRecord]":
        """Return what happened, newest first."""
        return self.store().events(printer, spool, limit)

    def take_event_back(self, uid: str, why: str = "") -> "EventRecord":
        """Take an event back, by its id; it stays among the events, marked."""
        return self.store().take_event_back(uid, why)

    def standing(self) -> tuple[object, ...]:
        """Return numbers that change with all that profiles, plans and the overview rest on."""
        return self.store().standing()

    def overview(self, words: str = "") -> "Overview":
        """Return what each spool is good for on each printer, for those that all words fit."""
        from calib.workshop import overview

        return overview.overview(self.store(), words)

    def report_of_sheet(self, source: Source) -> str:
        """Return the HTML page of a sheet, solved as `solve` does."""
        from calib.workshop import reporting

        return reporting.of_solved(self.solve(source))

    def report_of_kept(self, uid: str | None = None) -> str:
        """Return the HTML page of a kept sheet, by its id or the beginning of it; None: the newest."""
        from calib.workshop import reporting

        return reporting.of_kept(self.store(), uid)

    def report_of_printer(self, printer: str | None = None) -> str:
        """Return the HTML page of a printer: its profiles, drift and events."""
        from calib.workshop import reporting

        return reporting.of_printer(self.store(), self.store().printer(printer).name)
