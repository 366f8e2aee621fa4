"""What a value rests on: how many readings and sheets, and which matter most."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from calib.model.estimate import Estimate
from calib.profile.answers import Answer
from calib.profile.blocks import Block, Coordinate, without_pieces
from calib.profile.gaussian import Gaussian
from calib.profile.posterior import Posterior
from calib.profile.spools import placed

_MOST = 60  # newest blocks that are looked at one by one


@dataclass(frozen=True, slots=True, kw_only=True)
class Rests:
    """What a value rests on.

    Attributes
    ----------
    readings, sheets, spools : int
        Of the sheets that speak of anything the value is made of.
    since : datetime or None
        When the oldest of them was kept that nothing has made void since.
    before : Estimate or None
        What was known without the newest of them; None where it is the only one.
    newest : Block or None
    """

    readings: int = 0
    sheets: int = 0
    spools: int = 0
    since: datetime | None = None
    before: Estimate | None = None
    newest: Block | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """What one sheet does to a value: by how much it moves it, and its share of what is known."""

    block: Block
    moved: float
    share: float


def bearing(posterior: Posterior, answer: Answer, blocks: Sequence[Block]) -> list[Block]:
    """Return the blocks, oldest first, that speak of what an answer is made of and still inform it."""
    found = []
    for block in sorted(blocks, key=lambda b: b.at):
        here = placed(block, posterior.knowledge)
        if any(_informs(c, answer.weights, posterior) for c in here.coordinates):
            found.append(here)
    return found


def _informs(c: Coordinate, weights: Mapping[Coordinate, float], posterior: Posterior) -> bool:
    """Whether a coordinate is one of an answer's own, or an earlier epoch that carries over to it."""
    for mine in weights:
        if mine[:3] == c[:3] and c.epoch <= mine.epoch:
            return posterior.knowledge.link(c, mine) is not None
    return False


def own(blocks: Sequence[Block], answer: Answer) -> list[Block]:
    """Return, of some blocks, those of what is narrower than a type: the machine's and the roll's own."""
    keys = {c[:3] for c in answer.weights if c.kind != "material"}
    return [b for b in blocks if any(c[:3] in keys for c in b.coordinates)]


def rests(posterior: Posterior, answer: Answer, blocks: Sequence[Block]) -> Rests:
    """Say what a value rests on."""
    found = bearing(posterior, answer, blocks)
    if not found:
        return Rests()
    newest = found[-1]
    before = None
    if len(found) > 1:
        block, joint = _ready(posterior, answer, newest)
        before = answer.estimate(joint.without_block(block))
    return Rests(
        readings=sum(b.readings for b in found),
        sheets=len(found),
        spools=len({b.owner("spool") for b in found} - {""}),
        since=found[0].at,
        before=before,
        newest=newest,
    )


def influences(posterior: Posterior, answer: Answer, blocks: Sequence[Block]) -> list[Influence]:
    """Return what each sheet does to a value, the weightiest first."""
    found = []
    for one in bearing(posterior, answer, blocks)[-_MOST:]:
        block, joint = _ready(posterior, answer, one)
        with_it, without = answer.estimate(joint), answer.estimate(joint.without_block(block))
        share = 1 - (with_it.u / without.u) ** 2 if without.u > 0 else 0.0
        found.append(Influence(block=one, moved=with_it.value - without.value, share=share))
    return sorted(found, key=lambda i: -i.share)


def _ready(posterior: Posterior, answer: Answer, block: Block) -> tuple[Block, Gaussian]:
    """Return a placed block without its piece's own parts, and the joint of it and an answer."""
    block = without_pieces(block, _piece_priors(posterior, block))
    return block, posterior.joint([*answer.weights, *block.coordinates])


def _piece_priors(posterior: Posterior, block: Block) -> dict[Coordinate, float]:
    return {c: posterior.knowledge.prior(c)[1] for c in block.coordinates if c.kind == "piece"}


def moved_words(now: Estimate, before: Estimate, places: int) -> str:
    """Say what the last sheet changed: value and half-width, from what to what."""
    halves = (before.expanded(), now.expanded())
    if any(not math.isfinite(h) for h in halves):
        return ""
    return (
        f"{before.value:.{places}f} ±{halves[0]:.2g} became {now.value:.{places}f} ±{halves[1]:.2g}"
    )
