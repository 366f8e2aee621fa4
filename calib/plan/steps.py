"""What to print next: from a profile and what happened to the shortest sequence of pieces."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from calib.errors import BadInput
from calib.model.correction import Verdict
from calib.model.request import Request, joined
from calib.model.setting import TOPICS, Topic, kept_setting, label, topic, topic_of
from calib.profile.tolerance import COVERAGE, SIZE_TOPICS, Tolerance, part_tolerance
from calib.store.records import EventRecord, InForce, KeptCorrection, Printer


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """What the user is after, and the topics that matter to it."""

    name: str
    what: str
    topics: tuple[str, ...]


_ALL = tuple(t.name for t in TOPICS if t.asked_for)
GOALS = {
    g.name: g
    for g in (
        Goal(name="all", what="everything that can be set", topics=_ALL),
        Goal(
            name="fits",
            what="parts that join and slide",
            topics=("level", "first_layer", "axes", "skew", "extruder", "temperature", "flow", "scale", "outline", "holes", "clearance"),
        ),
        Goal(
            name="clean",
            what="surfaces that look clean",
            topics=("level", "first_layer", "extruder", "temperature", "retraction", "flow", "overhang", "bridge"),
        ),
        Goal(
            name="size",
            what="lengths within a tolerance",
            topics=("level", "first_layer", "axes", "skew", "extruder", "temperature", "flow", "scale", "outline"),
        ),
    )
}  # fmt: skip


_NEVER = "not measured yet"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Need:
    """Why a topic has to be settled; `request` where an interpreter asked for a piece."""

    text: str
    request: Request | None = None


_Needs = dict[str, list[_Need]]

#: Settled once by the machine's papers or by hand; measured again only after something happened.
_AFTER_EVENTS = {"axes", "extruder"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to print, or to do.

    Attributes
    ----------
    piece : str
        Pattern to make, or a check without plastic.
    why : tuple of str
        Why it is needed, in words.
    """

    piece: str
    topics: tuple[str, ...]
    why: tuple[str, ...]
    settles: str
    parameters: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to do, in order, what is still good, and how true parts would come out now.

    `taken` are topics that nothing was measured of and nothing asks for, with what stands for it;
    `to_do` is setting -> turns of levelling screws that were found and not yet said to be done.
    """

    goal: Goal
    steps: tuple[Step, ...]
    good: tuple[str, ...]
    taken: Mapping[str, str]
    dropped: tuple[str, ...]
    tolerance: Tolerance
    within_mm: float | None = None
    to_do: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the store knows of one printer, nozzle and spool.

    Attributes
    ----------
    unsettled : sequence of KeptCorrection
        Newest corrections of their settings that said "print again", and that no surer value
        outweighs.
    drifting : mapping
        Setting -> what its control chart says.
    """

    printer: Printer
    spool: str
    material: str
    in_force: Sequence[InForce]
    unsettled: Sequence[KeptCorrection] = ()
    events: Sequence[EventRecord] = ()
    drifting: Mapping[str, str] = field(default_factory=dict)


def plan(
    known: Known,
    goal: str = "all",
    *,
    within_mm: float | None = None,
    part_mm: float = 100.0,
    pieces: int = 1,
) -> Plan:
    """Work out what to print next.

    Mechanics come before material, temperature before flow, flow before size. What is still good
    is skipped; so is what does not matter to the goal.

    Parameters
    ----------
    within_mm : float or None
        Tolerance on a part of `part_mm`, for the goal "size".
    pieces : int
        Parts in a row, printed with the same profile.

    Raises
    ------
    BadInput
        There is no such goal, or a number makes no sense.
    """
    if goal not in GOALS:
        raise BadInput(f"there is no goal {goal!r}", where="--goal", mend=f"use {', '.join(GOALS)}")
    for option, value in (("--within", within_mm), ("--part", part_mm), ("--pieces", pieces)):
        if value is not None and not 0 < value < 1e5:
            raise BadInput(
                "must be more than 0", where=option, mend="give millimetres, such as 200"
            )
    wanted = GOALS[goal]
    needs = _needs(known, wanted)
    u = _by_topic(known, needs)
    if within_mm is not None:
        needs |= _too_loose(u, needs, within_mm, part_mm, pieces)
    to_do = turns_to_do(known.in_force)
    undone = {topic_of(name).name for name in to_do}
    settled = [t for t in wanted.topics if t not in needs and t not in undone]
    taken = {t: words for t in settled if (words := _taken(known, t))}
    return Plan(
        goal=wanted,
        steps=tuple(_steps(known, needs, within_mm, part_mm)),
        good=tuple(t for t in settled if t not in taken),
        taken=taken,
        dropped=tuple(t for t in _ALL if t not in wanted.topics),
        tolerance=part_tolerance(u, part_mm, pieces),
        within_mm=within_mm,
        to_do={n: t for n, t in to_do.items() if topic_of(n).name in wanted.topics},
    )


