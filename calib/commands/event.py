"""`truebead event`: write down what happened, and see what that makes stale."""

from typing import TYPE_CHECKING, Annotated

import typer

from calib.commands import options as o
from calib.commands.common import answer, print_json
from calib.commands.show import say, say_table
from calib.errors import BadInput
from calib.workshop.completing import events

if TYPE_CHECKING:
    from calib.workshop.results import EventOutcome


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(epilog="Example: truebead event nozzle-changed --nozzle brass")(event)


def event(
    kind: Annotated[
        str | None,
        typer.Argument(
            help="What happened; without it the kinds are shown.", autocompletion=events
        ),
    ] = None,
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    axis: Annotated[str, typer.Option(help="Which axis, for drive-changed: X, Y, Z or E.")] = "",
    note: Annotated[str, typer.Option(help="A few words of your own.")] = "",
    at: Annotated[str | None, typer.Option(help="When, as 2026-11-25; now if not given.")] = None,
    past: Annotated[bool, typer.Option("--past", help="Show what happened before.")] = False,
    undo: Annotated[
        str | None, typer.Option(help="Take an event back, by its id (see --past).", metavar="ID")
    ] = None,
    by: o.By = "",
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Write down what happened to a printer, nozzle or spool.

    Nothing is deleted by it: values that it touches are shown as stale from then on.
    """
    from calib.report import event_words as words
    from calib.workshop import open_workshop
    from calib.workshop.planning import happened_at

    if kind is None and not past and undo is None:
        answer(words.kinds_json(), words.kinds_lines(), as_json=as_json)
        return
    if undo is not None and (kind is not None or past):
        raise BadInput("takes back one event only", where="--undo", mend="give it alone")
    happened: EventOutcome | None = None
    with open_workshop(store, by=by) as workshop:
        if undo is not None:
            found = [workshop.take_event_back(undo, note)]
        elif past or kind is None:
            found = workshop.events(printer, spool, limit=50)
        else:
            when = happened_at(at) if at else None
            happened = workshop.event(kind, axis=axis, note=note, at=when, printer=printer, nozzle=nozzle, spool=spool)  # fmt: skip
            found = [happened.record]
    if as_json:
        print_json([words.event_json(e) for e in found])
    elif past:
        say_table("Events, newest first", words.COLUMNS, [words.past_row(e) for e in found])
    elif happened is not None:
        say("\n".join(words.happened_lines(happened)))
    else:
        say(f"Taken back: {found[0].kind} of {found[0].at:%Y-%m-%d}. It stays among the events,"
            " marked; what it made stale is as good as before it.")  # fmt: skip
