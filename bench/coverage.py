"""How often 95 % intervals hold the truth, over simulated prints: python -m bench.coverage [N] [words].

Every row of the table is a pattern, a setting and a world; worlds are drawn by `tests/simulate_world.py`,
which moves the walls of the real body and shares nothing with the fit. The fits are done all at once
(`many.py`); a fortieth of the prints goes through sheets, slips and verdicts as well. `words` picks
patterns and worlds by a part of their names.
"""

import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

# The matrices are small: threads only get into each other's way. Read when numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from bench.many import sizes
from calib.interpret.lengths import is_length
from calib.interpret.solve import Context, Solution, solve_sheet
from calib.model.correction import Verdict
from calib.model.instrument import DEFAULTS, Instrument
from calib.readings import Reading, Sheet
from patterns import registry
from patterns.feature import Feature
from patterns.piece import Piece
from patterns.spec import PrintSetup
from tests.simulate_world import WORLDS, Print, World, printed

PATTERNS = ("corner-gauge", "step-gauge", "squareness-frame", "dimensional-cube")
#: Settings whose errors are checked, in the order of the table, with the unit of the half-width.
SETTINGS = {
    "scale_x_percent": "%",
    "scale_y_percent": "%",
    "scale_z_percent": "%",
    "outline_offset_mm": "mm",
    "skew_xy_deg": "deg",
    "first_layer_gap_mm": "mm",
}


@dataclass(frozen=True, slots=True)
class Rate:
    """What came of one setting over many prints.

    Attributes
    ----------
    covers : float
        Share of the intervals that hold the truth.
    half_width : float
        Median half-width.
    wrong_way : float
        Share of prints whose advice to apply leads away from the truth; 0 where only fits were asked.
    """

    covers: float
    half_width: float
    wrong_way: float = 0.0


def default_piece(name: str) -> Piece:
    """Return a pattern's piece as it comes."""
    return registry.get(name).piece({}, PrintSetup())


def read_by_hand(piece: Piece) -> list[Feature]:
    """Return the features that a caliper reads: those that only a photo shows are left out."""
    return [f for f in piece.by_hand if f.jaws]


def caliper_of(one: Print) -> Instrument:
    """Return the caliper as whoever fills in the sheet describes it."""
    usual = DEFAULTS["caliper"]
    if one.world.step_mm <= usual.resolution:
        return usual
    return replace(usual, resolution=one.world.step_mm, repeatability=0.25 * one.world.step_mm)


def covered(
    pattern: str, world: World, prints: int, seed: int = 1, caliper: Instrument | None = None
) -> dict[str, Rate]:
    """Return what came of every setting's fit over many prints, all fitted at once.

    Nobody's hand slips here: that is for whole sheets. The caliper is that of the sheet's head, or another
    one taken for it.
    """
    piece, rng = default_piece(pattern), np.random.default_rng(seed)
    lengths = [f for f in read_by_hand(piece) if is_length(f)]
    drawn = printed(piece, lengths, replace(world, slip=0.0), rng, n=(prints,))
    return {
        name: Rate(
            float(np.mean(np.abs(value - drawn.truth[name]) <= half)), float(np.median(half))
        )
        for name, (value, half) in sizes(drawn, caliper or caliper_of(drawn), "PLA").items()
    }


def sheet_of(piece: Piece, one: Print) -> Sheet:
    """Fill in the sheet of a simulated print."""
    caliper = caliper_of(one)
    part_c = one.head.get("part_c")
    return Sheet(
        piece=piece,
        piece_id="bench",
        readings=tuple(
            Reading(feature=f.id, value=value, text=f"{value:.2f}") for f, value in one.read
        ),
        keys=one.head,
        instruments={**DEFAULTS, "caliper": caliper},
        part_c=float(part_c) if part_c else None,
    )


def solved(
    piece: Piece, world: World, rng: np.random.Generator, caliper: Instrument | None = None
) -> tuple[Print, Solution]:
    """Print, read and solve one piece, with the sheet's caliper or another one taken for it."""
    one = printed(piece, read_by_hand(piece), world, rng)
    sheet = sheet_of(piece, one)
    if caliper:
        sheet = replace(sheet, instruments={**sheet.instruments, "caliper": caliper})
    return one, solve_sheet(sheet, Context(filament="PLA", instruments=sheet.instruments))


def rates(
    pattern: str, world: World, prints: int, seed: int = 1, caliper: Instrument | None = None
) -> tuple[dict[str, Rate], dict[str, float]]:
    """Return what came of every setting, and how often what was said of the caliper."""
    rng = np.random.default_rng(seed)
    piece = default_piece(pattern)
    found: dict[str, list[tuple[bool, float, bool]]] = {}
    said = {"not zeroed": 0, "suspects": 0}
    for _ in range(prints):
        one, solution = solved(piece, world, rng, caliper)
        for c in solution.corrections:
            if c.setting in SETTINGS and c.setting in one.truth:
                low, high = c.error.interval()
                truth = one.truth[c.setting]
                worse = c.verdict is Verdict.APPLY and abs(c.error.value - truth) > abs(truth)
                found.setdefault(c.setting, []).append(
                    (low <= truth <= high, c.error.expanded(), worse)
                )
        said["not zeroed"] += any("not zeroed" in t for f in solution.findings for t in f.summary)
        said["suspects"] += bool(solution.suspects)
    table = {
        name: Rate(
            float(np.mean([r[0] for r in rows])),
            float(np.median([r[1] for r in rows])),
            float(np.mean([r[2] for r in rows])),
        )
        for name, rows in found.items()
    }
    return table, {name: n / prints for name, n in said.items()}


def _chosen(words: Sequence[str]) -> Iterator[tuple[str, World]]:
    for pattern in PATTERNS:
        for world in WORLDS:
            if all(w in f"{pattern} {world.name}" for w in words):
                yield pattern, world


def main() -> None:
    """Print the table."""
    given = sys.argv[1:]
    prints = int(given.pop(0)) if given and given[0].isdigit() else 4000
    whole = max(prints // 40, 1)
    print(
        f"coverage of 95 % intervals and median half-width over {prints} simulated prints;"
        f" verdicts over {whole}"
    )
    for pattern, world in _chosen(given):
        quick = covered(pattern, world, prints)
        table, said = rates(pattern, world, whole)
        words = ", ".join(f"{name} {share:.0%}" for name, share in said.items() if share)
        print(f"{pattern}, {world.name}" + (f" ({words})" if words else ""))
        for name, unit in SETTINGS.items():
            if name in table:
                r, all_of_it = quick[name], table[name]
                print(
                    f"  {name:19} {r.covers:6.1%}  ± {r.half_width:.4f} {unit:3}"
                    f"  sheets {all_of_it.covers:4.0%}, led astray {all_of_it.wrong_way:4.0%}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
