"""Accuracy of lengths from rendered photos: run as ``python -m bench.photo [photos] [width_px]``.

Prints how many lengths are within limits, how often the 95 % intervals hold, how many wrong edges
were flagged, what each part of the method removes, and seconds and memory for one photo. A third
argument, any word, leaves the parts out. The pieces are two of the tests' own and three of the
patterns; one photo in six is of a piece on the mat that does not suit its colour.
"""

import resource
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.photo.image import Photo, load_photo
from calib.photo.lying import lay
from calib.photo.mat import BAR_MM, Mat
from calib.photo.scale import from_bars
from calib.photo.session import measure_photos
from calib.photo.view import Options
from patterns.body import Body
from patterns.feature import Feature
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.photo_pieces import gauge, gauge_features, plate, plate_features
from tests.photo_render import COLOURS, Placed, Scene, jpeg, look, render

WRONG_MM = 0.15
PARTS = {
    "full method": Options(),
    "no height correction": Options(heights=False),
    "no wall term": Options(walls=False),
    "distortion ignored": Options(distortion=False),
}


@dataclass
class Row:
    """One length: its error and stated uncertainty, mm."""

    kind: str
    nominal: float
    error: float
    sd: float
    flagged: bool
    noted: bool  # the photo was said to be less than good: square-on, blurred ...


def subject(n: int) -> tuple[str, Body, tuple[Feature, ...]]:
    """Return a piece: its name, body and features."""
    if n % 5 == 0:
        return "long gauge", gauge(), gauge_features()
    if n % 5 == 1:
        return "plate", plate(), plate_features()
    name, given = (
        ("step-gauge", {"reach_mm": "120"}), ("dimensional-cube", {}), ("hole-plate", {})
    )[n % 5 - 2]  # fmt: skip
    piece = get(name).piece(given, PrintSetup())
    return name, piece.body, piece.features


