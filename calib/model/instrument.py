"""What measures, and how well: resolution, permissible error and repeatability of instruments."""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """An instrument as its data sheet describes it.

    Attributes
    ----------
    resolution : float
        Smallest step it shows, in `unit`.
    mpe : float
        Maximum permissible error over its range: common to all its readings.
    repeatability : float
        Standard deviation of repeated readings of one length by one person.
    jaw_mpe : float
        Further permissible error of inside and depth readings (DIN 862: 0.02 mm; read in a public
        reproduction of the table).
    reach : float
        Longest reading; the permissible error as a scale error is taken over it.
    """

    name: str
    kind: str
    unit: str
    resolution: float
    mpe: float
    repeatability: float
    jaw_mpe: float = 0.0
    reach: float = 150.0

    @property
    def u_zero(self) -> float:
        """Standard uncertainty of its zero: the permissible error as a rectangular distribution."""
        return self.mpe / math.sqrt(3)

    @property
    def u_jaws(self) -> float:
        """Standard uncertainty added to inside and depth readings, common to each sort."""
        return self.jaw_mpe / math.sqrt(3)

    @property
    def u_scale(self) -> float:
        """Standard uncertainty of its scale, as a fraction: the permissible error over the reach."""
        return self.mpe / self.reach / math.sqrt(3)

    @property
    def u_resolution(self) -> float:
        """Standard uncertainty of a display: resolution / sqrt(12). Repeats do not average it out."""
        return self.resolution / math.sqrt(12)

    @property
    def u_reading(self) -> float:
        """Standard uncertainty of one reading: repeatability and resolution."""
        return math.hypot(self.repeatability, self.u_resolution)


#: Used where the sheet names nothing better. The caliper is a digital one of 0.01 mm that keeps
#: +-0.03 mm (DIN 862, from a public reproduction); repeatability is common practice, no source.
DEFAULTS = {
    "caliper": Instrument(
        name="caliper",
        kind="caliper",
        unit="mm",
        resolution=0.01,
        mpe=0.03,
        repeatability=0.015,
        jaw_mpe=0.02,
    ),
    "balance": Instrument(
        name="balance", kind="balance", unit="g", resolution=0.1, mpe=0.1, repeatability=0.05,
        reach=500.0,
    ),
    "eye": Instrument(
        name="eye", kind="eye", unit="0-10", resolution=1.0, mpe=0.0, repeatability=0.7, reach=10.0
    ),
}  # fmt: skip
