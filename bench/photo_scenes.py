"""Random photos for the bench, each with its truth; rendered once and kept in a folder."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bench.pathtrace import Floats, Shot, outermost_mm, render
from calib.photo.mat import BAR_MM, Mat
from patterns.piece import Piece
from patterns.registry import get
from patterns.spec import PrintSetup

#: Filament, centre of the mat, lamp: every filament on the paper that is advised for it, then others.
SCENES = (
    ("white", "green", "hard"), ("grey", "green", "soft"), ("black", "green", "hard"),
    ("red", "green", "sky"), ("blue", "white", "hard"), ("yellow", "magenta", "soft"),
    ("green", "magenta", "hard"), ("white", "dark", "soft"), ("blue", "green", "sky"),
    ("wood", "green", "hard"), ("orange", "green", "soft"), ("grey", "green", "hard"),
    ("black", "green", "soft"), ("red", "white", "soft"), ("yellow", "dark", "hard"),
    ("orange", "white", "sky"),
)  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """What a photo shows: growth along x and y and outward offset of walls, and the bars as read."""

    path: Path
    colour: str
    centre: str
    lamp: str
    tilt_deg: float
    grow: tuple[float, float, float]
    bars_mm: tuple[float, float]


#: Half of the piece's length: scenes turn it about its middle.
HALF_MM = 53.0


def gauge() -> Piece:
    """Return the piece in the photos."""
    return get("corner-gauge").piece({}, PrintSetup())


def scene(number: int, width_px: int) -> tuple[Shot, tuple[float, float]]:
    """Return one random scene and the mat's bars as a caliper reads them, mm."""
    rng = np.random.default_rng(7000 + number)
    colour, centre, lamp = SCENES[number]
    paper = (float(rng.uniform(0.99, 1.01)), float(rng.uniform(0.99, 1.01)))
    body = gauge().body
    flat, *standing = body.moved(-HALF_MM, -HALF_MM).add
    turn, at = _inside(np.array(flat.outline), Mat("a4", centre), rng)
    shot = Shot(
        outline=np.array(flat.outline), holes=tuple(np.array(h) for h in flat.holes),
        towers=tuple((np.array(p.outline), p.end_mm) for p in standing),
        marks=tuple(np.array(p.outline) for p in body.moved(-HALF_MM, -HALF_MM).cut),
        height_mm=flat.end_mm, set_back_mm=body.chamfer_mm,
        colour=colour, lamp=lamp, lamp_deg=float(rng.uniform(0, 360)),
        mat=Mat("a4", centre, int(rng.integers(10_000))), paper=paper, gloss=bool(rng.random() < 0.35),
        ribs_mm=float(rng.choice([0.0, 0.02, 0.04])), round_mm=float(rng.uniform(0, 0.12)),
        squeeze_mm=float(rng.uniform(0, 0.25)),
        grow=(float(rng.normal(1, 0.003)), float(rng.normal(1, 0.003)), float(rng.normal(0, 0.05))),
        at_mm=at, turn_deg=turn, tilt_deg=float(rng.uniform(5, 20)),
        azimuth_deg=float(rng.uniform(0, 360)), roll_deg=float(rng.uniform(-8, 8)),
        view_deg=float(rng.uniform(56, 70)), k1=float(rng.uniform(-0.05, 0.05)),
        centre_px=(float(rng.normal(0, 0.004 * width_px)), float(rng.normal(0, 0.004 * width_px))),
        width_px=width_px, blur_px=float(rng.uniform(0.7, 1.4)) * width_px / 3000,
        noise_levels=float(rng.uniform(1.5, 4.5)), quality=int(rng.integers(80, 96)),
        white=(float(rng.uniform(0.88, 1.0)), 0.97, float(rng.uniform(0.88, 1.0))),
        exif=number % 2 == 0, seed=number,
    )  # fmt: skip
    bars = tuple(float(BAR_MM * p + rng.normal(0, 0.02)) for p in paper)
    return shot, (bars[0], bars[1])


def _inside(outline: Floats, mat: Mat, rng: np.random.Generator) -> tuple[float, tuple[float, float]]:  # fmt: skip
    """Draw a turn and a place until the outline lies in the mat's empty centre, 4 mm from its edge."""
    x0, y0, x1, y1 = mat.empty_mm
    while True:
        turn, at = (
            float(rng.uniform(0, 360)),
            (float(rng.uniform(-20, 20)), float(rng.uniform(-50, 50))),
        )
        t = np.radians(turn)
        p = outline @ np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]]) + at
        if (p.min(axis=0) > (x0 + 4, y0 + 4)).all() and (p.max(axis=0) < (x1 - 4, y1 - 4)).all():
            return turn, at


def rendered(folder: Path, numbers: range, width_px: int) -> Iterator[Truth]:
    """Render what is not there yet and give the photos with their truth."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in numbers:
        shot, bars = scene(number, width_px)
        path = folder / f"{number:03d}-{shot.colour}-{shot.mat.centre}-{shot.lamp}.jpg"
        if not path.exists():
            path.write_bytes(render(shot))
        grow = (*shot.grow[:2], outermost_mm(shot))
        yield Truth(path, shot.colour, shot.mat.centre, shot.lamp, shot.tilt_deg, grow, bars)
