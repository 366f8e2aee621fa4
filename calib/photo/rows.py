"""Lengths as rows of text, as readings with their uncertainty, and into the cells of a sheet."""

from collections.abc import Sequence

from calib.photo.defects import Defect
from calib.photo.measure import Length
from calib.readings import Reading
from calib.readings.sheet import feature_rows
from calib.readings.table import Table, csv_text
from patterns.piece import Piece

COLUMNS = ("feature", "quantity", "rung", "value", "u", "unit", "nominal", "flags", "photo")


def rows_of(lengths: Sequence[Length]) -> list[tuple[str, ...]]:
    """Return one row for each length: value and standard uncertainty in mm, flags in words."""
    return [
        (
            n.feature.id,
            "length",
            "" if n.feature.rung is None else f"{n.feature.rung:g}",
            f"{n.value_mm:.3f}",
            f"{n.sd_mm:.3f}",
            "mm",
            f"{n.feature.nominal:g}",
            "; ".join(dict.fromkeys(n.flags)),
            n.photo,
        )
        for n in lengths
    ]


def defect_rows(defects: Sequence[Defect]) -> list[tuple[str, ...]]:
    """Return one row for each defect, in its own unit, beside the rung it stands for."""
    return [
        (
            d.feature.id,
            d.quantity,
            "" if d.feature.rung is None else f"{d.feature.rung:g}",
            f"{d.value:.3f}",
            f"{d.sd:.3f}",
            d.unit,
            f"{d.feature.nominal:g}" if d.quantity == "thickness" else "0",
            d.note,
            "",
        )
        for d in defects
    ]


def csv_of(lengths: Sequence[Length], defects: Sequence[Defect], notes: Sequence[str]) -> str:
    """Return the rows as CSV, notes first as comments."""
    comments = [(f"# {note}",) for note in notes]
    return csv_text([*comments, COLUMNS, *rows_of(lengths), *defect_rows(defects)], ",")


def readings_of(lengths: Sequence[Length], defects: Sequence[Defect] = ()) -> tuple[Reading, ...]:
    """Return readings for the fits, each with its own uncertainty; doubtful ones are left out.

    Of the defects only a thickness with its sag is the reading of a feature; the others are
    quantities of their own.
    """
    thick = tuple(
        Reading(
            feature=d.feature.id, value=d.value, where="photo", text=f"{d.value:.3f} mm", u=d.sd
        )
        for d in defects
        if d.quantity == "thickness" and not d.note
    )
    return thick + tuple(
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


def fill_sheet(table: Table, piece: Piece, readings: Sequence[Reading]) -> tuple[Table, int]:
    """Write readings into the first empty reading of their rows; count them.

    A row with no empty cell is left as it is.
    """
    values = {r.feature: r.text for r in readings}
    count = 0
    for row, feature in list(feature_rows(table, piece)):
        empty = [c for c in table.reading_columns if not row.cell(c).strip()]
        if feature.id in values and empty:
            table = table.with_cell(row.line, empty[0], values[feature.id])
            count += 1
    return table, count
