"""`truebead keep`: solve a sheet and keep its corrections for a printer, a nozzle and a spool."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.commands import options as o
from calib.commands.common import print_json, say_safety
from calib.commands.show import say, say_table
from calib.workshop.context import PART_MM, TOLERANCE_MM
from calib.workshop.typed import assumed_of

if TYPE_CHECKING:
    from calib.workshop.results import KeptSolution


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(epilog="Example: truebead keep corner-gauge")(keep)


def keep(
    sheets: Annotated[list[Path], typer.Argument(metavar="SHEET...", help="Filled-in sheets.")],
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    use: Annotated[
        list[str] | None,
        typer.Option(help="Setting to use where two would correct the same error."),
    ] = None,
    now: o.Now = None,
    filament: o.Filament = "",
    instrument: o.Instruments = None,
    tolerance_mm: o.Tolerance = TOLERANCE_MM,
    part_mm: o.Part = PART_MM,
    accept: o.Accept = False,
    by: o.By = "",
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Solve filled-in sheets and keep the corrections.

    As `solve` does; a sheet is kept only once.

    Printer, nozzle and spool are those that the sheet names, else the only ones in the store.
    """
    from calib.report.plain import kept_json
    from calib.workshop import open_workshop

    answers: list[dict[str, Any]] = []
    again = False
    assumed = assumed_of(now, filament, instrument, tolerance_mm, part_mm, accept)
    with open_workshop(store, by=by) as workshop:
        for path in sheets:
            kept = workshop.keep(
                path, printer=printer, nozzle=nozzle, spool=spool, use=use or (), assumed=assumed
            )
            again = again or kept.solved.solution.needs_user
            answers.append(kept_json(kept, str(path)))
            if not as_json:
                say_kept(str(path), kept)
    if as_json:
        print_json(answers)
    say_safety(as_json=as_json)
    if again:
        raise typer.Exit(1)


def say_kept(what: str, kept: "KeptSolution") -> None:
    """Show what was kept, and what it changed."""
    from calib.report.kept_words import COLUMNS, correction_rows, kept_lines

    names = f" for {kept.who.words}" if kept.corrections else ""
    say_table(f"Kept {what}{names}", COLUMNS, correction_rows(kept.corrections))
    for line, style in kept_lines(kept):
        say(line, style)
