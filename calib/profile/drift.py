"""Has a printer drifted? A control chart for individual values, with its alarm rules.

Limits are the mean and three standard deviations, the standard deviation from the mean moving range:
sigma = mean |x[i] - x[i-1]| / 1.128. W. A. Shewhart, Economic Control of Quality of Manufactured
Product (1931); NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals charts),
formula and example from memory, the example's numbers recomputed. A run of eight on one side is
the Western Electric rule (1956), the same handbook 6.3.2, from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

#: Mean range of two values of a normal distribution, in standard deviations: 2 / sqrt(pi).
D2 = 1.128
#: Fewer values than this before the newest give no limits worth the name.
LEAST = 5
RUN = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A chart of values in the order of time.

    Attributes
    ----------
    outside : tuple of int
        Indices of values beyond the limits.
    rough : bool
        Whether the limits rest on fewer than twenty values.
    """

    values: tuple[float, ...]
    centre: float
    sigma: float
    outside: tuple[int, ...]
    rough: bool

    @property
    def lower(self) -> float:
        """Lower control limit."""
        return self.centre - 3 * self.sigma

    @property
    def upper(self) -> float:
        """Upper control limit."""
        return self.centre + 3 * self.sigma


def individuals(values: Sequence[float], baseline: int | None = None) -> Chart:
    """Chart values against the limits that the first `baseline` of them give (None: all).

    Raises
    ------
    ValueError
        Fewer than two values make the baseline.
    """
    base = list(values[:baseline])
    if len(base) < 2:
        msg = f"a control chart needs at least 2 values (got {len(base)})"
        raise ValueError(msg)
    centre = sum(base) / len(base)
    ranges = [abs(b - a) for a, b in pairwise(base)]
    sigma = sum(ranges) / len(ranges) / D2
    outside = tuple(i for i, v in enumerate(values) if abs(v - centre) > 3 * sigma)
    return Chart(
        values=tuple(values), centre=centre, sigma=sigma, outside=outside, rough=len(base) < 20
    )


def alarm(values: Sequence[float], u_newest: float) -> str:
    """Say why the newest value asks for a look at the machine; empty where it does not.

    The newest is held against limits from those before it. What its own uncertainty explains is
    no alarm, however narrow the limits.
    """
    if len(values) < LEAST + 1:
        return ""
    chart = individuals(values, len(values) - 1)
    newest = values[-1]
    if len(values) - 1 in chart.outside and abs(newest - chart.centre) > 2 * u_newest:
        return (
            f"the newest value {newest:.5g} is outside the control limits"
            f" {chart.lower:.5g} to {chart.upper:.5g}"
        )
    side = [v > chart.centre for v in values[-RUN:]]
    if len(values) > RUN and len(set(side)) == 1 and len(side) == RUN:
        where = "above" if side[0] else "below"
        return f"the last {RUN} values all lie {where} the mean {chart.centre:.5g}: it wanders"
    return ""
