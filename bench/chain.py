"""Random printers brought right, pieces in any order: python -m bench.chain [printers] [rounds].

Print, read, solve, set what is to be applied, print again, on the virtual printer of
`tests/simulate_world.py`. Sheets count one by one here: the newest says what is set.
"""

import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

# The matrices are small: threads only get into each other's way. Read when numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from bench.coverage import PATTERNS, default_piece, sheet_of
from calib.interpret.solve import Context, solve_sheet
from calib.model.correction import Correction, Verdict
from tests.simulate_world import REAL, Jaws, Machine, World, printed

START = {"steps_x_per_mm": 80.0, "steps_y_per_mm": 80.0, "steps_z_per_mm": 400.0}
#: As printers are, read with care: the temperature written down, repeats, no gross slips.
CAREFUL = replace(REAL, name="read with care", says_part_c=True, slip=0.0)


def drawn(rng: np.random.Generator, world: World = CAREFUL) -> Machine:
    """Draw a printer as it comes: up to 5 % off, walls, skew and first layer anywhere."""
    offset = rng.uniform(-0.15, 0.15)
    more = rng.uniform(-0.02, 0.04, 2)
    return replace(
        world.machine(rng),
        stretch=tuple(rng.uniform(-0.05, 0.05, 3)),
        lean_deg=rng.uniform(-1.0, 1.0),
        outer_mm=(offset, offset),
        inner_mm=(offset + more[0], offset + more[1]),
        first_layer_mm=rng.uniform(-0.1, 0.1),
    )


def set_up(machine: Machine, now: Mapping[str, float]) -> Machine:
    """Return what a printer does with its steps, scale, offset, skew and gap set."""
    stretch = tuple(
        (1 + e) * now[f"steps_{a}_per_mm"] / START[f"steps_{a}_per_mm"]
        * now.get(f"scale_{a}_percent", 100.0) / 100 - 1
        for a, e in zip("xyz", machine.stretch, strict=True)
    )  # fmt: skip
    walls = now.get("outline_offset_mm", 0.0)
    return replace(
        machine,
        stretch=stretch,
        lean_deg=machine.lean_deg - now.get("skew_xy_deg", 0.0),
        outer_mm=tuple(w + walls for w in machine.outer_mm),
        inner_mm=tuple(w + walls for w in machine.inner_mm),
        first_layer_mm=machine.first_layer_mm + now.get("first_layer_gap_mm", 0.0),
    )


def chosen(corrections: Sequence[Correction]) -> list[Correction]:
    """Return what gets set: of two settings for one error the one that is not the printer's."""
    return [
        c
        for c in corrections
        if c.verdict is Verdict.APPLY and not (c.instead_of and c.setting.startswith("steps_"))
    ]


@dataclass(frozen=True, slots=True)
class Left:
    """What is wrong with a printer after some rounds: %, mm and degrees, and what went wrong."""

    scale_percent: float  # the worse of X and Y
    offset_mm: float
    skew_deg: float
    wrong_way: int  # settings made clearly worse
    stuck: bool  # far off, and nothing more was asked for


def calibrated(seed: int, rounds: int = 2, patterns: Sequence[str] = PATTERNS) -> Left:
    """Bring one random printer right, the pieces of each round in random order."""
    rng = np.random.default_rng(seed)
    machine, jaws = drawn(rng), CAREFUL.jaws(rng)
    now, wrong, last = dict(START), 0, 0
    for _ in range(rounds):
        last = 0
        for name in rng.permutation(list(patterns)):
            before = wrongs(set_up(machine, now))
            corrections = _solved(str(name), set_up(machine, now), jaws, now, rng)
            now |= {c.setting: c.new for c in corrections}
            last += len(corrections)
            after = wrongs(set_up(machine, now))
            wrong += sum(a > 2 * b + lim for a, b, lim in zip(after, before, _CLEARLY, strict=True))
    scale, offset, skew = wrongs(set_up(machine, now))
    far = scale > 0.3 or offset > 0.1 or skew > 0.2
    return Left(scale, offset, skew, wrong, far and last == 0)


_CLEARLY = (0.1, 0.03, 0.06)  # what counts as made worse: %, mm, degrees


def wrongs(machine: Machine) -> tuple[float, float, float]:
    """Return how far a printer is off: the worse of X and Y in %, mean wall in mm, skew in degrees."""
    return (
        100 * max(abs(e) for e in machine.stretch[:2]),
        abs(sum(machine.outer_mm) / 2),
        abs(machine.lean_deg),
    )


def _solved(
    name: str, machine: Machine, jaws: Jaws, now: Mapping[str, float], rng: np.random.Generator
) -> list[Correction]:
    piece = default_piece(name)
    one = printed(piece, [f for f in piece.features if f.jaws], CAREFUL, rng, machine, jaws)
    context = Context(now=now, in_force=now, filament="PLA")
    return chosen(solve_sheet(sheet_of(piece, one), context).corrections)


def main() -> None:
    """Print what is left of every printer's errors, and how many stay within what is asked."""
    given = [int(a) for a in sys.argv[1:]]
    printers, rounds = (given + [30, 2][len(given) :])[:2]
    left = [calibrated(seed, rounds) for seed in range(printers)]
    print(f"{printers} printers up to 5 % off, {rounds} rounds of {', '.join(PATTERNS)}")
    for name, limit in (("scale_percent", 0.05), ("offset_mm", 0.02), ("skew_deg", 0.03)):
        values = np.array([getattr(one, name) for one in left])
        print(
            f"  {name:14} median {np.median(values):.4f}, 95 % {np.percentile(values, 95):.4f},"
            f" worst {values.max():.4f}; within {limit:g}: {np.mean(values <= limit):.0%}"
        )
    print(
        f"  made worse {sum(one.wrong_way for one in left)}, stuck {sum(one.stuck for one in left)}"
    )


if __name__ == "__main__":
    main()
