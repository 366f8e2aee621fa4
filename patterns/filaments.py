"""The table of filament types: density, shrinkage, expansion and usual temperatures, with sources.

The numbers describe the unfilled polymer as moulded; a print shrinks differently, so shrinkage is
only a range to start from. Temperatures are common practice, no source.
"""

import csv
import os
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

from patterns.errors import BadInput, SpecError

#: Columns that hold numbers, with the range in which each makes sense.
_NUMBERS = {
    "density_g_cm3": (0.2, 10.0),
    "shrink_low_percent": (-1.0, 10.0),
    "shrink_high_percent": (-1.0, 10.0),
    "expansion_per_k": (0.0, 1e-3),
    "hot_end_from_c": (150.0, 500.0),
    "hot_end_to_c": (150.0, 500.0),
    "bed_c": (0.0, 200.0),
}
_COLUMNS = ("type", *_NUMBERS, "source")


@dataclass(frozen=True, slots=True, kw_only=True)
class Filament:
    """One type of filament; shrinkage is linear, in %."""

    type: str
    density_g_cm3: float
    shrink_low_percent: float
    shrink_high_percent: float
    expansion_per_k: float
    hot_end_from_c: float
    hot_end_to_c: float
    bed_c: float
    source: str

    @property
    def shrink_percent(self) -> float:
        """Middle of the shrinkage range."""
        return (self.shrink_low_percent + self.shrink_high_percent) / 2

    @property
    def shrink_u_percent(self) -> float:
        """Standard uncertainty of the shrinkage: half the range taken as two of them."""
        return (self.shrink_high_percent - self.shrink_low_percent) / 4


def filaments() -> dict[str, Filament]:
    """Return the table by type name: the project's own, then the user's rows over it.

    A user's table has the same columns and is named by the environment variable
    TRUEBEAD_FILAMENTS; a type in it replaces the one in ours, a new one is added.

    Raises
    ------
    BadInput
        The user's table can't be read, or a cell in it makes no sense.
    """
    own = os.environ.get("TRUEBEAD_FILAMENTS", "")
    return {**_ours(), **(_users(Path(own)) if own else {})}


@cache
def _ours() -> dict[str, Filament]:
    text = files("patterns").joinpath("filaments.csv").read_text(encoding="utf-8")
    return read_table(text, "filaments.csv")


def _users(path: Path) -> dict[str, Filament]:
    where = f"TRUEBEAD_FILAMENTS={path}"
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as err:
        raise BadInput(f"can't be read ({err})", where=where, mend="name a CSV file") from err
    return read_table(text, str(path))


def read_table(text: str, name: str) -> dict[str, Filament]:
    """Read a table of filament types from the text of a CSV file called `name`.

    Raises
    ------
    BadInput
        A column is missing or a cell is not a sensible number; names the line and the column.
    """
    reader = csv.DictReader(text.splitlines())
    missing = [c for c in _COLUMNS if c not in (reader.fieldnames or ())]
    if missing:
        raise BadInput(
            f"has no column {missing[0]!r}",
            where=name,
            mend=f"the columns are {','.join(_COLUMNS)}",
        )
    table = {}
    for number, row in enumerate(reader, 2):
        kind = (row["type"] or "").strip().upper()
        if not kind:
            raise BadInput("the type is empty", where=f"{name} line {number}", mend="name it")
        values = {c: _cell(row[c], c, f"{name} line {number}, {c}") for c in _NUMBERS}
        table[kind] = Filament(type=kind, source=(row["source"] or "").strip(), **values)
        _check_order(table[kind], f"{name} line {number}")
    return table


def _cell(text: str | None, column: str, where: str) -> float:
    low, high = _NUMBERS[column]
    try:
        value = float((text or "").strip())
    except ValueError:
        raise BadInput(
            f"{text!r} is not a number", where=where, mend="use a decimal point"
        ) from None
    if not low <= value <= high:
        raise BadInput(f"{value:g} is not {low:g} to {high:g}", where=where, mend="check its unit")
    return value


def _check_order(f: Filament, where: str) -> None:
    for what, low, high in (
        ("shrink_low_percent", f.shrink_low_percent, f.shrink_high_percent),
        ("hot_end_from_c", f.hot_end_from_c, f.hot_end_to_c),
    ):
        if low > high:
            raise BadInput(f"{what} {low:g} is more than {high:g}", where=where, mend="swap them")


def filament(type_name: str) -> Filament:
    """Return one type, whatever the case of its letters.

    Raises
    ------
    SpecError
        The table has no such type.
    """
    table = filaments()
    found = table.get(type_name.strip().upper())
    if found is None:
        raise SpecError(
            f"there is no filament type {type_name!r} in the table",
            mend=f"use one of {', '.join(table)}, or add it in your own TRUEBEAD_FILAMENTS table",
        )
    return found
