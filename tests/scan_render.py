"""Draw flatbed scans with known truth: outlines filled by OpenCV at several times the scan's resolution.

Soft light from one side throws the piece's shadow on the paper behind it; slight blur, noise, a rounded
rim, a texture of printed lines, JPEG. The scanner has a scale of its own along X and along Y, and its
carriage is not square to its sensors. Nothing here comes from `calib.photo`, but the mat's drawing.
"""

import io
from dataclasses import dataclass
from itertools import pairwise

import cv2
import manifold3d as m3
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from calib.photo.mat import Mat
from calib.photo.mat_draw import raster
from patterns.body import Body, Circle, Loop

Floats = NDArray[np.float64]
MM = 25.4
ENGRAVED_MM2 = 12.0
OVER = 4  # how much finer it is drawn
CARD = (
    85.60,
    53.98,
    3.18,
)  # ISO/IEC 7810:2019, ID-1: width, height, radius of the corners (from memory)

PAPER = {"green": (0.05, 0.42, 0.10), "white": (0.82, 0.82, 0.80), "magenta": (0.6, 0.04, 0.22)}
PLASTIC = {
    "white": (0.80, 0.80, 0.78), "grey": (0.22, 0.22, 0.22), "black": (0.03, 0.03, 0.033),
    "blue": (0.03, 0.09, 0.42), "orange": (0.75, 0.24, 0.03),
}  # fmt: skip


@dataclass(frozen=True)
class Printed:
    """A print: grown along X and Y of the piece, sheared, outline moved outward."""

    grow: tuple[float, float] = (1.0, 1.0)
    shear: float = 0.0
    outward_mm: float = 0.0

    def turn(self, points: Floats) -> Floats:
        """Drawn to printed, mm."""
        return points @ np.array([[self.grow[0], self.shear], [0.0, self.grow[1]]]).T


@dataclass(frozen=True)
class Lies:
    """Where something lies on the glass: turned, then its middle moved there (mm, y up)."""

    x_mm: float
    y_mm: float
    angle_deg: float

    def place(self, points: Floats) -> Floats:
        t = np.radians(self.angle_deg)
        c, s = np.cos(t), np.sin(t)
        return points @ np.array([[c, -s], [s, c]]).T + [self.x_mm, self.y_mm]


@dataclass(frozen=True)
class Scanner:
    """Stated over true millimetres along X and Y, shear in rad; blur and noise of its sensor."""

    dpi: int = 300
    x: float = 1.0
    y: float = 1.0
    shear: float = 0.0
    lens_mm: float = float("inf")  # how far away the lens is; a row of rods: infinitely
    blur_px: float = 0.7
    noise: float = 1.5
    quality: int = 92
    seed: int = 1

    def pixels(self, glass_mm: Floats, size: tuple[int, int], height_mm: float = 0.0) -> Floats:
        """Pixel centres are whole numbers."""
        nearer = 1.0 / (1.0 + height_mm / self.lens_mm)
        x = glass_mm[:, 0] * self.x * nearer + glass_mm[:, 1] * self.shear
        per = self.dpi / MM
        return np.column_stack(
            [(size[0] - 1) / 2 + x * per, (size[1] - 1) / 2 - glass_mm[:, 1] * self.y * per]
        )


def outlines(body: Body, z: float, how: Printed, seen_from_below: bool) -> list[Floats]:
    """Closed loops of a print's section at a height, mm, about the middle; mirrored where the bed's
    side is looked at."""
    section = m3.CrossSection()

    def loops(outline: Loop, holes: tuple[Loop, ...]) -> m3.CrossSection:
        out = m3.CrossSection([_points(outline)], m3.FillRule.EvenOdd)
        for hole in holes:
            out -= m3.CrossSection([_points(hole)], m3.FillRule.EvenOdd)
        return out

    for p in body.add:
        if p.axis == "Z" and p.start_mm < z < p.end_mm:
            section += loops(p.outline, p.holes)
    for p in body.cut:
        if p.axis == "Z" and p.start_mm < z < p.end_mm:
            section -= loops(p.outline, p.holes)
    rings = [np.asarray(r, dtype=float) for r in section.to_polygons()]
    rings = [
        r for r in rings if _area(r) > 0 or _area(r) < -ENGRAVED_MM2
    ]  # floors of digits are plastic
    every = np.concatenate(rings)
    middle = (every.min(axis=0) + every.max(axis=0)) / 2
    printed = m3.CrossSection([how.turn(r - middle) for r in rings], m3.FillRule.EvenOdd)
    if how.outward_mm:
        printed = printed.offset(how.outward_mm, m3.JoinType.Miter)
    sign = [-1.0, 1.0] if seen_from_below else [1.0, 1.0]
    return [np.asarray(r, dtype=float) * sign for r in printed.to_polygons()]


