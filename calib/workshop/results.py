"""What the workshop answers with: frozen data, free of terminal, page and database."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, TypedDict

if TYPE_CHECKING:
    from calib.interpret.solve import Context, Solution
    from calib.model.instrument import Instrument
    from calib.plan.expected import Worth
    from calib.plan.steps import Plan, Step
    from calib.profile.doubts import Judgement
    from calib.profile.events import EventKind
    from calib.profile.influence import Rests
    from calib.readings import Sheet
    from calib.store.records import EventRecord, KeptCorrection, KeptSheet, ProfileValue
    from patterns.mesh import Mesh
    from patterns.piece import Piece


class Named(TypedDict, total=False):
    """Printer, nozzle and spool by name; left out, None or "": the store's only one."""

    printer: str | None
    nozzle: str | None
    spool: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Who:
    """Printer, nozzle and spool that something is about; "" where none is meant.

    Attributes
    ----------
    only : set of str
        Which of the three is the store's only one, so that no command has to name it.
    fitted_last : bool
        Whether the nozzle was not named, and is the one that was fitted last.
    """

    printer: str = ""
    nozzle: str = ""
    spool: str = ""
    only: frozenset[str] = field(default=frozenset(), compare=False, repr=False)
    fitted_last: bool = field(default=False, compare=False, repr=False)

    @classmethod
    def of(cls, names: Mapping[str, str]) -> "Who":
        """Return those that are named by what they are of, such as in a sheet's head."""
        return cls(
            printer=names.get("printer", ""),
            nozzle=names.get("nozzle", ""),
            spool=names.get("spool", ""),
        )

    @property
    def names(self) -> dict[str, str]:
        """The names by what they are of."""
        return {"printer": self.printer, "nozzle": self.nozzle, "spool": self.spool}

    @property
    def in_full(self) -> "Who":
        """The same, in which commands name all three."""
        return replace(self, only=frozenset())

    @property
    def words(self) -> str:
        """The names for people: ``lantern / brass / white-1``."""
        nozzle = f"{self.nozzle} (fitted last)" if self.fitted_last else self.nozzle
        return " / ".join(filter(None, (self.printer, nozzle, self.spool)))

    @property
    def options(self) -> str:
        """What a command has to name, as a shell takes it, with a space before; "" for nothing."""
        return "".join(
            f" --{what} {quote(name)}"
            for what, name in self.names.items()
            if name and what not in self.only
        )


@dataclass(frozen=True, kw_only=True)
class MadePiece:
    """One piece that was made.

    Attributes
    ----------
    files : mapping
        Name -> content of every file of its folder.
    filament, instruments
        Type of the spool's filament, and the instruments that will be used; for `worth`.
    folder : Path or None
        Where they were written; None where they were only made in memory.
    mesh : Mesh or None
        Of the solid; None for a check without plastic.
    kept_beside : Path or None
        Where the filled-in sheet is that this one took the place of.
    """

    piece: "Piece"
    piece_id: str
    who: Who
    files: Mapping[str, bytes | str]
    filament: str = ""
    instruments: "Mapping[str, Instrument]" = field(default_factory=dict)
    folder: Path | None = None
    mesh: "Mesh | None" = None
    kept_beside: Path | None = None

    @cached_property
    def worth(self) -> "Worth":
        """Minutes, grams and readings that it takes, and how sure it would make us."""
        from calib.model.instrument import DEFAULTS
        from calib.plan.expected import worth
        from patterns.filaments import filaments

        table = filaments()
        material = table.get(self.filament, table["PLA"])
        return worth(self.piece, material, self.mesh, {**DEFAULTS, **self.instruments})

    @property
    def sheet(self) -> Path:
        """The sheet to fill in; ValueError where nothing was written.

        Raises
        ------
        ValueError
            The piece was made in memory alone, without a folder.
        """
        if self.folder is None:
            msg = "the piece was made in memory only"
            raise ValueError(msg)
        return self.folder / "sheet.csv"


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """Pieces that were made together.

    Attributes
    ----------
    plates : tuple of Path
        All of them on one bed, or on as many as they need, where that was asked for.
    in_force : sequence of ProfileValue
        What is known of printer, nozzle and spool: some of it is to be set before printing.
    notes : lines
        What was assumed because nobody has told it yet, and what telling would gain.
    """

    pieces: tuple[MadePiece, ...]
    who: Who
    plates: tuple[Path, ...] = ()
    in_force: tuple["ProfileValue", ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """What a sheet means.

    Attributes
    ----------
    context : Context
        Everything that was taken to be known besides the sheet.
    notes : lines
        What of the store was not used, and why.
    """

    sheet: "Sheet"
    text: str
    solution: "Solution"
    context: "Context"
    who: Who
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSolution:
    """A sheet whose corrections were kept.

    Attributes
    ----------
    replaced : sheets
        Earlier readings of the same print, which no longer count.
    doubts : lines
        Where the sheet and what was kept before do not go together.
    in_force : sequence of ProfileValue
        The profile after it; empty for a check without plastic.
    """

    solved: Solved
    corrections: tuple["KeptCorrection", ...]
    replaced: tuple["KeptSheet", ...] = ()
    doubts: tuple[str, ...] = ()
    in_force: tuple["ProfileValue", ...] = ()

    @property
    def who(self) -> Who:
        """What it was kept for."""
        return self.solved.who


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """What to print or to measure next, in order; `plan` says what is good and what was left out."""

    who: Who
    plan: "Plan"
    in_force: tuple["ProfileValue", ...]

    @property
    def steps(self) -> "tuple[Step, ...]":
        """What to do, in order, each fitted to the printer."""
        return self.plan.steps

    @property
    def minutes(self) -> float:
        """Minutes of printing in all, roughly."""
        return sum(s.minutes or 0.0 for s in self.steps)

    @property
    def readings(self) -> int:
        """Readings to take in all."""
        return sum(s.readings for s in self.steps)

    @property
    def grams(self) -> float:
        """Filament in all, g, roughly."""
        return sum(s.grams or 0.0 for s in self.steps)

    @property
    def cost(self) -> float:
        """Price of that filament; 0 where no price is known."""
        return sum(s.cost or 0.0 for s in self.steps)


@dataclass(frozen=True, slots=True, kw_only=True)
class EventOutcome:
    """An event that was written down; `stale` is topic in words -> why."""

    record: "EventRecord"
    kind: "EventKind"
    stale: Mapping[str, str]
    who: Who


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """What is known of one printer, nozzle and spool: settings, and what is to be done once.

    Attributes
    ----------
    rests : mapping
        Setting -> what its value rests on.
    odd : sequence of Judgement
        Sheets of the printer that do not go with all the others.
    """

    who: Who
    settings: tuple["ProfileValue", ...]
    to_do_once: tuple["ProfileValue", ...] = ()
    rests: Mapping[str, "Rests"] = field(default_factory=dict)
    odd: tuple["Judgement", ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenBack:
    """Corrections that were taken back; `set_back` is setting -> value to set again."""

    corrections: tuple["KeptCorrection", ...]
    set_back: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One setting in two profiles; None where it is only in one."""

    setting: str
    value: float | None
    other: float | None
    difference: float | None
    u: float
    expanded_95: float
    says: str
