"""`truebead overview`, and `rename`, `retire` and `copy` of what it shows."""

from dataclasses import asdict
from typing import Annotated

import typer

from calib.commands import options as o
from calib.commands.common import print_json
from calib.commands.show import say, say_table


def register(app: typer.Typer) -> None:
    """Hang the verbs on the command line."""
    app.command(epilog="Example: truebead overview pla stale")(overview)
    app.command(epilog="Example: truebead rename spool white-1 snow")(rename)
    app.command(epilog="Example: truebead retire spool white-1")(retire)
    app.command(epilog="Example: truebead copy printer lantern beacon")(copy)


def overview(
    words: Annotated[
        list[str] | None,
        typer.Argument(help="Only what fits all of these: name, type, colour, printer, state."),
    ] = None,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Show what each spool is good for on each printer.

    good: measured, and nothing happened since; stale: something happened; inherited: only other
    spools of its type were measured; unknown: none was.
    """
    from calib.report.overview_words import overview_lines, overview_table
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        found = workshop.overview(" ".join(words or ()))
    if as_json:
        print_json(asdict(found))
        return
    if found.rows:
        say_table("", *overview_table(found))
    for line in overview_lines(found):
        say(line)


def rename(
    what: o.Thing,
    name: o.Name,
    new: o.NewName,
    printer: o.OfPrinter = None,
    by: o.By = "",
    store: o.Store = None,
) -> None:
    """Give a printer, nozzle, spool or instrument a new name. Its history stays its own."""
    from calib.workshop import open_workshop

    with open_workshop(store, by=by) as workshop:
        workshop.rename(what, name, new, printer)
    say(f"The {what} {name} is called {new} now. Sheets made under the old name are still understood.")  # fmt: skip


def retire(
    what: o.Thing,
    name: o.Name,
    printer: o.OfPrinter = None,
    back: Annotated[bool, typer.Option("--back", help="Bring it back into use.")] = False,
    by: o.By = "",
    store: o.Store = None,
) -> None:
    """Take a thing out of use. Nothing is deleted, it is no longer offered."""
    from calib.report.inventory_words import retired_line
    from calib.workshop import open_workshop

    with open_workshop(store, by=by) as workshop:
        workshop.retire(what, name, printer, back=back)
    say(retired_line(what, name, printer, back=back))


def copy(
    what: o.Thing,
    name: o.Name,
    new: o.NewName,
    printer: o.OfPrinter = None,
    by: o.By = "",
    store: o.Store = None,
) -> None:
    """Add a thing like another: a printer with its nozzles. What was found stays the original's."""
    from calib.workshop import open_workshop

    with open_workshop(store, by=by) as workshop:
        workshop.copy(what, name, new, printer)
    say(f"The {what} {new} is like {name}; it is still to be calibrated.")
