"""Builds of several rolls on one printer: coverage and half-widths, each roll alone and jointly.

    python -m bench.builds [builds] [words]

Worlds are drawn by `tests/simulate_world.py`, which shares nothing with the model: rolls differ, each
print differs a little from the next, two calipers take turns, the printer is moved half-way through
and a nozzle is changed. `words` picks cases by a part of their names.
"""

import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from bench.coverage import default_piece, sheet_of
from calib.model.drive import Drive
from calib.model.instrument import DEFAULTS
from calib.plan.cost import piece_cost
from calib.profile.answers import Where, values
from calib.profile.blocks import Block
from calib.profile.doubts import robust
from calib.profile.events import Happened
from calib.profile.evidence import Made, block_of
from calib.profile.kept import size_fit
from calib.profile.knowledge import World as Known
from calib.store.records import Spool
from patterns.spec import PrintSetup
from tests.simulate_world import REAL, Jaws, Machine, World, printed

START = datetime(2026, 1, 5, tzinfo=UTC)
SETTINGS = ("scale_x_percent", "scale_y_percent", "outline_offset_mm")
CALIPERS = ("left", "right")


@dataclass(frozen=True, kw_only=True)
class Case:
    """One row of the table: how many rolls, what is printed of each, how much rolls really differ."""

    name: str
    rolls: int
    first: tuple[str, ...] = ("corner-gauge",)  # of the first two rolls
    then: tuple[str, ...] = ("strip",)
    repeats: int = 1
    differ: float = 0.0007
    jointly: bool = True
    bad: bool = False  # one sheet was printed with another scale than it says


