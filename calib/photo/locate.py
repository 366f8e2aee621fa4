"""Find a piece on the mat coarsely: any side down of those asked, any turn, any colour, with shadow.

The empty centre is seen from straight above at 1 mm per pixel; edges (with their direction) are
correlated with the piece's rims at every turn, and the best few placements are then refined.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.camera import Camera
from calib.photo.image import Photo, linear
from calib.photo.lying import Lying
from calib.photo.placement import Placement
from calib.photo.rims import rims_of
from calib.photo.sight import hidden

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

_COARSE_PX_PER_MM = 1.0
_FINE_PX_PER_MM = 3.0
_TURN_STEP_DEG = 3.0
_CANDIDATES = 8
_INNER_WEIGHT = 0.5  # of rims inside the outline: often with little contrast


@dataclass(frozen=True, eq=False)
class Found:
    """A placement and how well it explains the picture.

    Attributes
    ----------
    lying : Lying
    placement : Placement
    score : float
        Mean edge response along the rims, 0 to 1.
    rival : float
        Score of the best clearly different placement, over this one's.
    """

    lying: Lying
    placement: Placement
    score: float
    rival: float = 0.0


@dataclass(frozen=True, eq=False)
class TopView:
    """The empty centre from straight above: light (h, w, 3); row 0 is at y0 + half a pixel."""

    light: NDArray[np.float32]
    box_mm: Box
    px_per_mm: float

    def pixel(self, world_mm: Floats) -> Floats:
        """Return (n, 2) column and row of world points."""
        return np.asarray((world_mm[:, :2] - self.box_mm[:2]) * self.px_per_mm - 0.5)


def top_view(photo: Photo, camera: Camera, box_mm: Box, px_per_mm: float) -> TopView:
    """Warp part of the mat's plane to a view from above, averaged to the size of its pixels."""
    import cv2

    middle = np.array([(box_mm[0] + box_mm[2]) / 2, (box_mm[1] + box_mm[3]) / 2, 0.0])
    shrink = max(1.0, camera.px_per_mm(middle) / (1.5 * px_per_mm))
    width, height = photo.size
    small_size = (max(1, round(width / shrink)), max(1, round(height / shrink)))
    small = photo.rgb
    if shrink > 1:
        resized = cv2.resize(photo.rgb, small_size, interpolation=cv2.INTER_AREA)
        small = np.asarray(resized, dtype=np.uint8)
    across = np.arange(round((box_mm[2] - box_mm[0]) * px_per_mm)) + 0.5
    up = np.arange(round((box_mm[3] - box_mm[1]) * px_per_mm)) + 0.5
    x, y = np.meshgrid(box_mm[0] + across / px_per_mm, box_mm[1] + up / px_per_mm)
    world = np.stack([x, y, np.zeros_like(x)], axis=-1)
    scale = np.array([small.shape[1] / width, small.shape[0] / height])
    at = ((camera.project(world) + 0.5) * scale - 0.5).astype(np.float32)
    picture = cv2.remap(linear(small), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    return TopView(np.asarray(picture, dtype=np.float32), box_mm, px_per_mm)


def edge_field(view: TopView) -> NDArray[np.float32]:
    """Return (2, h, w): edge strength 0..1 times cos and sin of twice the gradient's direction."""
    import cv2

    tone = cv2.GaussianBlur(np.sqrt(np.clip(view.light, 0, None)), (0, 0), 0.8)
    gx = cv2.Sobel(tone, cv2.CV_32F, 1, 0) / 8
    gy = cv2.Sobel(tone, cv2.CV_32F, 0, 1) / 8
    # structure tensor summed over the channels: colour edges count as much as light ones
    xx, yy, xy = (gx * gx).sum(axis=2), (gy * gy).sum(axis=2), (gx * gy).sum(axis=2)
    power = xx + yy
    strength = np.sqrt(power)
    knee = max(4.0 * float(np.median(strength)), 0.004)
    gain = strength / (strength + knee) / np.maximum(power, 1e-12)
    field = np.stack([(xx - yy) * gain, 2 * xy * gain])
    field[:, :2] = field[:, -2:] = 0
    field[:, :, :2] = field[:, :, -2:] = 0
    return np.asarray(field, dtype=np.float32)


def locate(photo: Photo, camera: Camera, box_mm: Box, lyings: Sequence[Lying]) -> list[Found]:
    """Return placements by falling score, the best one first, each with its rival.

    Parameters
    ----------
    box_mm : x0, y0, x1, y1
        Where to look, world millimetres.
    lyings : sequence of Lying
        The sides that may be down.
    """
    coarse = top_view(photo, camera, box_mm, _COARSE_PX_PER_MM)
    field = edge_field(coarse)
    with ThreadPoolExecutor() as pool:  # Fourier transforms leave Python free for the other sides
        tries = list(pool.map(lambda lying: _correlate(field, coarse, camera, lying), lyings))
    rough = [found for side in tries for found in side]
    rough.sort(key=lambda f: -f.score)
    fine = top_view(photo, camera, box_mm, _FINE_PX_PER_MM)
    fine_field = edge_field(fine)
    refined = [_refine(fine_field, fine, camera, f) for f in _distinct(rough, _CANDIDATES)]
    return _with_rivals(_distinct(sorted(refined, key=lambda f: -f.score)))


@dataclass(frozen=True, eq=False)
class _Template:
    """Rim samples: lying points, directions of their normals, and weights that sum to one."""

    points: Floats
    normals: Floats
    weight: Floats


def _template(lying: Lying, spacing_mm: float) -> _Template:
    keep = max(1, round(spacing_mm / 0.5))
    rims = rims_of(lying)
    points = np.concatenate([r.points_mm[::keep] for r in rims])
    normals = np.concatenate([r.normals[::keep] for r in rims])
    outer = np.concatenate([r.outermost[::keep] for r in rims])
    weight = np.where(outer, 1.0, _INNER_WEIGHT)
    return _Template(points, normals, weight / weight.sum())


def _apparent(world: Floats, eye: Floats) -> Floats:
    """Where on the mat's plane the camera sees raised points: (n, 2)."""
    return np.asarray(eye[:2] + (world[:, :2] - eye[:2]) * (eye[2] / (eye[2] - world[:, 2:])))


def _correlate(
    field: NDArray[np.float32], view: TopView, camera: Camera, lying: Lying
) -> list[Found]:
    """Slide the rims over the edge field at every turn (Fourier transforms); best few per turn."""
    from scipy import fft

    height, width = field.shape[1:]
    shape = tuple(
        fft.next_fast_len(2 * n if n < 64 else n + 64, real=True) for n in (height, width)
    )
    spectrum = fft.rfft2(field, s=shape)
    spectrum *= fft.rfft2(_blur_stamp(shape))
    template, eye = _template(lying, 1.0), camera.position_mm
    x0, y0, x1, y1 = view.box_mm
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    out = []
    for angle in np.radians(np.arange(0, 360, _TURN_STEP_DEG)):
        place = Placement(float(middle[0]), float(middle[1]), float(angle))
        at = _apparent(place.to_world(template.points), eye)
        picture = _stamp(at - middle, place.turned(template.normals), template, view, shape)
        score = fft.irfft2((spectrum * np.conj(fft.rfft2(picture))).sum(axis=0), s=shape)
        score = score[:height, :width]
        for _ in range(2):
            row, column = np.unravel_index(int(score.argmax()), score.shape)
            x = x0 + (column + 0.5) / view.px_per_mm
            y = y0 + (row + 0.5) / view.px_per_mm
            best = float(score[row, column])
            out.append(Found(lying, Placement(float(x), float(y), float(angle)), best))
            score[max(0, row - 5) : row + 6, max(0, column - 5) : column + 6] = -1
    return out


def _stamp(
    at_mm: Floats, normals: Floats, template: _Template, view: TopView, shape: tuple[int, ...]
) -> NDArray[np.float32]:
    """Draw the rims about the corner (0, 0), wrapping round."""
    columns = np.rint(at_mm[:, 0] * view.px_per_mm).astype(int) % shape[1]
    rows = np.rint(at_mm[:, 1] * view.px_per_mm).astype(int) % shape[0]
    picture = np.zeros((2, *shape), np.float32)
    double = np.stack([normals[:, 0] ** 2 - normals[:, 1] ** 2, 2 * normals[:, 0] * normals[:, 1]])
    for n in range(2):
        np.add.at(picture[n], (rows, columns), double[n] * template.weight)
    return picture


def _blur_stamp(shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Three by three pixels about the corner (0, 0): what blurs the rims a little."""
    out = np.zeros(shape, np.float32)
    out[np.ix_((-1, 0, 1), (-1, 0, 1))] = 1 / 3
    return out


def _distinct(found: list[Found], most: int = 100) -> list[Found]:
    """Drop placements that are the same as a better one within a few millimetres and degrees."""
    out: list[Found] = []
    for f in found:
        if len(out) == most:
            break
        if not any(_same(f, g) for g in out):
            out.append(f)
    return out


def _same(f: Found, g: Found) -> bool:
    turn = abs((f.placement.angle_rad - g.placement.angle_rad + np.pi) % (2 * np.pi) - np.pi)
    away = np.hypot(f.placement.x_mm - g.placement.x_mm, f.placement.y_mm - g.placement.y_mm)
    return bool(f.lying is g.lying and np.degrees(turn) < 8 and away < 5)


def _refine(field: NDArray[np.float32], view: TopView, camera: Camera, found: Found) -> Found:
    """Climb to the best placement nearby, with each rim seen at its own height."""
    template = _template(found.lying, 0.5)
    place, eye = found.placement, camera.position_mm
    lying_eye = place.to_lying(eye[None])[0]
    seen = ~hidden(found.lying, template.points, lying_eye)
    template = _Template(template.points[seen], template.normals[seen], template.weight[seen])
    best = -1.0
    for span_mm, span_deg in ((2.0, 2.0), (1.0, 1.0), (0.5, 0.4), (0.2, 0.15), (0.1, 0.08)):
        shifts = np.linspace(-span_mm, span_mm, 7)
        for turn in np.radians(np.linspace(-span_deg, span_deg, 5)):
            trial = Placement(place.x_mm, place.y_mm, place.angle_rad + float(turn))
            at = view.pixel(_apparent(trial.to_world(template.points), eye))
            normals = trial.turned(template.normals)
            scores = _responses(field, at, normals, template.weight, shifts * view.px_per_mm)
            j, i = np.unravel_index(int(scores.argmax()), scores.shape)
            if scores[j, i] > best:
                best = float(scores[j, i])
                better = Placement(
                    place.x_mm + float(shifts[i]), place.y_mm + float(shifts[j]), trial.angle_rad
                )
        place = better
    return Found(found.lying, place, best)


def _responses(
    field: NDArray[np.float32], at: Floats, normals: Floats, weight: Floats, shifts: Floats
) -> Floats:
    """Weighted response along the rims for every shift in y (rows) and x (columns), (k, k)."""
    import cv2

    double = np.stack([normals[:, 0] ** 2 - normals[:, 1] ** 2, 2 * normals[:, 0] * normals[:, 1]])
    k = len(shifts)
    x = (at[None, None, :, 0] + shifts[None, :, None] + np.zeros((k, 1, 1))).astype(np.float32)
    y = (at[None, None, :, 1] + shifts[:, None, None] + np.zeros((1, k, 1))).astype(np.float32)
    x, y = x.reshape(k * k, -1), y.reshape(k * k, -1)
    total = np.zeros(k * k)
    for n in range(2):
        total += cv2.remap(field[n], x, y, cv2.INTER_LINEAR) @ (double[n] * weight)
    return total.reshape(k, k)


def _with_rivals(found: list[Found]) -> list[Found]:
    if not found:
        return []
    best = found[0]
    rival = found[1].score / best.score if len(found) > 1 and best.score > 0 else 0.0
    return [Found(best.lying, best.placement, best.score, float(rival)), *found[1:]]
