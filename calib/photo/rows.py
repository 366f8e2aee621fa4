"""Lengths as rows of text, as readings with their uncertainty, and into the cells of a sheet."""

from collections.abc import Sequence

from calib.photo.measure import Length
from calib.readings import Reading
from calib.readings.sheet import feature_rows
from calib.readings.table import Table, csv_text
from patterns.piece import Piece

COLUMNS = ("feature", "value", "u", "unit", "nominal", "flags", "photo")


def rows_of(lengths: Sequence[Length]) -> list[tuple[str, ...]]:
    """Return one row for each length: value and standard uncertainty in mm, flags in words."""
    return [
        (
            n.feature.id,
            f"{n.value_mm:.3f}",
            f"{n.sd_mm:.3f}",
            "mm",
            f"{n.feature.nominal:g}",
            "; ".join(dict.fromkeys(n.flags)),
            n.photo,
        )
        for n in lengths
    ]


def csv_of(lengths: Sequence[Length], notes: Sequence[str]) -> str:
    """Return the rows as CSV, notes first as comments."""
    comments = [(f"# {note}",) for note in notes]
    return csv_text([*comments, COLUMNS, *rows_of(lengths)], ",")


def readings_of(lengths: Sequence[Length]) -> tuple[Reading, ...]:
    """Return readings for the fits, each with its own uncertainty; doubtful ones are left out."""
    return tuple(
        Reading(
            feature=n.feature.id,
            value=n.value_mm,
            where=f"photo {n.photo}",
            text=f"{n.value_mm:.3f} mm",
            u=n.sd_mm,
        )
        for n in lengths
        if not n.flags
    )


def fill_sheet(table: Table, piece: Piece, lengths: Sequence[Length]) -> tuple[Table, int]:
    """Write lengths without a doubt into the first empty reading of their rows; count them.

    A row with no empty cell is left as it is.
    """
    values = {n.feature.id: n for n in lengths if not n.flags}
    count = 0
    for row, feature in list(feature_rows(table, piece)):
        empty = [c for c in table.reading_columns if not row.cell(c).strip()]
        if feature.id in values and empty:
            table = table.with_cell(row.line, empty[0], f"{values[feature.id].value_mm:.3f} mm")
            count += 1
    return table, count
