"""How long the posterior takes for a large makerspace: `python -m bench.posterior [sheets]`."""

import sys
import time
from datetime import UTC, datetime, timedelta

import numpy as np

from calib.model.drive import Drive
from calib.model.instrument import DEFAULTS
from calib.profile.answers import Where, values
from calib.profile.blocks import Block
from calib.profile.events import Happened
from calib.profile.evidence import Made, parameter_part
from calib.profile.knowledge import World
from calib.profile.posterior import learnt, posterior, shared, solved, summed

PRINTERS, ROLLS, MATERIALS, CALIPERS = 50, 10_000, 8, 10
TYPES = ("PLA", "PETG", "ABS", "ASA", "PA6", "PA12", "PC", "TPU")
START = datetime(2024, 1, 1, tzinfo=UTC)
SETTINGS = (
    "scale_x_percent", "scale_y_percent", "scale_z_percent", "outline_offset_mm", "skew_xy_deg",
    "first_layer_gap_mm", "flow_percent", "hot_end_c",
)  # fmt: skip


def world() -> World:
    """Return what is known beforehand of fifty printers and ten thousand rolls."""
    rng = np.random.default_rng(0)
    belt, screw = Drive(belt_pitch_mm=2, pulley_teeth=20), Drive(screw_lead_mm=8)
    drives = {(f"p{p}", a): screw if a == "Z" else belt for p in range(PRINTERS) for a in "XYZ"}
    kinds = ("moved", "nozzle-changed", "drive-changed")
    events = [
        Happened(
            kind=kinds[k % 3],
            at=START + timedelta(days=int(rng.integers(0, 900))),
            printer=f"p{p}",
            nozzle=f"n{p}" if k % 3 == 1 else "",
            axis="X" if k % 3 == 2 else "",
        )
        for p in range(PRINTERS)
        for k in range(3)
    ]
    return World(
        drives=drives,
        printer_of={f"n{p}": f"p{p}" for p in range(PRINTERS)},
        materials={f"r{r}": TYPES[r % MATERIALS] for r in range(ROLLS)},
        instruments={f"c{c}": DEFAULTS["caliper"] for c in range(CALIPERS)},
        events=events,
    )


#: What a small gauge resolves of its parameters, one standard uncertainty each.
RESOLVES = {
    "scale_x": 3e-4, "scale_y": 3e-4, "scale_z": 6e-4, "offset_x": 0.02, "offset_y": 0.02,
    "skew_xy": 5e-4, "squeeze": 0.02, "zero": 0.02, "caliper_scale": 2e-4,
}  # fmt: skip


def blocks(count: int, rng: np.random.Generator) -> list[Block]:
    """Return blocks of so many sheets; a roll stays with its printer but for one sheet in ten."""
    found = []
    for i in range(count):
        roll = int(rng.integers(0, ROLLS))
        printer = roll % PRINTERS if rng.random() > 0.1 else int(rng.integers(0, PRINTERS))
        made = Made(
            uid=f"{i:06d}", at=START + timedelta(days=roll / ROLLS * 900 + float(rng.random()) * 60),
            pattern="gauge", piece=f"q{i}", printer=f"p{printer}", nozzle=f"n{printer}",
            spool=f"r{roll}", material=TYPES[roll % MATERIALS], instrument=f"c{printer % CALIPERS}",
        )  # fmt: skip
        parts = {name: parameter_part(name, 0.0, made) for name in RESOLVES}
        coordinates = tuple(dict.fromkeys(c for p in parts.values() if p for c in p.weights))
        r = np.zeros((len(RESOLVES), len(coordinates)))
        for k, (name, part) in enumerate(parts.items()):
            assert part is not None
            for c, w in part.weights.items():
                r[k, coordinates.index(c)] = w / RESOLVES[name]
        found.append(
            Block(
                uid=made.uid, at=made.at, coordinates=coordinates, r=r,
                z=rng.normal(0, 1.5, len(RESOLVES)), steps={"X": 80.0, "Y": 80.0},
            )
        )  # fmt: skip
    return found


def main() -> None:
    """Print the times in seconds of processor time."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    known, rng = world(), np.random.default_rng(1)
    found = blocks(count, rng)
    at = time.process_time()
    sums = summed(found, known)
    print(f"sum {count} blocks by {len(sums)} rolls: {time.process_time() - at:.2f} s")
    at = time.process_time()
    total, spools = shared(sums, known, {})
    print(f"eliminate the rolls: {time.process_time() - at:.2f} s, {len(total.coordinates)} shared")
    at = time.process_time()
    one = solved(total, spools, known, {})
    print(f"solve what is shared: {time.process_time() - at:.2f} s")
    where = Where(
        printer="p7", nozzle="n7", spool="r7", material="PETG", at=START + timedelta(days=950)
    )
    at = time.process_time()
    values(one, where, SETTINGS)
    print(f"profile of one roll from that: {time.process_time() - at:.4f} s")
    at = time.process_time()
    learnt(sums, known)
    print(f"learn the spreads: {time.process_time() - at:.2f} s")
    small = [b for b in found if b.owner("spool") in {f"r{k}" for k in range(14)}]
    at = time.process_time()
    posterior(small, known)
    print(f"a build of 14 rolls ({len(small)} sheets), all of it: {time.process_time() - at:.3f} s")


if __name__ == "__main__":
    main()
