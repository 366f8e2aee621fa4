"""Reversal value and repeatability of an axis whose places are come to from both sides, as ISO 230-2 defines them.

With x_ij the deviations of n approaches to place i from one side, and of n from the other (arrows up and down):

    mean of a side               x^_i = sum_j(x_ij) / n
    reversal value of a place    B_i = x^_i(up) - x^_i(down)
    of the axis                  B = max |B_i|;  mean reversal value  B^ = sum(B_i) / m over the m places
    estimator of repeatability   s_i = sqrt(sum_j((x_ij - x^_i)^2) / (n - 1)), of each side
    repeatability of a side      R_i(up) = 4 s_i(up), R_i(down) = 4 s_i(down)
    of both sides                R_i = max(2 s_i(up) + 2 s_i(down) + |B_i|, R_i(up), R_i(down));  R = max R_i

The formulas are those of ISO 230-2:2014, clause 3, from memory. The standard takes at least five places on
an axis up to 2 m and five approaches from each side.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.fit.linear import Array
from calib.model.estimate import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What one place says of its axis.

    Attributes
    ----------
    reversal : float
        B_i in mm, with its sign: that of the instrument's way of counting.
    repeats : (float, float)
        s of the approaches from below and from above, mm.
    """

    reversal: float
    repeats: tuple[float, float]

    @property
    def repeatability(self) -> float:
        """R of both sides, mm."""
        up, down = self.repeats
        return max(2 * up + 2 * down + abs(self.reversal), 4 * up, 4 * down)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reversal:
    """What the places say of their axis.

    Attributes
    ----------
    mean : Estimate
        B^ without its sign, mm: which way an instrument counts is open.
    places : tuple of Place
    p_alike : float
        How likely places that all lose the same differ by as much as these do; 1 for one place.
    """

    mean: Estimate
    places: tuple[Place, ...]
    p_alike: float

    @property
    def worst(self) -> int:
        """Which place loses most."""
        return int(np.argmax([abs(p.reversal) for p in self.places]))

    @property
    def value(self) -> float:
        """B of the axis, mm."""
        return abs(self.places[self.worst].reversal)

    @property
    def repeatability(self) -> float:
        """R of the axis, mm."""
        return max(p.repeatability for p in self.places)


def fit_reversal(sides: Sequence[tuple[Array, Array]], resolution: float) -> Reversal:
    """Compare the readings of places that were come to from both sides.

    Parameters
    ----------
    sides : sequence of ((n,) float, (k,) float), mm
        Per place what was read coming from below and from above, two readings or more of each side.
    resolution : float, mm
        Of the instrument: readings that are all alike still leave half of it on each side.

    Raises
    ------
    ValueError
        There is no place, or a side has fewer than two readings.
    """
    if not sides or min(len(x) for pair in sides for x in pair) < 2:
        msg = "each side of a place needs two approaches or more"
        raise ValueError(msg)
    places = tuple(
        Place(
            reversal=float(np.mean(below) - np.mean(above)),
            repeats=(float(np.std(below, ddof=1)), float(np.std(above, ddof=1))),
        )
        for below, above in sides
    )
    dof = sum(len(x) - 1 for pair in sides for x in pair)
    pooled = sum((len(x) - 1) * float(np.var(x, ddof=1)) for pair in sides for x in pair) / dof
    # Scatter larger than the display's step evens rounding out; less leaves it whole on both means.
    scatter = np.array([pooled * (1 / len(below) + 1 / len(above)) for below, above in sides])
    rounding = 2 * resolution**2 / 12
    variance = np.maximum(scatter, rounding)
    seen = dof if float(scatter.min()) > rounding else math.inf
    lost = np.array([p.reversal for p in places])
    mean = Estimate(
        name="reversal",
        value=abs(float(np.mean(lost))),
        u=float(np.sqrt(variance.sum())) / len(places),
        dof=seen,
    )
    return Reversal(mean=mean, places=places, p_alike=_alike(lost, variance, seen))


def _alike(lost: Array, variance: Array, dof: float) -> float:
    """Return the odds of such differences between places that lose the same (an F test, a chi-square one at best)."""
    from scipy.special import chdtrc, fdtrc

    more = len(lost) - 1
    if more == 0:
        return 1.0
    weights = 1 / variance
    chi2 = float(weights @ (lost - weights @ lost / weights.sum()) ** 2)
    return float(fdtrc(more, dof, chi2 / more) if math.isfinite(dof) else chdtrc(more, chi2))
