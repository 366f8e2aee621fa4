"""What each spool is good for on each printer, as a table and in lines for people."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from calib.report.words import counted

if TYPE_CHECKING:
    from calib.workshop.overview import Overview


def overview_table(found: "Overview") -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Return the columns and the rows of the grid."""
    rows = [
        (r.spool, r.material, r.colour, *(f"{c.state} {c.known or ''}".strip() for c in r.cells))
        for r in found.rows
    ]
    return ("spool", "type", "colour", *found.printers), rows


def overview_lines(found: "Overview") -> Iterator[str]:
    """Yield what made values stale, and how many of each state there are."""
    if not found.rows:
        yield (
            f"Nothing fits these words; without any, {counted(found.hidden, 'spool')} would be shown."
            if found.hidden
            else "No spool to show. Add one: truebead add spool NAME --type PLA"
        )
        return
    hidden = f"; {counted(found.hidden, 'spool')} not shown" if found.hidden else ""
    if not found.printers:
        yield f"No printer yet{hidden}. Add one: truebead add printer NAME --build 220x220x250"
        return
    for r in found.rows:
        for c in r.cells:
            if c.state == "stale":
                yield f"{r.spool} on {c.printer}: {c.why}"
    states = ", ".join(f"{n} {state}" for state, n in found.counts.items())
    yield f"{states}{hidden}. The number says how many settings were measured."
