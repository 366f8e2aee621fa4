"""What happens to a printer, and what each event makes stale: the one table, read by code and docs.

Common practice, no source: each row says why in words, so that a user can disagree with it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from calib.errors import BadInput
from calib.model.correction import Scope
from calib.model.setting import TOPICS, Setting, kept_setting, topic


@dataclass(frozen=True, slots=True, kw_only=True)
class EventKind:
    """A sort of event: what it happens to, and what is stale afterwards.

    Attributes
    ----------
    makes_stale : mapping
        Topic -> why it is stale afterwards.
    only_axis : mapping
        Topic -> the one axis that it must have happened to for that.
    keeps : str
        What stays good, for people.
    """

    name: str
    what: str
    happens_to: tuple[str, ...]
    makes_stale: Mapping[str, str]
    only_axis: Mapping[str, str] = field(default_factory=dict)
    takes_axis: bool = False
    keeps: str = ""

    def all_stale(self, axis: str = "") -> dict[str, str]:
        """Return topic -> why, with the topics that go stale along with another.

        Parameters
        ----------
        axis : str
            The axis that it happened to; empty: any, the words then name the axis it depends on.
        """
        found = {}
        for about in TOPICS:
            name = self._named(about.name, about.stale_with)
            only = self.only_axis.get(name, "")
            if name and (not axis or not only or axis.upper() == only):
                words = f"with axis {only}: " if only and not axis else ""
                found[about.name] = words + self.makes_stale[name]
        return found

    def why(self, setting: Setting, axis: str) -> str:
        """Say why a setting is stale after it happened to an axis (empty: all); empty where it is not."""
        name = self._named(setting.topic, setting.about.stale_with)
        if not name:
            return ""
        touched = self.only_axis.get(name) or setting.axis
        return self.makes_stale[name] if not (axis and touched) or axis in touched else ""

    def _named(self, *topics: str) -> str:
        return next((t for t in topics if t in self.makes_stale), "")


#: The event that says which nozzle is on a printer from then on.
NOZZLE_CHANGED = "nozzle-changed"

_MOVED_PARTS = "everything was taken apart: no earlier value is known to hold"

EVENTS = (
    EventKind(
        name="assembled",
        what="the printer was assembled or rebuilt",
        happens_to=("printer",),
        makes_stale={t.name: _MOVED_PARTS for t in TOPICS if not (t.any_printer or t.stale_with)},
        keeps="the material's own shrinkage",
    ),
    EventKind(
        name="moved",
        what="the printer was carried or shipped",
        happens_to=("printer",),
        makes_stale={
            "level": "screws and springs settle and the table under it is another",
            "skew": "a frame can rack when it is lifted by one side",
        },
        keeps="steps, temperatures, flow and sizes: nothing that they rest on moved",
    ),
    EventKind(
        name="levelled",
        what="the bed was levelled: its screws were turned",
        happens_to=("printer",),
        makes_stale={"level": "the screws were turned: measure once more whether it is level now"},
        keeps="everything else: nothing but the bed moved",
    ),
    EventKind(
        name="drive-changed",
        what="a belt, pulley, screw or motor was changed or tightened",
        happens_to=("printer",),
        takes_axis=True,
        makes_stale={
            "axes": "travel per turn follows the belt's stretch and the pulley's teeth",
            "skew": "belts that pull unevenly tilt the carriage",
            "extruder": "the drive wheel's bite sets how much is fed",
            "flow": "the flow was found with the old feed",
            "scale": "it was measured through the old drive",
            "level": "the carriage was taken off its screw",
            "play": "play sits in belts, screws and their pulleys",
            "ripple": "a tighter belt swings faster",
            "smooth": "ripples depend on the belts",
        },
        only_axis={"extruder": "E", "flow": "E", "level": "Z"},
        keeps="temperatures, retraction, clearances",
    ),
    EventKind(
        name="carriage-changed",
        what="something heavier or lighter moves: a fan, a hot end, a plate on the bed",
        happens_to=("printer",),
        takes_axis=True,
        makes_stale={
            "ripple": "another mass swings at another frequency",
            "smooth": "another mass swings more or less",
        },
        keeps="everything that is measured at rest",
    ),
    EventKind(
        name="motion-set",
        what="accelerations or the speed at corners were set anew",
        happens_to=("printer",),
        makes_stale={"smooth": "harder corners shake more"},
        keeps="frequencies, lost motion and the lag of the flow: they do not depend on it",
    ),
    EventKind(
        name=NOZZLE_CHANGED,
        what="a nozzle was fitted: a fresh one of the same size, or another size",
        happens_to=("printer", "nozzle"),
        makes_stale={
            "level": "the new tip stands at another height",
            "temperature": "heat reaches the melt differently through another nozzle",
            "retraction": "the new bore oozes differently",
            "flow": "the bore's true size sets the pressure and the width of a line",
            "outline": "a line of another width puts the outline elsewhere",
            "holes": "small holes follow the outline",
            "clearance": "fits follow the outline",
            "overhang": "bridges and overhangs follow width and temperature",
            "rate": "the bore and the melt zone set it",
            "lag": "the bore sets the pressure that has to build up",
        },
        keeps="steps, squareness, shrinkage and scale: they don't pass through the nozzle; and every"
        " value of the printer's other nozzles",
    ),
    EventKind(
        name="filament-type-changed",
        what="another type of filament was loaded",
        happens_to=("printer", "spool"),
        makes_stale={"level": "a bed at another temperature stands at another height"},
        keeps="the values of each spool: a spool that was calibrated before keeps its own",
    ),
    EventKind(
        name="new-spool",
        what="a new spool of a known type was opened",
        happens_to=("spool",),
        makes_stale={},
        keeps="all of it: the spool starts from its type's values, which `profile show` marks as"
        " inherited and widens by how much spools differ",
    ),
    EventKind(
        name="stored-damp",
        what="a spool lay open in damp air",
        happens_to=("spool",),
        makes_stale={
            "temperature": "water boils in the nozzle; dry the spool first, then look again",
            "retraction": "steam pushes melt out between moves",
            "flow": "the filament swelled and foams",
            "overhang": "foamed strands sag",
        },
        keeps="sizes and the machine's values",
    ),
)

#: How an event is taken back: nothing is deleted; this one is added, and its note begins with the
#: id of the event that did not happen. Written by `event --undo` alone.
TAKEN_BACK = EventKind(
    name="taken-back",
    what="an earlier event was taken back",
    happens_to=(),
    makes_stale={},
    keeps="what that event made stale is as good as before it",
)

_EVENTS = {e.name: e for e in (*EVENTS, TAKEN_BACK)}


def event_kind(name: str) -> EventKind:
    """Return a sort of event.

    Raises
    ------
    BadInput
        There is none of that name; the message lists those there are.
    """
    if name not in _EVENTS:
        known = ", ".join(e.name for e in EVENTS)
        raise BadInput(f"there is no event {name!r}", mend=f"the events are {known}")
    return _EVENTS[name]


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """An event as far as staleness asks: empty names mean "any"."""

    kind: str
    at: datetime
    printer: str = ""
    nozzle: str = ""
    spool: str = ""
    axis: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Staleness:
    """By what a value became stale, such as ``moved on 2026-03-01``, and why."""

    by: str
    why: str


def why_stale(
    setting: str, kept_at: datetime, printer: str, nozzle: str, spool: str, events: list[Happened]
) -> Staleness | None:
    """Return what made a value stale: the newest event that touches it; None where it is good.

    Parameters
    ----------
    kept_at : datetime
        When the value was kept; earlier events don't touch it.
    printer, nozzle, spool : str
        What it was found with.
    """
    about = kept_setting(setting)
    later = [e for e in events if e.at > kept_at]
    for event in sorted(later, key=lambda e: e.at, reverse=True):
        if not _touches(event, about, printer, nozzle, spool):
            continue
        why = event_kind(event.kind).why(about, event.axis)
        if why:
            return Staleness(by=f"{event.kind} on {event.at:%Y-%m-%d}", why=why)
    return None


def _touches(event: Happened, setting: Setting, printer: str, nozzle: str, spool: str) -> bool:
    if event.printer and event.printer != printer and not setting.about.any_printer:
        return False
    # A new nozzle tip moves the level, whichever nozzle it was found with. Where it was not said
    # which nozzle a value was found with, it may have been the one that was changed.
    if event.nozzle and nozzle and event.nozzle != nozzle and setting.per_nozzle:
        return False
    # What belongs to the printer doesn't care which spool it was found with.
    return not event.spool or event.spool == spool or setting.scope == Scope.PRINTER


def events_table() -> str:
    """Return the table for the docs, as Markdown."""
    lines = [
        "| event | what happened | makes stale, and why | keeps |",
        "| --- | --- | --- | --- |",
    ]
    for e in EVENTS:
        by_reason: dict[str, list[str]] = {}
        for name, why in e.all_stale().items():
            by_reason.setdefault(why, []).append(topic(name).what)
        stale = "; ".join(f"**{', '.join(names)}**: {why}" for why, names in by_reason.items())
        lines.append(f"| `{e.name}` | {e.what} | {stale or 'nothing'} | {e.keeps} |")
    return "\n".join(lines) + "\n"
