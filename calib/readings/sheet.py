"""Read a measurement sheet: the piece from its head, and every reading, or one clear message."""

import difflib
import itertools
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from calib.errors import SheetError
from calib.readings import decode
from calib.readings.cells import INCH_MM, CellError, parse_reading, shown, tidy
from calib.readings.data import Reading, Sheet
from calib.readings.head import (
    UNIT_NAMES,
    Head,
    check_made,
    head_of,
    instruments_of,
    number_of,
    other_keys,
    piece_of,
    unit_of,
)
from calib.readings.now import printed_with
from calib.readings.table import Row, Table, table_of
from patterns.feature import Feature
from patterns.piece import Piece

_WHOLE = re.compile(r"\d+", re.ASCII)


def read_sheet(source: Path | bytes | str, name: str = "") -> Sheet:
    """Read a filled-in sheet.

    Parameters
    ----------
    source : path, bytes or str
        A file, or a piece's folder with a ``sheet.csv`` in it; else the content of such a file.
    name : str
        What messages call the sheet; the file's own name by default.

    Raises
    ------
    SheetError
        Anything about the sheet can't be understood: one line that says where and how to mend it.
    """
    return sheet_of(read_table(source, name))


def read_table(source: Path | bytes | str, name: str = "") -> Table:
    """Read a sheet as rows of text only; same arguments and errors as `read_sheet`."""
    if isinstance(source, Path):
        source, file = decode.read_bytes(source)
        name = name or str(file)
    name = name or "sheet.csv"
    if isinstance(source, bytes):
        return table_of(decode.text_of(source, name), name)
    return table_of(decode.checked_text(source.removeprefix("\ufeff"), name), name)


def sheet_of(table: Table) -> Sheet:
    """Make sense of a table; same errors as `read_sheet`."""
    head = head_of(table)
    unit = unit_of(head)
    check_made(head)
    piece = piece_of(head)
    printed_with(head.values, head.where)
    rows = list(feature_rows(table, piece))
    return Sheet(
        piece=piece,
        piece_id=head.values.get("piece", ""),
        readings=_readings(table, rows, head, unit),
        keys=other_keys(head),
        unit=unit,
        instruments=instruments_of(head),
        part_c=number_of(head, "part_c"),
        name=table.name,
        key_lines=head.lines,
    )


def feature_rows(table: Table, piece: Piece) -> Iterator[tuple[Row, Feature]]:
    """Yield each row with the feature it is about, in the order of the sheet.

    Raises
    ------
    SheetError
        A row names no feature of the piece, or one that an earlier row has.
    """
    known = {f.id: f for f in piece.features}
    column = table.column("feature")
    seen: dict[str, int] = {}
    for row in table.rows:
        text = row.cell(column)
        found = tidy(text)
        if not found and not any(row.cell(c).strip() for c in table.reading_columns):
            continue
        if found not in known:
            raise _unknown_feature(table, row, text, found, known)
        if found in seen:
            raise SheetError(
                f"the feature {found} stands on line {seen[found]} already",
                where=table.where(row),
                mend="put further readings of it into further columns of that line",
            )
        seen[found] = row.line
        yield row, known[found]


def _unknown_feature(
    table: Table, row: Row, text: str, found: str, known: Mapping[str, Feature]
) -> SheetError:
    where = table.where(row, table.column("feature"))
    if found == tidy(table.header.cell(table.column("feature"))):
        return SheetError(
            "the names of the columns stand here a second time",
            where=where,
            mend="keep one sheet in this file, and put another into a file of its own",
        )
    near = difflib.get_close_matches(found[:60], known, n=1)
    what = f"the piece has no feature {shown(text)}" if found else "the feature's name is missing"
    mend = f"did you mean {near[0]}?" if near else "put the name back as `truebead sheet` writes it"
    return SheetError(what, where=where, mend=mend)


def _readings(
    table: Table, rows: list[tuple[Row, Feature]], head: Head, unit: str
) -> tuple[Reading, ...]:
    """Collect all readings; raise the first error, counting the others."""
    found: list[Reading] = []
    errors: list[SheetError] = []
    for row, feature in rows:
        try:
            written_in = row_unit(table, row, feature, unit)
            _refuse_split_commas(table, row, feature, written_in)
        except SheetError as err:
            errors.append(err)
            continue
        for column in table.reading_columns:
            text = row.cell(column)
            if not text:
                continue
            place = f"{table.name} line {row.line}, {table.title(column)}"
            try:
                value, u = parse_reading(text, feature, written_in)
            except CellError as err:
                errors.append(_cell_error(table, row, column, feature, err))
                continue
            if value is not None:
                found.append(
                    Reading(feature=feature.id, value=value, where=place, text=text.strip(), u=u)
                )
    if errors:
        raise _first(errors)
    return tuple(found)


