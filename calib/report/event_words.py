"""What happened and what it makes stale, in lines for people and as data for machines."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from calib.report.words import iso

if TYPE_CHECKING:
    from calib.store.records import EventRecord
    from calib.workshop.results import EventOutcome

COLUMNS = ("id", "when", "what", "of", "note")


def event_json(e: "EventRecord") -> dict[str, Any]:
    """Return an event for machines."""
    return {
        "id": e.uid, "kind": e.kind, "at": iso(e.at), "printer": e.printer, "nozzle": e.nozzle,
        "spool": e.spool, "axis": e.axis, "note": e.note, "taken_back": e.taken_back,
    }  # fmt: skip


def past_row(e: "EventRecord") -> tuple[str, ...]:
    """Return the row of a table under `COLUMNS`."""
    names = "/".join(filter(None, (e.printer, e.nozzle, e.spool)))
    of = f"{names} {e.axis}".strip()
    note = " ".join(filter(None, ("taken back" if e.taken_back else "", e.note)))
    return e.uid[:8], f"{e.at:%Y-%m-%d %H:%M}", e.kind, of, note


def kinds_json() -> list[dict[str, Any]]:
    """Return every kind of event for machines."""
    from calib.profile.events import EVENTS

    return [
        {"kind": e.name, "what": e.what, "happens_to": list(e.happens_to),
         "makes_stale": e.makes_stale, "keeps": e.keeps}
        for e in EVENTS
    ]  # fmt: skip


def kinds_lines() -> Iterator[tuple[str, str]]:
    """Yield (line, style): every kind of event with what it makes stale and why."""
    from calib.model.setting import topic
    from calib.profile.events import EVENTS

    for e in EVENTS:
        yield f"{e.name}: {e.what}", "bold"
        reasons: dict[str, list[str]] = {}
        for name, why in e.all_stale().items():
            reasons.setdefault(why, []).append(topic(name).what)
        for why, topics in reasons.items():
            yield f"    stale: {', '.join(topics)}; {why}", ""
        yield f"    keeps: {e.keeps}", ""


def happened_lines(happened: "EventOutcome") -> Iterator[str]:
    """Yield what an event made stale, what it left, and what to do next."""
    yield (f"Written down: {happened.kind.what}.")
    stale = ", ".join(happened.stale)
    yield (f"Stale from now on: {stale}." if stale else "Nothing is stale by it.")
    yield (f"Kept: {happened.kind.keeps}.")
    yield (f"What to print next: truebead next{happened.who.options}")
    yield (f"Written down by mistake? truebead event --undo {happened.record.uid[:8]}")
