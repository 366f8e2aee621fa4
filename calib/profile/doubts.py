"""Sheets that do not go with the others: how likely one is wrong, why, and what it counts for then.

Each sheet is held against what all others foretell. For each thing that may have gone wrong (an axis set
otherwise than the sheet says, another roll on the printer, ...) its readings are off by an unknown amount,
alike in one direction: either nothing or, with a small probability beforehand, normal about nothing with
a wide standard deviation. The odds of the two follow from the readings (Mitchell and Beauchamp 1988). The
joint posterior stays Gaussian: the amount becomes a term of the sheet whose mean and variance are those of
the two together (expectation propagation, Minka 2001). A sheet that is clearly wrong then tells nothing
in that direction, and all the rest; of one that may be either, what it speaks of is left as wide as the
two answers lie apart.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from calib.fit.linear import Array
from calib.profile.blocks import Block, Coordinate, Doubt, without_pieces
from calib.profile.gaussian import Gaussian
from calib.profile.posterior import Posterior, solve
from calib.profile.prior import Knowledge, Spreads
from calib.profile.reasons import Held, reasons
from calib.profile.spools import SpoolSum, group_of, placed, summed
from calib.profile.spreads import as_others_differ, learnt

#: Of how many sheets one is off in some way, beforehand: a judgement.
WRONG = 0.04
#: A sheet is said to disagree where it is more likely wrong than this, or where chance would make one of
#: so many as odd.
SAID, ODD = 0.5, 1e-3
#: Sheets that are off by less than this, in standard deviations, are not looked at further.
_LOOK, _LOOK_OF_MANY = 2.0, 3.0
#: Likely wrong by less than this counts as right.
_NOTHING = 0.03
#: Of several sheets of which one is wrong, each that is likelier so than this is doubted.
_EITHER = 0.2
#: Other sheets must have told a thing, all else given, to so many times its precision before any sheet.
_TOLD = 2.0
#: Rounds of judging and learning; with more rolls, or sheets, than this once.
_ROUNDS, _MANY = 5, 100
_SETTLED = 0.01
#: What is left open of a sheet's direction is at most this many times what the others leave open (variance).
_WIDEST = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """How a sheet goes with the others.

    Attributes
    ----------
    uid, pattern, at, printer
        Of the sheet.
    chi2, dof, odds
        Of what it differs by from what the others foretell, and how often chance makes as much.
    against : float
        How much likelier it is that something went wrong with it than that nothing did.
    reason : str
        What most likely did.
    doubt : Doubt or None
        What it counts for; None where it counts fully.
    """

    uid: str
    pattern: str
    at: datetime
    printer: str
    chi2: float
    dof: int
    odds: float
    against: float
    reason: str
    doubt: Doubt | None

    @property
    def wrong(self) -> float:
        """How likely something went wrong with it."""
        return self.against / (1 + self.against)

    @property
    def disagrees(self) -> bool:
        """Whether it is worth saying."""
        return self.wrong > SAID or self.odds < ODD


@dataclass(frozen=True, eq=False, kw_only=True)
class Robust:
    """A posterior, the blocks as they count in it, and how the odder sheets go with the others."""

    posterior: Posterior
    blocks: Sequence[Block]
    judged: Mapping[str, Judgement]


def robust(blocks: Iterable[Block], knowledge: Knowledge, start: Spreads | None = None) -> Robust:
    """Return the posterior of all blocks, each counted for as much as it is likely right.

    The order of the blocks does not matter. An odd sheet drags others along and widens how far rolls seem
    to differ: so sheets are judged and spreads learnt in turn.
    """
    counted = sorted(blocks, key=lambda b: b.uid)
    sums = summed(counted, knowledge)
    judged: dict[str, Judgement] = {}
    many = len(sums) > _MANY
    for _ in range(1 if many else _ROUNDS):
        found = learnt(sums, knowledge, start)
        judged = all_judged(found, counted, judged)
        after = [b.carefully() for b in counting(counted, judged)]
        if _settled(counted, after):
            break
        sums |= _changed_sums(counted, after, knowledge)
        counted, start = after, found.spreads
    if any(j.doubt for j in judged.values()):
        after = counting(counted, judged)
        sums |= _changed_sums(counted, after, knowledge)
        counted, found = after, solve(sums, knowledge, found.spreads)
    return Robust(posterior=found, blocks=counted, judged=judged)


def _changed_sums(
    before: Sequence[Block], after: Sequence[Block], knowledge: Knowledge
) -> dict[str, SpoolSum]:
    """Return the sums anew of those spools of which a sheet counts otherwise than before."""
    pairs = zip(before, after, strict=True)
    changed = {group_of(b) for a, b in pairs if a.doubt != b.doubt}
    return summed((b for b in after if group_of(b) in changed), knowledge)


def all_judged(
    posterior: Posterior, blocks: Sequence[Block], before: Mapping[str, Judgement]
) -> dict[str, Judgement]:
    """Judge blocks that are in the posterior; return, by sheet, what there is to say of the odder ones.

    Parameters
    ----------
    before : mapping
        How sheets were judged before, these and others.
    """
    old = {u: j for u, j in before.items() if j.doubt}
    sharing = Counter(_same(j) for j in old.values())
    found = {}
    for b in _suspects(posterior, blocks, _LOOK if len(blocks) < _MANY else _LOOK_OF_MANY):
        was = old.get(b.uid)
        now = was if was and sharing[_same(was)] > 1 else _judgement(posterior, b)
        if now:
            found[b.uid] = now
    found |= _newly_doubted([j for u, j in found.items() if j.doubt and u not in old])
    # Only a sheet that is doubted by itself leaves much open: no other one is judged by it.
    doubted = Counter(j.printer for j in (old | found).values() if j.doubt)
    return {
        u: replace(j, doubt=replace(j.doubt, widest=_WIDEST))
        if j.doubt and doubted[j.printer] < 2
        else j
        for u, j in found.items()
        if j.doubt or j.odds < ODD
    }


def _same(j: Judgement) -> tuple[str, tuple[Coordinate, ...]]:
    return j.printer, j.doubt.of if j.doubt else ()


def _newly_doubted(odd: Sequence[Judgement]) -> dict[str, Judgement]:
    """Return judgements of which, for each printer, only the oddest sheet is doubted.

    An odd sheet makes others look odd, by which it is judged. Any that the same would explain share the
    odds with it: one of them is wrong, and where that is open none tells much.
    """
    oddest = {j.printer: j for j in sorted(odd, key=lambda j: j.against)}
    groups = {p: [j for j in odd if _same(j) == _same(worst)] for p, worst in oddest.items()}
    found = {j.uid: replace(j, doubt=None) for j in odd}
    for group in groups.values():
        shared_out = [_among(j, group) for j in group]
        either = [j for j in shared_out if j.wrong > _EITHER]
        if len(either) < 2:
            either = [max(shared_out, key=lambda j: j.against)]
        for j in either:
            found[j.uid] = j if len(either) == 1 else replace(j, doubt=j.doubt and _open(j.doubt))
    return found


def _open(doubt: Doubt) -> Doubt:
    """Return a doubt for one of several sheets of which any may be wrong: it tells next to nothing."""
    return replace(doubt, wrong=1.0, sd=max(doubt.sd, abs(doubt.amount or 0.0)), amount=None)


def _among(j: Judgement, group: Sequence[Judgement]) -> Judgement:
    """Return a judgement where one of several sheets, at most, is wrong."""
    against = j.against / (1 + sum(o.against for o in group if o is not j))
    found = replace(j, against=against)
    return replace(found, doubt=j.doubt and replace(j.doubt, wrong=found.wrong))


def counting(blocks: Iterable[Block], judged: Mapping[str, Judgement]) -> list[Block]:
    """Return blocks as they count after judging."""
    doubts = {uid: j.doubt for uid, j in judged.items()}
    return [
        b if b.doubt == (doubt := doubts.get(b.uid)) else replace(b, doubt=doubt) for b in blocks
    ]


def _settled(before: Sequence[Block], after: Sequence[Block]) -> bool:
    """Whether judgements hardly changed; both hold the same sheets, counted carefully."""

    def same(a: Doubt | None, b: Doubt | None) -> bool:
        if a is None or b is None:
            return a is b
        return a.of == b.of and abs(math.log(a.wrong / b.wrong)) < _SETTLED

    return all(same(a.doubt, b.doubt) for a, b in zip(before, after, strict=True))


def _suspects(posterior: Posterior, blocks: Iterable[Block], look: float) -> Iterator[Block]:
    """Yield the blocks that are doubted, or off by `look` standard deviations for any reason.

    The same as `_judgement` finds, without its care for what is rare: a block of readings z with noise V
    and rows R, in a posterior with mean m and covariance C of its coordinates, is off in a direction a by
    a' V^-1 (z - R m) / q, with variance 1 / q, where q = a' (V^-1 - V^-1 R C R' V^-1) a.
    """
    knowledge = posterior.knowledge
    groups: dict[str, list[Block]] = defaultdict(list)
    directions: dict[tuple[tuple[str, str], ...], Array] = {}
    for block in blocks:
        groups[group_of(block)].append(block)
    for name, group in groups.items():
        if name not in posterior.spools:
            yield from group
            continue
        mean, covariance, at = posterior.of_spool(name)
        for block in group:
            if block.doubt:
                yield block
                continue
            one = placed(block, knowledge)
            sort = tuple((c.quantity, c.kind) for c in one.coordinates)
            if sort not in directions:
                directions[sort] = _directions(one, knowledge)
            lasting = [i for i, (_, kind) in enumerate(sort) if kind != "piece"]
            its_own = [i for i, (_, kind) in enumerate(sort) if kind == "piece"]
            sd = [knowledge.prior(one.coordinates[i])[1] for i in its_own]
            r, pieces = one.r[:, lasting], one.r[:, its_own] * sd
            here = [at[one.coordinates[i]] for i in lasting]
            weight = np.linalg.inv(np.eye(len(one.z)) + pieces @ pieces.T)
            a = weight @ one.r @ directions[sort]
            far = a.T @ (one.z - r @ mean[here])
            rows = r.T @ a
            q = np.sum(a * (one.r @ directions[sort]), axis=0)
            q -= np.sum(rows * (covariance[np.ix_(here, here)] @ rows), axis=0)
            if np.any(far**2 > look**2 * q):
                yield block


def _directions(block: Block, knowledge: Knowledge) -> Array:
    """Return (coordinates, reasons) 1 where a reason moves a coordinate."""
    columns = [[float(c in r.of) for c in block.coordinates] for r in reasons(block, knowledge)]
    return np.array(columns, float).reshape(-1, len(block.coordinates)).T


def _judgement(posterior: Posterior, block: Block) -> Judgement | None:
    """Judge a block that is in the posterior; None where there is nothing odd about it."""
    one = placed(block, posterior.knowledge)
    pieces = {c: posterior.knowledge.prior(c)[1] for c in one.coordinates if c.kind == "piece"}
    one = without_pieces(one, pieces)
    rest = posterior.joint(one.coordinates).without_block(one)
    one = replace(one, doubt=None)
    held = Held.against(rest, one)
    possible = [r for r in reasons(one, posterior.knowledge) if one.column(r.of).any()]
    strict = Held.against(_as_others_differ(posterior, rest, one), one)
    known = _told(rest)
    told = [r for r in possible if known.issuperset(r.of)]
    if not told:
        return None
    ratios = [strict.likelihood_ratio(r) for r in told]
    against = WRONG / (1 - WRONG) * sum(ratios) / len(ratios)
    wrong = against / (1 + against)
    reason = told[ratios.index(max(ratios))] if wrong > _NOTHING else None
    doubt = None
    if reason:
        amount, variance = held.amount(reason.of)
        first = tuple(c._replace(epoch=0) for c in reason.of)
        doubt = Doubt(of=first, wrong=wrong, sd=reason.sd, amount=amount, variance=variance)
    chi2, dof, odds = strict.odds()
    if reason is None and odds > ODD:
        return None
    return Judgement(
        uid=block.uid, pattern=block.pattern, at=block.at, printer=block.owner("printer"), chi2=chi2, dof=dof, odds=odds, against=against,
        reason=reason.words if reason else "", doubt=doubt,
    )  # fmt: skip


def _told(rest: Gaussian) -> set[Coordinate]:
    """Return the coordinates of which other sheets spoke: known better, all else given, than before any."""
    sd = np.sqrt(rest.prior_variance)
    precision = np.linalg.inv(rest.covariance / np.outer(sd, sd)).diagonal()
    return {c for c, p in zip(rest.coordinates, precision, strict=True) if p > _TOLD}


def _as_others_differ(posterior: Posterior, rest: Gaussian, block: Block) -> Gaussian:
    """Return what is foretold where a sheet's roll differs as much as the others do.

    How far rolls differ was learnt with this roll, whose sheet would hide in it.
    """
    spool = block.owner("spool")
    if spool not in posterior.spools:
        return rest
    known = rest.index
    others = {c: s for c, s in as_others_differ(posterior, spool).items() if c in known}
    return rest.with_spreads(others)


def judgement_json(j: Judgement) -> dict[str, Any]:
    """Return a judgement as plain data: what is stored."""
    return {**asdict(j), "at": j.at.isoformat()}


def judgement_from_json(data: Mapping[str, Any]) -> Judgement:
    """Return the judgement that `judgement_json` wrote."""
    d = data["doubt"]
    doubt = d and Doubt(**{**d, "of": tuple(Coordinate(*c) for c in d["of"])})
    return Judgement(**{**data, "at": datetime.fromisoformat(data["at"]), "doubt": doubt})
