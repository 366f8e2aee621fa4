"""`truebead event`: write down what happened, and see what that makes stale."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.commands.common import JsonOption, print_json
from calib.commands.show import (
    ByOption,
    NozzleOption,
    PrinterOption,
    SpoolOption,
    StoreOption,
    say,
    say_table,
)
from calib.errors import BadInput
from calib.report.words import iso

if TYPE_CHECKING:
    from calib.store.records import EventRecord
    from calib.workshop.results import Happened


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(epilog="Example: truebead event nozzle-changed --printer lantern --nozzle brass")(
        event
    )


def event(
    kind: Annotated[
        str | None, typer.Argument(help="What happened; without it the kinds are shown.")
    ] = None,
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    axis: Annotated[str, typer.Option(help="Which axis, for drive-changed: X, Y, Z or E.")] = "",
    note: Annotated[str, typer.Option(help="A few words of your own.")] = "",
    at: Annotated[str | None, typer.Option(help="When, as 2026-11-25; now if not given.")] = None,
    past: Annotated[bool, typer.Option("--past", help="Show what happened before.")] = False,
    undo: Annotated[
        str | None, typer.Option(help="Take an event back, by its id (see --past).", metavar="ID")
    ] = None,
    by: ByOption = "",
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write down that something happened to a printer, a nozzle or a spool.

    Nothing is deleted by it: values that it touches are shown as stale from then on.
    """
    from calib.workshop import open_workshop

    if kind is None and not past and undo is None:
        _say_kinds(as_json)
        return
    if undo is not None and (kind is not None or past):
        raise BadInput("takes back one event and does nothing else", where="--undo", mend="give it alone, or with --note")  # fmt: skip
    happened: Happened | None = None
    with open_workshop(store, by=by) as workshop:
        if undo is not None:
            found = [workshop.take_event_back(undo, note)]
        elif past or kind is None:
            found = workshop.events(printer, spool, limit=50)
        else:
            when = _happened_at(at) if at else None
            happened = workshop.event(kind, printer, nozzle, spool, axis=axis, note=note, at=when)
            found = [happened.record]
    if as_json:
        print_json([_event_json(e) for e in found])
    elif past:
        columns = ("id", "when", "what", "of", "note")
        say_table("Events, newest first", columns, [_past_row(e) for e in found])
    elif happened is not None:
        _say_happened(happened)
    else:
        say(f"Taken back: {found[0].kind} of {found[0].at:%Y-%m-%d}. It stays among the events, marked.")  # fmt: skip
        say("What it made stale is as good as before it.")


def _event_json(e: "EventRecord") -> dict[str, Any]:
    return {
        "id": e.uid, "kind": e.kind, "at": iso(e.at), "printer": e.printer, "nozzle": e.nozzle,
        "spool": e.spool, "axis": e.axis, "note": e.note, "taken_back": e.taken_back,
    }  # fmt: skip


def _past_row(e: "EventRecord") -> tuple[str, ...]:
    names = "/".join(filter(None, (e.printer, e.nozzle, e.spool)))
    of = f"{names} {e.axis}".strip()
    note = " ".join(filter(None, ("taken back" if e.taken_back else "", e.note)))
    return e.uid[:8], f"{e.at:%Y-%m-%d %H:%M}", e.kind, of, note


def moment(text: str, option: str) -> datetime:
    """Read a day or a time; without a zone it is local."""
    try:
        when = datetime.fromisoformat(text)
        if len(text) <= 10:
            when = when.replace(hour=23, minute=59, second=59)  # the day as a whole
        when = when.astimezone(UTC)
    except (ValueError, OverflowError):
        raise BadInput(
            f"{text!r} is not a date", where=option, mend="write 2026-11-25 or 2026-11-25T14:30"
        ) from None
    return when


def _happened_at(text: str) -> datetime:
    """Read when an event was; today as a whole is not over yet, so it means now."""
    when, now = moment(text, "--at"), datetime.now(UTC)
    today = len(text) <= 10 and when.astimezone().date() == now.astimezone().date()
    return now if today else when


def _say_kinds(as_json: bool) -> None:
    from calib.model.setting import topic
    from calib.profile.events import EVENTS

    if as_json:
        print_json([
            {"kind": e.name, "what": e.what, "happens_to": list(e.happens_to),
             "makes_stale": e.makes_stale, "keeps": e.keeps}
            for e in EVENTS
        ])  # fmt: skip
        return
    for e in EVENTS:
        say(f"{e.name}: {e.what}", "bold")
        for name, why in e.all_stale().items():
            say(f"    stale: {topic(name).what}; {why}")
        say(f"    keeps: {e.keeps}")


def _say_happened(happened: "Happened") -> None:
    say(f"Written down: {happened.kind.what}.")
    stale = ", ".join(happened.stale)
    say(f"Stale from now on: {stale}." if stale else "Nothing is stale by it.")
    say(f"Kept: {happened.kind.keeps}.")
    say(f"What to print next: truebead next{happened.who.options}")
    say(f"Written down by mistake? truebead event --undo {happened.record.uid[:8]}")
