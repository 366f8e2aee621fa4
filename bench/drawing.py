"""Time and size of the pictures of every default piece: python -m bench.drawing."""

import time

from patterns.drawing import draw_piece
from patterns.preview import preview_mesh
from patterns.registry import all_patterns
from patterns.spec import PrintSetup


def main() -> None:
    """Print one line for each pattern: best of five, processor time."""
    for name, pattern in all_patterns().items():
        piece = pattern.piece({}, PrintSetup())
        if not piece.printed:
            continue
        mesh_s, mesh = _best(lambda piece=piece: preview_mesh(piece.body))
        draw_s, svg = _best(lambda piece=piece, mesh=mesh: draw_piece(piece, mesh))
        print(
            f"{name:20} {len(mesh.triangles):5} triangles in {1e3 * mesh_s:5.1f} ms; "
            f"{len(piece.features):3} callouts in {1e3 * draw_s:5.0f} ms; {len(svg) / 1e3:4.0f} kB"
        )


def _best(work):  # type: ignore[no-untyped-def]
    taken = []
    for _ in range(5):
        before = time.process_time()
        result = work()
        taken.append(time.process_time() - before)
    return min(taken), result


if __name__ == "__main__":
    main()
