"""Pieces: 200 random ones of each pattern built and measured; speed beside plain mesh booleans.

`python -m bench.patterns [COUNT]` draws COUNT pieces of each pattern (200 by default, many minutes).
"""

import statistics
import sys
import time
from collections.abc import Callable

from patterns import registry, solid
from patterns.export import stl_bytes
from patterns.piece import Piece
from patterns.preview import preview_mesh
from patterns.spec import PrintSetup
from tests.measurekit import check_piece, valid_pieces

ROOMY = PrintSetup(hot_end_max_c=500.0, build_z_mm=800.0)


def main(count: int = 200) -> None:
    """Print every figure."""
    default_speed()
    tower_speed()
    random_pieces(count)


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


def random_pieces(count: int) -> None:
    """Build, validate and re-measure random pieces of every pattern."""
    for name, pattern in registry.all_patterns().items():
        if not pattern.piece({}, PrintSetup()).printed:
            continue
        start = time.perf_counter()
        pieces, refused = valid_pieces(pattern, count, seed=2)
        checked = [check_piece(p) for p in pieces]
        volume = max(abs(c.mesh.volume_mm3 - c.kernel_mm3) / c.kernel_mm3 for c in checked)
        middle = statistics.median(c.measured for c in checked)
        print(
            f"{name:20} {count} built, {refused} draws refused with a clear line;"
            f" mesh within {100 * volume:.4f} % of the kernel; {middle:g} lengths a piece"
            f" re-measured within {max(c.worst_mm for c in checked):.4f} mm"
            f" ({time.perf_counter() - start:.0f} s)",
            flush=True,
        )


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:2]))
