"""What to print next: the fewest minutes that bring what matters to the goal's tolerance.

Mechanics come before material, temperature before flow, flow before size. What is known well enough
is skipped; so is what does not matter to the goal.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from calib.errors import BadInput
from calib.model.request import Request
from calib.model.setting import SETTINGS, TOPICS, topic, topic_of
from calib.plan.aims import (
    AFTER_EVENTS,
    PlanInput,
    labels_joined,
    required_topics,
    size_targets,
    targets,
)
from calib.plan.goals import ALL, GOALS, Goal
from calib.plan.shortest import NEARLY, Candidate, Shortest, Target, needless, shortest
from calib.plan.turns import turns_to_do
from calib.profile.gaussian import Gaussian
from calib.profile.tolerance import (
    Tolerance,
    part_tolerance,
    sizes_at,
)

#: Topics that lengths tell: more lengths tell more. A second print of a ladder is not worth its time.
_BY_LENGTHS = {"scale", "outline", "skew", "first_layer"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to print, or to do.

    Attributes
    ----------
    request : Request
        The piece to make, or a check without plastic; it settles the topics that it is needed for.
    never : tuple of str
        Those of them of which nothing was ever measured.
    why : tuple of str
        Why the others are needed, and what gave way to fit the printer, in words.
    settles : str
        All that it settles, in words.
    minutes, grams, cost
        What printing takes; None for a check without plastic.
    readings : int
        Readings that it takes, each feature once.
    plate : int
        Steps of one number can be printed together on one plate; 0 for a check without plastic.
    """

    request: Request
    why: tuple[str, ...]
    settles: str
    never: tuple[str, ...] = ()
    minutes: float | None = None
    grams: float | None = None
    cost: float | None = None
    readings: int = 0
    plate: int = 0

    @property
    def piece(self) -> str:
        """Pattern to make, or a check without plastic."""
        return self.request.pattern

    @property
    def topics(self) -> tuple[str, ...]:
        """What it is needed for."""
        return self.request.settles


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """A number that matters: its half-width (95 %) now, after the steps, and as it is wanted."""

    name: str
    label: str
    unit: str
    topic: str
    now: float
    after: float
    wanted: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnPart:
    """A part of the user's own that could be measured: how long, along which axes, what it spares.

    `spares` are the patterns that need not be printed then.
    """

    length_mm: float
    axes: tuple[str, ...]
    spares: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to do, in order, what is still good, and how true parts would come out.

    `taken` are topics that nothing was measured of and nothing asks for, with what stands for it;
    `after` is the tolerance once the steps are done; `to_do` is setting -> turns of levelling screws
    that were found and not yet said to be done; `own_part` is what would do instead of some steps.
    """

    goal: Goal
    steps: tuple[Step, ...]
    aims: tuple[Aim, ...]
    good: tuple[str, ...]
    taken: Mapping[str, str]
    dropped: tuple[str, ...]
    tolerance: Tolerance
    after: Tolerance
    within_mm: float | None = None
    minutes: float | None = None
    to_do: Mapping[str, float] = field(default_factory=dict)
    own_part: OwnPart | None = None

    @property
    def open(self) -> tuple[Aim, ...]:
        """What stays less sure than is wanted, with all that is to be printed."""
        return tuple(a for a in self.aims if a.after > NEARLY * a.wanted)


def plan(
    known: PlanInput,
    goal: str = "all",
    *,
    within_mm: float | None = None,
    part_mm: float = 100.0,
    pieces: int = 1,
    minutes: float | None = None,
) -> Plan:
    """Work out what to print next.

    Parameters
    ----------
    within_mm : float or None
        Tolerance on a part of `part_mm`, for the goal "size".
    pieces : int
        Parts in a row, or segments of a closed ring, printed with the same profile.
    minutes : float or None
        Minutes of printing that there are: then the best that can be done in them.

    Raises
    ------
    BadInput
        There is no such goal, or a number makes no sense.
    """
    _check(goal, within_mm, part_mm, pieces, minutes)
    wanted = GOALS[goal]
    sizes = sizes_at(known.where, known.posterior.knowledge)
    sought = [*targets(known, wanted), *size_targets(sizes, within_mm, part_mm)]
    required = required_topics(known, wanted)
    start = known.posterior.joint([*_all_of(sought), *sizes.coordinates()])
    due = _due(sought, start, required)
    offered = _offered(known, due)
    joint = known.posterior.joint(
        [
            *_all_of(sought),
            *sizes.coordinates(),
            *(c for o in offered for c in o.block.coordinates),
        ]
    )
    informed = {c for o in offered for c in o.block.coordinates}
    reachable = [t for t in sought if set(t.weights) & informed]
    found = shortest(joint, reachable, offered, minutes, frozenset(required))
    done = joint
    for c in found.chosen:
        done = done.with_block(c.block)
    to_do = turns_to_do(known.in_force)
    undone = {topic_of(name).name for name in to_do}
    settled = [t for t in wanted.topics if t not in due and t not in undone]
    taken = {t: words for t in settled if (words := _taken(known, t))}
    return Plan(
        goal=wanted,
        steps=_in_order(known, found, reachable, required, joint),
        aims=tuple(_aim(t, joint, done) for t in sought),
        good=tuple(t for t in settled if t not in taken),
        taken=taken,
        dropped=tuple(t for t in ALL if t not in wanted.topics),
        tolerance=part_tolerance(joint, sizes, part_mm, pieces),
        after=part_tolerance(done, sizes, part_mm, pieces),
        within_mm=within_mm,
        minutes=minutes,
        to_do={n: t for n, t in to_do.items() if topic_of(n).name in wanted.topics},
        own_part=_own_part(known, found, reachable, frozenset(required), part_mm),
    )


def _own_part(
    known: PlanInput,
    found: Shortest,
    targets: Sequence[Target],
    required: frozenset[str],
    part_mm: float,
) -> OwnPart | None:
    """Return the part of the user's own that spares most printing; None where none spares any."""
    from calib.plan.candidates import told
    from patterns.own import DrawnLength, piece_of_lengths

    setup, caliper = known.setup, known.instruments["caliper"]
    length = min(part_mm, caliper.reach, setup.build_x_mm, setup.build_y_mm)
    best: tuple[float, OwnPart] | None = None
    for axes in (("X",), ("Y",), ("X", "Y")) if found.chosen else ():
        piece = piece_of_lengths("part", [DrawnLength(a, length) for a in axes], known.setup)
        block = told(piece, ("scale",), known.where.made(), known.posterior.knowledge, known.instruments)  # fmt: skip
        assert block is not None
        others = (c for o in found.chosen for c in o.block.coordinates)
        joint = known.posterior.joint([*_all_of(targets), *others, *block.coordinates])
        spared = needless(joint.with_block(block), targets, found.chosen, required)
        minutes = sum(c.minutes for c in spared)
        if minutes > (best[0] if best else 0.0):
            names = tuple(c.request.pattern for c in spared)
            best = (minutes, OwnPart(length_mm=length, axes=axes, spares=names))
    return best[1] if best else None


