"""How long the posterior takes for a large makerspace: `python -m bench.posterior [sheets]`.

Fifty printers, ten thousand rolls of eight types, ten calipers; a roll stays with its printer but for one
sheet in ten. Every sheet is that of a small gauge. Times are of the processor, and the exit code is 1
where one is beyond its limit.
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from sqlalchemy import insert
from sqlalchemy.orm import Session

from calib.model.drive import Drive
from calib.profile.blocks import Block, Coordinate, block_json
from calib.profile.evidence import MODEL, Made, parameter_part
from calib.store import open_store
from calib.store.records import Axis, Nozzle, Printer, Spool
from calib.store.store import Store
from calib.store.tables import (
    BlockRow,
    CorrectionRow,
    EventRow,
    MaterialRow,
    NozzleRow,
    PrinterRow,
    SheetRow,
    SpoolRow,
)
from tests.storekit import correction, sheet, sheet_text

PRINTERS, ROLLS, CALIPERS = 50, 10_000, 10
TYPES = ("PLA", "PETG", "ABS", "ASA", "PA6", "PA12", "PC", "TPU")
START = datetime(2024, 1, 1, tzinfo=UTC)
#: Seconds of processor time: working all out anew, one profile, keeping a sheet, the profile after it.
LIMITS = {"work all out": 60.0, "profile of one roll": 0.3, "keep a sheet": 0.2, "profile after it": 0.3}  # fmt: skip

#: What a small gauge resolves of its parameters, one standard uncertainty each.
RESOLVES = {
    "scale_x": 3e-4, "scale_y": 3e-4, "scale_z": 6e-4, "offset_x": 0.02, "offset_y": 0.02,
    "skew_xy": 5e-4, "squeeze": 0.02, "caliper_at_40": 0.02, "caliper_scale": 2e-4,
}  # fmt: skip


#: How far things differ in the world of this bench, one standard deviation.
DIFFER = {
    "scale": 1e-3, "shrink": 7e-4, "offset": 0.04, "skew": 3e-3, "first": 0.04, "caliper": 1e-4,
    "swell": 0.01, "print": 1.4e-4,
}  # fmt: skip


def blocks(count: int, rng: np.random.Generator) -> Iterator[Block]:
    """Yield the blocks of so many sheets, oldest first."""
    truth: dict[Coordinate, float] = {}

    def true(c: Coordinate) -> float:
        if c not in truth:
            truth[c] = rng.normal(0, DIFFER[c.quantity.partition("_")[0]])
        return truth[c]

    for i in range(count):
        roll = int(rng.integers(0, ROLLS))
        printer = roll % PRINTERS if rng.random() > 0.1 else int(rng.integers(0, PRINTERS))
        made = Made(
            uid=f"{i:06d}", at=START + timedelta(days=i / count * 900), pattern="gauge", piece=f"q{i}",
            printer=f"p{printer + 1}", nozzle=f"n{printer + 1}", spool=f"s{roll + 1}",
            material=TYPES[roll % len(TYPES)], instrument=f"c{printer % CALIPERS}",
        )  # fmt: skip
        parts = {name: parameter_part(name, 0.0, made) for name in RESOLVES}
        coordinates = tuple(dict.fromkeys(c for p in parts.values() if p for c in p.weights))
        r = np.zeros((len(RESOLVES), len(coordinates)))
        for k, (name, part) in enumerate(parts.items()):
            assert part is not None
            for c, w in part.weights.items():
                r[k, coordinates.index(c)] = w / RESOLVES[name]
        yield Block(
            uid=made.uid, at=made.at, coordinates=coordinates, r=r, readings=9, pattern="gauge",
            z=rng.normal(size=len(RESOLVES)) + r @ [true(c) for c in coordinates], steps={"X": 80.0, "Y": 80.0},
            settings=("scale_x_percent", "scale_y_percent"),
        )  # fmt: skip


def add_things(store: Store) -> None:
    """Add printers, nozzles and rolls."""
    belt, screw = Drive(belt_pitch_mm=2, pulley_teeth=20), Drive(screw_lead_mm=8)
    axes = (Axis(axis="X", drive=belt), Axis(axis="Y", drive=belt), Axis(axis="Z", drive=screw))
    for p in range(PRINTERS):
        store.add_printer(
            Printer(
                name=f"lantern-{p}", build_x_mm=220, build_y_mm=220, build_z_mm=250,
                hot_end_max_c=260, bed_max_c=100, axes=axes,
            )
        )  # fmt: skip
        store.add_nozzle(Nozzle(name="brass", printer=f"lantern-{p}", bore_mm=0.4))
    for name in TYPES:
        store.add_spool(Spool(name=f"first {name}", material=name))


def fill(store: Store, count: int) -> None:
    """Add sheets with one correction each, and their blocks, as an import would."""
    rng = np.random.default_rng(1)
    add_things(store)
    with Session(store.engine) as session:
        printers = {r.id for r in session.query(PrinterRow)}
        assert printers == {r.id for r in session.query(NozzleRow)} == set(range(1, PRINTERS + 1))
        types = {m.name: m.id for m in session.query(MaterialRow)}
        rows = [{"id": r + 1, "uid": f"s{r}", "name": f"roll-{r}", "material_id": types[TYPES[r % len(TYPES)]],
                 "colour": "", "version": 1} for r in range(len(TYPES), ROLLS)]  # fmt: skip
        session.execute(insert(SpoolRow), rows)
        kinds = ("moved", "nozzle-changed", "drive-changed")
        events = [
            {"uid": f"e{p}-{k}", "kind": kinds[k], "at": START + timedelta(days=int(rng.integers(0, 900))),
             "printer_id": p, "nozzle_id": p if k == 1 else None, "axis": "X" if k == 2 else "", "note": ""}
            for p in printers for k in range(3)
        ]  # fmt: skip
        session.execute(insert(EventRow), events)
        waiting: list[Block] = []
        for block in blocks(count, rng):
            waiting.append(block)
            if len(waiting) == 5000:
                _add_sheets(session, waiting, types)
                waiting = []
        _add_sheets(session, waiting, types)
        session.commit()


def _add_sheets(session: Session, some: list[Block], types: dict[str, int]) -> None:
    sheets, corrections, said = [], [], []
    for b in some:
        row = int(b.uid) + 1
        used = {"printer_id": int(b.owner("printer")[1:]), "nozzle_id": int(b.owner("nozzle")[1:]),
                "spool_id": int(b.owner("spool")[1:])}  # fmt: skip
        sheets.append({"id": row, "uid": b.uid, "keep_key": b.uid, "sheet_sha256": "", "sheet_text": "",
                       "pattern": b.pattern, "piece_id": b.uid, "parameters": {}, "keys": {}, "fit": {},
                       "kept_at": b.at, "by_version": "bench", **used})  # fmt: skip
        c = correction("scale_x_percent", 100.0, 100.0, u=0.05)
        corrections.append({"uid": b.uid, "sheet_id": row, "material_id": types[b.owner("material")],
                            "scope": str(c.scope), "setting": c.setting, "unit": "%", "old": c.old,
                            "new": c.new, "u_new": c.u_new, "verdict": str(c.verdict), "evidence": "",
                            "reason": "", "instead_of": "", "chosen": True, "kept_at": b.at,
                            "by_version": "bench", "requests": [],
                            "error": {"name": "", "value": 0, "u": 0.05, "dof": 9, "unit": "%", "from_data": 1},
                            **used})  # fmt: skip
        said.append({"sheet_id": row, "model": MODEL, "data": block_json(b)})
    for table, rows in ((SheetRow, sheets), (CorrectionRow, corrections), (BlockRow, said)):
        if rows:
            session.execute(insert(table), rows)


def timed(what: str, act: Callable[[], Any]) -> bool:
    """Do something, print its time of the processor; return whether it is within its limit."""
    at = time.process_time()
    act()
    used, limit = time.process_time() - at, LIMITS.get(what)
    print(f"{what:40} {used:8.3f} s{f', at most {limit:g} s' if limit else ''}", flush=True)
    return limit is None or used <= limit


def main() -> int:
    """Fill a store, print the times."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    names = ("lantern-7", "brass", "roll-57")

    def keep(k: int) -> None:
        found = [
            correction("flow_percent", 97.0, 100.0),
            correction("skew_xy_deg", 0.1, 0.0, u=0.03),
        ]
        store.keep(sheet_text(f"k{k}"), sheet(f"k{k}"), found, {}, printer=names[0], nozzle=names[1], spool=names[2])  # fmt: skip

    with tempfile.TemporaryDirectory() as folder:
        path = f"{folder}/large.sqlite"
        with open_store(path) as store:
            timed(f"fill with {count} sheets", lambda: fill(store, count))
            print(f"{os.path.getsize(path) / 2**20:.0f} MiB")
            good = timed("work all out", lambda: store.in_force(*names))
        with open_store(path) as store:
            store.printers()
            good &= timed("profile of one roll", lambda: store.in_force(*names))
            good &= timed("keep a sheet", lambda: keep(0))
            good &= timed("profile after it", lambda: store.in_force(*names))
            timed("what each value rests on", lambda: store.rests(*names))
            timed("how well it was known over time", lambda: store.over_time(*names))
            timed("sheets that disagree", lambda: store.disagreeing(names[0]))
            for k in range(1, 50):
                keep(k)
            timed("profile after 50 sheets", lambda: store.in_force(*names))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
