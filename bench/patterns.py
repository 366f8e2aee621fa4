"""Pieces: 200 random ones of each pattern built, measured, sliced; speed beside plain mesh booleans.

`python -m bench.patterns [COUNT [PATTERN ...]]` draws COUNT pieces of each pattern (200 by default, many minutes).
"""

import statistics
import sys
import time
from collections.abc import Callable, Sequence

from OCP.Standard import Standard_Failure

from patterns import registry, solid
from patterns.export import stl_bytes
from patterns.piece import Piece
from patterns.preview import preview_mesh
from patterns.spec import PrintSetup
from tests.measurekit import check_piece, valid_pieces
from tests.printability import faults

ROOMY = PrintSetup(hot_end_max_c=500.0, build_z_mm=800.0)


def main(count: str = "200", *names: str) -> int:
    """Print every figure; return how many random pieces failed. Of the patterns named, these alone."""
    if not names:
        default_speed()
        tower_speed()
    return random_pieces(int(count), names)


def seconds(work: Callable[[], object], repeats: int = 5) -> float:
    """Best of a few runs, of the processor's time: other work on the machine does not count."""
    found = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        found.append(time.process_time() - start)
    return min(found)


def export(piece: Piece) -> bytes:
    """Build and export as the command line does."""
    return stl_bytes(solid.mesh(solid.build(piece.body)), piece.pattern)


def default_speed() -> None:
    """Every default piece: kernel and STL, beside the same solid by mesh booleans."""
    print("default piece        kernel + STL   mesh booleans + STL")
    for name, pattern in registry.all_patterns().items():
        piece = pattern.piece({}, PrintSetup())
        if not piece.printed:
            continue
        kernel = seconds(lambda p=piece: export(p))
        plain = seconds(lambda p=piece: stl_bytes(preview_mesh(p.body), p.pattern))
        print(f"{name:20} {kernel:8.3f} s    {plain:8.3f} s")


def tower_speed() -> None:
    """Time of a temperature tower against the number of its bands."""
    times = {}
    for bands in (10, 20, 40):
        given = {"from_c": f"{200 + 5 * (bands - 1)}", "to_c": "200"}
        piece = registry.get("temperature-tower").piece(given, ROOMY)
        times[bands] = seconds(lambda p=piece: export(p))
        plain = seconds(lambda p=piece: stl_bytes(preview_mesh(p.body), p.pattern))
        print(f"tower of {bands} bands: {times[bands]:.3f} s, by mesh booleans {plain:.3f} s")
    print(f"40 bands take {times[40] / times[10]:.2f} x the time of 10")


def random_pieces(count: int, names: Sequence[str] = ()) -> int:
    """Build, validate, re-measure and slice random pieces of every pattern; return how many failed."""
    failed = 0
    for name, pattern in registry.all_patterns().items():
        if not pattern.piece({}, PrintSetup()).printed or (names and name not in names):
            continue
        start = time.process_time()
        pieces, refused = valid_pieces(pattern, count, seed=2)
        found = [c for c in map(check, pieces) if c]
        failed += count - len(found)
        print(
            f"{name:20} {len(found)} of {count} sound, {refused} draws refused with a clear line;"
            f" {statistics.median(n for n, _ in found):g} lengths a piece re-measured within"
            f" {max(mm for _, mm in found):.4f} mm ({time.process_time() - start:.0f} s)",
            flush=True,
        )
    return failed


def check(piece: Piece) -> tuple[int, float] | None:
    """Lengths re-measured and the worst error in mm of a sound piece; of another print what is wrong."""
    try:
        checked = check_piece(piece)
        wrong = [f"layer {f.layer}: {f.why}" for f in faults(piece, checked.mesh)]
    except (AssertionError, Standard_Failure) as error:
        wrong = [f"{type(error).__name__} {error}".splitlines()[0]]
    if not wrong:
        return checked.measured, checked.worst_mm
    print(f"  {piece.pattern} {piece.spec} {piece.setup}: {wrong[0]}", flush=True)
    return None


if __name__ == "__main__":
    raise SystemExit(1 if main(*sys.argv[1:]) else 0)
