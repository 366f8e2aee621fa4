"""What the posterior asks of what is known without any sheet: priors, changes, how much spools differ."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

import numpy as np

from calib.fit.linear import Array
from calib.profile.blocks import Coordinate

#: Weight, in spools, of what is usual against the spread seen: a proper prior, a judgement.
SPREAD_DOF = 3.0

Spreads = Mapping[tuple[str, str], "Spread"]


@dataclass(frozen=True, slots=True)
class Spread:
    """How much spools of a type differ in one quantity: standard deviation, and how well known."""

    sd: float
    dof: float = SPREAD_DOF
    spools: int = 0


class Knowledge(Protocol):
    """What is known without any sheet: `calib.profile.knowledge.World` in earnest."""

    def epoch(self, c: Coordinate, at: datetime) -> int:
        """Count the changes that events and time made to a coordinate before a moment."""

    def prior(self, c: Coordinate) -> tuple[float, float]:
        """Return mean and standard deviation before any reading."""

    def link(self, earlier: Coordinate, later: Coordinate) -> float | None:
        """Return the variance that was added between two epochs; None: nothing carries over."""

    def material(self, spool: str) -> str:
        """Return the type of a spool."""

    def usual_spread(self, quantity: str) -> float:
        """Return how much spools of one type usually differ."""

    def reference_steps(self, printer: str, axis: str) -> float | None:
        """Return the steps/mm at which an axis's scale is stated."""


def spread_of(spreads: Spreads, knowledge: Knowledge, c: Coordinate) -> Spread:
    """Return how much spools of a coordinate's type differ in it: as learnt, else what is usual."""
    usual = knowledge.usual_spread(c.quantity)
    return spreads.get((knowledge.material(c.owner), c.quantity), Spread(usual))


def latest_of(coordinates: Iterable[Coordinate]) -> dict[Coordinate, int]:
    """Return coordinate at epoch 0 -> the newest epoch among these."""
    latest: dict[Coordinate, int] = {}
    for c in coordinates:
        first = c._replace(epoch=0)
        latest[first] = max(c.epoch, latest.get(first, 0))
    return latest


def link_variance(knowledge: Knowledge, earlier: Coordinate, later: Coordinate) -> float | None:
    """Return the variance between two epochs, never quite nothing; None: nothing carries over."""
    added = knowledge.link(earlier, later)
    return None if added is None else max(added, 1e-10 * knowledge.prior(later)[1] ** 2)


def prior_information(
    coordinates: Sequence[Coordinate], knowledge: Knowledge, spreads: Spreads
) -> tuple[Array, Array]:
    """Return the prior as information matrix and vector, epochs of one thing linked in a chain."""
    n, b = np.zeros((len(coordinates),) * 2), np.zeros(len(coordinates))
    chains: dict[tuple[str, str, str], list[tuple[int, Coordinate]]] = defaultdict(list)
    for i, c in enumerate(coordinates):
        chains[c[:3]].append((i, c))
    for chain in chains.values():
        chain.sort(key=lambda pair: pair[1].epoch)
        before: tuple[int, Coordinate] | None = None
        for i, c in chain:
            added = None if before is None else link_variance(knowledge, before[1], c)
            if before is None or added is None:
                mean, sd = (
                    (0.0, spread_of(spreads, knowledge, c).sd)
                    if c.kind == "spool"
                    else knowledge.prior(c)
                )
                n[i, i] += 1 / sd**2
                b[i] += mean / sd**2
            else:
                j, tie = before[0], 1 / added
                n[[i, j, i, j], [i, j, j, i]] += [tie, tie, -tie, -tie]
            before = (i, c)
    return n, b
