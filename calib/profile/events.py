"""What happens to a printer, and what each event makes stale: the one table, read by code and docs.

Common practice, no source: each row says why in words, so that a user can disagree with it.
"""

import re
from dataclasses import dataclass
from datetime import datetime

from calib.errors import BadInput
from calib.model.correction import Scope


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """Settings that are found, used and go stale together.

    Attributes
    ----------
    settings : str
        Regular expression that the names of its settings begin with.
    scope : Scope
        The layer that they belong to.
    after : tuple of str
        Topics to settle before; a change there makes this one stale.
    per_nozzle : bool
        Whether a value holds only for the nozzle that it was found with.
    any_printer : bool
        Whether a value found on one printer holds on another.
    spool_sd : float
        How much values of one filament type usually differ from spool to spool, one standard
        deviation in the setting's unit.
    stale_with : str
        Another topic with which it goes stale, so that the events need not name both.
    """

    name: str
    what: str
    settings: str
    scope: Scope
    after: tuple[str, ...] = ()
    per_nozzle: bool = True
    any_printer: bool = False
    spool_sd: float = 0.0
    stale_with: str = ""


#: In the order in which they are to be settled: mechanics before material, temperature before
#: flow, flow before size.
TOPICS = (
    Topic(name="level", what="bed level", settings="bed_(?!c)|level|screw", scope=Scope.PRINTER, per_nozzle=False),
    Topic(name="axes", what="steps of X, Y and Z", settings="steps_[xyz]_", scope=Scope.PRINTER, per_nozzle=False),
    Topic(name="skew", what="squareness of the axes", settings="skew", scope=Scope.PRINTER, per_nozzle=False),
    Topic(name="extruder", what="steps of the extruder", settings="steps_e_", scope=Scope.PRINTER, per_nozzle=False),
    Topic(name="temperature", what="hot-end temperature", settings="hot_end|bed_c|temperature", scope=Scope.SPOOL, spool_sd=4.0),
    Topic(name="retraction", what="retraction", settings="retraction", scope=Scope.SPOOL, after=("temperature",), spool_sd=0.2),
    Topic(name="filament", what="diameter of the filament", settings="filament_mm", scope=Scope.SPOOL, per_nozzle=False, any_printer=True, spool_sd=0.02),
    Topic(name="flow", what="flow", settings="flow", scope=Scope.SPOOL, after=("extruder", "filament", "temperature"), spool_sd=2.0),
    Topic(name="shrinkage", what="shrinkage of the material", settings="shrinkage", scope=Scope.MATERIAL, per_nozzle=False, any_printer=True, spool_sd=0.05),
    Topic(name="scale", what="scale of parts", settings="scale", scope=Scope.SPOOL, after=("axes",), per_nozzle=False, spool_sd=0.05),
    Topic(name="outline", what="outline offset", settings="outline", scope=Scope.NOZZLE, after=("flow",), spool_sd=0.03),
    Topic(name="first_layer", what="height of the first layer", settings="first_layer", scope=Scope.PRINTER, after=("level",), per_nozzle=False, stale_with="level"),
    Topic(name="holes", what="oversize of holes", settings="hole", scope=Scope.SPOOL, after=("flow",), spool_sd=0.05),
    Topic(name="clearance", what="clearance of fits", settings="clearance", scope=Scope.SPOOL, after=("flow", "outline"), spool_sd=0.05),
    Topic(name="overhang", what="steepest overhang", settings="overhang", scope=Scope.SPOOL, after=("temperature",), spool_sd=3.0),
    Topic(name="bridge", what="longest bridge", settings="bridge", scope=Scope.SPOOL, after=("temperature",), spool_sd=3.0, stale_with="overhang"),
    Topic(name="rate", what="fastest flow of the hot end", settings="volumetric_rate", scope=Scope.NOZZLE, after=("temperature",)),
)  # fmt: skip

