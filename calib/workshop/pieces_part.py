"""The part of the workshop for pieces and their readings: make, start, read, enter, photo."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

from calib.errors import BadInput
from calib.workshop.base import Base, Source, who_of
from calib.workshop.results import Made, Named

if TYPE_CHECKING:
    from calib.photo.session import Outcome
    from calib.workshop.measuring import Checked, Measuring, Taken
    from calib.workshop.photographing import Photographed, PhotoOptions, ScanOptions


class PiecesPart(Base):
    """The part of the workshop that makes pieces and takes their readings.

    `named` is printer, nozzle and spool by name, where the store leaves a choice.
    """

    def make(
        self,
        *patterns: str,
        out: Path | str | None = None,
        parameters: Mapping[str, float | str] | None = None,
        setup: Mapping[str, float] | None = None,
        plate: bool = False,
        unit: str = "mm",
        repeats: int = 1,
        separator: str = ",",
        solid: bool = True,
        force: bool = False,
        parts: Sequence[Path | str] = (),
        **named: Unpack[Named],
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

        who = who_of(**named)
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
        unit: str = "mm",
        repeats: int = 1,
        **named: Unpack[Named],
    ) -> "Measuring":
        """Hold a piece in the store, to be printed and measured; nothing is written to a folder."""
        from calib.workshop import entering, making

        store = self.store()
        made = making.made_for(
            store, pattern, parameters or {}, who_of(**named), unit=unit, repeats=repeats
        )  # fmt: skip
        record = store.start_piece(
            pattern, made.piece_id, str(made.files["sheet.csv"]), made.who.printer, made.who.nozzle,
            made.who.spool,
        )  # fmt: skip
        return entering.of_store(store, record.uid)

    def read(self, source: Source) -> "Measuring":
        """Open a sheet to take its readings one by one.

        Parameters
        ----------
        source : path or str
            A sheet's file, a piece's folder, or the id of a piece that was started.
        """
        from calib.workshop import entering

        uid = self._uid(source)
        return entering.of_store(self.store(), uid) if uid else entering.of_file(Path(source))

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
        from calib.workshop import entering

        answer = entering.Answering(
            feature=feature, text=str(text), repeat=repeat, seen=seen, sure=sure, client_id=client_id
        )  # fmt: skip
        uid = self._uid(source)
        if uid:
            return entering.answer_in_store(self.store(), uid, answer)
        return entering.answer_in_file(Path(source), answer)

    def set_head(self, source: Source, key: str, value: str | float) -> "Measuring":
        """Write a line of the sheet's head, such as ``part_c`` or ``jaws_closed_mm``."""
        from calib.workshop import entering

        uid = self._uid(source)
        if uid:
            return entering.head_in_store(self.store(), uid, key, str(value))
        return entering.head_in_file(Path(source), key, str(value))

    def take_back(self, source: Source, taken: "Taken | None" = None) -> "Measuring":
        """Take a reading back; for a piece in the store the newest one where none is given.

        Raises
        ------
        BadInput
            A sheet in a file does not remember the last reading: name which one.
        """
        from calib.workshop import entering

        uid = self._uid(source)
        if taken is None:
            if not uid:
                raise BadInput("say which reading is to be taken back")
            return entering.undo_in_store(self.store(), uid)
        return self.enter(
            source, taken.feature, taken.before, taken.repeat, seen=taken.text
        ).measuring

    def photo(
        self,
        source: Source,
        photos: Sequence[Path],
        how: "PhotoOptions | None" = None,
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

        def measure(m: "Measuring") -> "Outcome":
            return p.measure(m, photos, how or p.PhotoOptions())

        return self._pictured(source, photos, measure, "photo", write, folder, force)

    def scan(
        self,
        source: Source,
        scans: Sequence[Path],
        how: "ScanOptions | None" = None,
        *,
        write: bool = True,
        folder: Path | None = None,
        force: bool = False,
    ) -> "Photographed":
        """Measure a piece in a flatbed scan of it, or in two that differ by a quarter turn.

        Parameters are those of `photo`; the values go into ``scan.csv``.
        """
        from calib.workshop import photographing as p

        def measure(m: "Measuring") -> "Outcome":
            return p.measure_scanned(m, scans, how or p.ScanOptions())

        return self._pictured(source, scans, measure, "scan", write, folder, force)

    def _pictured(
        self, source: Source, photos: Sequence[Path], measure: "Callable[[Measuring], Outcome]",
        name: str, write: bool, folder: Path | None, force: bool,
    ) -> "Photographed":  # fmt: skip
        """Measure, draw, write; whether the results have a place is asked first."""
        from calib.workshop import photographing as p

        m = self.read(source)
        files = p.result_files(folder, name, photos, force=force) if folder else []
        outcome = measure(m)
        drawn = p.pictures(outcome)
        written = p.write_results(files, outcome, drawn, force=force) if files else ()
        count = self._fill_in(source, m, outcome) if write else 0
        return p.Photographed(outcome=outcome, pictures=drawn, files=written, filled=count)

    def _fill_in(self, source: Source, m: "Measuring", outcome: "Outcome") -> int:
        """Write what photos gave into the sheet; return how many readings that are."""
        from calib.workshop import entering, photographing

        uid = self._uid(source)
        if not uid:
            return entering.fill_file(Path(source), lambda now: photographing.filled(now, outcome))
        return entering.fill_store(
            self.store(), uid, lambda now: photographing.filled(now, outcome)
        )

    def pieces(self, printer: str | None = None, spool: str | None = None) -> list[Any]:
        """Return the pieces in work (`calib.store.pieces.PieceRecord`), newest first."""
        return list(self.store().pieces(printer, spool))

    def say_printed(self, uid: str) -> "Measuring":
        """Say that a started piece was printed."""
        from calib.workshop import entering

        self.store().set_piece_state(uid, "printed")
        return entering.of_store(self.store(), uid)

    def give_up(self, uid: str) -> None:
        """Say that a started piece will not be measured; it stays in the store, closed."""
        self.store().set_piece_state(uid, "given up")