CASES = (
    Case(name="1 roll, gauge", rolls=1),
    Case(name="5 rolls, gauge for two, strip for three", rolls=5),
    Case(name="5 rolls, a cube each", rolls=5, first=("dimensional-cube",), then=("dimensional-cube",)),
    Case(name="5 rolls that differ 3 x more", rolls=5, differ=0.0021),
    Case(name="5 rolls, one sheet bad", rolls=5, bad=True),
    Case(name="14 rolls, gauge for two, strip for twelve", rolls=14),
    Case(name="14 rolls, a cube each, each alone", rolls=14, first=("dimensional-cube",),
         then=("dimensional-cube",), repeats=3, jointly=False),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Build:
    """One simulated build: its sheets, and what should be set for each roll."""

    blocks: list[Block]
    known: Known
    truth: dict[str, dict[str, float]]


def build(case: Case, world: World, rng: np.random.Generator) -> Build:
    """Print and measure every roll of a build."""
    machine = world.machine(rng)
    own = rng.normal(0, 0.0015, 3)
    kind = rng.normal(0.003, 0.0015)
    jaws = {name: world.jaws(rng) for name in CALIPERS}
    half = START + timedelta(days=case.rolls * 2)
    events = [Happened(kind="moved", at=half, printer="p")] if case.rolls > 1 else []
    blocks, truth = [], {}
    for k in range(case.rolls):
        shrink = kind + rng.normal(0, case.differ, 3) * [1, 0, 1]
        shrink[1] = shrink[0]  # X and Y of one roll shrink alike
        swell = rng.normal(0, 0.01)
        truth[f"r{k}"] = {
            "scale_x_percent": 100 / (1 + own[0] - shrink[0]),
            "scale_y_percent": 100 / (1 + own[1] - shrink[1]),
            "outline_offset_mm": -(sum(machine.outer_mm) / 2 + swell),
        }
        if k * 4 * 86400 >= (half - START).total_seconds():
            machine = replace(machine, lean_deg=machine.lean_deg + rng.normal(0, 0.1))
        for pattern in case.first if k < 2 else case.then:
            print_ = rng.normal(0, 0.00014, 3) + rng.normal(0, 0.00014) * np.array([1, 1, 0])
            slip = 0.004 if case.bad and k == case.rolls - 1 else 0.0
            stretch = own - shrink + print_ + slip * np.array([1, 0, 0])
            mine = replace(
                machine, stretch=tuple(stretch), outer_mm=tuple(np.array(machine.outer_mm) + swell),
                inner_mm=tuple(np.array(machine.inner_mm) + swell),
                part_c=float(rng.uniform(*world.part_c)),
            )  # fmt: skip
            block = _sheet_block(case, world, pattern, k, mine, jaws, rng)
            if block is not None:
                blocks.append(block)
    belt = Drive(belt_pitch_mm=2, pulley_teeth=20)
    known = Known(
        drives={("p", a): belt for a in "XY"} | {("p", "Z"): Drive(screw_lead_mm=8)},
        printer_of={"n": "p"},
        materials={f"r{k}": "PLA" for k in range(case.rolls)},
        instruments={name: DEFAULTS["caliper"] for name in CALIPERS},
        events=events,
    )
    return Build(blocks=blocks, known=known, truth=truth)


def _sheet_block(
    case: Case, world: World, pattern: str, k: int, machine: Machine, jaws: dict[str, Jaws],
    rng: np.random.Generator,
) -> Block | None:  # fmt: skip
    piece = default_piece(pattern)
    features = [f for f in piece.by_hand if f.instrument == "caliper"]
    caliper = CALIPERS[k % 2]
    one = printed(
        piece, features, replace(world, repeats=case.repeats), rng, machine, jaws[caliper]
    )
    sheet = sheet_of(piece, one)
    sizes = size_fit(sheet, DEFAULTS["caliper"])
    made = Made(
        uid=f"{k:02d} {pattern}", at=START + timedelta(days=4 * k), pattern=pattern,
        piece=f"{k} {pattern}", printer="p", nozzle="n", spool=f"r{k}", material="PLA",
        instrument=caliper, part_c=sheet.part_c, was_set={"steps_x_per_mm": 80.0, "steps_y_per_mm": 80.0},
    )  # fmt: skip
    return block_of(made, sizes, [])


def _answers(case: Case, one: Build) -> Iterator[tuple[str, str, float, float]]:
    at = START + timedelta(days=4 * case.rolls)
    joint = robust(one.blocks, one.known).posterior if case.jointly else None
    for roll in one.truth:
        where = Where(printer="p", nozzle="n", spool=roll, material="PLA", at=at, steps={"X": 80.0, "Y": 80.0})  # fmt: skip
        own = [b for b in one.blocks if b.owner("spool") == roll]
        found = values(joint or robust(own, one.known).posterior, where, SETTINGS)
        for name, e in found.items():
            yield roll, name, e.value, e.expanded()


def effort(case: Case) -> tuple[float, float, int]:
    """Return minutes, grams and readings of a build."""
    minutes = grams = readings = 0.0
    for k in range(case.rolls):
        for pattern in case.first if k < 2 else case.then:
            cost = piece_cost(pattern, {}, PrintSetup(), Spool(name="r", material="PLA"))
            assert cost is not None
            minutes, grams = minutes + cost.minutes, grams + cost.grams
            lengths = [f for f in default_piece(pattern).by_hand if f.instrument == "caliper"]
            readings += case.repeats * len(lengths)
    return minutes, grams, int(readings)


def row(case: Case, builds: int, world: World) -> str:
    """Simulate a case; return its row of the table."""
    rng = np.random.default_rng(len(case.name) + 1000 * case.rolls)
    hits: dict[str, list[bool]] = {s: [] for s in SETTINGS}
    halves: dict[str, list[float]] = {s: [] for s in SETTINGS}
    flagged = []
    for _ in range(builds):
        one = build(case, world, rng)
        judged = robust(one.blocks, one.known).judged
        odd = [j.uid[:2] for j in judged.values() if j.disagrees]
        flagged.append(f"{case.rolls - 1:02d}" in odd if case.bad else bool(odd))
        for roll, name, value, half in _answers(case, one):
            hits[name].append(abs(value - one.truth[roll][name]) <= half)
            halves[name].append(half)
    cells = "  ".join(f"{np.mean(hits[s]):.3f} ±{np.median(halves[s]):.3f}" for s in SETTINGS)
    minutes, grams, readings = effort(case)
    cells += f"  {np.mean(flagged):.2f}"
    return f"{case.name:44} {cells}   {minutes / 60:5.1f} h {grams:5.0f} g {readings:4d} readings"


def main() -> None:
    """Print the table."""
    builds = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    words = sys.argv[2] if len(sys.argv) > 2 else ""
    print(
        f"{'':44} X, Y in %, outline in mm: share of 95 % intervals that hold the truth, half-width"
    )
    for case in CASES:
        if words in case.name:
            print(row(case, max(4, builds * 5 // (5 * max(1, case.rolls // 5))), REAL), flush=True)


if __name__ == "__main__":
    main()
