"""The table of filament types: density, shrinkage, expansion and usual temperatures, with sources.

The numbers describe the unfilled polymer as moulded; a print shrinks differently, so shrinkage is
only a range to start from. Temperatures are common practice, no source.
"""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from patterns.errors import SpecError


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


@cache
def filaments() -> dict[str, Filament]:
    """Return the table by type name."""
    text = files("patterns").joinpath("filaments.csv").read_text(encoding="utf-8")
    table = {}
    for row in csv.DictReader(text.splitlines()):
        numbers = {k: float(v) for k, v in row.items() if k not in ("type", "source")}
        table[row["type"]] = Filament(type=row["type"], source=row["source"], **numbers)
    return table


def filament(type_name: str) -> Filament:
    """Return one type, whatever the case of its letters.

    Raises
    ------
    SpecError
        The table has no such type.
    """
    found = filaments().get(type_name.strip().upper())
    if found is None:
        raise SpecError(
            f"there is no filament type {type_name!r} in the table",
            mend=f"use one of {', '.join(filaments())}",
        )
    return found
