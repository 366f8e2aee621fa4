"""Strings, sag and droop from path-traced photos of lying pieces: ``python -m bench.towers [folder] [first] [last]``.

Towers and ladders with strands and sagging undersides of known size lie on their backs. The photos are rendered
once (needs mitsuba and LLVM's library) and kept in the folder. For each photo: how many values are without a
doubt, their errors, and how often these lie within 1.96 times their standard uncertainty.
"""

import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import manifold3d as m3
import numpy as np

from bench.pathtrace import Floats, Shot, render
from calib.errors import FileError
from calib.photo.image import load_photo
from calib.photo.lying import lay
from calib.photo.mat import Mat
from calib.photo.scale import from_bars
from calib.photo.session import measure_photos
from patterns.body import Body
from patterns.feature import Feature, Kind
from patterns.piece import Piece
from patterns.preview import preview_mesh
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.photo_pieces import hanging

WIDTH_PX = 2600
#: Pattern, what it is asked for, filament, centre, lamp: one photo each.
SCENES: tuple[tuple[str, dict[str, str], str, str, str], ...] = (
    ("temperature-tower", {"judgements": "5"}, "orange", "green", "hard"),
    ("string-posts", {}, "white", "green", "hard"),
    ("bridge-ladder", {}, "blue", "white", "soft"),
    ("temperature-tower", {"judgements": "5"}, "black", "white", "hard"),
    ("string-posts", {}, "orange", "dark", "soft"),
    ("overhang-ladder", {}, "grey", "green", "hard"),
    ("bridge-ladder", {}, "grey", "green", "hard"),
    ("temperature-tower", {"judgements": "5"}, "white", "dark", "hard"),
    ("string-posts", {}, "black", "white", "soft"),
    ("overhang-ladder", {}, "red", "white", "sky"),
    ("temperature-tower", {"judgements": "5"}, "blue", "green", "sky"),
    ("bridge-ladder", {}, "yellow", "magenta", "hard"),
)
_PLAN_MM = 0.02  # cells in which the area of strands is counted


@dataclass(frozen=True)
class Truth:
    """A photo, the piece as drawn, and what hangs in it: feature and quantity -> mm or mm2."""

    path: Path
    piece: Piece
    values: dict[tuple[str, str], float]
    tilt_deg: float


def _hung(piece: Piece, rng: np.random.Generator) -> tuple[Body, dict[tuple[str, str], float]]:
    """Let bridges sag by 0-2 mm and overhangs droop by 0-1 mm, more at one end of the piece."""
    body, truth = piece.body, {}
    for group in ("bridge", "pass", "overhang"):
        edges = [
            f for f in piece.features if f.group == group and f.kind in (Kind.SCORE, Kind.PASS)
        ]
        if not edges:
            continue
        level = abs(edges[0].start[2] - edges[0].end[2]) < 1e-6
        most = rng.uniform(0.3, 2.0) if level else rng.uniform(0.3, 1.0)
        share = np.linspace(0, 1, len(edges))[:: 1 if rng.random() < 0.5 else -1]
        reach = [abs(np.subtract(f.end, f.start)).max() for f in edges]
        down = np.minimum(most * share * rng.uniform(0.7, 1.3, len(edges)), 0.15 * np.array(reach))
        body = hanging(body, edges, [float(d) for d in down])
        for edge, value in zip(edges, down, strict=True):
            truth[edge.id, "sag" if level else "droop"] = float(value)
            twin = [f for f in piece.features if f.kind is Kind.DROOP and f.rung == edge.rung]
            truth |= {(f.id, "droop"): float(value) for f in twin if not level}
    return body, truth


def _strung(
    piece: Piece, rng: np.random.Generator
) -> tuple[list[m3.Manifold], dict[tuple[str, str], float]]:
    """Draw threads from wall to wall: slack, of 0.1-0.5 mm; and their area from above in each gap."""
    threads, truth = [], {}
    for group in ("strings", "strings_short"):
        gaps = [f for f in piece.features if f.group == group and f.kind is Kind.STRANDS]
        order = np.linspace(0, 1, len(gaps))
        most = rng.uniform(1, 8)
        for gap, share in zip(gaps, order, strict=True):
            drawn = [_thread(gap, gaps, rng) for _ in range(int(rng.poisson(most * share)))]
            threads += [piece_ for points, wide in drawn for piece_ in _tube(points, wide)]
            truth[gap.id, "strings"] = _plan_area(gap, drawn)
    return threads, truth


def _thread(
    gap: Feature, gaps: Sequence[Feature], rng: np.random.Generator
) -> tuple[Floats, float]:
    room = 0.35 * min(abs(g.start[2] - gap.start[2]) for g in gaps if g is not gap)
    (x0, y, z), x1 = gap.start, gap.end[0]
    t = np.linspace(0, 1, 12)
    ends = rng.uniform(-room, room, 2)
    slack = rng.uniform(0, 0.4) * 4 * t * (1 - t)
    line = np.column_stack(
        [x0 - 0.2 + t * (x1 - x0 + 0.4), np.full(12, y + rng.uniform(-1.5, 1.5)), z + ends[0] + t * np.diff(ends) - slack]
    )  # fmt: skip
    return line, float(rng.uniform(0.1, 0.5))


def _tube(points: Floats, wide: float) -> list[m3.Manifold]:
    balls = [m3.Manifold.sphere(wide / 2, 10).translate(tuple(p)) for p in points]
    return [m3.Manifold.batch_hull([a, b]) for a, b in pairwise(balls)]


