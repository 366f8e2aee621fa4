"""What to do next for a printer, nozzle and spool, and what an event changes."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from calib.errors import BadInput
from calib.workshop.context import who_in_store, who_named
from calib.workshop.results import EventOutcome, Next, Who

if TYPE_CHECKING:
    from calib.store.store import Store


def next_steps(
    store: "Store",
    asked: Who,
    goal: str,
    within_mm: float | None,
    part_mm: float,
    pieces: int,
    minutes: float | None = None,
) -> Next:
    """Return what to do next, each step fitted to the printer; see `Workshop.next`."""
    from calib.plan.steps import plan

    who = who_in_store(store, asked)
    known = store.known(who.printer, who.nozzle, who.spool)
    found = plan(known, goal, within_mm=within_mm, part_mm=part_mm, pieces=pieces, minutes=minutes)
    return Next(
        who=who,
        plan=found,
        in_force=tuple(known.in_force),
    )


def event(
    store: "Store", kind: str, asked: Who, axis: str, note: str, at: datetime | None
) -> EventOutcome:
    """Write down that something happened; see `Workshop.event`."""
    from calib.model.setting import topic
    from calib.profile.events import event_kind

    check_axis(kind, axis)
    record = store.add_event(
        kind, asked.printer or None, asked.nozzle or None, asked.spool or None, axis, note, at
    )
    about = event_kind(kind)
    stale = {topic(name).what: why for name, why in about.all_stale(axis).items()}
    who = who_named(
        store, record.printer or asked.printer, record.nozzle or asked.nozzle,
        record.spool or asked.spool,
    )  # fmt: skip
    return EventOutcome(record=record, kind=about, stale=stale, who=who)


def check_axis(kind: str, axis: str) -> None:
    """Refuse an axis that there is not, or that the event does not take."""
    from calib.profile.events import event_kind

    if axis and axis.upper() not in ("X", "Y", "Z", "E"):
        raise BadInput(f"there is no axis {axis!r}", where="--axis", mend="use X, Y, Z or E")
    if axis and not event_kind(kind).takes_axis:
        raise BadInput(f"{kind} takes no axis", where="--axis", mend="leave it out")


def moment(text: str, option: str) -> datetime:
    """Read a day or a time; without a zone it is local.

    Raises
    ------
    BadInput
        The text is neither a day nor a time.
    """
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


def happened_at(text: str) -> datetime:
    """Read when an event was; today as a whole is not over yet, so it means now."""
    when, now = moment(text, "--at"), datetime.now(UTC)
    today = len(text) <= 10 and when.astimezone().date() == now.astimezone().date()
    return now if today else when
