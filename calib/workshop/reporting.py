"""Reports as HTML: of one sheet, of a kept one, or of a printer with its profiles, drift and events."""

from typing import TYPE_CHECKING

from calib.errors import StoreError

if TYPE_CHECKING:
    from calib.store.store import Store
    from calib.workshop.results import Solved

#: Profiles that a printer's report shows, those used last.
_MOST_PROFILES = 12


def of_solved(solved: "Solved") -> str:
    """Return the page of a sheet that was just solved."""
    from calib.report.report_page import calibration_page
    from calib.store.base import plain_json

    return calibration_page(solved.sheet, solved.text, plain_json(solved.solution.to_json()))


def of_kept(opened: "Store", uid: str | None) -> str:
    """Return the page of a kept sheet, by its id; None: the newest.

    Raises
    ------
    StoreError
        Nothing is kept yet, or no sheet has that id.
    """
    from calib.readings import read_sheet
    from calib.report.report_page import calibration_page
    from calib.store.records import understanding

    newest = opened.history(limit=1)
    if uid is None and not newest:
        raise StoreError("nothing is kept yet", mend="give a sheet.csv, or keep one first")
    kept = opened.sheet(uid or newest[0].sheet_uid)
    sheet = read_sheet(kept.sheet_text, f"sheet {kept.uid[:8]}")
    names = {
        "printer": kept.printer, "nozzle": kept.nozzle, "spool": kept.spool,
        "kept": f"{kept.kept_at:%Y-%m-%d %H:%M} UTC", "id": kept.uid[:8],
    }  # fmt: skip
    facts = {k: v for k, v in names.items() if v}
    found = opened.of_sheet(kept.uid)
    with understanding(kept.uid):
        return calibration_page(sheet, kept.sheet_text, kept.fit, found, facts)


def of_printer(opened: "Store", name: str) -> str:
    """Return the page of a printer."""
    from calib.report.report_page import printer_page

    printer = opened.printer(name)
    used = dict.fromkeys(
        (k.nozzle, k.spool) for k in opened.history(printer.name, limit=2000) if k.spool
    )
    profiles = {pair: opened.in_force(printer.name, *pair) for pair in list(used)[:_MOST_PROFILES]}
    over_time = None
    if used:
        newest = next(iter(used))
        over_time = (" / ".join(newest), opened.over_time(printer.name, *newest))
    events = [e for e in opened.events(printer.name, limit=40) if not e.taken_back]
    return printer_page(printer, profiles, opened.drift(printer.name), events, over_time)
