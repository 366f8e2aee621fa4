"""Find a piece on the mat by its mask: what has another colour than the paper, or another brightness.

The empty centre is seen from straight above at 1 mm per pixel. The silhouettes of the sides that may be
down are laid over the mask at every turn, and the best few are moved until the mask ends at their rims.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.photo.camera import Camera
from calib.photo.image import Photo, linear
from calib.photo.lying import Lying
from calib.photo.placement import Placement
from calib.photo.rims import levels_of, rims_of

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Box = tuple[float, float, float, float]

_PX_PER_MM = 1.0
_CELL_MM = 0.7
_TURN_STEP_DEG = 3.0
_CANDIDATES = 5
_BARE_MM = 4.0  # of the empty centre's rim: taken for bare paper
_COLOUR_DEG, _BRIGHTNESS = 9.0, 0.12  # from the paper: less is noise of camera and printer
_ABOVE_SHADOWS = (
    0.65  # of the way from paper to dark plastic: most shadows are less unlike the paper
)
_ACROSS_MM = 0.9
_SMALLEST_MM2, _AROUND_MM = 80.0, 3.0


@dataclass(frozen=True, eq=False)
class TopView:
    """The empty centre from straight above: light (h, w, 3); row 0 is at y0 + half a pixel."""

    light: NDArray[np.float32]
    box_mm: Box

    def pixel(self, world_mm: Floats) -> Floats:
        """Return (n, 2) column and row of world points on the mat."""
        return np.asarray((world_mm[:, :2] - self.box_mm[:2]) * _PX_PER_MM - 0.5)


@dataclass(frozen=True, eq=False)
class Found:
    """A placement and how well it explains the mask: its light at the rims, inside less outside."""

    lying: Lying
    placement: Placement
    score: float


def top_view(photo: Photo, camera: Camera, box_mm: Box) -> TopView:
    """Warp part of the mat's plane to a view from above, averaged to the size of its pixels."""
    import cv2

    middle = np.array([(box_mm[0] + box_mm[2]) / 2, (box_mm[1] + box_mm[3]) / 2, 0.0])
    shrink = max(1.0, camera.px_per_mm(middle) / (1.5 * _PX_PER_MM))
    width, height = photo.size
    size = (max(1, round(width / shrink)), max(1, round(height / shrink)))
    small = np.asarray(cv2.resize(photo.rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    across = np.arange(round((box_mm[2] - box_mm[0]) * _PX_PER_MM)) + 0.5
    up = np.arange(round((box_mm[3] - box_mm[1]) * _PX_PER_MM)) + 0.5
    x, y = np.meshgrid(box_mm[0] + across / _PX_PER_MM, box_mm[1] + up / _PX_PER_MM)
    scale = np.array(size) / (width, height)
    at = ((camera.project(np.stack([x, y, 0 * x], axis=-1)) + 0.5) * scale - 0.5).astype(np.float32)
    picture = cv2.remap(linear(small), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    return TopView(np.asarray(picture, dtype=np.float32), box_mm)


def mask_of(top: TopView) -> NDArray[np.float32]:
    """Mark (h, w) what is not paper, 0 to 1: by colour, which no shadow changes, else by brightness."""
    import cv2

    light = cv2.GaussianBlur(top.light, (0, 0), 0.6).astype(float)
    paper = _paper_light(light)
    way = paper / np.maximum(np.linalg.norm(paper, axis=2, keepdims=True), 1e-6)
    along = (light * way).sum(axis=2)
    aside = np.linalg.norm(light - along[..., None] * way, axis=2)
    angle = np.degrees(np.arctan2(aside, np.maximum(along, 1e-3)))
    limit, apart = _split(angle)
    if apart > 2 * _COLOUR_DEG:
        return np.asarray(np.clip((angle - limit) / (0.3 * apart) + 0.5, 0, 1), dtype=np.float32)
    tone = np.sqrt(np.maximum(light.sum(axis=2), 0) / paper.sum(axis=2))
    both = np.hypot(tone - 1, np.radians(angle))
    limit, apart = _split(both)
    if apart < _BRIGHTNESS:
        return np.zeros(both.shape, dtype=np.float32)
    darker = bool(np.percentile(tone[both > limit], 75) < 1)
    if not darker:
        both = np.where(tone > 1, both, 0.0)  # what is darker than the paper is a shadow
    limit = (_ABOVE_SHADOWS if darker else 0.5) * float(np.percentile(both[both > limit], 75))
    return np.asarray(np.clip((both - limit) / (0.3 * apart) + 0.5, 0, 1), dtype=np.float32)


def _paper_light(light: Floats) -> Floats:
    """Light of bare paper everywhere: a bowl through the centre's rim, without what lies on it."""
    height, width = light.shape[:2]
    y, x = np.mgrid[0:height, 0:width] / max(height, width) - 0.5
    rim = round(_BARE_MM * _PX_PER_MM)
    at_rim = np.ones((height, width), bool)
    at_rim[rim:-rim, rim:-rim] = False
    columns = np.stack([np.ones_like(x), x, y, x * x + y * y], axis=-1)
    out = np.broadcast_to(np.median(light[at_rim], axis=0), light.shape)
    for limit in (0.5, 0.2, 0.1, 0.1):
        off = np.abs(light - out).sum(axis=2) / out.sum(axis=2)
        bare = at_rim & (off < limit + 2 * float(np.median(off[at_rim])))
        fit = np.linalg.lstsq(columns[bare], light[bare], rcond=None)[0]
        out = np.maximum(columns @ fit, 1e-3)
    return np.asarray(out)


def _split(values: Floats) -> tuple[float, float]:
    """Part values in two classes (Otsu, IEEE Trans. SMC 9 (1979) 62): the limit, and the means' distance."""
    ordered = np.sort(values.ravel())
    count = np.arange(1, len(ordered))
    low = np.cumsum(ordered)[:-1] / count
    high = (ordered.sum() - np.cumsum(ordered)[:-1]) / (len(ordered) - count)
    between = count * (len(ordered) - count) * (high - low) ** 2
    k = int(between.argmax())
    return float((low[k] + high[k]) / 2), float(high[k] - low[k])


@lru_cache(maxsize=16)
def _cells(lying: Lying) -> Floats:
    """(n, 3) lying points that fill the piece, a cell apart, at a few heights."""
    x, y = (np.arange(-s / 2 + _CELL_MM / 2, s / 2, _CELL_MM) for s in lying.size_mm[:2])
    edges = np.array([0.0, *sorted(levels_of(lying))])
    z = (edges[1:] + edges[:-1])[np.diff(edges) > 0.05] / 2
    at = np.stack(np.meshgrid(x, y, z[:: max(1, len(z) // 8)], indexing="ij"), axis=-1)
    points = at.reshape(-1, 3)
    return np.asarray(points[lying.solid_at(points)])


def _apparent(place: Placement, lying_mm: Floats, eye: Floats) -> Floats:
    """Where on the mat's plane the camera sees raised points: (n, 2)."""
    world = place.to_world(lying_mm)
    return np.asarray(eye[:2] + (world[:, :2] - eye[:2]) * (eye[2] / (eye[2] - world[:, 2:])))


def silhouette(top: TopView, camera: Camera, lying: Lying, place: Placement) -> Bools:
    """Mark (h, w) where a placed piece is seen."""
    out = np.zeros(top.light.shape[:2], dtype=bool)
    at = np.rint(top.pixel(_apparent(place, _cells(lying), camera.position_mm))).astype(int)
    at = at[((at >= 0) & (at < out.shape[::-1])).all(axis=1)]
    out[at[:, 1], at[:, 0]] = True
    return out


def locate(top: TopView, mask: NDArray[np.float32], camera: Camera, lyings: Sequence[Lying]) -> list[Found]:  # fmt: skip
    """Return distinct placements by falling score; empty where the mask shows nothing."""
    if (mask > 0.5).sum() < _SMALLEST_MM2 * _PX_PER_MM**2:
        return []
    rough = [f for lying in lyings for f in _correlated(top, mask, camera, lying)]
    rough.sort(key=lambda f: -f.score)
    refined = [_refined(top, mask, camera, f) for f in _distinct(rough)[:_CANDIDATES]]
    return _distinct(sorted(refined, key=lambda f: -f.score))


def _correlated(top: TopView, mask: NDArray[np.float32], camera: Camera, lying: Lying) -> list[Found]:  # fmt: skip
    """Slide the silhouette over the mask at every turn (Fourier transforms): the best place for each."""
    from scipy import fft

    height, width = mask.shape
    shape = (fft.next_fast_len(2 * height), fft.next_fast_len(2 * width))
    spectrum = fft.rfft2((mask > 0.5).astype(np.float32), s=shape)
    x0, y0, x1, y1 = top.box_mm
    out = []
    for angle in np.radians(np.arange(0, 360, _TURN_STEP_DEG)):
        place = Placement((x0 + x1) / 2, (y0 + y1) / 2, float(angle))
        drawn = silhouette(top, camera, lying, place).astype(np.float32)
        both = fft.irfft2(spectrum * np.conj(fft.rfft2(drawn, s=shape)), s=shape)
        row, column = np.unravel_index(int(both.argmax()), shape)
        dx, dy = (
            (at if at < size else at - whole) / _PX_PER_MM
            for at, size, whole in ((column, width, shape[1]), (row, height, shape[0]))
        )
        overlap = float(both[row, column]) / float(
            drawn.sum() + (mask > 0.5).sum() - both[row, column]
        )
        moved = Placement(place.x_mm + float(dx), place.y_mm + float(dy), float(angle))
        out.append(Found(lying, moved, overlap))
    return out


def _refined(top: TopView, mask: NDArray[np.float32], camera: Camera, found: Found) -> Found:
    """Move a placement until the mask ends at its rims."""
    import cv2
    from scipy.optimize import minimize

    rims = rims_of(found.lying)
    points = np.concatenate([r.points_mm[::2] for r in rims])
    away = np.pad(np.concatenate([r.normals[::2] for r in rims]), ((0, 0), (0, 1)))
    both = np.concatenate([points - _ACROSS_MM * away, points + _ACROSS_MM * away])
    start = np.array([found.placement.x_mm, found.placement.y_mm, found.placement.angle_rad])

    def misfit(step: Floats) -> float:
        x, y, angle = start + step * (1.0, 1.0, 0.02)
        at = top.pixel(_apparent(Placement(x, y, angle), both, camera.position_mm))
        column, row = at.astype(np.float32).T[..., None]
        seen = cv2.remap(mask, column, row, cv2.INTER_LINEAR).ravel()
        return float(seen[len(points) :].mean() - seen[: len(points)].mean())

    simplex = np.array([[0, 0, 0], [1.5, 0, 0], [0, 1.5, 0], [0, 0, 1.5]])
    best = minimize(
        misfit, np.zeros(3), method="Nelder-Mead", options={"initial_simplex": simplex, "xatol": 0.02, "fatol": 1e-4, "maxfev": 150}
    )  # fmt: skip
    x, y, angle = start + best.x * (1.0, 1.0, 0.02)
    return Found(found.lying, Placement(float(x), float(y), float(angle)), -float(best.fun))


def _distinct(found: Sequence[Found]) -> list[Found]:
    """Drop placements that are the same as a better one within some millimetres and degrees."""
    out: list[Found] = []
    for f in found:
        if not any(_same(f, g) for g in out):
            out.append(f)
    return out


def _same(f: Found, g: Found) -> bool:
    turn = abs((f.placement.angle_rad - g.placement.angle_rad + np.pi) % (2 * np.pi) - np.pi)
    away = np.hypot(f.placement.x_mm - g.placement.x_mm, f.placement.y_mm - g.placement.y_mm)
    return bool(f.lying is g.lying and np.degrees(turn) < 8 and away < 8)


def refuse_others(photo: Photo, top: TopView, mask: NDArray[np.float32], own: Bools) -> None:
    """Refuse a photo in which something else of some size lies apart from the piece.

    Raises
    ------
    FileError
        Names where it lies.
    """
    import cv2

    size = 2 * round(_AROUND_MM * _PX_PER_MM) + 1
    around = cv2.dilate(own.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    count, labels, stats, centres = cv2.connectedComponentsWithStats((mask > 0.5).astype(np.uint8))
    touching = set(np.unique(labels[around]))
    for n in range(1, count):
        if n not in touching and stats[n, cv2.CC_STAT_AREA] > _SMALLEST_MM2 * _PX_PER_MM**2:
            x, y = centres[n] / _PX_PER_MM + np.array(top.box_mm[:2])
            raise FileError(
                f"something else lies on the mat ({x:.0f}, {y:.0f} mm from its middle)",
                where=photo.name,
                mend="leave one piece alone on it (and the card at its place, with --card)",
            )
