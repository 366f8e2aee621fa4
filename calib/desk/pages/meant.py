"""Which printer, nozzle and spool is meant: named by the address, typed as part of a name, or asked for."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from starlette.responses import Response

from calib.desk import bench
from calib.desk.pages.grid import described, newest_first, overview
from calib.desk.web import Ask, NeedsChoice, data
from calib.errors import BadInput
from calib.workshop.results import Who

if TYPE_CHECKING:
    from calib.store.overview import SpoolRowOf

#: Spools that are listed to choose from; of more, part of the name is typed.
FEW = 12


def who_of(ask: Ask) -> Who:
    """Return the printer, nozzle and spool that a request names; what it leaves out is the only one."""
    return Who(printer=ask.text("printer"), nozzle=ask.text("nozzle"), spool=ask.text("spool"))


def chosen(ask: Ask) -> Who:
    """Return one printer, nozzle and spool; asks where the address leaves a choice."""
    shop, who = ask.shop, who_of(ask)
    printer = who.printer or _only("printer", [(p.name, "") for p in shop.printers()])
    nozzle = who.nozzle or _only(
        "nozzle", [(n.name, f"{n.bore_mm:g} mm") for n in shop.nozzles(printer)]
    )
    spool = spool_called(ask, who.spool) if who.spool else _only_spool(ask)
    return Who(printer=printer, nozzle=nozzle, spool=spool)


def _only(what: str, there: Sequence[tuple[str, str]], more: int = 0) -> str:
    """Return the only name there is; empty where there is none."""
    if len(there) > 1:
        options = [(n, f"{n} ({about})" if about else n) for n, about in there]
        raise NeedsChoice(what, options, more)
    return there[0][0] if there else ""


def _only_spool(ask: Ask) -> str:
    return _one_of(sorted(overview(ask).rows, key=newest_first))


def _one_of(rows: "Sequence[SpoolRowOf]") -> str:
    return _only("spool", [(r.spool, described(r)) for r in rows[:FEW]], max(0, len(rows) - FEW))


def spool_called(ask: Ask, text: str) -> str:
    """Return the spool of a name, or the only one that the words fit.

    Raises
    ------
    NeedsChoice
        They fit several.
    BadInput
        They fit none.
    """
    try:
        return bench.spool(ask.shop, text).name
    except BadInput:
        fitting = _fitting(ask, text)
        if not fitting:
            raise
    same = [r for r in fitting if r.spool.lower() == text.lower()]
    return _one_of(same or fitting)


def _fitting(ask: Ask, text: str) -> "list[SpoolRowOf]":
    """Return the spools that all words fit by name, type or colour, the last measured first."""
    words = text.lower().split()
    fit = [
        r
        for r in overview(ask).rows
        if all(w in f"{r.spool} {r.material} {r.colour}".lower() for w in words)
    ]
    return sorted(fit, key=newest_first)


def spools_to_choose(ask: Ask, usual: str = "") -> dict[str, Any]:
    """Return what a form needs to ask for a spool: the last measured, and whether there are more."""
    rows = _fitting(ask, "")
    return {
        "names": [r.spool for r in rows[:FEW]],
        "several": len(rows) > 1,
        "more": max(0, len(rows) - FEW),
        "usual": usual,
    }


def suggest(ask: Ask) -> Response:
    """Return the spools that what was typed so far fits, for the page's script."""
    return data([r.spool for r in _fitting(ask, ask.text("find")[:80])[:FEW]])
