"""What is known and what is wanted: numbers with the half-width that they need, topics to measure anew."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from calib.model.instrument import DEFAULTS, Instrument
from calib.model.setting import SETTINGS, TOPICS, kept_setting, label, topic_of
from calib.plan.goals import Goal
from calib.plan.shortest import Target
from calib.profile.answers import Where, answer, values
from calib.profile.posterior import Posterior
from calib.profile.tolerance import COVERAGE, Sizes, piece_scatter
from calib.store.records import EventRecord, KeptCorrection, Printer, ProfileValue, Spool
from patterns.spec import PrintSetup

#: Settled once by the machine's papers or by hand; measured again only after something happened.
AFTER_EVENTS = ("axes", "extruder")
#: Half-width of the level that is good enough, in turns of a screw.
_LEVEL_TURNS = 0.15
#: What no piece of ours tells; where somebody found it otherwise, it is asked for like the rest.
_NO_PIECE = {"skew_xz_deg", "skew_yz_deg"}
#: Standard uncertainties by which a later "print again" must differ to unsettle a surer value.
_CONTRADICTS = 3.5


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanInput:
    """What the store knows of one printer, nozzle and spool.

    Attributes
    ----------
    posterior : Posterior
        Of everything; `where` says where it is asked.
    setup, reel, instruments
        What pieces are laid out for, and what they would be measured with.
    unsettled : sequence of KeptCorrection
        Newest corrections of their settings that said "print again".
    drifting : mapping
        Setting -> what its control chart says.
    """

    printer: Printer
    spool: str
    material: str
    in_force: Sequence[ProfileValue]
    posterior: Posterior
    where: Where
    setup: PrintSetup
    reel: Spool
    instruments: Mapping[str, Instrument] = field(default_factory=lambda: DEFAULTS)
    unsettled: Sequence[KeptCorrection] = ()
    events: Sequence[EventRecord] = ()
    drifting: Mapping[str, str] = field(default_factory=dict)


def labels_joined(labels: Sequence[str]) -> str:
    """Return several labels as one: those that differ in their last word name the rest once."""
    begins = {text.rpartition(" ")[0] for text in labels}
    if len(labels) < 2 or len(begins) > 1 or begins == {""}:
        return ", ".join(labels)
    *most, last = [text.rpartition(" ")[2] for text in labels]
    return f"{begins.pop()} {', '.join(most)} and {last}"


def targets(known: PlanInput, goal: Goal) -> list[Target]:
    """Return what is to be known how well for a goal: the table of settings says it."""
    found = []
    have = {v.setting for v in known.in_force}
    begun = {topic_of(name).name for name in have}
    for s in SETTINGS.values():
        if s.topic not in goal.topics or not s.wanted or s.name in _NO_PIECE - have:
            continue
        # Who measured upright holes alone was not after pins.
        if s.topic in begun and s.name not in have:
            continue
        a = answer(s.name, known.where, known.posterior.knowledge)
        factor = a.constant if a.exponential else 1.0
        weights = {c: factor * w for c, w in a.weights.items()}
        found.append(Target(name=s.name, label=s.label, unit=s.unit, topic=s.topic, weights=weights, wanted=s.wanted))  # fmt: skip
    if "level" in goal.topics:
        weights = dict(answer("level", known.where, known.posterior.knowledge).weights)
        found.append(Target(name="level", label="bed level", unit="turn", topic="level", weights=weights, wanted=_LEVEL_TURNS))  # fmt: skip
    return found


def size_targets(sizes: Sizes, within_mm: float | None, part_mm: float) -> list[Target]:
    """Return the lengths that are to keep a tolerance: of a part along X and along Y."""
    if within_mm is None:
        return []
    scatter = piece_scatter(part_mm)
    # What only scatters from piece to piece, no piece of ours can take away.
    wanted = max(within_mm, 1.5 * COVERAGE * scatter)
    found = []
    for axis in "XY":
        words = f"a part of {part_mm:g} mm along {axis}"
        weights = sizes.along(axis, part_mm)
        found.append(Target(name=words, label=words, unit="mm", topic="scale", weights=weights, wanted=wanted, extra_sd=scatter))  # fmt: skip
    return found


def required_topics(known: PlanInput, goal: Goal) -> dict[str, list[str]]:
    """Return topic -> why it must be measured, however narrow its interval is."""
    found: dict[str, list[str]] = {}
    for name, text in known.drifting.items():
        found.setdefault(topic_of(name).name, []).append(f"{label(name)}: {text}")
    for k in known.unsettled:
        if _contradicts(known, k):
            c = k.correction
            found.setdefault(topic_of(c.setting).name, []).append(f"{label(c.setting)}: {c.reason}")
    for v in known.in_force:
        if v.stale:
            found.setdefault(topic_of(v.setting).name, []).append(v.stale)
    for name in AFTER_EVENTS:
        found.setdefault(name, []).extend(_after_event(known, name))
    whys = {name: list(dict.fromkeys(why)) for name, why in found.items() if why}
    return {t.name: whys[t.name] for t in TOPICS if t.name in whys and t.name in goal.topics}


def _contradicts(known: PlanInput, again: KeptCorrection) -> bool:
    """Whether a "print again" is about what is not known well enough, or far from what is known."""
    c = again.correction
    wanted = kept_setting(c.setting).wanted
    if c.setting not in SETTINGS or not wanted:
        return all(v.setting != c.setting for v in known.in_force)
    e = values(known.posterior, known.where, [c.setting])[c.setting]
    return e.expanded() > wanted or abs(e.value - c.new) > _CONTRADICTS * math.hypot(e.u, c.u_new)


def _after_event(known: PlanInput, name: str) -> list[str]:
    """Say what happened to steps that nobody measured since."""
    from calib.profile.events import event_kind

    if any(topic_of(v.setting).name == name for v in known.in_force):
        return []
    for event in known.events:
        hit = name in event_kind(event.kind).makes_stale
        touches = name != "extruder" or event.axis in ("", "E")
        # What moves the axes is told by the sizes of parts as well.
        if hit and touches and name != "axes" and event.printer == known.printer.name:
            return [f"{event_kind(event.kind).what} on {event.at:%Y-%m-%d}; not measured since"]
    return []
