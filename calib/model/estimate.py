"""A number with its uncertainty: the form in which every fit gives its answers."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A fitted quantity.

    Attributes
    ----------
    name : str
        What it is, such as ``scale_x``.
    value, u : float
        Value and standard uncertainty, both in `unit`.
    dof : float
        Effective degrees of freedom (Welch-Satterthwaite); infinite where all is known beforehand.
    unit : str
    from_data : float
        Share of what is known that came from readings and not from prior knowledge, 0 to 1:
        1 - posterior variance / prior variance.
    """

    name: str
    value: float
    u: float
    dof: float = float("inf")
    unit: str = "mm"
    from_data: float = 1.0

    def expanded(self, coverage: float = 0.95) -> float:
        """Half-width of the interval that covers the true value with the given probability."""
        return self.u * coverage_factor(self.dof, coverage)

    def interval(self, coverage: float = 0.95) -> tuple[float, float]:
        """Lowest and highest value of that interval."""
        half = self.expanded(coverage)
        return self.value - half, self.value + half

    def times(self, factor: float, unit: str) -> "Estimate":
        """Return the same estimate in another unit."""
        return Estimate(
            name=self.name,
            value=self.value * factor,
            u=self.u * abs(factor),
            dof=self.dof,
            unit=unit,
            from_data=self.from_data,
        )


def combined(name: str, parts: Sequence[tuple[float, Estimate]], unit: str) -> Estimate:
    """Return a weighted sum of independent estimates (JCGM 100:2008, 5.1.2).

    Its effective degrees of freedom are Welch-Satterthwaite's (G.4.1).

    Parameters
    ----------
    parts : sequence of (weight, estimate)
        Weight times estimate is in `unit`.
    """
    variances = [(w * e.u) ** 2 for w, e in parts]
    total = sum(variances)
    shares = sum(v**2 / e.dof for v, (_, e) in zip(variances, parts, strict=True))
    return Estimate(
        name=name,
        value=sum(w * e.value for w, e in parts),
        u=total**0.5,
        dof=total**2 / shares if shares > 0 else float("inf"),
        unit=unit,
    )


@lru_cache(maxsize=4096)
def coverage_factor(dof: float, coverage: float = 0.95) -> float:
    """Student's t quantile for a two-sided interval (JCGM 100:2008, G.3)."""
    from scipy.special import ndtri, stdtrit

    p = 0.5 + coverage / 2
    return float(ndtri(p) if dof > 1e6 else stdtrit(max(dof, 1.0), p))