def turns_to_do(values: Iterable[InForce]) -> dict[str, float]:
    """Return setting -> turns of the levelling screws that were found and not yet said to be done."""
    return {
        v.setting: v.source.correction.new
        for v in values
        if kept_setting(v.setting).deed
        and not v.stale
        and v.source.correction.verdict is Verdict.APPLY
    }


def _taken(known: Known, name: str) -> str:
    """Say what stands for a topic of which nothing is in force; empty where something is."""
    if name not in _AFTER_EVENTS or any(topic_of(v.setting).name == name for v in known.in_force):
        return ""
    axes = [known.printer.axis(a) for a in ("E" if name == "extruder" else "XYZ")]
    if any(a.best_steps_per_mm is None for a in axes):
        return "not known"
    return "as set in the printer" if all(a.steps_per_mm for a in axes) else "from the mechanics"


def _needs(known: Known, goal: Goal) -> _Needs:
    """Return topic -> reasons, in the order in which they are to be settled."""
    needs: _Needs = {}
    for about in TOPICS:
        if about.name in goal.topics and (why := _why_needed(known, about)):
            needs[about.name] = why
    return needs


def _why_needed(known: Known, about: Topic) -> list[_Need]:
    values = [v for v in known.in_force if topic_of(v.setting) is about]
    again = [k for k in known.unsettled if topic_of(k.correction.setting) is about]
    asked = [
        _Need(
            text=f"{label(k.correction.setting)}: {k.correction.reason}",
            request=next(iter(k.correction.requests), None),
        )
        for k in again
    ]
    why = [
        f"{label(name)}: {text}" for name, text in known.drifting.items() if topic_of(name) is about
    ]
    if not values and not again:
        why += _why_missing(known, about)
    names = {k.correction.setting for k in again}
    others = [v for v in values if v.setting not in names]
    why += list(dict.fromkeys(v.stale for v in others if v.stale))
    for v in others:
        wanted = kept_setting(v.setting).wanted
        loose = wanted and v.expanded > wanted and not v.stale
        if loose and _may_be_sharpened(v, about):
            whose = f", inherited from {len(v.inherited_from)} other" if v.inherited_from else ""
            why.append(
                f"{label(v.setting)} is only known to ±{v.expanded:.2g} {v.unit}{whose}".rstrip()
            )
    return asked + [_Need(text=text) for text in why]


def _may_be_sharpened(v: InForce, about: Topic) -> bool:
    """Whether some piece tells more than those that were printed: else asking would never end.

    How well a piece settles its own setting is for the interpreter to judge; it says "print again"
    with a finer piece where it could be better.
    """
    if v.inherited_from:
        return True
    printed = {v.source.pattern} | ({v.vaguer.pattern} if v.vaguer else set())
    return not printed & set(_next_for(about.name) or _first_for(about.name))


def _why_missing(known: Known, about: Topic) -> list[str]:
    if about.name == "scale" and _steps_from_this_spool(known):
        return []
    if about.name not in _AFTER_EVENTS:
        return [_NEVER]
    from calib.profile.events import event_kind

    for event in known.events:
        hit = about.name in event_kind(event.kind).makes_stale
        touches_e = about.name != "extruder" or event.axis in ("", "E")
        if hit and touches_e and event.printer == known.printer.name:
            return [f"{event_kind(event.kind).what} on {event.at:%Y-%m-%d}; not measured since"]
    return []  # the mechanics or the scale of parts cover it


def _steps_from_this_spool(known: Known) -> list[InForce]:
    """Return steps/mm that were set from a piece of this very spool: they carry its scale."""
    return [
        v
        for v in known.in_force
        if topic_of(v.setting).name == "axes"
        and v.source.correction.instead_of
        and v.source.spool == known.spool
    ]


def _by_topic(known: Known, needs: _Needs) -> dict[str, float]:
    """Return the largest standard uncertainty of each topic that is known and not stale."""
    u: dict[str, float] = {}
    values = [(topic_of(v.setting).name, v, 1.0) for v in known.in_force]
    values += [("scale", v, 100 / v.value) for v in _steps_from_this_spool(known) if v.value]
    for name, v, factor in values:
        if name in SIZE_TOPICS and not v.stale and needs.get(name) != [_Need(text=_NEVER)]:
            u[name] = max(u.get(name, 0.0), v.expanded / COVERAGE * factor)
    return u