def _area(ring: Floats) -> float:
    x, y = ring.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


def _points(loop: Loop) -> Floats:
    if not isinstance(loop, Circle):
        return np.array(loop, dtype=float)
    t = np.linspace(0, 2 * np.pi, 361)[:-1]
    return np.column_stack(
        [loop.u + np.cos(t) * loop.diameter_mm / 2, loop.v + np.sin(t) * loop.diameter_mm / 2]
    )


def card_outline(size: tuple[float, float] = CARD[:2]) -> list[Floats]:
    """The card's outline about its middle."""
    (w, h), r = size, CARD[2]
    out = []
    for (cx, cy), start in zip(
        ((1, -1), (1, 1), (-1, 1), (-1, -1)), (-90, 0, 90, 180), strict=True
    ):
        t = np.radians(np.linspace(start, start + 90, 40))
        out.append(
            np.column_stack([cx * (w / 2 - r) + r * np.cos(t), cy * (h / 2 - r) + r * np.sin(t)])
        )
    return [np.concatenate(out)]


@dataclass(frozen=True)
class Thing:
    """What lies on the glass: its outline, its colour in linear light, how thick, how far above."""

    loops: list[Floats]
    lies: Lies
    colour: tuple[float, float, float]
    thick_mm: float
    above_mm: float = 0.0
    lines: float = 0.03


def draw(
    things: list[Thing],
    paper: str,
    scanner: Scanner,
    size_mm: tuple[float, float],
    strip: tuple[Mat, tuple[float, float], Lies] | None = None,
) -> bytes:
    """Return the scan as a JPEG that states its resolution.

    `strip` is a mat, its printed over drawn scale, and where the middle of its page lies.
    """
    size = tuple(round(v * scanner.dpi / MM) for v in size_mm)
    light = np.ones((size[1], size[0], 3), np.float32) * np.float32(PAPER[paper])
    rng = np.random.default_rng(scanner.seed)
    for thing in things:
        inside = _cover(thing, scanner, size)
        gap_px = thing.thick_mm * scanner.dpi / MM
        light *= (1 - _shade(inside, gap_px))[..., None]
        light = (
            light * (1 - inside[..., None]) + _face(thing, inside, scanner, rng) * inside[..., None]
        )
    if strip is not None:
        _lay_strip(light, strip, scanner, size)
    light = cv2.GaussianBlur(light, (0, 0), scanner.blur_px)
    tone = np.where(
        light <= 0.0031308,
        12.92 * light,
        1.055 * np.power(np.maximum(light, 1e-9), 1 / 2.4) - 0.055,
    )
    levels = tone * 255 + rng.normal(0, scanner.noise, tone.shape)
    out = io.BytesIO()
    picture = Image.fromarray(np.clip(np.rint(levels), 0, 255).astype(np.uint8))
    picture.save(out, "JPEG", quality=scanner.quality, dpi=(scanner.dpi, scanner.dpi))
    return out.getvalue()