def _check(
    goal: str, within_mm: float | None, part_mm: float, pieces: int, minutes: float | None
) -> None:
    if goal not in GOALS:
        raise BadInput(f"there is no goal {goal!r}", where="--goal", mend=f"use {', '.join(GOALS)}")
    for option, value in (
        ("--within", within_mm), ("--part", part_mm), ("--pieces", pieces), ("--minutes", minutes),
    ):  # fmt: skip
        if value is not None and not 0 < value < 1e5:
            mend = "give millimetres, such as 200" if option != "--minutes" else "such as 40"
            raise BadInput("must be more than 0", where=option, mend=mend)


def _all_of(targets: Iterable[Target]) -> list[Any]:
    return [c for t in targets for c in t.weights]


def _due(
    targets: Sequence[Target], now: Gaussian, required: Mapping[str, Sequence[str]]
) -> tuple[str, ...]:
    """Return the topics that are not known well enough."""
    loose = {t.topic for t in targets if t.half_width(now) > NEARLY * t.wanted}
    return tuple(t.name for t in TOPICS if t.name in loose or t.name in required)


def _offered(known: PlanInput, due: tuple[str, ...]) -> list[Candidate]:
    from calib.plan.candidates import candidates

    if not due:
        return []
    asked = [
        r
        for k in known.unsettled
        if topic_of(k.correction.setting).name in due
        for r in k.correction.requests
    ]
    found = candidates(
        due, known.setup, known.reel, known.where.made(), known.posterior.knowledge,
        known.instruments, asked,
    )  # fmt: skip
    done = _printed(known)
    wanted = {r.pattern for r in asked}
    named = [(r.pattern, {k: str(v) for k, v in r.parameters.items()}) for r in asked]
    asked_for = {
        topic_of(k.correction.setting).name for k in known.unsettled if k.correction.requests
    }
    offered = []
    for c in found:
        is_named = _is_named(c, named)
        if is_named if c.request.pattern in wanted else not _spent(c, done):
            covers = set(c.request.settles) if is_named else set(c.request.settles) - asked_for
            offered.append(replace(c, covers=frozenset(covers)))
    return offered


def _is_named(c: Candidate, named: Sequence[tuple[str, dict[str, str]]]) -> bool:
    """Whether a piece is made as a finding asks for it, but for what gave way to fit the printer."""
    given = {k: str(v) for k, v in c.request.parameters.items()}
    return any(
        pattern == c.request.pattern
        and (c.note or all(given.get(k) == v for k, v in asked.items()))
        for pattern, asked in named
    )


def _printed(known: PlanInput) -> set[tuple[str, str]]:
    """Return (topic, pattern) of what was found with this very spool and still holds."""
    own = [v for v in known.in_force if not v.stale and not v.inherited_from]
    return {(topic_of(v.setting).name, v.source.pattern) for v in own}


