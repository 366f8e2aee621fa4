"""`truebead report`: one HTML file for a calibration or for a printer."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.commands.common import ForceOption, JsonOption, print_json
from calib.commands.show import PrinterOption, StoreOption, say
from calib.errors import StoreError

if TYPE_CHECKING:
    from calib.store.store import Store

_MOST_PROFILES = 12


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(epilog="Example: truebead report dimensional-cube/sheet.csv --out cube.html")(
        report
    )


def report(
    what: Annotated[
        str | None,
        typer.Argument(
            help="A sheet.csv, or the id of a kept sheet; the newest kept one if not given."
        ),
    ] = None,
    printer: PrinterOption = None,
    out: Annotated[Path, typer.Option("--out", help="File to write.")] = Path("report.html"),
    force: ForceOption = False,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write one self-contained HTML file, for a phone, a desk or paper.

    With --printer and nothing else: the printer's profiles, drift and events.
    """
    from calib.files import write_atomic
    from calib.store import open_store

    if what is not None and Path(what).exists():
        page = _of_file(Path(what))
    else:
        with open_store(store, make=False) as opened:
            if what is None and printer is not None:
                page = _of_printer(opened, printer)
            else:
                page = _of_kept(opened, what)
    write_atomic(out, page, force=force)
    if as_json:
        print_json({"report": str(out)})
    else:
        say(f"The report is in {out}.")


def _of_file(path: Path) -> str:
    from calib.commands.keep import load
    from calib.interpret.solve import Context, solve_sheet
    from calib.report.report_page import calibration_page
    from calib.store.base import plain_json

    text, sheet = load(path)
    solution = solve_sheet(sheet, Context(instruments=sheet.instruments))
    return calibration_page(sheet, text, plain_json(solution.to_json()))


def _of_kept(opened: "Store", uid: str | None) -> str:
    from calib.readings import read_sheet
    from calib.report.report_page import calibration_page

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
    return calibration_page(sheet, kept.sheet_text, kept.fit, opened.of_sheet(kept.uid), facts)


def _of_printer(opened: "Store", name: str) -> str:
    from calib.report.report_page import printer_page

    printer = opened.printer(name)
    used = dict.fromkeys(
        (k.nozzle, k.spool) for k in opened.history(printer.name, limit=2000) if k.spool
    )
    profiles = {pair: opened.in_force(printer.name, *pair) for pair in list(used)[:_MOST_PROFILES]}
    return printer_page(printer, profiles, opened.drift(printer.name), [e for e in opened.events(printer.name, limit=40) if not e.taken_back])  # fmt: skip
