"""Reversal value and repeatability of one place that is come to from both sides, as ISO 230-2 defines them.

With x_j the deviations of n approaches from one side, and of n from the other (arrows up and down):

    mean of a side             x^ = sum(x_j) / n
    reversal value             B = x^(up) - x^(down)
    estimator of repeatability s = sqrt(sum((x_j - x^)^2) / (n - 1)), of each side
    repeatability of a side    R(up) = 4 s(up), R(down) = 4 s(down)
    of both sides              R = max(2 s(up) + 2 s(down) + |B|, R(up), R(down))

The formulas are those of ISO 230-2:2014, clause 3, from memory. The standard takes at least five places on
an axis up to 2 m, and the largest |B| of them for the axis; one place is what a caliper and patience allow.
"""

import math
from dataclasses import dataclass

import numpy as np

from calib.fit.linear import Array
from calib.model.estimate import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Reversal:
    """What one place says of its axis.

    Attributes
    ----------
    value : Estimate
        B without its sign, mm: which way an instrument counts is open.
    repeats : (float, float)
        s of the approaches from below and from above, mm.
    """

    value: Estimate
    repeats: tuple[float, float]

    @property
    def repeatability(self) -> float:
        """R of both sides, mm."""
        up, down = self.repeats
        return max(2 * up + 2 * down + self.value.value, 4 * up, 4 * down)


def fit_reversal(below: Array, above: Array, resolution: float) -> Reversal:
    """Compare the readings of a place that was come to from both sides.

    Parameters
    ----------
    below, above : (n,) float, mm
        Two readings or more of each side.
    resolution : float, mm
        Of the instrument: readings that are all alike still leave half of it on each side.

    Raises
    ------
    ValueError
        A side has fewer than two readings.
    """
    if min(len(below), len(above)) < 2:
        msg = "each side needs two approaches or more"
        raise ValueError(msg)
    up, down = float(np.std(below, ddof=1)), float(np.std(above, ddof=1))
    dof = len(below) + len(above) - 2
    pooled = ((len(below) - 1) * up**2 + (len(above) - 1) * down**2) / dof
    scatter = pooled * (1 / len(below) + 1 / len(above))
    # Scatter larger than the display's step evens rounding out; less leaves it whole on both means.
    rounding = 2 * resolution**2 / 12
    estimate = Estimate(
        name="reversal",
        value=abs(float(np.mean(below) - np.mean(above))),
        u=math.sqrt(max(scatter, rounding)),
        dof=dof if scatter > rounding else math.inf,
    )
    return Reversal(value=estimate, repeats=(up, down))
