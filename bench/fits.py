"""Coverage of every interval beside the size model, the cost of wrong priors, and speed.

Usage: python -m bench.fits [draws of the linear ones, 10000]
"""

import os
import sys
import time
from collections.abc import Callable
from functools import partial

# The matrices are small: threads only get into each other's way. Read when numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from calib.interpret.solve import Context, solve_sheet
from calib.readings import Reading, Sheet
from patterns.registry import get
from patterns.spec import PrintSetup
from tests import simulate_fits as sim
from tests import simulate_motion as moving
from tests import simulate_rest as rest


def linear(draws: int) -> None:
    """Print the coverage of the linear ones."""
    print(
        f"coverage of 95 % intervals, {draws} draws each (asked for: 93 to 97 %, up to 99 % by wide priors)"
    )
    for draw in (
        rest.small_piece, rest.box_block_filament, rest.machine_and_material, rest.bed, rest.holes,
    ):  # fmt: skip
        _show(sim.coverage(draw, draws, seed=1))


def others(draws: int) -> None:
    """Print the coverage of thresholds, optimum and slip."""
    print(f"\ncoverage of 95 % intervals, {draws} draws each (asked for: at least 90 %)")
    for draw in (sim.pass_fail, sim.graded, sim.sag, sim.tower, rest.feed):
        _show(sim.coverage(draw, draws, seed=2))


def motion(draws: int) -> None:
    """Print the coverage of what tells how a printer moves."""
    print(
        f"\ncoverage of 95 % intervals, {draws} draws each (asked for: 93 to 97 %, two alike 90 %)"
    )
    for draw in (moving.reversal, moving.ripple, moving.two_alike, moving.lag):
        _show(sim.coverage(draw, draws, seed=4))


def wrong_priors(draws: int) -> None:
    """Print what wrong prior knowledge costs the split."""
    print(f"\nsplit of machine and material where the priors are wrong, {draws} draws each")
    cases = {
        "priors right": {},
        "materials shrink 0.2 % more than their range": {"material_off": 0.002},
        "materials shrink 0.5 % more": {"material_off": 0.005},
        "mechanics three times worse than thought": {"machine_times": 3.0},
    }
    for words, off in cases.items():
        print(f"  {words}")
        _show(sim.coverage(partial(rest.machine_and_material, **off), draws, seed=3), indent=4)


def _show(rates: dict[str, float], indent: int = 2) -> None:
    for name, rate in rates.items():
        print(f"{' ' * indent}{name:26} {rate:7.2%}", flush=True)


def speed() -> None:
    """Print how long the large cases take."""
    print("\nspeed (best of three)")
    sheet = _thousand_readings()
    solve_sheet(sheet, Context(filament="PLA"))  # imports and caches apart
    seconds = _best(lambda: solve_sheet(sheet, Context(filament="PLA")))
    print(f"  {len(sheet.readings)} readings of one sheet solved: {1000 * seconds:.0f} ms")


def _thousand_readings() -> Sheet:
    piece = get("step-gauge").piece({}, PrintSetup())
    rng = np.random.default_rng(5)
    readings = tuple(
        Reading(feature=f.id, value=round(0.997 * f.nominal + rng.normal(0, 0.015), 2))
        for f in piece.features
        for _ in range(1000 // len(piece.features))
    )
    return Sheet(piece=piece, piece_id="bench", readings=readings)


def _best(work: Callable[[], object]) -> float:
    times = []
    for _ in range(3):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Print all tables."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    speed()
    linear(draws)
    wrong_priors(max(draws // 5, 100))
    others(max(draws // 10, 50))
    motion(max(draws // 10, 50))


if __name__ == "__main__":
    main()
