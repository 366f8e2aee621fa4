"""`truebead report`: one HTML file for a calibration or for a printer."""

from pathlib import Path
from typing import Annotated

import typer

from calib.commands import options as o
from calib.commands.common import answer


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(epilog="Example: truebead report corner-gauge --out gauge.html")(report)


def report(
    what: Annotated[
        str | None,
        typer.Argument(
            help="A sheet.csv, or the id of a kept sheet; the newest kept one if not given."
        ),
    ] = None,
    printer: o.Printer = None,
    out: Annotated[Path, typer.Option("--out", help="File to write.")] = Path("report.html"),
    force: o.Force = False,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Write a report as one HTML file, for a screen or paper.

    With --printer and nothing else: the printer's profiles, drift and events.
    """
    from calib.files import write_atomic
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        if what is not None and Path(what).exists():
            page = workshop.report_of_sheet(what)
        elif what is None and printer is not None:
            page = workshop.report_of_printer(printer)
        else:
            page = workshop.report_of_kept(what)
    write_atomic(out, page, force=force)
    answer({"report": str(out)}, [f"The report is in {out}."], as_json=as_json)