_OTHER = Topic(name="other", what="other settings", settings="", scope=Scope.SPOOL)
_BY_NAME = {t.name: t for t in TOPICS}


def topic_of(setting: str) -> Topic:
    """Return the topic that a setting belongs to; "other" for one that no topic names."""
    for topic in TOPICS:
        if re.match(topic.settings, setting):
            return topic
    return _OTHER


def topic(name: str) -> Topic:
    """Return a topic by its name; KeyError where there is none."""
    return _BY_NAME[name]


def is_deed(setting: str) -> bool:
    """Whether a correction is something to do once (turn a levelling screw), not a value to have set."""
    return setting.startswith("level_") and setting.endswith("_turns")


@dataclass(frozen=True, slots=True, kw_only=True)
class EventKind:
    """A sort of event: what it happens to, and topic -> why that is stale afterwards."""

    name: str
    what: str
    happens_to: tuple[str, ...]
    makes_stale: dict[str, str]
    takes_axis: bool = False
    keeps: str = ""

    def all_stale(self) -> dict[str, str]:
        """Return topic -> why, with the topics that go stale along with another."""
        found = {}
        for about in TOPICS:
            why = self.makes_stale.get(about.name, self.makes_stale.get(about.stale_with, ""))
            if why:
                found[about.name] = why
        return found


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
        name="drive-changed",
        what="a belt, pulley, screw or motor was changed or tightened",
        happens_to=("printer",),
        takes_axis=True,
        makes_stale={
            "axes": "travel per turn follows the belt's stretch and the pulley's teeth",
            "skew": "belts that pull unevenly tilt the carriage",
            "extruder": "with axis E: the drive wheel's bite sets how much is fed",
            "flow": "with axis E: the flow was found with the old feed",
            "scale": "it was measured through the old drive",
            "level": "with axis Z: the carriage was taken off its screw",
        },
        keeps="temperatures, retraction, clearances",
    ),
    EventKind(
        name="nozzle-changed",
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
    """Return a sort of event; BadInput names the sorts there are."""
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


def why_stale(
    setting: str, kept_at: datetime, printer: str, nozzle: str, spool: str, events: list[Happened]
) -> str:
    """Say why a value is stale, by the newest event that makes it so; empty where it is good.

    The words begin with the event, as ``moved on 2026-03-01: ``, so that they can be grouped by it.

    Parameters
    ----------
    kept_at : datetime
        When the value was kept; earlier events don't touch it.
    printer, nozzle, spool : str
        What it was found with.
    """
    about = topic_of(setting)
    later = [e for e in events if e.at > kept_at]
    for event in sorted(later, key=lambda e: e.at, reverse=True):
        if not _touches(event, about, printer, nozzle, spool):
            continue
        why = _reason(event, about, setting)
        if why:
            return f"{event.kind} on {event.at:%Y-%m-%d}: {why}"
    return ""


def _touches(event: Happened, about: Topic, printer: str, nozzle: str, spool: str) -> bool:
    if event.printer and event.printer != printer and not about.any_printer:
        return False
    # A new nozzle tip moves the level, whichever nozzle it was found with. Where it was not said
    # which nozzle a value was found with, it may have been the one that was changed.
    if event.nozzle and nozzle and event.nozzle != nozzle and about.per_nozzle:
        return False
    # What belongs to the printer doesn't care which spool it was found with.
    return not event.spool or event.spool == spool or about.scope == Scope.PRINTER


def _reason(event: Happened, about: Topic, setting: str) -> str:
    stale = event_kind(event.kind).makes_stale
    why = stale.get(about.name, stale.get(about.stale_with, ""))
    only = re.match(r"with axis ([A-Z]): ", why)
    if only:
        return why[only.end() :] if event.axis in ("", only[1]) else ""
    if event.axis and about.name in ("axes", "scale", "skew"):
        named = re.search(r"_([xyz]{1,2})_", setting + "_")
        if named and event.axis.lower() not in named[1]:
            return ""
    return why


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
