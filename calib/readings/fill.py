"""Fill a sheet one cell after the other: what to ask next, and what to make of an answer."""

from collections.abc import Sequence
from dataclasses import dataclass

from calib.readings.blunders import other_nominals, window
from calib.readings.cells import INCH_MM, apart, parse_reading
from calib.readings.data import Sheet
from calib.readings.sheet import feature_rows, row_unit
from calib.readings.slips import Explanation, explanations, only_proposal
from calib.readings.table import Table
from patterns.feature import Feature


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell for a reading, and what belongs into it.

    Attributes
    ----------
    line, column : int
        Where it is in the table.
    number : str
        The callout in the picture.
    repeat, repeats : int
        This is reading `repeat` of `repeats`.
    unit : str
        Of a length without a unit of its own: mm or inch.
    """

    line: int
    column: int
    number: str
    feature: Feature
    repeat: int
    repeats: int
    unit: str

    @property
    def unit_word(self) -> str:
        """What is to be typed, in a word for the prompt."""
        if self.feature.grades:
            return "/".join(self.feature.grades)
        return self.unit if self.feature.unit == "mm" else self.feature.unit

    @property
    def nominal_words(self) -> str:
        """Nominal value with unit; empty for judgements."""
        if self.feature.unit == "mm" and self.unit == "inch":
            return f"{self.feature.nominal / INCH_MM:.4f} inch"
        if self.feature.unit in ("mm", "g"):
            return f"{self.feature.nominal:.4g} {self.feature.unit}"
        return ""


@dataclass(frozen=True, slots=True)
class Answer:
    """What an answer means.

    Attributes
    ----------
    text : str
        What to write into the cell.
    value : float or None
        In the feature's unit; None: not measured.
    doubts : tuple of Explanation
        Why it may be wrong; empty with `suspicious` where nothing explains it.
    suspicious : bool
        Whether it lies outside of what can be a true reading.
    proposal : str
        What to write instead where just one thing can be meant; else empty.
    """

    text: str
    value: float | None
    doubts: tuple[Explanation, ...] = ()
    suspicious: bool = False
    proposal: str = ""
    proposed: float | None = None


def cells(table: Table, sheet: Sheet) -> list[Cell]:
    """Return every cell for a reading, row by row, in the order of the sheet.

    Judgements by eye have one each: the same person judges the same thing the same way again. What
    only a photo shows is not asked for.
    """
    columns = [c for c in table.reading_columns if table.header.cell(c)]
    numbers = {f.id: str(n) for n, f in enumerate(sheet.piece.features, 1)}
    return [
        Cell(
            line=row.line,
            column=column,
            number=numbers[feature.id],
            feature=feature,
            repeat=k,
            repeats=1 if feature.instrument == "eye" else len(columns),
            unit=row_unit(table, row, feature, sheet.unit),
        )
        for row, feature in feature_rows(table, sheet.piece)
        if feature.instrument != "photo"
        for k, column in enumerate(columns[:1] if feature.instrument == "eye" else columns, 1)
    ]


def content(table: Table, cell: Cell) -> str:
    """Return what stands in a cell."""
    row = next(r for r in table.rows if r.line == cell.line)
    return row.cell(cell.column).strip()


def to_ask(table: Table, all_cells: Sequence[Cell]) -> list[Cell]:
    """Return the empty cells: those after the last filled one first, then the earlier ones."""
    rows = {r.line: r for r in table.rows}
    filled = [bool(rows[c.line].cell(c.column).strip()) for c in all_cells]
    last = max((k for k, full in enumerate(filled) if full), default=-1)
    empty = [k for k, full in enumerate(filled) if not full]
    return [
        all_cells[k] for k in (*[k for k in empty if k > last], *[k for k in empty if k < last])
    ]


def understand(text: str, cell: Cell, features: Sequence[Feature]) -> Answer:
    """Make sense of what was typed.

    Raises
    ------
    CellError
        It can't be a reading of this feature at all.
    """
    feature = cell.feature
    value, u = parse_reading(text, feature, cell.unit)
    if value is None or abs(value - feature.nominal) <= window(feature):
        return Answer(text, value)
    others = other_nominals(feature, features)
    alone, _ = apart(text)
    found = explanations(
        value, feature.nominal, others, window(feature), unit=feature.unit, text=alone
    )
    meant = only_proposal(found)
    if meant is None or u is not None:  # what is meant by ± then, only the user knows
        return Answer(text, value, found, suspicious=True)
    return Answer(text, value, found, True, _as_written(meant, found[0], text, cell), meant)


def _as_written(meant: float, why: Explanation, text: str, cell: Cell) -> str:
    """Return a text for the cell that keeps what was typed where only its unit was left out."""
    bare = not any(c.isalpha() or c in "\"'" for c in text)
    if why.cause == "inch" and bare:
        return f"{text} in"
    if why.cause == "mm" and bare:
        return f"{text} mm"
    in_inches = cell.unit == "inch" and cell.feature.unit == "mm"
    number = f"{meant / INCH_MM:.5f}" if in_inches else f"{meant:.4f}"
    return number.rstrip("0").rstrip(".")
