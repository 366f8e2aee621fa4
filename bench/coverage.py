"""How often 95 % intervals hold the truth, over simulated prints: python -m bench.coverage [N]."""

import sys

import numpy as np

from calib.fit.dimensions import fit_dimensions
from calib.model.instrument import DEFAULTS, Instrument
from patterns import registry
from patterns.feature import Feature
from patterns.spec import PrintSetup
from tests.simulate import Caliper, Printer, readings

CALIPER = DEFAULTS["caliper"]


def default_features(*names: str) -> list[Feature]:
    """Return the features of default pieces, read with one caliper as if they were one piece."""
    return [f for n in names for f in registry.get(n).piece({}, PrintSetup()).features]


def drawn_printer(rng: np.random.Generator) -> Printer:
    """Draw a printer: a few tenths of a percent, a tenth of a millimetre, half a degree."""
    return Printer(
        scale=tuple(rng.normal(0, 0.005, 3)),
        offset_mm=rng.normal(0, 0.08),
        skew={"XY": rng.normal(0, 0.005)},
        squeeze_mm=rng.normal(0, 0.05),
    )


def truths(printer: Printer) -> dict[str, float]:
    """Return the true value of every parameter that is checked."""
    return {
        "scale_x": printer.scale[0],
        "scale_y": printer.scale[1],
        "scale_z": printer.scale[2],
        "offset_x": printer.offset_mm,
        "offset_y": printer.offset_mm,
        "skew_xy": printer.skew["XY"],
        "squeeze": printer.squeeze_mm,
    }


def coverage(prints: int, seed: int, *, rectangular: bool = False) -> dict[str, float]:
    """Share of prints whose 95 % interval holds the truth, by parameter."""
    return _rates(prints, seed, CALIPER, rectangular)


def without_common_term(prints: int, seed: int) -> dict[str, float]:
    """Do the same with a fit that takes the caliper for perfect but for its repeatability."""
    naive = Instrument(
        name="naive", kind="caliper", unit="mm", resolution=CALIPER.resolution, mpe=1e-6,
        repeatability=CALIPER.repeatability, jaw_mpe=0.0,
    )  # fmt: skip
    return _rates(prints, seed, naive, False)


def _rates(prints: int, seed: int, fitted_with: Instrument, rectangular: bool) -> dict[str, float]:
    rng = np.random.default_rng(seed)
    features = default_features("dimensional-cube", "squareness-frame")
    hits: dict[str, int] = {}
    for _ in range(prints):
        printer, caliper = drawn_printer(rng), Caliper.drawn(rng, rectangular=rectangular)
        which, value = readings(features, printer, caliper, rng, repeats=2)
        result = fit_dimensions(features, which, value, fitted_with).linear
        for name, truth in truths(printer).items():
            low, high = result[name].interval()
            hits[name] = hits.get(name, 0) + (low <= truth <= high)
    return {name: n / prints for name, n in hits.items()}


def main() -> None:
    """Print the table."""
    prints = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    right = coverage(prints, seed=1)
    rectangular = coverage(prints, seed=1, rectangular=True)
    naive = without_common_term(prints, seed=1)
    print(f"coverage of 95 % intervals over {prints} simulated prints")
    print(f"{'':10} {'fit':>8} {'rectangular MPE':>16} {'no common term':>16}")
    for name in right:
        print(f"{name:10} {right[name]:8.2%} {rectangular[name]:16.2%} {naive[name]:16.2%}")


if __name__ == "__main__":
    main()
