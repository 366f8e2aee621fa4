"""What a value rests on: how many readings and sheets, which matter most, and which disagree."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from calib.fit.linear import Array
from calib.model.estimate import Estimate
from calib.profile.answers import Answer
from calib.profile.blocks import Block, Coordinate, without_pieces
from calib.profile.gaussian import Gaussian
from calib.profile.posterior import Posterior, learnt, placed, summed
from calib.profile.posterior import posterior as solve

#: A sheet is said to disagree where chance would make one of so many as odd as this.
ODD = 1e-3
#: Of that, the part of chi-square that one likely reason must take away.
_EXPLAINED = 0.75
_MOST_ODD = 4
_MANY = 2000
#: Odds below which a sheet is looked at once more, with all learnt anew without it.
_WORTH_A_LOOK = 0.3
#: Sheets of which one roll more or less still matters to how far rolls differ.
_FEW = 150
#: How well the scatter of a sheet's readings is known before they are: degrees of freedom whose t is as
#: wide, at one in a thousand, as a normal law whose sd is known to a factor of e^0.5 (`dimensions.PIECE`).
_SCATTER_DOF = 5.0
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """A sheet that does not go with the rest, with chi-square, its degrees of freedom and the odds."""

    block: Block
    chi2: float
    dof: int
    odds: float
    reason: str


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


def disagreement(
    posterior: Posterior, block: Block, others: Sequence[Block] | None = None
) -> Disagreement | None:
    """Say whether a block that is in the posterior does not go with all the rest, and likely why.

    Its readings are foretold from everything else; chi-square is of what they differ by, held against
    an F distribution since how far rolls differ is itself only learnt from those that were seen. None
    where chance makes as much in one sheet of a thousand.

    Parameters
    ----------
    others : sequence of Block or None
        All others: how far rolls differ is then learnt without this one, which would hide in it.
    """
    found = _held_against(_without(posterior, block, None), block, posterior)
    if others is not None and found.odds < _WORTH_A_LOOK:
        found = _held_against(_without(posterior, block, others), block, posterior)
    return found if found.odds < ODD else None


def _without(posterior: Posterior, block: Block, others: Sequence[Block] | None) -> Gaussian:
    """Return what all but one block tell of what it speaks of."""
    one = _alone(posterior, block)
    if others is None:
        return posterior.joint(one.coordinates).without_block(one)
    knowledge = posterior.knowledge
    return learnt(summed(others, knowledge), knowledge, posterior.spreads).joint(one.coordinates)


def _alone(posterior: Posterior, block: Block) -> Block:
    one = placed(block, posterior.knowledge)
    return without_pieces(one, _piece_priors(posterior, one))


def _held_against(rest: Gaussian, block: Block, posterior: Posterior) -> Disagreement:
    from scipy.special import fdtrc

    one = _alone(posterior, block)
    off, covariance = rest.surprise(one)
    dof = int(np.linalg.matrix_rank(one.r, tol=1e-6 * np.abs(one.r).max()))
    way = np.linalg.solve(covariance, off)
    chi2 = float(off @ way)
    # Welch-Satterthwaite of the direction in which it is off: the shares of the spreads and the noise.
    shares = (rest.covariance @ (one.r.T @ way) / rest.spread_sd) ** 2
    noise = float(way @ way) ** 2 / (_SCATTER_DOF + max(one.readings - dof, 0))
    parts = (float(np.sum(shares**2 / rest.spread_dof)) + noise) / max(chi2, 1e-300) ** 2
    odds = float(fdtrc(dof, min(1 / max(parts, 1e-300), 1e6), chi2 / dof)) if dof else 1.0
    reason = _likely(one, off, covariance, chi2)
    return Disagreement(block=block, chi2=chi2, dof=dof, odds=odds, reason=reason)


def _likely(block: Block, off: Array, covariance: Array, chi2: float) -> str:
    """Return the one reason that takes most of a disagreement away; empty where none does."""
    best, words = 0.0, ""
    inverse = np.linalg.inv(covariance)
    for columns, said in _reasons(block):
        a = block.r[:, columns].sum(axis=1)
        weight = float(a @ inverse @ a)
        taken = float(a @ inverse @ off) ** 2 / weight if weight > 0 else 0.0
        # Of two that explain as much the first, plainer one is said.
        if taken > best * 1.05:
            best, words = taken, said
    return words if best > _EXPLAINED * chi2 else ""


def _reasons(block: Block) -> list[tuple[list[int], str]]:
    """Return what may have gone wrong: columns that would be off together, and words for it."""
    at = {c: i for i, c in enumerate(block.coordinates)}

    def where(*names: str, kind: str) -> list[int]:
        return [at[c] for c in at if c.kind == kind and c.quantity in names]

    found = [
        (where("shrink_xy", "shrink_z", kind="spool"), "another roll was on the printer, or the caliper's scale is off"),
        (where("swell", kind="spool"), "another nozzle or flow was in use, or the caliper was not zeroed"),
        (where("first_layer", kind="printer"), "the first layer was set otherwise when it was printed"),
    ]  # fmt: skip
    for axis in "xyz":
        columns = where(f"scale_{axis}", kind="printer")
        found.append((columns, f"{axis.upper()} was set otherwise than its sheet says (scale or steps/mm), or its drive slipped"))  # fmt: skip
    for plane in ("xy", "xz", "yz"):
        columns = where(f"skew_{plane}", kind="printer")
        found.append((columns, f"the {plane.upper()} axes were not as square as on the other sheets: the frame moved, or was squared"))  # fmt: skip
    known = {"shrink_xy", "shrink_z", "swell", "first_layer"}
    for c, i in at.items():
        if c.kind == "spool" and c.quantity not in known and not c.quantity.startswith("swell"):
            found.append(([i], f"{c.quantity} was judged otherwise"))
    return [(columns, words) for columns, words in found if columns]


def disagreements(
    posterior: Posterior, blocks: Sequence[Block], among: Sequence[Block]
) -> list[Disagreement]:
    """Return the sheets that disagree with the rest, the oddest first.

    One wrong sheet drags the others along: so the oddest is taken out, and the others are looked at
    anew without it.

    Parameters
    ----------
    blocks : sequence of Block
        All that the posterior rests on.
    among : sequence of Block
        Those of them that are asked about; the newest are looked at.
    """
    found: list[Disagreement] = []
    left, asked = list(blocks), list(among)[-_MOST:]
    while len(found) < _MOST_ODD:
        few = len(left) <= _FEW
        odd = [
            d
            for b in asked
            if (d := disagreement(posterior, b, [o for o in left if o is not b] if few else None))
            is not None
        ]
        if not odd:
            break
        worst = min(odd, key=lambda d: d.odds)
        found.append(worst)
        left = [b for b in left if b is not worst.block]
        asked = [b for b in asked if b is not worst.block]
        if len(left) > _MANY:  # a large store is not solved again for that
            break
        posterior = solve(left, posterior.knowledge, posterior.spreads)
    return found


def moved_words(now: Estimate, before: Estimate, places: int) -> str:
    """Say what the last sheet changed: value and half-width, from what to what."""
    halves = (before.expanded(), now.expanded())
    if any(not math.isfinite(h) for h in halves):
        return ""
    return (
        f"{before.value:.{places}f} ±{halves[0]:.2g} became {now.value:.{places}f} ±{halves[1]:.2g}"
    )
