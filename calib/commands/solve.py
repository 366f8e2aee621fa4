"""`truebead solve`: from a filled-in sheet to corrections with reasons."""

from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from calib.commands import options as o
from calib.commands.common import print_json, say_safety
from calib.commands.show import say
from calib.workshop.context import PART_MM, TOLERANCE_MM
from calib.workshop.typed import assumed_of


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        "solve",
        help="Work out the corrections from a filled-in sheet.\n\n"
        "Exits with 1 where something must be printed or measured again. What the store knows of the"
        " printer, nozzle and spool that the sheet names is used; it works without any store, too.",
        epilog="Example: truebead solve corner-gauge --why",
    )(solve)


def solve(
    sheet_file: Annotated[
        Path, typer.Argument(metavar="SHEET", help="The sheet.csv you filled in.")
    ],
    now: o.Now = None,
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    store: o.Store = None,
    filament: o.Filament = "",
    instrument: o.Instruments = None,
    tolerance_mm: o.Tolerance = TOLERANCE_MM,
    part_mm: o.Part = PART_MM,
    why: Annotated[
        bool, typer.Option("--why", help="Show the whole chain from readings to verdict.")
    ] = False,
    accept: o.Accept = False,
    as_json: o.Json = False,
) -> None:
    """Read, fit, judge, print."""
    from calib.report.solution_words import as_text
    from calib.workshop import open_workshop

    assumed = assumed_of(now, filament, instrument, tolerance_mm, part_mm, accept)
    with open_workshop(store) as workshop:
        solved = workshop.solve(
            sheet_file, printer=printer, nozzle=nozzle, spool=spool, assumed=assumed
        )
    said = ""
    if as_json:
        print_json(solved.solution.to_json())
    else:
        said = "\n\n".join((as_text(solved.solution, why=why), *solved.notes))
        if solved.who.printer and solved.solution.corrections:
            said += f"\n\nTo keep it: truebead keep {quote(str(sheet_file))}{solved.who.options}"
        say(said)
    say_safety(as_json=as_json, said=said)
    raise typer.Exit(1 if solved.solution.needs_user else 0)
