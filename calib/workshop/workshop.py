"""`open_workshop` and everything that it gives: the one object that commands, pages and scripts call."""

import getpass
import threading
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from calib.errors import BadInput
from calib.workshop.knowing import PART_MM, TOLERANCE_MM, Assumed
from calib.workshop.results import Happened, Kept, Made, Next, Profile, Solved, TakenBack, Who
from calib.workshop.things import ThingsOf

if TYPE_CHECKING:
    from calib.apply.limits import Limits
    from calib.model.estimate import Estimate
    from calib.model.place import Place
    from calib.photo.session import Outcome
    from calib.store.records import EventRecord, KeptCorrection
    from calib.store.store import Store
    from calib.workshop.applying import Applied, How, ToSet
    from calib.workshop.measuring import Checked, Measuring, Taken
    from calib.workshop.overview import Overview
    from calib.workshop.photographing import How as Photographing
    from calib.workshop.photographing import Photographed
    from calib.workshop.results import Difference

Source = Path | str


def open_workshop(store: "str | Path | Store | None" = None, *, by: str = "") -> "Workshop":
    """Open the workshop: a store with its printers, nozzles, spools and instruments.

    Nothing is made or looked at before it is needed: a sheet that says everything about its piece is
    solved without any store.

    Parameters
    ----------
    store : str, Path, Store or None
        A file or a database URL; None: the environment's ``TRUEBEAD_STORE``, else a file in the
        user's data folder.
    by : str
        Who does what is done with it; the system's user where empty.
    """
    return Workshop(store, by=by)


