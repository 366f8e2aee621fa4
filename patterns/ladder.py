"""Evenly spaced values for ladders and towers."""

from patterns.errors import SpecError
from patterns.spec import PrintSetup

_MOST = 60


def rungs(
    first: float, last: float, step: float, step_name: str, unit: str, least: int = 2
) -> tuple[float, ...]:
    """Return first, first + step, ... as far as `last`, going down where `last` is lower.

    Raises
    ------
    SpecError
        There would be fewer than `least` values, or more than 60.
    """
    # Capped: a step next to nothing would give more than an int holds.
    count = int(min(abs(last - first) / step, 1e9) + 1e-6) + 1
    if count < least:
        raise SpecError(
            f"{first:g} to {last:g} {unit} in steps of {step:g} gives {count} of at least {least}",
            mend=f"make {step_name} smaller or the range wider",
        )
    if count > _MOST:
        raise SpecError(
            f"{first:g} to {last:g} {unit} in steps of {step:g} gives {count} values, at most {_MOST}",
            mend=f"make {step_name} {abs(last - first) / (_MOST - 1):.3g} or more",
        )
    sign = 1 if last >= first else -1
    return tuple(round(first + sign * k * step, 6) for k in range(count))


def check_tower(count: int, base_mm: float, band_mm: float, step: str, setup: PrintSetup) -> None:
    """Refuse a tower of more bands than the printer builds, saying how many it does."""
    high = base_mm + count * band_mm
    if high > setup.build_z_mm + 1e-6:
        fit = int((setup.build_z_mm - base_mm) / band_mm)
        raise SpecError(
            f"{count} bands of {band_mm:g} mm are {high:.1f} mm high, the printer builds"
            f" {setup.build_z_mm:.1f}",
            mend=(
                f"{fit} bands fit: make {step} larger, or print the range as two towers"
                if fit > 1
                else "give a smaller band_mm"
            ),
        )
