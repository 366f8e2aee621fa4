"""The sheets of one spool summed, and the spool eliminated: what it says of what spools share."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.fit.linear import Array
from calib.profile.blocks import Block, Coordinate
from calib.profile.prior import Knowledge, Spreads, prior_information


@dataclass(frozen=True, eq=False, kw_only=True)
class SpoolSum:
    """The blocks of one spool summed, its pieces eliminated; `local` are the spool's own parts.

    Without prior of the spool's own parts. `n` (l + c, l + c), `b` (l + c,).
    """

    local: tuple[Coordinate, ...]
    common: tuple[Coordinate, ...]
    n: Array
    b: Array


def placed(block: Block, knowledge: Knowledge) -> Block:
    """Return a block with its coordinates in their epochs, and at the steps of reference."""
    epochs = [knowledge.epoch(c, block.at) for c in block.coordinates]
    coordinates = tuple(
        c._replace(epoch=e) if e else c for c, e in zip(block.coordinates, epochs, strict=True)
    )
    z = block.z
    for i, c in enumerate(block.coordinates):
        axis = c.quantity.removeprefix("scale_").upper()
        if c.kind == "printer" and axis in block.steps and c.quantity.startswith("scale_"):
            reference = knowledge.reference_steps(c.owner, axis)
            if reference:
                z = z - block.r[:, i] * np.log(block.steps[axis] / reference)
    return replace(block, coordinates=coordinates, z=z)


def summed(blocks: Iterable[Block], knowledge: Knowledge) -> dict[str, SpoolSum]:
    """Sum the blocks by spool; those without a spool (checks without plastic) each by itself."""
    groups: dict[str, list[Block]] = defaultdict(list)
    for block in blocks:
        groups[group_of(block)].append(placed(block, knowledge))
    # In the order of their names, so that the order of keeping does not even change the last digit.
    return {
        spool: _spool_sum(sorted(found, key=lambda b: b.uid), knowledge)
        for spool, found in sorted(groups.items())
    }


def group_of(block: Block) -> str:
    """Return the name under which a block is summed: its spool, else its own."""
    return block.owner("spool") or f"sheet {block.uid}"


def _spool_sum(blocks: Sequence[Block], knowledge: Knowledge) -> SpoolSum:
    named = sorted({c for b in blocks for c in b.coordinates})
    pieces = [c for c in named if c.kind == "piece"]
    local = [c for c in named if c.kind == "spool"]
    common = [c for c in named if c.kind not in ("piece", "spool")]
    at = {c: i for i, c in enumerate([*pieces, *local, *common])}
    n, b = np.zeros((len(at), len(at))), np.zeros(len(at))
    for block in blocks:
        here = [at[c] for c in block.coordinates]
        r, z, sign = block.rows()
        n[np.ix_(here, here)] += (r.T * sign) @ r
        b[here] += r.T @ (sign * z)
    k = len(pieces)
    if k:
        mean, sd = np.array([knowledge.prior(c) for c in pieces]).T
        n[range(k), range(k)] += 1 / sd**2
        b[:k] += mean / sd**2
        gain = np.linalg.solve(n[:k, :k], np.column_stack([n[:k, k:], b[:k]]))
        b = b[k:] - n[k:, :k] @ gain[:, -1]
        n = n[k:, k:] - n[k:, :k] @ gain[:, :-1]
    return SpoolSum(local=tuple(local), common=tuple(common), n=n, b=b)


@dataclass(frozen=True, eq=False, kw_only=True)
class Eliminated:
    """A spool given what it shares: local = b - g common + N(0, w)."""

    local: tuple[Coordinate, ...]
    common: tuple[Coordinate, ...]
    w: Array
    g: Array
    b: Array


def eliminated(
    s: SpoolSum, knowledge: Knowledge, spreads: Spreads
) -> tuple[Eliminated, Array, Array]:
    """Eliminate a spool's own parts.

    Returns
    -------
    the spool given what it shares; what it says of that: information (c, c) and pull (c,)
    """
    k = len(s.local)
    if not k:
        none = Eliminated(
            local=(),
            common=s.common,
            w=np.zeros((0, 0)),
            g=np.zeros((0, len(s.common))),
            b=np.zeros(0),
        )
        return none, s.n, s.b
    n, b = prior_information(s.local, knowledge, spreads)
    w: Array = np.linalg.inv(s.n[:k, :k] + n).astype(np.float64)
    g = w @ s.n[:k, k:]
    loose = w @ (s.b[:k] + b)
    found = Eliminated(local=s.local, common=s.common, w=w, g=g, b=loose)
    return found, s.n[k:, k:] - s.n[k:, :k] @ g, s.b[k:] - s.n[k:, :k] @ loose
