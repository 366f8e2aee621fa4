"""Part of a large posterior: what is shared and asked for, brought up to date with the sheets since.

The posterior of all sheets is a joint Gaussian, so any of its coordinates by themselves are one too,
and a roll whose sheets changed changes them by a known amount of information:

    covariance' = covariance - C (1 + D S)^-1 D C^T,  mean' = mean + C (1 + D S)^-1 (d - D m)

with D, d the change of information and of pull that the roll's sheets bring (its own parts eliminated
before and after), S, m covariance and mean of what they touch, C the covariance with it. Nothing is
approximated, but that how far rolls differ stays as it was learnt.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.fit.linear import Array
from calib.profile.blocks import Coordinate
from calib.profile.posterior import Posterior
from calib.profile.prior import Knowledge, Spreads, latest_of, link_variance
from calib.profile.spools import SpoolSum, eliminated


class NotInOrder(Exception):
    """Sheets of a time between others came or went: the posterior has to be worked out anew."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Excerpt:
    """Some shared coordinates, jointly: mean (n,), covariance (n, n), told (n,): by how many rolls."""

    coordinates: tuple[Coordinate, ...]
    mean: Array
    covariance: Array
    told: NDArray[np.int64]

    @classmethod
    def whole(cls, posterior: Posterior) -> "Excerpt":
        """Return everything that rolls share."""
        told = np.zeros(len(posterior.coordinates), dtype=np.int64)
        for s in posterior.spools.values():
            told[[posterior.index[c] for c in s.common]] += 1
        return cls(
            coordinates=posterior.coordinates,
            mean=posterior.mean,
            covariance=posterior.covariance,
            told=told,
        )

    def extended(self, wanted: Iterable[Coordinate], knowledge: Knowledge) -> "Excerpt":
        """Add coordinates that no sheet has spoken of: as events and time made them, else by their prior.

        Raises
        ------
        NotInOrder
            A later epoch of one of them is here already.
        """
        found = self
        newest = latest_of(found.coordinates)
        for c in sorted(set(wanted) - set(found.coordinates), key=lambda c: c.epoch):
            before = newest.get(c._replace(epoch=0))
            if before is not None and before > c.epoch:
                raise NotInOrder
            found = found._with(c, before, knowledge)
            newest[c._replace(epoch=0)] = c.epoch
        return found

    def _with(self, c: Coordinate, before: int | None, knowledge: Knowledge) -> "Excerpt":
        mean, sd = knowledge.prior(c)
        lean, variance = np.zeros(len(self.mean)), sd**2
        if before is not None:
            earlier = c._replace(epoch=before)
            added = link_variance(knowledge, earlier, c)
            if added is not None:
                i = self.coordinates.index(earlier)
                lean, mean = np.array(self.covariance[i]), float(self.mean[i])
                variance = float(self.covariance[i, i]) + added
        return Excerpt(
            coordinates=(*self.coordinates, c),
            mean=np.append(self.mean, mean),
            covariance=np.block([[self.covariance, lean[:, None]], [lean[None, :], variance]]),
            told=np.append(self.told, 0),
        )

    def changed(
        self,
        before: Sequence[SpoolSum],
        after: Sequence[SpoolSum],
        knowledge: Knowledge,
        spreads: Spreads,
    ) -> "Excerpt":
        """Take out what some rolls' sheets told before, and put in what they tell now.

        Raises
        ------
        NotInOrder
            What is taken out leaves nothing that a doubt rested on.
        """
        touched = sorted({c for s in (*before, *after) for c in s.common})
        if not touched:
            return self
        more, pull = np.zeros((len(touched),) * 2), np.zeros(len(touched))
        told = np.zeros(len(touched), dtype=np.int64)
        place = {c: i for i, c in enumerate(touched)}
        for sign, sums in ((-1, before), (1, after)):
            for s in sums:
                _, n, b = eliminated(s, knowledge, spreads)
                at = [place[c] for c in s.common]
                more[np.ix_(at, at)] += sign * n
                pull[at] += sign * b
                told[at] += sign
        found = self.extended(touched, knowledge)
        at = [found.coordinates.index(c) for c in touched]
        # In units of the standard deviations, so that no digits are lost.
        sd: Array = np.sqrt(np.diag(found.covariance))
        c, u = found.covariance / np.outer(sd, sd), sd[at]
        more, pull = more * np.outer(u, u), (pull - more @ found.mean[at]) * u
        gain = np.linalg.solve(np.eye(len(at)) + c[np.ix_(at, at)] @ more, c[at]).T
        covariance = c - gain @ more @ c[at]
        if covariance.diagonal().min() <= 0:  # what a doubt rested on is gone
            raise NotInOrder
        count = found.told.copy()
        count[at] += told
        return Excerpt(
            coordinates=found.coordinates,
            mean=found.mean + sd * (gain @ pull),
            covariance=(covariance + covariance.T) / 2 * np.outer(sd, sd),
            told=count,
        )._without_untold(at)

    def _without_untold(self, touched: Sequence[int]) -> "Excerpt":
        """Drop what no sheet speaks of any more: from then on its prior holds, whatever happened since.

        Raises
        ------
        NotInOrder
            A later epoch of it rests on it.
        """
        gone = {i for i in touched if self.told[i] == 0}
        newest = latest_of(c for i, c in enumerate(self.coordinates) if i not in gone)
        for c in (self.coordinates[i] for i in gone):
            if newest.get(c._replace(epoch=0), -1) > c.epoch:
                raise NotInOrder
        left = [i for i in range(len(self.coordinates)) if i not in gone]
        return Excerpt(
            coordinates=tuple(self.coordinates[i] for i in left),
            mean=self.mean[left],
            covariance=self.covariance[np.ix_(left, left)],
            told=self.told[left],
        )

    def posterior(
        self, rolls: Mapping[str, SpoolSum], knowledge: Knowledge, spreads: Spreads
    ) -> Posterior:
        """Return it as a posterior, with some rolls given what they share."""
        shared = {c for s in rolls.values() for c in s.common}
        found = self.extended(shared, knowledge)
        return Posterior(
            knowledge=knowledge,
            coordinates=found.coordinates,
            mean=found.mean,
            covariance=found.covariance,
            spools={name: eliminated(s, knowledge, spreads)[0] for name, s in rolls.items()},
            spreads=dict(spreads),
        )