class Workshop(ThingsOf):
    """Make, read, solve, keep, next, event, apply, overview: one way to do each.

    Safe to call from several threads at once. Names of printer, nozzle and spool may be left out
    where a sheet says them or the store has only one. Everything that the user can mend is raised
    as `calib.errors.BadInput`.
    """

    def __init__(self, store: "str | Path | Store | None" = None, *, by: str = "") -> None:
        self.by = by or _user()
        self._lock = threading.RLock()
        self._where: str | None = None
        self._opened: Store | None = None
        if store is None or isinstance(store, str | Path):
            self._where = None if store is None else str(store)
        else:
            self._opened = store.signed(self.by)
        self._ours = self._opened is None

    # --- the store ---------------------------------------------------------------------------

    def store(self, *, make: bool = False) -> "Store":
        """Return the store behind it, opened once; with `make` it is made where there is none.

        Raises
        ------
        NoStore
            There is none, and `make` is not set.
        """
        with self._lock:
            if self._opened is None:
                from calib.store import open_store

                self._opened = open_store(self._where, make=make).signed(self.by)
            return self._opened

    def store_if_any(self) -> "Store | None":
        """Return the store, or None where there is none yet."""
        from calib.store.engine import NoStore

        try:
            return self.store()
        except NoStore:
            return None

    def signing(self, by: str) -> "Workshop":
        """Return the same workshop, in which another does what is done."""
        with self._lock:
            return Workshop(self._opened or self._where, by=by)

    def close(self) -> None:
        """Give the store up."""
        with self._lock:
            if self._opened is not None and self._ours:
                self._opened.close()
                self._opened = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- pieces and readings -------------------------------------------------------------------

    def make(
        self,
        *patterns: str,
        out: Path | str | None = None,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        parameters: Mapping[str, float | str] | None = None,
        setup: Mapping[str, float] | None = None,
        plate: bool = False,
        unit: str = "mm",
        repeats: int = 1,
        separator: str = ",",
        solid: bool = True,
        force: bool = False,
        parts: Sequence[Path | str] = (),
    ) -> Made:
        """Make the folders of pieces: solid, sheet and picture of each.

        Parameters
        ----------
        patterns : names
            Of patterns, or files with one in it: ``./my_ring.py``.
        parts : sequence of path
            STEP files of solids of the user's own, on which measurable features are looked for.
        out : path or None
            Folder for one piece, or the folder of the folders of several; None: the pattern's name.
        parameters : mapping
            Name -> number or word, in the pattern's own units; ``pattern.name`` for one of several.
        setup : mapping
            Field of `patterns.spec.PrintSetup` -> number, laid over what is known of the printer; a
            rating that is given only tightens what is known.
        plate : bool
            Also arrange them on one bed, in ``plate.3mf``.
        solid : bool
            Whether the solid is wanted, or the sheet alone.

        Raises
        ------
        BadInput
            A name or a number can't be used, the printer is too small, or a file is there already.
        """
        from calib.workshop import making

        who = _who(printer, nozzle, spool)
        return making.make(
            self._store_for(who), patterns, who,
            parameters=parameters or {}, setup=setup or {}, out=None if out is None else Path(out),
            plate=plate, unit=unit, repeats=repeats, separator=separator, solid=solid, force=force,
            parts=[Path(part) for part in parts],
        )  # fmt: skip

    def start(
        self,
        pattern: str,
        parameters: Mapping[str, float | str] | None = None,
        *,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        unit: str = "mm",
        repeats: int = 1,
    ) -> "Measuring":
        """Hold a piece in the store, to be printed and measured; nothing is written to a folder."""
        from calib.workshop import making, measuring

        store = self.store()
        made = making.made_for(
            store, pattern, parameters or {}, _who(printer, nozzle, spool), unit=unit, repeats=repeats
        )  # fmt: skip
        record = store.start_piece(
            pattern, made.piece_id, str(made.files["sheet.csv"]), made.who.printer, made.who.nozzle,
            made.who.spool,
        )  # fmt: skip
        return measuring.of_store(store, record.uid)

    def read(self, source: Source) -> "Measuring":
        """Open a sheet to take its readings one by one.

        Parameters
        ----------
        source : path or str
            A sheet's file, a piece's folder, or the id of a piece that was started.
        """
        from calib.workshop import measuring

        uid = self._uid(source)
        return measuring.of_store(self.store(), uid) if uid else measuring.of_file(Path(source))

    def check(self, source: Source, feature: str, text: str | float, repeat: int = 0) -> "Checked":
        """Say what a reading would mean, without writing it down."""
        return self.read(source).check(feature, str(text), repeat)

    def enter(
        self,
        source: Source,
        feature: str,
        text: str | float,
        repeat: int = 0,
        *,
        seen: str | None = None,
        sure: bool = False,
        client_id: str = "",
    ) -> "Taken":
        """Write one reading down: it is kept before this returns, also where it is suspicious.

        Parameters
        ----------
        text : str or float
            As it was read; "" empties the cell, "-" says that it was not measured.
        repeat : int
            Which reading of the feature, from 1; 0: the first that is empty.
        seen : str or None
            What the caller saw in that cell: refused where somebody wrote something else meanwhile.
        sure : bool
            Whether a suspicious reading is meant as it is.
        client_id : str
            Of the caller's choice; a second entry with the same one changes nothing.

        Raises
        ------
        BadInput
            It can't be a reading of that feature, or (ChangedMeanwhile) the cell was changed.
        """
        from calib.workshop import measuring

        answer = measuring.Answering(
            feature=feature, text=str(text), repeat=repeat, seen=seen, sure=sure, client_id=client_id
        )  # fmt: skip
        uid = self._uid(source)
        if uid:
            return measuring.answer_in_store(self.store(), uid, answer)
        return measuring.answer_in_file(Path(source), answer)

    def set_head(self, source: Source, key: str, value: str | float) -> "Measuring":
        """Write a line of the sheet's head, such as ``part_c`` or ``jaws_closed_mm``."""
        from calib.workshop import measuring

        uid = self._uid(source)
        if uid:
            return measuring.head_in_store(self.store(), uid, key, str(value))
        return measuring.head_in_file(Path(source), key, str(value))

    def take_back(self, source: Source, taken: "Taken | None" = None) -> "Measuring":
        """Take a reading back; for a piece in the store the newest one where none is given."""
        from calib.workshop import measuring

        uid = self._uid(source)
        if taken is None:
            if not uid:
                raise BadInput("say which reading is to be taken back")
            return measuring.undo_in_store(self.store(), uid)
        return self.enter(
            source, taken.feature, taken.before, taken.repeat, seen=taken.text
        ).measuring

    def photo(
        self,
        source: Source,
        photos: Sequence[Path],
        how: "Photographing | None" = None,
        *,
        write: bool = True,
        folder: Path | None = None,
        force: bool = False,
    ) -> "Photographed":
        """Measure a piece in photos of it on the mat.

        Parameters
        ----------
        write : bool
            Whether clear values are written into the first empty cells of the sheet.
        folder : path or None
            Where ``photo.csv`` and the annotated pictures go; None: nowhere.
        """
        from calib.workshop import photographing as p

        m = self.read(source)
        outcome = p.measure(m, photos, how or p.How())
        drawn = p.pictures(outcome)
        files = p.write_results(folder, photos, outcome, drawn, force=force) if folder else ()
        count = self._fill_in(source, m, outcome) if write else 0
        return p.Photographed(outcome=outcome, pictures=drawn, files=files, filled=count)

    def _fill_in(self, source: Source, m: "Measuring", outcome: "Outcome") -> int:
        """Write what photos gave into the sheet; return how many readings that are."""
        from calib.workshop import measuring, photographing

        uid = self._uid(source)
        if not uid:
            return measuring.fill_file(Path(source), lambda now: photographing.filled(now, outcome))
        return measuring.fill_store(
            self.store(), uid, lambda now: photographing.filled(now, outcome)
        )

    def pieces(self, printer: str | None = None, spool: str | None = None) -> list[Any]:
        """Return the pieces in work (`calib.store.pieces.PieceRecord`), newest first."""
        return list(self.store().pieces(printer, spool))

    def say_printed(self, uid: str) -> "Measuring":
        """Say that a started piece was printed."""
        from calib.workshop import measuring

        self.store().set_piece_state(uid, "printed")
        return measuring.of_store(self.store(), uid)

    def give_up(self, uid: str) -> None:
        """Say that a started piece will not be measured; it stays in the store, closed."""
        self.store().set_piece_state(uid, "given up")

    # --- what they mean --------------------------------------------------------------------------

    def solve(
        self,
        source: Source,
        *,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        now: Mapping[str, float] | None = None,
        filament: str = "",
        instruments: Sequence[str] = (),
        tolerance_mm: float = TOLERANCE_MM,
        part_mm: float = PART_MM,
        accept: bool = False,
    ) -> Solved:
        """Work out the corrections from a sheet's readings; works without any store.

        Parameters
        ----------
        source : path or str
            A sheet's file, a piece's folder, the id of a started piece, or a sheet's text.
        now : mapping
            Setting -> value that was set while the piece was printed.
        instruments : sequence of str
            Instruments of the store that were used; where none is named, what the sheet says counts,
            else the only one of its kind in the store, else the usual one.
        accept : bool
            Take what was probably meant for readings that can't be right.

        Raises
        ------
        BadInput
            The sheet can't be read, has no readings, or a name is not in the store.
        """
        from calib.workshop import solving

        assumed = Assumed(
            now=now or {}, filament=filament, instruments=instruments, tolerance_mm=tolerance_mm,
            part_mm=part_mm, accept=accept,
        )  # fmt: skip
        who = _who(printer, nozzle, spool)
        return solving.solve(self._store_for(who), self._sheet(source), who, assumed)

    def keep(
        self,
        source: Source,
        *,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        use: Sequence[str] = (),
        now: Mapping[str, float] | None = None,
        filament: str = "",
        instruments: Sequence[str] = (),
        tolerance_mm: float = TOLERANCE_MM,
        part_mm: float = PART_MM,
        accept: bool = False,
    ) -> Kept:
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

        assumed = Assumed(
            now=now or {}, filament=filament, instruments=instruments, tolerance_mm=tolerance_mm,
            part_mm=part_mm, accept=accept,
        )  # fmt: skip
        store, uid = self.store(), self._uid(source)
        kept = solving.keep(store, self._sheet(source), _who(printer, nozzle, spool), assumed, use)
        if uid:
            sheet_uid = kept.corrections[0].sheet_uid if kept.corrections else ""
            store.set_piece_state(uid, "kept", sheet_uid)
        return kept

    # --- what is known, and what to do ---------------------------------------------------------

    def profile(
        self,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        at: datetime | None = None,
    ) -> Profile:
        """Return every setting that is known, with where it comes from, how old and how sure it is."""
        from calib.workshop import looking

        return looking.profile(self.store(), _who(printer, nozzle, spool), at)

    def differences(
        self,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        *,
        against: str = "",
        at: datetime | None = None,
    ) -> "list[Difference]":
        """Compare a profile with that of another spool, or with itself at an earlier moment."""
        from calib.workshop import looking

        return looking.differences(self.store(), _who(printer, nozzle, spool), against, at)

    def split(self, printer: str | None = None) -> "list[tuple[str, str, Estimate]]":
        """Split size errors into the machine's own scale and each spool's shrinkage (fractions)."""
        from calib.workshop import looking

        return looking.split(self.store(), printer)

    def history(
        self,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        setting: str | None = None,
        limit: int | None = None,
    ) -> "list[KeptCorrection]":
        """Return every kept correction, newest first, also those that were taken back."""
        return self.store().history(printer, nozzle, spool, setting, limit)

    def undo(
        self,
        uid: str | None = None,
        why: str = "",
        *,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
    ) -> TakenBack:
        """Take corrections back, by the id of a correction or a sheet; else a printer's newest sheet."""
        from calib.workshop import looking

        return looking.undo(self.store(), uid, why, _who(printer, nozzle, spool))

    def next(
        self,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        goal: str = "all",
        *,
        within_mm: float | None = None,
        part_mm: float = PART_MM,
        pieces: int = 1,
    ) -> Next:
        """Say what to print or to measure next, in order, with minutes and grams, and what is good."""
        from calib.workshop import planning

        return planning.next_steps(
            self.store(), _who(printer, nozzle, spool), goal, within_mm, part_mm, pieces
        )

    def event(
        self,
        kind: str,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        *,
        axis: str = "",
        note: str = "",
        at: datetime | None = None,
    ) -> Happened:
        """Write down that something happened; what it touches is stale from then on, none is deleted."""
        from calib.workshop import planning

        return planning.event(self.store(), kind, _who(printer, nozzle, spool), axis, note, at)

    def events(
        self, printer: str | None = None, spool: str | None = None, limit: int | None = None
    ) -> "list[EventRecord]":
        """Return what happened, newest first."""
        return self.store().events(printer, spool, limit)

    def take_event_back(self, uid: str, why: str = "") -> "EventRecord":
        """Take an event back, by its id; it stays among the events, marked."""
        return self.store().take_event_back(uid, why)

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

    # --- using them --------------------------------------------------------------------------------

    def values(
        self,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        places: "Mapping[Place, Sequence[str]] | None" = None,
    ) -> "ToSet":
        """Return what is to be set and what goes into files.

        Parameters
        ----------
        places : mapping
            Place -> settings, or topics such as ``scale``, that take effect there from now on;
            `say_places` keeps that.
        """
        from calib.workshop import applying

        return applying.to_set(self.store(), _who(printer, nozzle, spool), places or {})

    def say_places(self, found: "ToSet") -> AbstractContextManager[None]:
        """Keep where settings take effect, as was asked of `values`, if what is done within succeeds."""
        from calib.workshop import applying

        return applying.keeping_places(self.store() if found.said else None, found)

    def say_set(
        self,
        *settings: str,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
    ) -> "ToSet":
        """Say that settings, or topics such as ``scale``, are set in the printer now."""
        from calib.model.place import Place

        found = self.values(printer, nozzle, spool, {Place.PRINTER: settings})
        with self.say_places(found):
            return found

    def apply(
        self,
        file: Path | str,
        out: Path | str | None = None,
        *,
        printer: str | None = None,
        nozzle: str | None = None,
        spool: str | None = None,
        force: bool = False,
        how: "How | None" = None,
    ) -> "Applied":
        """Write a corrected copy of a model or a sliced file; nothing is corrected twice."""
        from calib.workshop import applying

        how = how or applying.How()
        target = applying.target_of(
            Path(file), None if out is None else Path(out),
            may_replace=force or how.dry_run, again=how.again,
        )  # fmt: skip
        found = self.values(printer, nozzle, spool)
        return applying.correct(self.store(), Path(file), target, found, found.limits, {}, how)

    def correct(
        self,
        file: Path,
        target: Path,
        values: "ToSet",
        limits: "Limits",
        given: Mapping[str, float],
        how: "How",
    ) -> "Applied":
        """Correct one file with values that were looked up and numbers given by hand; see `apply`."""
        from calib.workshop import applying

        store = self.store() if values.who.printer else None
        return applying.correct(store, file, target, values, limits, given, how)

    # --- within ------------------------------------------------------------------------------------

    def _store_for(self, asked: Who) -> "Store | None":
        """Return the store; None where there is none and nothing of it was asked for."""
        named = asked.printer or asked.nozzle or asked.spool
        return self.store() if named else self.store_if_any()

    def _uid(self, source: Source) -> str:
        """Return the id of a started piece where one is meant; empty for a file, a folder or a text."""
        text = str(source)
        plain = isinstance(source, str) and len(text) == 32 and text.isalnum()
        return text if plain and not Path(text).exists() else ""

    def _sheet(self, source: Source) -> Source:
        uid = self._uid(source)
        return self.store().piece(uid).sheet_text if uid else source


def _who(printer: str | None, nozzle: str | None, spool: str | None) -> Who:
    return Who(printer=printer or "", nozzle=nozzle or "", spool=spool or "")


def _user() -> str:
    """Return the system's name for the user; empty where it has none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return ""
