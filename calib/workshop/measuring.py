"""Readings one by one: each is checked, kept at once, and seen by all who measure the same piece."""

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from calib.errors import BadInput
from calib.readings.cells import CellError
from calib.readings.fill import Answer, Cell, cells, content, to_ask, understand

if TYPE_CHECKING:
    from calib.readings import Sheet
    from calib.readings.table import Table
    from calib.store.pieces import Entry, PieceRecord
    from patterns.piece import Piece

#: Readings of one feature that are further apart than this are asked about: mm, common practice.
REPEATS_APART_MM = 0.3
NOT_MEASURED = "-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What an answer means, before or after it was written.

    Attributes
    ----------
    value : float or None
        In the feature's unit; None: not measured.
    suspicious : bool
        Whether it lies outside of what can be a true reading.
    doubts : lines
        What it may be instead.
    in_inches : bool
        Whether it was probably read in inches.
    proposal : str
        What to write instead where just one thing can be meant; `proposed` is its value.
    """

    text: str
    value: float | None
    suspicious: bool = False
    doubts: tuple[str, ...] = ()
    proposal: str = ""
    proposed: float | None = None
    in_inches: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken(Checked):
    """An answer that was written, what stood there before, and the sheet as it is now."""

    feature: str
    repeat: int
    before: str
    measuring: "Measuring"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One reading that a sheet asks for, and what stands there."""

    cell: Cell
    text: str

    @property
    def feature(self) -> str:
        """Id of the feature."""
        return self.cell.feature.id

    @property
    def repeat(self) -> int:
        """Which reading of the feature it is, from 1."""
        return self.cell.repeat


@dataclass(frozen=True, slots=True, kw_only=True)
class Measuring:
    """A piece that is being measured, as its sheet stood when it was looked at.

    Attributes
    ----------
    source : str
        The file of the sheet, or the id of a piece in work.
    version : str
        Changes with every change of the sheet.
    """

    source: str
    in_store: bool
    version: str
    text: str
    table: "Table"
    sheet: "Sheet"
    questions: tuple[Asked, ...]
    record: "PieceRecord | None" = None
    entries: "tuple[Entry, ...]" = field(default=())

    @property
    def piece(self) -> "Piece":
        """The piece."""
        return self.sheet.piece

    @property
    def empty(self) -> int:
        """How many readings are still asked for."""
        return sum(not q.text for q in self.questions)

    @property
    def order(self) -> tuple[Asked, ...]:
        """The empty cells in the order in which to ask: after the last filled one first."""
        by_place = {(q.cell.line, q.cell.column): q for q in self.questions}
        asked = to_ask(self.table, [q.cell for q in self.questions])
        return tuple(by_place[c.line, c.column] for c in asked)

    @property
    def doubtful(self) -> tuple[str, ...]:
        """What is to be looked at again: readings that can't be right, each with its likely slip."""
        from calib.readings.blunders import find_blunders

        return tuple(b.explanation for b in find_blunders(self.sheet))

    def question(self, feature: str, repeat: int = 0) -> Asked:
        """Return one question; repeat 0 is the first that is still empty, else the last.

        Raises
        ------
        BadInput
            The sheet has no such reading.
        """
        mine = [q for q in self.questions if q.feature == feature]
        if not mine:
            names = ", ".join(dict.fromkeys(q.feature for q in self.questions))
            raise BadInput(f"the piece has no feature {feature!r}", mend=f"it has {names}")
        if repeat:
            found = next((q for q in mine if q.repeat == repeat), None)
            if found is None:
                raise BadInput(
                    f"{feature} has no reading {repeat}", mend=f"it has {len(mine)} of them"
                )
            return found
        return next((q for q in mine if not q.text), mine[-1])

    def check(self, feature: str, text: str, repeat: int = 0) -> Checked:
        """Say what an answer would mean, without writing anything.

        Raises
        ------
        BadInput
            It can't be a reading of this feature at all.
        """
        asked = self.question(feature, repeat)
        return checked(text, asked.cell, self.sheet, _others(self, asked))


def checked(text: str, cell: Cell, sheet: "Sheet", others: Sequence[float] = ()) -> Checked:
    """Make sense of an answer against what is expected and the feature's other readings.

    Raises
    ------
    BadInput
        What was entered is no number or answer that the feature takes.
    """
    if text.strip() in ("", NOT_MEASURED):
        return Checked(text=text.strip(), value=None)
    try:
        answer = understand(text.strip(), cell, sheet.piece.features)
    except CellError as err:
        raise BadInput(err.what, where=f"{cell.feature.id}, reading {cell.repeat}", mend=err.mend) from err  # fmt: skip
    doubts = tuple(dict.fromkeys(d.words for d in answer.doubts))[:3]
    suspicious, apart = answer.suspicious, _apart(answer, cell, others)
    if not suspicious and apart:
        suspicious, doubts = True, (apart,)
    return Checked(
        text=answer.text,
        value=answer.value,
        suspicious=suspicious,
        doubts=doubts,
        proposal=answer.proposal,
        proposed=answer.proposed,
        in_inches=bool(answer.doubts) and answer.doubts[0].cause == "inch",
    )


def _apart(answer: Answer, cell: Cell, others: Sequence[float]) -> str:
    """Say so where a reading is far from the feature's other readings."""
    if answer.value is None or not others or cell.feature.unit != "mm":
        return ""
    nearest = min(others, key=lambda v: abs(v - (answer.value or 0.0)))
    if abs(nearest - answer.value) <= max(REPEATS_APART_MM, 0.003 * abs(cell.feature.nominal)):
        return ""
    return f"the reading before was {nearest:.4g} mm"


def _others(m: Measuring, asked: Asked) -> list[float]:
    """Return the feature's other readings that may be right."""
    found = []
    for q in m.questions:
        if q.feature == asked.feature and q.repeat != asked.repeat and q.text:
            with contextlib.suppress(CellError):
                answer = understand(q.text, q.cell, m.sheet.piece.features)
                if answer.value is not None and not answer.suspicious:
                    found.append(answer.value)
    return found


def of_text(text: str, source: str, version: str, *, in_store: bool) -> Measuring:
    """Return a sheet's text as something to measure with."""
    from calib.readings import read_table, sheet_of

    table = read_table(text, source)
    sheet = sheet_of(table)
    return Measuring(
        source=source,
        in_store=in_store,
        version=version,
        text=text,
        table=table,
        sheet=sheet,
        questions=tuple(Asked(cell=c, text=content(table, c)) for c in cells(table, sheet)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One reading as it stands in a piece's sheet: who entered it and when, where that is known."""

    feature: str
    repeat: int
    text: str
    value: float | None
    suspicious: bool
    by: str = ""
    at: datetime | None = None


def standing(m: Measuring) -> tuple[Standing, ...]:
    """Return every filled cell; a suspicious one that somebody stood by is no longer suspicious."""
    last: dict[tuple[str, int], Entry] = {(e.feature, e.repeat): e for e in m.entries}
    found = []
    for q in m.questions:
        if not q.text:
            continue
        c = checked(q.text, q.cell, m.sheet, _others(m, q))
        entry = last.get((q.feature, q.repeat))
        found.append(
            Standing(
                feature=q.feature, repeat=q.repeat, text=q.text, value=c.value,
                suspicious=c.suspicious and not (entry is not None and entry.sure),
                by=entry.by if entry else "", at=entry.at if entry else None,
            )
        )  # fmt: skip
    return tuple(found)
