"""How long commands take: start-up, make of each default piece, solve of a thousand readings."""

import contextlib
import io
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from calib.interpret.solve import Context, solve_sheet
from calib.readings import Reading, read_sheet, sheet_csv
from calib.workshop.folders import write_folder
from calib.workshop.making import MakeContext, files_of
from patterns import registry
from patterns.spec import PrintSetup
from tests.simulate import Caliper, Printer, readings


def best(action: Callable[[], object], times: int = 5) -> float:
    """Return the shortest of several runs, in seconds."""
    took = []
    for _ in range(times):
        start = time.perf_counter()
        action()
        took.append(time.perf_counter() - start)
    return min(took)


def run_help() -> None:
    """Start a fresh process that prints the help."""
    command = [sys.executable, "-c", "from calib.cli import main; main()", "--help"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def thousand_readings() -> Callable[[], object]:
    """Return a solve of a step gauge read fifty times over."""
    piece = registry.get("step-gauge").piece({}, PrintSetup())
    which, value = readings(
        piece.features, Printer(scale=(-0.003, -0.004, 0)), Caliper(), np.random.default_rng(0), 50
    )
    sheet = read_sheet(sheet_csv(piece, "bench", "2026-01-01T00:00:00"))
    read = tuple(
        Reading(feature=piece.features[i].id, value=float(v))
        for i, v in zip(which, value, strict=True)
    )
    filled = replace(sheet, readings=read)
    print(f"solve: {len(read)} readings")
    return lambda: solve_sheet(filled, Context())


def main() -> None:
    """Print the table."""
    print(f"--help: {best(run_help):.3f} s (aim 0.3)")
    print(f"solve:  {1000 * best(thousand_readings()):.1f} ms (aim 50)")
    setup = PrintSetup()
    for name, pattern in registry.all_patterns().items():
        piece = pattern.piece({}, setup)
        with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(io.StringIO()):
            seconds = best(
                lambda p=piece, f=folder: write_folder(
                    files_of(p, MakeContext()), Path(f), force=True
                ),
                3,
            )
        print(f"make {name:18} {seconds:.3f} s (aim 0.5)")


if __name__ == "__main__":
    main()
