"""The paper's own scale in X and Y: what is known before, and what bars, card or caliper add."""

from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from calib.photo.mat import BAR_MM, CARD_MM
from patterns.errors import BadInput

Floats = NDArray[np.float64]

COMMON_SD = 0.005  # a printer driver that is told 100 % (common practice, no source)
BETWEEN_SD = 0.003  # paper feed against the line of nozzles or the drum (no source)
CALIPER_SD_MM = 0.03  # of one reading of a solid: MPE 0.03 mm of common calipers, as it is
BAR_SD_MM = (
    0.1  # of a printed bar: jaws have nothing to touch, its ends are set by eye (common practice)
)
#: Unused cards are 85.47-85.72 x 53.92-54.03 mm (ISO/IEC 7810): rectangular.
CARD_SD_MM = (0.25 / np.sqrt(12), 0.11 / np.sqrt(12))
_BAR_LIMIT = 0.1


class Scale(Protocol):
    """What lengths have in common: true over seen, along any direction."""

    @property
    def source(self) -> str:
        """Where it comes from, in words."""

    @property
    def factors(self) -> Floats:
        """True over stated along X and Y, first of all."""

    def sd_along(self, direction: Floats) -> float:
        """Return the standard uncertainty of the scale along a (2,) unit direction."""


@dataclass(frozen=True, eq=False)
class PaperScale:
    """Printed over drawn size in X and Y, with covariance and where it comes from."""

    factors: Floats = field(default_factory=lambda: np.ones(2))
    covariance: Floats = field(
        default_factory=lambda: np.full((2, 2), COMMON_SD**2) + np.diag([BETWEEN_SD**2 / 2] * 2)
    )
    source: str = "nothing measured: taken as drawn"

    @property
    def known(self) -> bool:
        """Something was measured."""
        return not self.source.startswith("nothing")

    def sd_along(self, direction: Floats) -> float:
        """Return the standard uncertainty of the scale along a (2,) unit direction."""
        weights = direction**2
        return float(np.sqrt(weights @ self.covariance @ weights))

    @property
    def stretch(self) -> tuple[float, float]:
        """What one standard uncertainty of the ratio of the scales means for each: one up, one down."""
        across = np.array([1.0, -1.0])
        both = self.covariance @ across
        x, y = both / np.sqrt(across @ both)
        return float(x), float(y)

    def stretched(self, amount: float) -> "PaperScale":
        """Return the scale of a paper stretched by so many standard uncertainties."""
        return replace(self, factors=self.factors * (1 + amount * np.array(self.stretch)))

    def observe(self, weights: Floats, ratio: float, sd: float, source: str) -> "PaperScale":
        """Add the knowledge that weights @ factors = ratio, with a standard uncertainty (Gauss)."""
        spread = self.covariance @ weights
        gain = spread / (weights @ spread + sd**2)
        factors = self.factors + gain * (ratio - weights @ self.factors)
        covariance = self.covariance - np.outer(gain, spread)
        sources = f"{self.source}, {source}" if self.known else source
        return replace(self, factors=factors, covariance=covariance, source=sources)


def from_bars(x_mm: float, y_mm: float) -> PaperScale:
    """Return the scale from both bars' measured lengths.

    Raises
    ------
    BadInput
        A length is more than a tenth off: inches, or another mat.
    """
    scale = PaperScale()
    sd = BAR_SD_MM / BAR_MM
    for axis, (value, name) in enumerate(((x_mm, "bar-x"), (y_mm, "bar-y"))):
        if not np.isfinite(value) or abs(value / BAR_MM - 1) > _BAR_LIMIT:
            hint = " (inches?)" if abs(value * 25.4 / BAR_MM - 1) < _BAR_LIMIT else ""
            raise BadInput(
                f"--{name} {value:g} is far from {BAR_MM:g} mm{hint}",
                mend="measure the bar end to end, in millimetres",
            )
        weights = np.eye(2)[axis]
        scale = scale.observe(weights, value / BAR_MM, sd, f"the {name} bar")
    return replace(scale, source="both bars measured")


def from_length(
    prior: PaperScale, now: PaperScale, direction: Floats, measured_mm: float, true_mm: float,
    sd_mm: float, what: str,
) -> PaperScale:  # fmt: skip
    """Add to `prior` a length along (2,) `direction`, seen as measured_mm taking the scale `now`."""
    weights = direction**2
    factor = float(weights @ now.factors)
    return prior.observe(
        weights, factor * true_mm / measured_mm, factor * sd_mm / measured_mm, what
    )


def card_lengths() -> tuple[tuple[float, float], tuple[float, float]]:
    """Width and height of a card, each with its standard uncertainty, in millimetres."""
    return (CARD_MM[0], float(CARD_SD_MM[0])), (CARD_MM[1], float(CARD_SD_MM[1]))