def _cover(thing: Thing, scanner: Scanner, size: tuple[int, ...]) -> NDArray[np.float32]:
    """Share of every pixel that the thing covers."""
    placed = [
        scanner.pixels(thing.lies.place(r), (size[0], size[1]), thing.above_mm) for r in thing.loops
    ]
    every = np.concatenate(placed)
    low = np.maximum(np.floor(every.min(axis=0)).astype(int) - 3, 0)
    high = np.minimum(np.ceil(every.max(axis=0)).astype(int) + 4, size)
    width, height = (int(n) for n in high - low)
    rings = [np.rint(((at - low + 0.5) * OVER - 0.5) * 256).astype(np.int32) for at in placed]
    # OpenCV also paints the pixels that an outline runs through, so what is outside is painted as well
    frame = np.array([[-9, -9], [9 + width, -9], [9 + width, 9 + height], [-9, 9 + height]])
    fine = np.zeros((height * OVER, width * OVER), np.uint8)
    outside = fine.copy()
    cv2.fillPoly(fine, rings, 255, shift=8)
    cv2.fillPoly(outside, [(frame * OVER * 256).astype(np.int32), *rings], 255, shift=8)
    part = (width, height)
    inner = cv2.resize(fine, part, interpolation=cv2.INTER_AREA).astype(np.float32)
    outer = cv2.resize(outside, part, interpolation=cv2.INTER_AREA).astype(np.float32)
    cover = np.zeros((size[1], size[0]), np.float32)
    cover[low[1] : high[1], low[0] : high[0]] = (inner + 255 - outer) / 510
    return cover


def _shade(inside: NDArray[np.float32], gap_px: float) -> NDArray[np.float32]:
    """Light that a thing keeps from the paper behind it: most of it below, for the lamp stands above."""
    few = max(1, int(gap_px / 4))
    size = (inside.shape[1], inside.shape[0])
    small = cv2.resize(inside, (size[0] // few, size[1] // few), interpolation=cv2.INTER_AREA)
    gap = gap_px / few
    away = np.float32([[1, 0, 0.15 * gap], [0, 1, 0.8 * gap]])
    shade = cv2.warpAffine(small, away, (small.shape[1], small.shape[0]))
    shade = cv2.GaussianBlur(shade, (0, 0), 0.35 * gap)
    around = cv2.GaussianBlur(small, (0, 0), 0.8 * gap)
    lost = 0.45 * shade + 0.25 * around
    return np.asarray(cv2.resize(lost, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _face(thing: Thing, inside: NDArray[np.float32], scanner: Scanner, rng: np.random.Generator) -> NDArray[np.float32]:  # fmt: skip
    """Printed lines across the face, and a rim that is round over a twentieth of a millimetre."""
    height, width = inside.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32) * np.float32(MM / scanner.dpi)
    lines = 1 + thing.lines * np.sin((x + y) * np.float32(2 * np.pi / 0.45 / 2**0.5))
    deep = cv2.distanceTransform((inside > 0.5).astype(np.uint8), cv2.DIST_L2, 5) * (
        MM / scanner.dpi
    )
    rim = 0.75 + 0.25 * np.clip(deep / 0.05, 0, 1)
    return np.asarray((lines * rim)[..., None] * np.float32(thing.colour), dtype=np.float32)


def _lay_strip(light: NDArray[np.float32], strip: tuple[Mat, tuple[float, float], Lies], scanner: Scanner, size: tuple[int, ...]) -> None:  # fmt: skip
    """Part of a printed mat, as far as it lies on the glass."""
    mat, printed, lies = strip
    per = 12.0
    page = raster(mat, per).astype(np.float32) / 255
    page = 0.03 + 0.82 * page
    width, height = mat.page_mm
    corners = np.array([[0, 0], [width, 0], [width, height]]) - [width / 2, height / 2]
    on_glass = lies.place(corners * printed)
    to = scanner.pixels(on_glass, (size[0], size[1])).astype(np.float32)
    frm = np.float32([[0, height * per], [width * per, height * per], [width * per, 0]]) - 0.5
    turn = cv2.getAffineTransform(frm, to)
    seen = cv2.warpAffine(page, turn, (size[0], size[1]), flags=cv2.INTER_AREA)
    there = cv2.warpAffine(np.ones(page.shape[:2], np.float32), turn, (size[0], size[1]))
    light[:] = np.where(there[..., None] > 0.5, seen, light)


def turned(lies: Lies, quarter: int) -> Lies:
    """The same after the lot was turned on the glass by quarters."""
    x, y = lies.x_mm, lies.y_mm
    for _ in range(quarter):
        x, y = -y, x
    return Lies(x, y, lies.angle_deg + 90.0 * quarter)


def longest(loops: list[Floats]) -> float:
    """Longest edge of some loops, for a look at what was drawn."""
    return max(float(np.linalg.norm(b - a)) for ring in loops for a, b in pairwise(ring))