def scene(n: int, width: int) -> tuple[Scene, tuple[float, float]]:
    """Draw one random scene: colour, paper, placement, camera, light, rounding, squeeze."""
    rng = np.random.default_rng(1000 + n)
    colour = list(COLOURS)[n % len(COLOURS)]
    dark = colour in ("white", "orange") or (colour == "grey" and bool(rng.random() < 0.5))
    dark ^= n % 6 == 5  # not the mat that suits
    mat = Mat("a4", "dark" if dark else "white", int(rng.integers(10_000)))
    name, body, _ = subject(n)
    lying = lay(body, "bottom")
    long = max(lying.size_mm[:2]) > 100
    turn = rng.choice([90.0, 270.0]) + rng.uniform(-12, 12) if long else rng.uniform(0, 360)
    aside = (20.0, 25.0)
    if name == "step-gauge":  # as wide as the empty centre
        turn, aside = float(rng.choice([0, 90, 180, 270])) + rng.uniform(-2, 2), (1.5, 25.0)
    low, high = 1 - 0.0005, 1 + 0.0005
    placed = Placed(
        lying, rng.uniform(-aside[0], aside[0]), rng.uniform(-aside[1], aside[1]), float(turn),
        colour, float(rng.choice([0.0, 0.1, 0.15])), float(rng.choice([0.0, 0.2])),
        (1.0, 1.0, float(rng.uniform(low, high))),
    )  # fmt: skip
    size = (width, width * 4 // 3)
    camera = look(
        size, tilt_deg=rng.uniform(4, 24), azimuth_deg=rng.uniform(0, 360),
        roll_deg=rng.uniform(-25, 25), view_deg=rng.uniform(55, 70), k1=rng.uniform(-0.05, 0.05),
        centre_off=(float(rng.normal(0, 0.004 * width)), float(rng.normal(0, 0.004 * width))),
    )  # fmt: skip
    lamp, lean = rng.uniform(0, 2 * np.pi), rng.uniform(0.3, 0.8)
    paper = (float(rng.uniform(0.99, 1.01)), float(rng.uniform(0.99, 1.01)))
    light = (float(lean * np.cos(lamp)), float(lean * np.sin(lamp)), 1.0)
    drawn = Scene(
        mat, camera, size, (placed,), paper=paper, light=light, seed=n,
        blur_px=float(rng.uniform(0.7, 1.3)) * max(1.0, width / 2200),
        softness=float(rng.uniform(0.08, 0.2)), oversample=2,
    )  # fmt: skip
    bars = tuple(float(BAR_MM * p + rng.normal(0, 0.02)) for p in paper)
    return drawn, (bars[0], bars[1])


def measured(photo: Photo, n: int, bars: tuple[float, float], options: Options) -> list[Row]:
    """Measure one photo."""
    _, body, features = subject(n)
    found = measure_photos([photo], body, features, scale=from_bars(*bars), options=options)
    return [
        Row(str(n.feature.kind), n.feature.nominal, n.value_mm - n.feature.nominal, n.sd_mm, bool(n.flags), bool(found.views[0].notes))
        for n in found.lengths
    ]  # fmt: skip


def _percent(good: NDArray[np.bool_]) -> str:
    return f"{100 * good.mean():.1f} % of {len(good)}" if len(good) else "none"


def summary(name: str, rows: list[Row]) -> None:
    """Print what came out."""
    clear = [r for r in rows if not r.flagged]
    if not clear:
        print(f"{name}: {len(rows)} lengths, none clear")
        return
    error = np.array([r.error for r in clear])
    sizes = np.array([r.nominal >= 20 and r.kind != "pitch" for r in clear])
    pitch = np.array([r.kind == "pitch" for r in clear])
    limit = np.array([0.05 * max(r.nominal, 100) / 100 for r in clear])
    held = np.abs(error) < 1.96 * np.array([r.sd for r in clear])
    wrong = [r for r in rows if abs(r.error) > WRONG_MM]
    print(
        f"{name}: {len(rows)} lengths, {len(clear)} clear; clear ones: rms {np.sqrt((error**2).mean()):.3f},"
        f" max {np.abs(error).max():.3f}, bias {error.mean():+.3f} mm;"
        f" sizes >= 20 mm within 0.10 mm {_percent((np.abs(error) < 0.1)[sizes])};"
        f" pitches within 0.05 per 100 mm {_percent((np.abs(error) < limit)[pitch])};"
        f" 95 % intervals hold {_percent(held)};"
        f" {len(wrong)} off by > {WRONG_MM} mm, {sum(r.flagged for r in wrong)} of them flagged,"
        f" {sum(abs(r.error) < 2 * r.sd for r in wrong if not r.flagged)} of the others within 2 sd"
    )
    for kind in sorted({r.kind for r in clear}):
        some = error[[r.kind == kind for r in clear]]
        print(
            f"    {kind}: {len(some)}, bias {some.mean():+.3f}, rms {np.sqrt((some**2).mean()):.3f}"
        )


def main() -> None:
    """Render, measure, print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    width = int(sys.argv[2]) if len(sys.argv) > 2 else 3000
    parts = PARTS if len(sys.argv) <= 3 else {"full method": Options()}
    rows: dict[str, list[Row]] = {name: [] for name in parts}
    cpu: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        for n in range(count):
            drawn, bars = scene(n, width)
            path = Path(folder) / f"{n}.jpg"
            path.write_bytes(jpeg(render(drawn)))
            photo = load_photo(path)
            for name, options in parts.items():
                start = time.process_time()
                try:
                    rows[name] += measured(replace(photo), n, bars, options)
                except FileError as err:
                    print(n, subject(n)[0], drawn.pieces[0].colour, drawn.mat.name, name, err)
                if name == "full method":
                    cpu.append(time.process_time() - start)
            print(
                f"photo {n + 1} of {count}: {drawn.pieces[0].colour} {subject(n)[0]} on {drawn.mat.name}",
                file=sys.stderr,
            )
    for name, found in rows.items():
        summary(name, found)
        summary(f"{name}, photos without a note", [r for r in found if not r.noted])
    print(
        f"processor seconds per photo of {width * width * 4 // 3 / 1e6:.1f} megapixels: median {np.median(cpu):.2f}"
    )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory of renderer and measurement together: {peak:.0f} MiB")


if __name__ == "__main__":
    main()
