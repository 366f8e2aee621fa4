"""What each spool is good for on each printer: rows that all words fit, and how many of each state."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.store.overview import Cell, SpoolRowOf
    from calib.store.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """Spools by printers.

    Attributes
    ----------
    counts : mapping
        State (good, stale, inherited, unknown) -> number of cells.
    hidden : int
        Spools that the words left out.
    """

    printers: tuple[str, ...]
    rows: "tuple[SpoolRowOf, ...]"
    counts: Mapping[str, int]
    hidden: int = 0


def overview(store: "Store", words: str = "") -> Overview:
    """Return the rows that all words fit: name, type, colour, printer or state of a spool."""
    printers, rows = store.overview()
    wanted = words.lower().split()
    fitting = tuple(r for r in rows if all(_fits(word, r) for word in wanted))
    states = Counter(c.state for r in fitting for c in r.cells)
    return Overview(
        printers=tuple(printers), rows=fitting, counts=dict(states), hidden=len(rows) - len(fitting)
    )


def _fits(word: str, row: "SpoolRowOf") -> bool:
    own = f"{row.spool} {row.material} {row.colour}".lower()
    return word in own or any(_of_cell(word, cell) for cell in row.cells)


def _of_cell(word: str, cell: "Cell") -> bool:
    return word in (cell.state, cell.printer.lower())
