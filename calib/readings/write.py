"""Write the measurement sheet of a piece: CSV that says all about itself."""

from collections.abc import Mapping
from datetime import datetime

from calib.errors import SheetError
from calib.model.instrument import DEFAULTS, Instrument
from calib.readings.cells import INCH_MM
from calib.readings.head import UNIT_NAMES, head_rows, instrument_rows
from calib.readings.now import EXAMPLE, MEANING, PRINTED_WITH
from calib.readings.table import SEPARATORS, csv_text
from patterns.feature import Feature, Kind
from patterns.piece import Piece

COLUMNS = ("number", "feature", "where", "kind", "axis", "nominal", "unit")
_RESERVED = ("truebead sheet", "pattern", "piece", "made", "unit", "part_c")


def sheet_csv(
    piece: Piece,
    piece_id: str,
    made: datetime | str,
    instruments: Mapping[str, Instrument] = DEFAULTS,
    *,
    unit: str = "mm",
    repeats: int = 1,
    keys: Mapping[str, str] | None = None,
    part_c: float | None = None,
    separator: str = ",",
) -> str:
    """Return the text of ``sheet.csv``; `read_sheet` gives the same piece back.

    Parameters
    ----------
    made : datetime or str
        When the piece was made; written in ISO 8601.
    instruments : mapping
        ``caliper`` and ``balance``; the usual ones where missing.
    unit : str
        ``mm`` or ``inch``: what the user's caliper shows. Masses are in g on both.
    repeats : int
        Columns for readings, 1 to 50.
    keys : mapping
        Further ``# key: value`` lines, such as printer or spool.
    part_c : float or None
        Temperature of the piece when measured, where it is known beforehand.
    separator : str
        ``;`` for spreadsheets that write a decimal comma: numbers then have one, too.

    Raises
    ------
    SheetError
        The unit, the count of repeats or a further key can't be written.
    """
    unit = UNIT_NAMES.get(unit.strip().lower(), "")
    if not unit or not 1 <= repeats <= 50 or separator not in SEPARATORS:
        raise SheetError(
            "a sheet is in mm or inch, with 1 to 50 readings for each feature",
            mend="give unit mm or inch and 3 repeats",
        )
    when = made.isoformat(timespec="seconds") if isinstance(made, datetime) else made
    own = {"piece": piece_id, "made": when, "unit": unit}
    if piece.printed or part_c is not None:
        own["part_c"] = "" if part_c is None else repr(float(part_c))
    own |= {line.key: "" for line in piece.head_lines} | _checked(keys or {})
    meant = {line.key: (line.meaning, line.example) for line in piece.head_lines}
    meant[PRINTED_WITH] = (MEANING, EXAMPLE)
    rows: list[tuple[str, ...]] = []
    for key, value in [*head_rows(piece, own), *instrument_rows(instruments)]:
        if key in meant:
            rows.append((f"## {key}: {meant[key][0]} (example: {meant[key][1]})",))
        rows.append((f"# {key}: {_one_line(value)}".rstrip(),))
    rows += [(f"## {words}",) for words in _how_to(piece, unit)]
    rows.append((*COLUMNS, *(f"reading {k + 1}" for k in range(repeats))))
    rows += [
        (*_row(number, f, unit, separator), *[""] * repeats)
        for number, f in enumerate(piece.features, 1)
    ]
    return csv_text(rows, separator)


def _checked(keys: Mapping[str, str]) -> dict[str, str]:
    for key in keys:
        plain = " ".join(key.lower().split())
        good = key[:1].isalpha() and all(c.isalnum() or c in "_ .-" for c in key)
        if (
            key != plain
            or not key.isascii()
            or not good
            or key in _RESERVED
            or key.startswith(("spec.", "setup."))
        ):
            raise SheetError(f"{key!r} can't be a key of a sheet", mend="use plain words")
    return dict(keys)


def _one_line(value: str) -> str:
    return " ".join(value.split())


def _how_to(piece: Piece, unit: str) -> list[str]:
    kinds = {f.kind for f in piece.features}
    shown = "mm" if unit == "mm" else "inches"
    words = [
        f"How to fill in: write what the caliper shows in {shown} into the columns 'reading'. "
        "Another unit may stand in the cell: 1.574 in or 3.997 cm. Leave empty what you did not measure.",
        "Where you know better how sure a reading is than the lines of the instruments say: 39.97 ± 0.04"
        " (or +- 0.04); the true value then lies within 0.04 with 95 %.",
    ]
    if piece.printed:
        words.append(
            "part_c: temperature of the piece in degC when you measure it; empty means 20 to 25."
        )
    if Kind.MASS in kinds:
        words.append("Masses are in g.")
    if Kind.SCORE in kinds:
        words.append("Scores run from 0 (worst) to 10 (best).")
    if any(f.kind is Kind.PASS and not f.grades for f in piece.features):
        words.append("Judgements: yes or no; a cross or a tick in the cell means yes.")
    lists = {f.grades for f in piece.features} - {()}
    words += [f"Grades, write one of: {', '.join(g)}." for g in sorted(lists)]
    return words


def _row(number: int, feature: Feature, unit: str, separator: str) -> tuple[str, ...]:
    length_in_inch = unit == "inch" and feature.unit == "mm"
    value = f"{feature.nominal / INCH_MM:.5f}" if length_in_inch else f"{feature.nominal:.4f}"
    value = value.rstrip("0").rstrip(".")
    if separator == ";":
        value = value.replace(".", ",")
    shown_unit = "/".join(feature.grades) or ("in" if length_in_inch else feature.unit)
    return (
        str(number), feature.id, feature.where, str(feature.kind), feature.axis, value, shown_unit,
    )  # fmt: skip