def _cell_error(
    table: Table, row: Row, column: int, feature: Feature, err: CellError
) -> SheetError:
    where = f"{table.where(row, column)} (feature {feature.id})"
    return SheetError(err.what, where=where, mend=err.mend)


def _first(errors: list[SheetError]) -> SheetError:
    first, more = errors[0], len(errors) - 1
    if not more:
        return first
    places = ", ".join(e.where.split(" line ", 1)[-1].split(" (")[0] for e in errors[1:4])
    rest = f"{more} more to mend: line {places}{', ...' if more > 3 else ''}"
    return SheetError(first.what, where=first.where, mend=f"{first.mend} ({rest})")


def row_unit(table: Table, row: Row, feature: Feature, sheet_unit: str) -> str:
    """Return the unit of a row's lengths, checking the nominal value on the way.

    Where the head and the row name different units, one of them was changed by hand: the nominal
    value still shows in which unit the sheet was written, and the changed one is meant.
    """
    if feature.unit != "mm":
        _check_nominal(table, row, feature, [1.0])
        return sheet_unit
    text = tidy(row.cell(table.column("unit")))
    row_unit = UNIT_NAMES.get(text, "" if text else sheet_unit)
    if not row_unit:
        raise SheetError(
            f"the unit {shown(text)} is neither mm nor in",
            where=table.where(row, table.column("unit")),
            mend="write mm or in",
        )
    factors = {"mm": 1.0, "inch": 1 / INCH_MM}
    units = sorted({row_unit, sheet_unit})
    written = units[_check_nominal(table, row, feature, [factors[u] for u in units])]
    if row_unit == sheet_unit:
        return row_unit
    return sheet_unit if row_unit == written else row_unit


def _check_nominal(table: Table, row: Row, feature: Feature, factors: list[float]) -> int:
    """Compare the nominal value with the piece's; return which of the factors makes them agree."""
    column = table.column("nominal")
    text = tidy(row.cell(column)).replace(",", ".")
    if not text:
        return 0
    try:
        given = float(text)
    except ValueError:
        raise SheetError(
            f"the nominal value {shown(text)} is not a number",
            where=f"{table.where(row, column)} (feature {feature.id})",
            mend="empty the cell; it is known from the pattern",
        ) from None
    decimals = len(text.partition(".")[2])
    # A spreadsheet may have rounded what it shows.
    slack = min(0.5 * 10.0**-decimals, 0.06) + 1e-6
    for k, factor in enumerate(factors):
        if abs(given - feature.nominal * factor) <= slack:
            return k
    raise SheetError(
        f"the nominal value is {given:g} here, but {feature.nominal * factors[0]:g} "
        "on the piece that the head describes",
        where=f"{table.where(row, column)} (feature {feature.id})",
        mend="put back what was changed, there or in the lines that begin with '# spec.'; "
        "readings go into the reading columns",
    )


def _refuse_split_commas(table: Table, row: Row, feature: Feature, unit: str) -> None:
    """Name decimal commas that a comma-separated file has taken for the end of a cell."""
    if table.separator != "," or feature.unit not in ("mm", "g"):
        return
    columns = table.reading_columns
    for left, right in itertools.pairwise(columns):
        a, b = row.cell(left).strip(), row.cell(right).strip()
        if not (_WHOLE.fullmatch(a) and _WHOLE.fullmatch(b)) or len(a + b) > 12:
            continue
        factor = INCH_MM if feature.unit == "mm" and unit == "inch" else 1.0
        joined, alone = float(f"{a}.{b}") * factor, float(b) * factor
        close = 0.06 * feature.nominal + 0.6
        if abs(joined - feature.nominal) <= close < abs(alone - feature.nominal):
            raise SheetError(
                f"{a},{b} stands in two cells: a decimal comma in a file separated by commas",
                where=f"{table.where(row, left)} (feature {feature.id})",
                mend=f"write {a}.{b}, or save the sheet separated by semicolons",
            )
