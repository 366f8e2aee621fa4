"""A makerspace's store: 10,000 spools and 1,000,000 readings; how long the usual questions take."""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

PATTERN = "dimensional-cube"
HEAD = {"record": "export", "schema_version": 1, "made_at": "", "by_version": "bench"}


def records(spools: int, readings: int) -> Iterator[dict[str, Any]]:
    """Yield a store as an export: 4 printers, a sheet or two per spool, 50 readings a sheet."""
    per_sheet = 50
    yield HEAD
    for p in range(4):
        yield {
            "record": "printer", "uid": f"p{p}", "name": f"lantern-{p}", "build_x_mm": 220, "build_y_mm": 220,
            "build_z_mm": 250, "hot_end_max_c": 260, "bed_max_c": 100, "layer_mm": 0.2, "filament_mm": 1.75, "axes": [],
        }  # fmt: skip
        yield {"record": "nozzle", "uid": f"n{p}", "name": "brass", "printer": f"p{p}", "bore_mm": 0.4, "line_mm": 0}  # fmt: skip
    for s in range(spools):
        yield {
            "record": "spool", "uid": f"s{s}", "name": f"spool-{s:05}", "material": ("PLA", "PETG", "ABS", "ASA")[s % 4],
            "colour": "", "price": 20, "grams": 1000, "density_g_cm3": None, "filament_mm": None,
        }  # fmt: skip
    for k in range(readings // per_sheet):
        yield _sheet(k, spools, per_sheet)
    for e in range(500):
        yield {
            "record": "event", "uid": f"e{e}", "kind": "moved", "at": "2024-01-01T00:00:00Z",
            "printer": f"p{e % 4}", "nozzle": None, "spool": None, "axis": "", "note": "",
        }  # fmt: skip


def _sheet(k: int, spools: int, n: int) -> dict[str, Any]:
    at = f"2025-{1 + k % 12:02}-{1 + k % 28:02}T{k % 24:02}:{k % 60:02}:00Z"
    settings = (
        ("steps_x_per_mm", "printer", 80.0), ("skew_xy_deg", "printer", 0.1), ("outline_offset_mm", "nozzle", -0.05),
        ("scale_x_percent", "spool", 99.7), ("scale_y_percent", "spool", 99.7), ("scale_z_percent", "spool", 99.7),
        ("flow_percent", "spool", 97.0), ("hot_end_c", "spool", 210.0),
    )  # fmt: skip
    corrections = [
        {
            "uid": f"c{k}-{i}", "scope": scope, "setting": name, "unit": "", "old": value, "new": value * (1 + k % 7 * 1e-3),
            "u_new": abs(value) * 1e-3, "error": {"name": name, "value": 0, "u": abs(value) * 1e-3, "dof": 12, "unit": "", "from_data": 1},
            "verdict": "apply", "evidence": "", "reason": "more than the uncertainty", "instead_of": "", "chosen": True,
            "kept_at": at, "by_version": "bench", "undone": None,
        }
        for i, (name, scope, value) in enumerate(settings)
    ]  # fmt: skip
    return {
        "record": "sheet", "uid": f"k{k}", "pattern": PATTERN, "piece_id": f"{k}", "sheet_text": f"# piece: {k}\n" * 20,
        "parameters": {}, "keys": {"made": at}, "printer": f"p{k % 4}", "nozzle": f"n{k % 4}", "spool": f"s{k % spools}",
        "fit": {}, "kept_at": at, "by_version": "bench", "corrections": corrections,
        "readings": {
            "feature": [f"x_{i}" for i in range(n)], "kind": ["outside"] * n, "axis": ["X"] * n,
            "nominal": [20.0] * n, "value": [20.0 + i * 1e-3 for i in range(n)], "u": [None] * n,
        },
    }  # fmt: skip


def timed(what: str, act: Callable[[], Any], repeats: int = 1) -> Any:
    """Run and print the best wall and processor time of a few (of child processes too)."""
    wall, used, result = float("inf"), float("inf"), None
    for _ in range(repeats):
        start, spent = time.perf_counter(), sum(os.times()[:4])
        result = act()
        wall = min(wall, time.perf_counter() - start)
        used = min(used, sum(os.times()[:4]) - spent)
    print(f"{what:58} {wall * 1000:10.0f} ms {used * 1000:10.0f} ms of processor", flush=True)
    return result


def peak_mib() -> float:
    """Return the largest memory this process has used, in MiB."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Fill a store and time the questions."""
    from calib.plan.steps import plan
    from calib.store import open_store
    from calib.store.exchange_file import read_records, write_records

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spools", type=int, default=10_000)
    parser.add_argument("--readings", type=int, default=1_000_000)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path, out = f"{folder}/big.sqlite", Path(folder) / "big.json"
        print(f"{given.spools} spools, {given.readings} readings")
        with open_store(path) as store:
            timed(
                "fill by import, from memory",
                lambda: store.take_in(records(given.spools, given.readings)),
            )
            print(
                f"{'file':58} {os.path.getsize(path) / 2**20:10.0f} MiB; memory {peak_mib():.0f} MiB"
            )
            names = ("lantern-1", "brass", "spool-00001")
            timed("profile of one spool", lambda: store.in_force(*names), 3)
            timed("what to print next", lambda: plan(store.known(*names)), 3)
            timed(
                "profile of a spool that inherits",
                lambda: store.in_force("lantern-1", "brass", "spool-00000"),
                3,
            )
            timed("history, newest 30", lambda: store.history(limit=30), 3)
            timed(
                "all readings of a printer, as columns",
                lambda: sum(len(s.value) for s in store.readings_of("lantern-1")),
            )
            timed("export", lambda: write_records(out, store.records()))
            print(
                f"{'file':58} {out.stat().st_size / 2**20:10.0f} MiB; memory {peak_mib():.0f} MiB"
            )
            timed("check", store.check)
        with open_store(f"{folder}/copy.sqlite") as copy:
            timed("import of that file", lambda: copy.take_in(read_records(out)))
            print(f"{'memory':58} {peak_mib():10.0f} MiB")
            timed("import again: all is there already", lambda: copy.take_in(read_records(out)))
        for verb in (["--help"], ["profile", "show"], ["next"]):
            tail = [] if verb == ["--help"] else ["--store", path, "-p", "lantern-1", "-n", "brass", "-s", "spool-00001"]  # fmt: skip
            command = [sys.executable, "-m", "calib", *verb, *tail]
            timed(f"truebead {' '.join(verb)}, whole process", lambda c=command: subprocess.run(c, check=True, capture_output=True), 3)  # fmt: skip


if __name__ == "__main__":
    main()
