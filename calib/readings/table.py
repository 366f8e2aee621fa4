"""From the text of a sheet to rows of cells, whichever program saved it."""

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from calib.errors import SheetError

SEPARATORS = (",", ";", "\t", "|")
_POINT = re.compile(r"(?<=\d)\.(?=\d)")
_HEADER_MEND = "give a sheet that `truebead make` or `truebead sheet` wrote"


@dataclass(frozen=True, slots=True)
class Row:
    """Cells of one row and the line of the file on which it begins."""

    line: int
    cells: tuple[str, ...]

    def cell(self, column: int) -> str:
        """Return a cell, empty where the row is too short."""
        return self.cells[column] if 0 <= column < len(self.cells) else ""


@dataclass(frozen=True)  # no slots: they leave no room for the cached property
class Table:
    """A sheet as rows of text, with what is needed to write it again as it was.

    Attributes
    ----------
    name : str
        Of the file, for messages.
    comments : tuple of Row
        Lines that begin with ``#``, joined again into one cell.
    header : Row
        Names of the columns, in lower case.
    rows : tuple of Row
        The features' rows: neither comments nor empty ones.
    every : tuple of Row
        All rows as they were, header and comments included.
    """

    name: str
    separator: str
    comments: tuple[Row, ...]
    header: Row
    rows: tuple[Row, ...]
    every: tuple[Row, ...]

    def column(self, name: str) -> int:
        """Return the place of a column, -1 where the sheet has none of that name."""
        return self.header.cells.index(name) if name in self.header.cells else -1

    @cached_property
    def reading_columns(self) -> tuple[int, ...]:
        """Places of the columns for readings, and of nameless ones to the right of the first."""
        named = [k for k, c in enumerate(self.header.cells) if c.startswith("reading")]
        width = max([len(self.header.cells), *(len(r.cells) for r in self.rows)])
        nameless = [k for k in range(named[0], width) if not self.header.cell(k)]
        return tuple(sorted({*named, *nameless}))

    def title(self, column: int) -> str:
        """Return what a column is called in messages: its name, else its number."""
        return self.header.cell(column) or f"number {column + 1}"

    def where(self, row: Row, column: int | None = None) -> str:
        """Return file, line and column for a message."""
        place = f"{self.name} line {row.line}"
        return place if column is None else f"{place}, column '{self.title(column)}'"

    def with_cell(self, line: int, column: int, text: str) -> "Table":
        """Return the same table with another text in the cell of the row that begins on `line`."""

        def changed(row: Row) -> Row:
            if row.line != line:
                return row
            cells = [*row.cells, *[""] * (column + 1 - len(row.cells))]
            cells[column] = text
            return Row(line, tuple(cells))

        return Table(
            self.name,
            self.separator,
            self.comments,
            self.header,
            tuple(map(changed, self.rows)),
            tuple(map(changed, self.every)),
        )

    def with_separator(self, separator: str) -> "Table":
        """Return the same table for another separator; with a semicolon, numbers have decimal commas.

        Comments stay as they are, letter by letter.
        """
        columns = {*self.reading_columns, self.column("nominal")}
        lines = {row.line for row in self.rows}
        comments = {row.line: row for row in self.comments}

        def changed(row: Row) -> Row:
            if row.line not in lines or separator != ";":
                return comments.get(row.line, row)
            cells = (_POINT.sub(",", c) if k in columns else c for k, c in enumerate(row.cells))
            return Row(row.line, tuple(cells))

        every = tuple(map(changed, self.every))
        rows = tuple(map(changed, self.rows))
        return Table(self.name, separator, self.comments, self.header, rows, every)

    def text(self) -> str:
        """Return the table as the text of a file."""
        return csv_text([r.cells for r in self.every], self.separator)


def csv_text(rows: list[tuple[str, ...]], separator: str) -> str:
    """Return rows of cells as CSV text, quoted where needed (RFC 4180, but with plain newlines)."""
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator="\n").writerows(rows)
    return out.getvalue()


def table_of(text: str, name: str) -> Table:
    """Find the separator and the header, and sort the rows.

    Raises
    ------
    SheetError
        There is no header, or a quotation mark is never closed.
    """
    separator = _separator(text)
    every = list(_rows(text, separator, name)) if separator else []
    at = next((k for k, row in enumerate(every) if _is_header(row.cells)), None)
    if separator is None or at is None:
        raise SheetError(
            "there is no row with the names of the columns ('feature', 'reading 1', ...)",
            where=name,
            mend=_HEADER_MEND,
        )
    header = Row(every[at].line, tuple(c.strip().lower() for c in every[at].cells))
    comments, rows = [], []
    for k, row in enumerate(every):
        first = next((c for c in row.cells if c.strip()), "")
        if k != at and first.lstrip().startswith("#") and _is_comment(row, first):
            joined = separator.join(row.cells).strip(separator + " \t\u00a0")
            comments.append(Row(row.line, (joined,)))
        elif first and k > at:
            rows.append(row)
    return Table(name, separator, tuple(comments), header, tuple(rows), tuple(every))


def _is_comment(row: Row, first: str) -> bool:
    return row.cells.index(first) == 0 or len([c for c in row.cells if c.strip()]) == 1


def _separator(text: str) -> str | None:
    """Return the separator under which the row of column names has most cells."""
    for line in text.split("\n"):
        low = line.lower()
        if "feature" not in low or "reading" not in low or low.lstrip(' "').startswith("#"):
            continue
        found = {}
        for separator in SEPARATORS:
            cells = _unpacked(_cells_of(line, separator))
            if _is_header(tuple(cells)):
                found[separator] = len(cells)
        if found:
            return max(found, key=lambda s: found[s])
    return None


def _cells_of(line: str, separator: str) -> list[str]:
    """Split one line; empty where it can't be, as with a cell longer than any that is read."""
    try:
        return next(csv.reader([line], delimiter=separator), [])
    except csv.Error:
        return []


def _is_header(cells: tuple[str, ...]) -> bool:
    names = [c.strip().lower() for c in cells]
    return "feature" in names and any(n.startswith("reading") for n in names)


def _rows(text: str, separator: str, name: str) -> Iterator[Row]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    line = 1
    try:
        for cells in reader:
            if any("\n" in c.strip() for c in cells):
                raise SheetError(
                    "a quotation mark is opened here and not closed",
                    where=f"{name} line {line}",
                    mend='take it away; write inches as 1.574 in rather than 1.574"',
                )
            yield Row(line, tuple(_unpacked(cells)))
            line = reader.line_num + 1
    except csv.Error as err:
        raise SheetError(
            f"can't be split into cells ({err})", where=f"{name} line {line}", mend=_HEADER_MEND
        ) from None


def _unpacked(cells: list[str]) -> list[str]:
    """Split the first cell once more where a spreadsheet has put a whole row into it."""
    if not cells or cells[0].count(",") < 6 or cells[0].lstrip().startswith("#"):
        return cells
    inner = _cells_of(cells[0], ",")
    while inner and not inner[-1].strip():
        inner.pop()
    return [*inner, *cells[1:]] if len(inner) > 6 else cells
