"""Random printers brought right, pieces in any order: python -m bench.chain [printers] [rounds].

Print, read, solve, keep, set what the profile then says, print again, on the virtual printer of
`tests/simulate_world.py`. Everything goes through a store, as a user's sheets do.
"""

import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

# The matrices are small: threads only get into each other's way. Read when numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from bench.coverage import PATTERNS, default_piece, read_by_hand
from calib import open_workshop
from calib.fit.dimensions import KINDS
from calib.workshop.workshop import Workshop
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


@dataclass(frozen=True, slots=True)
class Left:
    """What is wrong with a printer after some rounds: %, mm and degrees, and what went wrong."""

    scale_percent: float  # the worse of X and Y
    beyond_caliper_percent: float  # the same without the straight part of the caliper's own error
    offset_mm: float
    skew_deg: float
    wrong_way: int  # settings made clearly worse
    stuck: bool  # far off, and nothing more was asked for


def calibrated(
    seed: int, folder: Path, rounds: int = 2, patterns: Sequence[str] = PATTERNS
) -> Left:
    """Bring one random printer right, the pieces of each round in random order."""
    rng = np.random.default_rng(seed)
    machine, jaws = drawn(rng), CAREFUL.jaws(rng)
    now, wrong, changed = dict(START), 0, False
    with open_workshop(folder / f"{seed}.sqlite") as shop:
        shop.add_printer("lantern", (220, 220, 250), hot_end_max_c=260)
        shop.add_nozzle("brass", bore_mm=0.4)
        shop.add_spool("white-1", "PLA")
        for turn in range(rounds):
            changed = False
            for name in rng.permutation(list(patterns)):
                before = wrongs(set_up(machine, now))
                sheet = _filled(str(name), f"{name}-{turn}", machine, jaws, now, rng)
                shop.keep(sheet)
                later = now | _to_set(shop)
                changed = changed or any(abs(later[k] - now.get(k, 0.0)) > 1e-6 for k in later)
                now = later
                after = wrongs(set_up(machine, now))
                wrong += sum(
                    a > 2 * b + lim for a, b, lim in zip(after, before, _CLEARLY, strict=True)
                )
    last = set_up(machine, now)
    scale, offset, skew = wrongs(last)
    own = straight_part(jaws)
    beyond = 100 * max(abs(e + own) for e in last.stretch[:2])
    far = scale > 0.3 or offset > 0.1 or skew > 0.2
    return Left(scale, beyond, offset, skew, wrong, far and not changed)


def straight_part(jaws: Jaws) -> float:
    """Return the slope of a caliper's own error from short to long readings: no reading can show it."""
    exact = replace(jaws, hand_mm=0.0, step_mm=1e-6, slip=0.0)
    at = np.linspace(10.0, 144.0, 68)
    error = exact.shows(at, "outside", np.random.default_rng(0)) - at
    return float(np.polyfit(at, error, 1)[0])


def _to_set(shop: Workshop) -> dict[str, float]:
    """Return what the profile says is to be set."""
    found = shop.store().in_force("lantern", "brass", "white-1")
    return {v.setting: v.value for v in found if v.value is not None}


def _filled(
    name: str, piece_id: str, machine: Machine, jaws: Jaws, now: Mapping[str, float],
    rng: np.random.Generator,
) -> str:  # fmt: skip
    """Print a piece with what is set, read it, and return its sheet's text."""
    piece = default_piece(name)
    features = [f for f in read_by_hand(piece) if f.kind in KINDS]
    one = printed(piece, features, CAREFUL, rng, set_up(machine, now), jaws)
    head = {
        "pattern": name,
        "piece": piece_id,
        **one.head,
        **{f"now.{k}": v for k, v in now.items()},
    }
    values: dict[str, list[str]] = {}
    for f, value in one.read:
        values.setdefault(f.id, []).append(f"{value:.2f}")
    lines = [f"# {key}: {value}" for key, value in head.items()]
    lines.append("feature," + ",".join(f"reading {n + 1}" for n in range(CAREFUL.repeats)))
    lines += [",".join([name, *read]) for name, read in values.items()]
    return "\n".join(lines) + "\n"


_ASKED = (
    ("scale_percent", 0.05),
    ("beyond_caliper_percent", 0.05),
    ("offset_mm", 0.02),
    ("skew_deg", 0.03),
)
_CLEARLY = (0.1, 0.03, 0.06)  # what counts as made worse: %, mm, degrees


def wrongs(machine: Machine) -> tuple[float, float, float]:
    """Return how far a printer is off: the worse of X and Y in %, mean wall in mm, skew in degrees."""
    return (
        100 * max(abs(e) for e in machine.stretch[:2]),
        abs(sum(machine.outer_mm) / 2),
        abs(machine.lean_deg),
    )


def main() -> None:
    """Print what is left of every printer's errors, and how many stay within what is asked."""
    given = [int(a) for a in sys.argv[1:]]
    printers, rounds = (given + [30, 2][len(given) :])[:2]
    with TemporaryDirectory() as folder:
        left = [calibrated(seed, Path(folder), rounds) for seed in range(printers)]
    print(f"{printers} printers up to 5 % off, {rounds} rounds of {', '.join(PATTERNS)}")
    for name, limit in _ASKED:
        values = np.array([getattr(one, name) for one in left])
        print(
            f"  {name:22} median {np.median(values):.4f}, 95 % {np.percentile(values, 95):.4f},"
            f" worst {values.max():.4f}; within {limit:g}: {np.mean(values <= limit):.0%}"
        )
    print(
        f"  made worse {sum(one.wrong_way for one in left)}, stuck {sum(one.stuck for one in left)}"
    )


if __name__ == "__main__":
    main()
