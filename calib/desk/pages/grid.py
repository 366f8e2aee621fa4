"""The grid of spools by printers: what each is good for, and the way to its next print."""

from typing import TYPE_CHECKING, Any

from calib.desk import says
from calib.desk.web import Ask
from calib.desk.words import STATES
from calib.workshop.results import Who

if TYPE_CHECKING:
    from calib.store.overview import Cell, SpoolRowOf
    from calib.workshop.overview import Overview


def overview(ask: Ask, find: str = "") -> "Overview":
    """Return the grid, for those spools that all words fit."""
    return ask.remembered("overview", find, work_out=lambda: ask.shop.overview(find))


def newest_first(row: "SpoolRowOf") -> tuple[float, str]:
    """Order: what was measured last comes first."""
    newest = max((c.newest.timestamp() for c in row.cells if c.newest), default=0.0)
    return -newest, row.spool


def described(row: "SpoolRowOf") -> str:
    """Return type and colour of a spool."""
    return " · ".join(filter(None, (row.material, row.colour)))


def grid_row(row: "SpoolRowOf") -> dict[str, Any]:
    """Return a spool with what is said of it on each printer."""
    return {
        "name": row.spool,
        "material": described(row),
        "link": f"/spool?{says.query(Who(spool=row.spool))}",
        "cells": [grid_cell(c, row.spool) for c in row.cells],
    }


def grid_cell(cell: "Cell", spool: str) -> dict[str, str]:
    """Return what is said of a spool on a printer, and the way to its next print."""
    return {
        "printer": cell.printer,
        "state": cell.state,
        "words": STATES[cell.state],
        "link": f"/next?{says.query(Who(printer=cell.printer, spool=spool))}",
    }
