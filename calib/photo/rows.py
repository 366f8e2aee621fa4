"""Lengths as rows of text, as readings with their uncertainty, and into the cells of a sheet."""

import re
from collections.abc import Sequence

import numpy as np

from calib.fit.dimensions import Shared, edge_sign
from calib.interpret.lengths import is_length
from calib.photo.defects import Defect
from calib.photo.measure import Length
from calib.readings import Reading
from calib.readings.cells import reading_text
from calib.readings.sheet import feature_rows
from calib.readings.table import Table, csv_text, table_of
from patterns.feature import Feature, Kind
from patterns.piece import Piece

_MEANINGS = {
    "photo_scale_u": "## photo_scale_u: standard uncertainty of the mat's scale as a fraction of a"
    " length; sizes read from photos share it and it is not part of what stands behind their ±",
    "photo_edge_u_mm": "## photo_edge_u_mm: standard uncertainty of how much of the rounded edges"
    " photos see, both ends together; outside sizes grow by it, inside ones shrink",
}
#: What a reading of a photo's own feature is.
_QUANTITIES = {Kind.STRANDS: "strings", Kind.DROOP: "droop", Kind.ROUGHNESS: "roughness"}
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
            d.photo,
        )
        for d in defects
    ]


def csv_of(lengths: Sequence[Length], defects: Sequence[Defect], notes: Sequence[str]) -> str:
    """Return the rows as CSV, notes first as comments."""
    comments = [(f"# {note}",) for note in notes]
    return csv_text([*comments, COLUMNS, *rows_of(lengths), *defect_rows(defects)], ",")


def readings_of(lengths: Sequence[Length], defects: Sequence[Defect] = ()) -> tuple[Reading, ...]:
    """Return readings for the fits, each with its own uncertainty; doubtful ones are left out.

    The sizes of one piece share the mat's scale and how its edges look: these uncertainties are not
    in theirs, for the fit adds them once (`shared_of`). Of the defects those are readings that are
    what their feature is about: a thickness with its sag, and what only a photo measures.
    """
    flaws = [
        _reading(d.feature, d.value, d.sd, f"photo {d.photo}")
        for d in defects
        if not d.note and d.quantity in ("thickness", _QUANTITIES.get(d.feature.kind))
    ]
    long = [
        _reading(
            n.feature,
            n.value_mm,
            _own_u_mm(n),
            f"photo {n.photo}",
        )
        for n in lengths
        if not n.flags
    ]
    return (*flaws, *long)


def _reading(feature: Feature, value: float, u: float, where: str) -> Reading:
    text = reading_text(value, u, feature.unit)
    return Reading(feature=feature.id, value=value, where=where, text=text, u=u)


def _own_u_mm(n: Length) -> float:
    """Return a length's uncertainty without what the fit adds once for all of them."""
    if not is_length(n.feature):
        return n.sd_mm
    return n.own_sd_mm if edge_sign(n.feature) else float(np.hypot(n.own_sd_mm, n.edge_sd_mm))


def shared_of(lengths: Sequence[Length]) -> Shared | None:
    """Return what the sizes have in common; None where there are none."""
    sizes = [n for n in lengths if not n.flags and is_length(n.feature)]
    if not sizes:
        return None
    edges = [n.edge_sd_mm for n in sizes if edge_sign(n.feature)]
    return Shared(
        scale_u=max(n.scale_sd_mm / n.value_mm for n in sizes), edge_mm=max(edges, default=0.0)
    )


def with_shared(table: Table, shared: Shared) -> Table:
    """Write what the sizes have in common into the sheet's head; larger ones there stay."""
    for key, u in (("photo_scale_u", shared.scale_u), ("photo_edge_u_mm", shared.edge_mm)):
        table = _with_line(table, key, u) if u > 0 else table
    return table


def _with_line(table: Table, key: str, u: float) -> Table:
    line = re.compile(rf"#\s*{key}\s*:\s*(\d*\.?\d+(?:e-?\d+)?)\s*$", re.ASCII)
    rows = [r.cells for r in table.every]
    for place, cells in enumerate(rows):
        found = line.match(cells[0]) if cells else None
        if found:
            rows[place] = (f"# {key}: {max(u, float(found[1])):.2g}",)
            break
    else:
        head = next(k for k, r in enumerate(table.every) if r.line == table.header.line)
        rows[head:head] = [(_MEANINGS[key],), (f"# {key}: {u:.2g}",)]
    return table_of(csv_text(rows, table.separator), table.name)


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
