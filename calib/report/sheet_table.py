"""The boxes to write in on a sheet's page: a table of bands by judgements, and plain rows."""

from dataclasses import dataclass

from calib.readings.cells import INCH_MM
from patterns.drawing.style import meaning_of
from patterns.feature import Feature, Kind
from patterns.grid import Grid


@dataclass(frozen=True, slots=True)
class Cell:
    """One box: its number on the sheet, the words to circle, and what a true print would read."""

    number: int
    words: str
    nominal: str


@dataclass(frozen=True, slots=True)
class Rung:
    """One rung: its place from the first, what it stands for, and its boxes."""

    place: str
    value: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Bands:
    """The table of a ladder or tower.

    Attributes
    ----------
    blind : bool
        Whether the values stand last, because they are not to be looked at before all is judged.
    """

    heads: tuple[str, ...]
    rows: tuple[Rung, ...]
    blind: bool


def bands_of(grid: Grid, unit: str) -> Bands | None:
    """Return the table of a piece; None where it has none.

    A tower's rows stand as its bands do, the highest on top.
    """
    if not grid.rows:
        return None
    blind = any(f.kind is Kind.SCORE for f in grid.columns)
    upright = grid.rows[-1][0][1].start[2] > grid.rows[0][0][1].start[2] + 1.0
    rows = []
    for k, row in enumerate(grid.rows, 1):
        end = " (lowest)" if upright and k == 1 else ""
        cells = tuple(
            Cell(number, circled(f), "" if f.nominal == f.rung else nominal(f, unit))
            for number, f in row
        )
        rows.append(Rung(f"{k}{end}", f"{row[0][1].rung:g}", cells))
    return Bands(
        heads=tuple(_head(f) for f in grid.columns),
        rows=tuple(reversed(rows) if upright else rows),
        blind=blind,
    )


def plain_row(number: int, f: Feature, unit: str) -> dict[str, str]:
    """Return what a row of the list shows; the words to circle for a judgement."""
    kind = "score 0-10" if f.kind is Kind.SCORE else meaning_of(f).label
    words = circled(f)
    return {
        "number": str(number),
        "where": f.where,
        "nominal": nominal(f, unit),
        "tag": ", ".join(filter(None, (kind, f.axis))),
        "words": f"circle one: {words}" if words else "",
    }


def circled(f: Feature) -> str:
    """Return the words of which one is to be circled; empty where a number is written."""
    return " · ".join(f.grades or ("yes", "no")) if f.kind is Kind.PASS else ""


def nominal(f: Feature, unit: str) -> str:
    """Return what a true print would read, in the caliper's unit; empty for a judgement, or a mere place."""
    if f.nominal == 0:
        return ""
    if f.unit == "mm" and unit == "inch":
        return f"{f.nominal / INCH_MM:.4f} in"
    if f.unit in ("mm", "g"):
        return f"{f.nominal:.3f}".rstrip("0").rstrip(".") + f" {f.unit}"
    return ""


def _head(f: Feature) -> str:
    """Return what a column is about, without the rung that its first row names."""
    if f.grades:  # "round peg in socket 0.1: stuck, press, ..."
        return f.where.partition(" in ")[0]
    words = f.where.partition(": ")[2] or f.where
    words = words.partition(";")[0]
    if f.rung is not None:
        words = words.replace(f" {f.rung:g},", ",")
    return words.strip()