def _spent(c: Candidate, done: set[tuple[str, str]]) -> bool:
    """Whether a ladder or tower was printed already and told what it can."""
    topics = set(c.request.settles)
    return not topics & _BY_LENGTHS and all((t, c.request.pattern) in done for t in topics)


def _taken(known: PlanInput, name: str) -> str:
    """Say what stands for a topic of which nothing is in force; empty where something is."""
    if name not in AFTER_EVENTS or any(topic_of(v.setting).name == name for v in known.in_force):
        return ""
    axes = [known.printer.axis(a) for a in ("E" if name == "extruder" else "XYZ")]
    if any(a.best_steps_per_mm is None for a in axes):
        return "not known"
    return "as set in the printer" if all(a.steps_per_mm for a in axes) else "from the mechanics"


def _aim(t: Target, now: Gaussian, done: Gaussian) -> Aim:
    return Aim(
        name=t.name, label=t.label, unit=t.unit, topic=t.topic, now=t.half_width(now),
        after=t.half_width(done), wanted=t.wanted,
    )  # fmt: skip


def _in_order(
    known: PlanInput,
    found: Shortest,
    targets: Sequence[Target],
    required: Mapping[str, Sequence[str]],
    now: Gaussian,
) -> tuple[Step, ...]:
    """Return the chosen pieces in the order in which they are to be done, one step for each."""
    order = [t.name for t in TOPICS]
    steps = []
    for c in found.chosen:
        loose = [t for t in targets if t.half_width(now) > NEARLY * t.wanted and _helps(c, t, now)]
        needed = {t.topic for t in loose} | {t for t in required if t in c.request.settles}
        mine = tuple(t for t in order if t in needed)
        why = list(dict.fromkeys(text for t in mine for text in required.get(t, ())))
        begun = [t for t in loose if t.topic not in required and not _never(known, t)]
        why += _loose_words(known, begun, now)
        why += [c.note] if c.note else []
        new = {t.topic for t in loose if _never(known, t)} - set(required)
        step = replace(_step(c, mine, why), never=tuple(t for t in mine if t in new))
        steps.append((order.index(mine[0]) if mine else len(order), step))
    placed = sorted(steps, key=lambda pair: pair[0])
    alone = {c.request.pattern for c in found.chosen if c.alone}
    return _on_plates([step for _, step in placed], alone)


def _on_plates(steps: Sequence[Step], alone: set[str]) -> tuple[Step, ...]:
    """Order the steps, and put pieces that need the same settings on one plate.

    What rests on another's answer comes later.
    """
    stages = _stages(steps)
    plates: dict[tuple[int, str], int] = {}
    found = []
    for stage, s in sorted(zip(stages, steps, strict=True), key=lambda pair: pair[0]):
        key = (stage, s.piece if s.piece in alone else "")
        plate = plates.setdefault(key, len(plates) + 1) if s.minutes else 0
        found.append(replace(s, plate=plate))
    return tuple(found)


def _stages(steps: Sequence[Step]) -> list[int]:
    """Return for each step how many others must come before it, one after another."""
    stages = [0] * len(steps)
    for _ in steps:  # a chain is no longer than there are steps
        settled_at = {t: stage for s, stage in zip(steps, stages, strict=True) for t in s.topics}
        stages = [
            1 + max((settled_at[t] for t in _rests_on(s) if t in settled_at), default=-1)
            for s in steps
        ]
    return stages


def _rests_on(step: Step) -> set[str]:
    return {t for name in step.topics for t in topic(name).after if t not in step.topics}


def _helps(c: Candidate, t: Target, now: Gaussian) -> bool:
    """Whether a piece by itself makes a number noticeably surer."""
    return t.half_width(now.with_block(c.block)) < 0.9 * t.half_width(now)


def _never(known: PlanInput, t: Target) -> bool:
    """Whether nothing was measured yet of what a target is about."""
    begun = {topic_of(v.setting).name for v in known.in_force}
    return t.topic not in begun and t.name in (*SETTINGS, "level")


def _loose_words(known: PlanInput, loose: Sequence[Target], now: Gaussian) -> list[str]:
    """Say of what is known too little, and how little; what is known alike is said once."""
    have = {v.setting: v for v in known.in_force}
    alike: dict[str, list[str]] = {}
    for t in loose:
        others = have[t.name].inherited_from if t.name in have else ()
        whose = f", inherited from {len(others)} other" if others else ""
        half = f"±{t.half_width(now):.2g} {t.unit}".rstrip()
        alike.setdefault(f"only known to {half}{whose}; ±{t.wanted:g} is wanted", []).append(
            t.label
        )
    return [f"{labels_joined(labels)}: {words}" for words, labels in alike.items()]


def _step(c: Candidate, topics: tuple[str, ...], why: Sequence[str]) -> Step:
    return Step(
        request=replace(c.request, why="; ".join(why), settles=topics),
        why=tuple(why),
        settles=", ".join(topic(t).what for t in c.request.settles),
        minutes=c.minutes or None,
        grams=c.grams or None,
        cost=c.cost,
        readings=c.readings,
    )
