"""The shortest print: which pieces bring what matters to its tolerance in the fewest minutes.

Greedy by expected reduction per minute, then what became needless is dropped. Everything rests on
one joint Gaussian: what a piece will read is not known before, but how sure it will make us is.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from calib.model.request import Request
from calib.profile.blocks import Block, Coordinate
from calib.profile.gaussian import Gaussian

COVERAGE = 1.959964
#: What a hand needs beside the printer's minutes: to read a length, and to get a piece going.
READING_MIN = 0.4
HANDLING_MIN = 4.0
_MOST_STEPS = 25
#: What comes this near to its goal is there: half-widths are not known better than to a tenth.
NEARLY = 1.1
_LEAST_GAIN = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A number that is to be known to `wanted`, half of a 95 % interval.

    Attributes
    ----------
    weights : mapping
        It is this sum over the state; `extra_sd` scatters beside it, whatever is known.
    topic : str
        What it is settled with.
    """

    name: str
    label: str
    unit: str
    topic: str
    weights: Mapping[Coordinate, float]
    wanted: float
    extra_sd: float = 0.0

    def half_width(self, known: Gaussian) -> float:
        """Return half of the 95 % interval."""
        return COVERAGE * math.hypot(known.u(self.weights), self.extra_sd)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A piece that could be made, with what it would tell (its own scatter integrated out).

    `covers` are the topics that it counts as a measurement of; `note` says in words what gave way so
    that the printer can build it; `alone` whether it can't share a plate.
    """

    request: Request
    block: Block
    minutes: float
    grams: float
    readings: int
    cost: float | None = None
    note: str = ""
    alone: bool = False
    covers: frozenset[str] = frozenset()

    @property
    def effort(self) -> float:
        """Minutes of printing, and of the user's hands."""
        return self.minutes + HANDLING_MIN + READING_MIN * self.readings


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortest:
    """What to make, in the order in which it was chosen.

    Attributes
    ----------
    half_before, half_after : target's name -> half-width
    open : names of targets that stay beyond what is wanted
    """

    chosen: tuple[Candidate, ...]
    half_before: Mapping[str, float]
    half_after: Mapping[str, float]
    open: tuple[str, ...]

    @property
    def minutes(self) -> float:
        """Minutes of printing."""
        return sum(c.minutes for c in self.chosen)

    @property
    def grams(self) -> float:
        """Grams of plastic."""
        return sum(c.grams for c in self.chosen)

    @property
    def readings(self) -> int:
        """Readings to take."""
        return sum(c.readings for c in self.chosen)


def shortest(
    known: Gaussian,
    targets: Sequence[Target],
    candidates: Sequence[Candidate],
    minutes: float | None = None,
    required: frozenset[str] = frozenset(),
) -> Shortest:
    """Choose pieces for the fewest minutes.

    Parameters
    ----------
    known : Gaussian
        Over every coordinate of the targets and of the candidates' blocks.
    minutes : float or None
        Minutes of printing at most: then what can be had in them, the goal met or not.
    required : set of str
        Topics of which something must be measured, however well they seem to be known.
    """
    before = {t.name: t.half_width(known) for t in targets}
    aim = _Aim(targets, required & {t for c in candidates for t in c.covers})
    chosen: list[Candidate] = []
    while len(chosen) < _MOST_STEPS and aim.missing(known, chosen) > 0:
        left = math.inf if minutes is None else minutes - sum(c.minutes for c in chosen)
        # A second piece of a sort waits until the first was measured: it may not be needed.
        made = {c.request.pattern for c in chosen}
        others = [c for c in candidates if c.request.pattern not in made]
        best = _best(known, aim, chosen, [c for c in others if c.minutes <= left + 1e-9])
        if best is None:
            break
        chosen.append(best)
    chosen = _exchanged(known, aim, chosen, candidates, minutes)
    chosen = _needed(known, aim, _cheaper(known, aim, chosen, candidates))
    now = _with(known, chosen)
    after = {t.name: t.half_width(now) for t in targets}
    still = tuple(t.name for t in targets if after[t.name] > NEARLY * t.wanted)
    return Shortest(chosen=tuple(chosen), half_before=before, half_after=after, open=still)