def _too_loose(
    u: Mapping[str, float], needs: _Needs, within: float, part: float, pieces: int
) -> _Needs:
    """Return what has to be known better for the tolerance, the largest share first.

    What is to be measured anyway counts as if it were then known.
    """
    tolerance = part_tolerance(u, part, pieces)
    shares = {s.topic: s for s in tolerance.shares if s.topic not in needs}
    extra: _Needs = {}
    while shares and math.hypot(*(s.half_mm for s in shares.values())) > within:
        worst = max(shares.values(), key=lambda s: s.half_mm)
        miss = f"{worst.what} alone may miss ±{worst.half_mm:.2f} mm on {part:g} mm"
        extra[worst.topic] = [_Need(text=f"{miss}, ±{within:g} is wanted")]
        del shares[worst.topic]
    return extra


def _steps(known: Known, needs: _Needs, within: float | None, part_mm: float) -> Iterable[Step]:
    done: set[str] = set()
    tight = within is not None and 100 * within / part_mm < _CUBE_RESOLVES_PERCENT
    for about in TOPICS:
        if about.name not in needs or about.name in done:
            continue
        together = _together(about.name, needs, done)
        done |= set(together)
        whys = [n for t in together for n in needs[t]]
        plain = any(n.request is None for n in whys)
        usual = _pieces(together, known, tight=tight) if plain else ()
        asked = [n.request for n in whys if n.request is not None]
        for request in joined([*asked, *(Request(pattern=name) for name in usual)]):
            mine = [n for n in whys if _speaks_for(n, request, usual)]
            yield _step(request, together, mine, known)


def _speaks_for(need: _Need, request: Request, usual: Sequence[str]) -> bool:
    if need.request is None:
        return request.pattern in usual
    return need.request.pattern == request.pattern


def _step(request: Request, topics: tuple[str, ...], whys: Sequence[_Need], known: Known) -> Step:
    return Step(
        piece=request.pattern,
        topics=topics,
        why=tuple(dict.fromkeys(n.text for n in whys)),
        settles=_settled_by(request.pattern),
        parameters={**_parameters(request.pattern, known), **request.parameters},
    )


def _settled_by(pattern: str) -> str:
    """Say what a piece settles, in words."""
    from patterns import registry

    return ", ".join(topic(t).what for t in registry.get(pattern).settles)


def _first_for(name: str) -> tuple[str, ...]:
    """Return the piece to print first for a topic."""
    from patterns import registry

    known = (registry.all_patterns() | registry.all_checks()).values()
    return tuple(p.name for p in known if name in p.first_for)[:1]


def _next_for(name: str) -> tuple[str, ...]:
    """Return the piece that tells more of a topic than the first."""
    from patterns import registry

    known = (registry.all_patterns() | registry.all_checks()).values()
    return tuple(p.name for p in known if name in p.next_for)[:1]


def _together(name: str, needs: _Needs, done: set[str]) -> tuple[str, ...]:
    """Return what is needed and settled by the same piece as a topic, which comes first."""
    from patterns import registry

    group = [t for piece in _first_for(name) for t in registry.get(piece).settles]
    return (name, *(t for t in group if t in needs and t not in done and t != name))


def _pieces(topics: Sequence[str], known: Known, *, tight: bool) -> tuple[str, ...]:
    if topics[0] == "scale" and tight:
        good = {v.setting for v in known.in_force if not v.stale}
        upright = "scale_z_percent" in good and "first_layer" not in topics
        return ("step-gauge",) if upright else ("step-gauge", "dimensional-cube")
    first, sharper = _first_for(topics[0]), _next_for(topics[0])
    own = [v for v in known.in_force if topic_of(v.setting).name == topics[0]]
    printed = own and all(
        v.source.pattern in (*first, *sharper) and not v.stale and not v.inherited_from for v in own
    )
    return sharper if printed and sharper else first


#: What the cube resolves of the scale, 95 %: the interpreter's own figure for a usual caliper.
_CUBE_RESOLVES_PERCENT = 0.1


def _parameters(piece: str, known: Known) -> dict[str, str]:
    if piece == "temperature-tower":
        from patterns.filaments import filaments

        return {"filament": known.material} if known.material in filaments() else {}
    return {}