def _plan_area(gap: Feature, drawn: Sequence[tuple[Floats, float]]) -> float:
    """Area that threads cover in a gap, seen from the front: each place counts once."""
    x = np.arange(gap.start[0], gap.end[0], _PLAN_MM)
    z = gap.start[2] + np.arange(-8, 8, _PLAN_MM)
    covered = np.zeros((len(x), len(z)), bool)
    for points, wide in drawn:
        middle = np.interp(x, points[:, 0], points[:, 2])
        slope = np.gradient(middle, x)
        covered |= np.abs(z - middle[:, None]) < (wide / 2 * np.hypot(1, slope))[:, None]
    return float(covered.sum() * _PLAN_MM**2)


def scene(number: int) -> tuple[Shot, Piece, dict[tuple[str, str], float]]:
    """Return one random scene, its piece and what is to be found."""
    name, given, colour, centre, lamp = SCENES[number % len(SCENES)]
    rng = np.random.default_rng(9000 + number)
    piece = get(name).piece(dict(given), PrintSetup())
    body, values = _hung(piece, rng)
    threads, areas = _strung(piece, rng)
    printed = preview_mesh(body)
    solid = m3.Manifold(
        m3.Mesh(printed.vertices.astype(np.float32), printed.triangles.astype(np.uint32))
    )
    whole = m3.Manifold.batch_boolean([solid, *threads], m3.OpType.Add) if threads else solid
    raw = whole.to_mesh()
    lying = lay(piece.body, "back")
    points = lying.from_piece(np.asarray(raw.vert_properties, float)[:, :3])
    half = lying.size_mm[:2] / 2
    box = np.array([(-half[0], -half[1]), (half[0], -half[1]), half, (-half[0], half[1])])
    upright = half[0] > 60
    shot = Shot(
        outline=box, mesh=(points, np.asarray(raw.tri_verts)), height_mm=float(lying.size_mm[2]),
        colour=colour, lamp=lamp, lamp_deg=float(rng.uniform(0, 360)), gloss=bool(rng.random() < 0.35),
        mat=Mat("a4", centre, number + 1), at_mm=(float(rng.uniform(-8, 8)), float(rng.uniform(-8, 8))),
        turn_deg=90.0 * upright + float(rng.uniform(-4, 4)), tilt_deg=float(rng.uniform(6, 18)),
        azimuth_deg=float(rng.uniform(0, 360)), roll_deg=float(rng.uniform(-8, 8)),
        view_deg=float(rng.uniform(56, 70)), k1=float(rng.uniform(-0.04, 0.04)), width_px=WIDTH_PX,
        blur_px=float(rng.uniform(0.7, 1.3)) * WIDTH_PX / 3000, noise_levels=float(rng.uniform(1.5, 4.5)),
        quality=int(rng.integers(82, 96)), white=(float(rng.uniform(0.88, 1)), 0.97, float(rng.uniform(0.88, 1))),
        seed=number,
    )  # fmt: skip
    return shot, piece, values | areas


def rendered(folder: Path, numbers: range) -> Iterator[Truth]:
    """Render what is not there yet and give the photos with their truth."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in numbers:
        shot, piece, values = scene(number)
        path = (
            folder / f"{number:03d}-{piece.pattern}-{shot.colour}-{shot.mat.centre}-{shot.lamp}.jpg"
        )
        if not path.exists():
            path.write_bytes(render(shot))
        yield Truth(path, piece, values, shot.tilt_deg)


def table(truths: Sequence[Truth]) -> int:
    """Measure and print; return how many values without a doubt are off by more than three times their u."""
    scores: dict[str, list[float]] = {}
    off: dict[str, list[float]] = {}
    counts: dict[str, int] = {}
    for t in truths:
        start = time.process_time()
        try:
            seen = measure_photos(
                [load_photo(t.path)], t.piece.body, t.piece.features, scale=from_bars(140, 140), sides=("back",),
            ).defects  # fmt: skip
        except FileError as err:
            print(f"{t.path.stem}: {err}")
            continue
        print(f"{t.path.stem} tilt {t.tilt_deg:.0f} ({time.process_time() - start:.1f} s)")
        for quantity in ("strings", "sag", "droop"):
            mine = [
                d for d in seen if (d.feature.id, d.quantity) in t.values and d.quantity == quantity
            ]
            if not mine:
                continue
            true = np.array([t.values[d.feature.id, quantity] for d in mine])
            print(f"  {quantity:<8} true {np.round(true, 2)}")
            print(
                f"           seen {np.round([d.value for d in mine], 2)}  doubted {sum(bool(d.note) for d in mine)} {({d.note for d in mine} - {''}) or ''}"
            )
            print(f"           u    {np.round([d.sd for d in mine], 2)}")
            counts[quantity] = counts.get(quantity, 0) + len(mine)
            for d, value in zip(mine, true, strict=True):
                if not d.note:
                    scores.setdefault(quantity, []).append((d.value - value) / d.sd)
                    off.setdefault(quantity, []).append(d.value - value)
    for quantity, s in scores.items():
        e, z = np.array(off[quantity]), np.abs(s)
        print(
            f"{quantity}: {len(z)} of {counts[quantity]} without a doubt; rms {np.sqrt((e**2).mean()):.3f},"
            f" mean {e.mean():+.3f}, max {np.abs(e).max():.3f}; 95 % intervals hold {100 * (z < 1.96).mean():.0f} %"
        )
    return sum(int((np.abs(s) > 3).sum()) for s in scores.values())


def main() -> int:
    """Print the table."""
    words = [w for w in sys.argv[1:] if not w.startswith("-")]
    folder = Path(words[0]) if words else Path("/tmp/truebead-towers")
    first, last = (int(words[1]), int(words[2])) if len(words) > 2 else (0, len(SCENES))
    return min(table(list(rendered(folder, range(first, last)))), 1)


if __name__ == "__main__":
    sys.exit(main())