def needless(
    known: Gaussian,
    targets: Sequence[Target],
    chosen: Sequence[Candidate],
    required: frozenset[str] = frozenset(),
) -> list[Candidate]:
    """Return the chosen pieces that something else, which `known` holds already, makes needless."""
    left = _needed(known, _Aim(targets, required), list(chosen))
    return [c for c in chosen if c not in left]


def _with(known: Gaussian, chosen: Sequence[Candidate]) -> Gaussian:
    for c in chosen:
        known = known.with_block(c.block)
    return known


@dataclass(frozen=True, slots=True)
class _Aim:
    """Targets to reach, and topics to measure."""

    targets: Sequence[Target]
    required: frozenset[str]

    def missing(self, known: Gaussian, chosen: Sequence[Candidate]) -> float:
        """Return how far it is to the goal with some pieces, on a scale of logarithms."""
        now = _with(known, chosen)
        far = [math.log(t.half_width(now) / (NEARLY * t.wanted)) for t in self.targets]
        told = {t for c in chosen for t in c.covers}
        return sum(f for f in far if f > 0) + len(self.required - told)


def _best(
    known: Gaussian, aim: _Aim, chosen: Sequence[Candidate], candidates: Sequence[Candidate]
) -> Candidate | None:
    """Return the candidate that brings most per minute; None where none brings anything."""
    before = aim.missing(known, chosen)
    gains = [before - aim.missing(known, [*chosen, c]) for c in candidates]
    rates = [gain / c.effort for gain, c in zip(gains, candidates, strict=True)]
    best = max(range(len(rates)), key=rates.__getitem__, default=None)
    # What brings next to nothing is no way to the goal, however cheap it is.
    return None if best is None or gains[best] < _LEAST_GAIN else candidates[best]


def _exchanged(
    known: Gaussian,
    aim: _Aim,
    chosen: list[Candidate],
    candidates: Sequence[Candidate],
    minutes: float | None,
) -> list[Candidate]:
    """Take a piece in another size where the cheap one falls short of the goal."""
    for i, one in enumerate(chosen):
        for other in candidates:
            if other.request.pattern != one.request.pattern or other is one:
                continue
            changed = [*chosen[:i], other, *chosen[i + 1 :]]
            spent = sum(c.minutes for c in changed)
            fits = minutes is None or spent <= minutes + 1e-9
            if fits and aim.missing(known, changed) < aim.missing(known, chosen) - 1e-6:
                chosen = changed
                one = other
    return chosen


def _cheaper(
    known: Gaussian, aim: _Aim, chosen: list[Candidate], candidates: Sequence[Candidate]
) -> list[Candidate]:
    """Take a piece in another size where that makes a second piece needless and saves time."""
    least = aim.missing(known, chosen)
    for one in list(chosen):
        for other in candidates:
            if one not in chosen or other is one or other.request.pattern != one.request.pattern:
                continue
            swapped = [other if c is one else c for c in chosen]
            for spare in [c for c in swapped if c is not other]:
                fewer = [c for c in swapped if c is not spare]
                saves = sum(c.effort for c in fewer) < sum(c.effort for c in chosen)
                if saves and aim.missing(known, fewer) <= least + 1e-9:
                    chosen = fewer
                    break
    return chosen


def _needed(known: Gaussian, aim: _Aim, chosen: list[Candidate]) -> list[Candidate]:
    """Drop, the dearest first, what the others have made needless."""
    least = aim.missing(known, chosen)
    for c in sorted(chosen, key=lambda c: -c.effort):
        others = [o for o in chosen if o is not c]
        if len(others) < len(chosen) and aim.missing(known, others) <= least + 1e-9:
            chosen = others
    return chosen
