"""What must not become slow: each job's processor time against its limit; exits with 1 where one is over."""

import subprocess
import sys
import time
from collections.abc import Callable
from typing import Any

Job = Callable[[], Any]


def start_up() -> Job:
    """Build the command line in a process of its own."""
    code = "from calib.cli import build_app; build_app()"
    return lambda: subprocess.run([sys.executable, "-c", code], check=True)


def picture() -> Job:
    """Draw a piece of more than a hundred edges."""
    from patterns.drawing import draw_piece
    from patterns.preview import preview_mesh
    from tests.drawing_pieces import stepped_block

    piece = stepped_block()
    mesh = preview_mesh(piece.body)
    return lambda: draw_piece(piece, mesh)


def _sheet(repeats: int) -> bytes:
    from bench.readings import filled
    from calib.readings import sheet_csv
    from patterns import registry
    from patterns.spec import PrintSetup

    piece = registry.get("step-gauge").piece({}, PrintSetup())
    text = sheet_csv(piece, "g1", "2026-03-12", repeats=repeats)
    return filled(text, lambda nominal: f"{nominal:.2f}".replace(".", ","))


def thousand_readings() -> Job:
    """Read a sheet of a thousand readings."""
    from calib.readings import read_sheet

    data = _sheet(50)
    return lambda: read_sheet(data)


def million_empty_rows() -> Job:
    """Read a sheet with the empty rows that some spreadsheets save."""
    from calib.readings import read_sheet

    data = _sheet(3) + b";;;\n" * 900_000
    return lambda: read_sheet(data)


#: Job, how many seconds of processor time it may take on one core of an ordinary machine.
LIMITS = (
    (start_up, 1.0),
    (picture, 0.3),
    (thousand_readings, 0.03),
    (million_empty_rows, 1.0),
)


def seconds(job: Job, times: int = 5) -> float:
    """Return the shortest processor time of a few runs, children included."""
    took = []
    for _ in range(times):
        before = sum(_used())
        job()
        took.append(sum(_used()) - before)
    return min(took)


def _used() -> tuple[float, float]:
    import resource

    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time(), children.ru_utime + children.ru_stime


def main() -> None:
    """Print each job's time and limit."""
    over = 0
    for make, limit in LIMITS:
        took = seconds(make())
        over += took > limit
        print(f"{'OVER' if took > limit else 'good'} {took:.3f} s of {limit:g}: {make.__doc__}")
    sys.exit(1 if over else 0)


if __name__ == "__main__":
    main()
