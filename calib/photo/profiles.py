"""Light along lines across a piece's rims, sampled from the photo itself."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.photo.camera import Camera
from calib.photo.image import Photo, linear
from calib.photo.placement import Placement
from calib.photo.rims import FULL_ROOM_MM, Rim

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STATION_MM = 2.0  # along the rim: profiles that are averaged
END_MM = 0.7  # at each end: taken for plastic, or paper, alone
_LINE_MM = 0.25  # how far profiles are apart before they are averaged
_ARC_RAD = 0.1
_LEAST_ROOM_MM = 0.5


@dataclass(frozen=True, eq=False)
class Patch:
    """Part of a photo in linear light: (h, w, 3), and the pixel of its corner."""

    light: NDArray[np.float32]
    corner_px: tuple[int, int]

    def sample(self, pixels: Floats) -> Floats:
        """Return (..., 3) light at (..., 2) pixels, bicubic."""
        import cv2

        points = (pixels - self.corner_px).astype(np.float32).reshape(-1, 2)
        pad = -len(points) % 1024  # OpenCV takes no more than 32767 in a row
        flat = np.pad(points, ((0, pad), (0, 0)), mode="edge").reshape(-1, 1024, 2)
        light = cv2.remap(
            self.light, flat[..., 0], flat[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
        )
        kept = light.reshape(-1, 3)[: len(points)]
        return np.asarray(kept.reshape(*pixels.shape[:-1], 3), dtype=float)


def cut_patch(photo: Photo, pixels: Floats, margin_px: int) -> Patch:
    """Cut out and linearise the part of a photo around some pixels."""
    low = np.clip(np.floor(pixels.min(axis=0)).astype(int) - margin_px, 0, photo.size)
    high = np.clip(np.ceil(pixels.max(axis=0)).astype(int) + margin_px, 0, photo.size)
    part = photo.rgb[low[1] : high[1], low[0] : high[0]]
    return Patch(linear(part), (int(low[0]), int(low[1])))


@dataclass(frozen=True, eq=False)
class Profiles:
    """Light across one rim: one row for each station.

    Attributes
    ----------
    points_mm : (n, 3) float
        Where the edge is drawn, lying coordinates: on the rim, or on the foot of its wall where the
        camera sees the wall, for that then stands against the paper.
    normals : (n, 2) float
        Outward, lying coordinates.
    across_mm : (m,) float
        Distance outward from there, world millimetres, level.
    light : (n, m, 3) float
    wall_mm : float
        How wide the wall is seen to be, inside the edge; 0 where it is hidden.
    blur_mm : float
        Standard deviation of the camera's blur.
    """

    points_mm: Floats
    normals: Floats
    across_mm: Floats
    light: Floats
    wall_mm: float
    blur_mm: float


def sample_rim(
    patch: Patch,
    camera: Camera,
    placement: Placement,
    rim: Rim,
    seen: Bools,
    blur_px: float,
    reach_mm: float,
) -> list[Profiles]:
    """Sample profiles across the stretches of a rim that stand against paper, wall hidden or seen.

    They reach as far as the edge may be off, and a little more to see both colours beside it: further
    away light has another colour.
    """
    eye = placement.to_lying(camera.position_mm[None])[0]
    hidden_wall = ((rim.points_mm[:, :2] - eye[:2]) * rim.normals).sum(axis=1) > 0
    out = []
    for faces_away in (True, False):
        some = seen & (hidden_wall == faces_away)
        if some.sum() * 0.5 >= STATION_MM:
            found = _sample(
                patch, camera, placement, rim, some, blur_px, reach_mm, wall=not faces_away
            )
            out += [found] if found is not None else []
    return out


def _sample(
    patch: Patch,
    camera: Camera,
    placement: Placement,
    rim: Rim,
    some: Bools,
    blur_px: float,
    reach_mm: float,
    *,
    wall: bool,
) -> Profiles | None:
    points, normals = rim.points_mm[some].copy(), rim.normals[some]
    wall_mm = 0.0
    if wall:
        eye = placement.to_lying(camera.position_mm[None])[0]
        height = points[:, 2] - rim.foot_mm[some]
        lean = -((points[:, :2] - eye[:2]) * normals).sum(axis=1) / (eye[2] - points[:, 2])
        wall_mm = float(np.median(height * lean))
        points[:, 2] = rim.foot_mm[some]
    inner, outer = (float(np.percentile(a[some], 20)) for a in (rim.inner_mm, rim.outer_mm))
    px_per_mm = camera.px_per_mm(placement.to_world(points)[len(points) // 2])
    blur_mm = blur_px / px_per_mm
    wanted = reach_mm + 3 * blur_mm + END_MM
    inside = wall_mm + min(wanted, (inner if inner < FULL_ROOM_MM else 9.0) - blur_mm)
    outside = min(wanted, 0.6 * outer if outer < FULL_ROOM_MM else 9.0)
    if min(inside, outside) < max(_LEAST_ROOM_MM, 3 * blur_mm):
        return None
    step = float(np.clip(0.6 / px_per_mm, 0.03, 0.15))
    across = np.arange(-inside, outside + step / 2, step)
    length = STATION_MM
    if rim.circle is not None:
        length = float(np.clip(rim.circle.diameter_mm / 2 * _ARC_RAD, 0.5, STATION_MM))
    return _averaged(
        patch, camera, placement, Profiles(points, normals, across, np.zeros(0), wall_mm, blur_mm),
        length,
    )  # fmt: skip


def _averaged(
    patch: Patch, camera: Camera, placement: Placement, bare: Profiles, length_mm: float
) -> Profiles:
    """Sample along every normal, and average over `length_mm` of the rim."""
    points, normals = bare.points_mm, bare.normals
    groups = max(1, round(len(points) * 0.5 / length_mm))
    station = np.minimum(np.arange(len(points)) * groups // len(points), groups - 1)
    tangents = np.column_stack([-normals[:, 1], normals[:, 0], np.zeros(len(normals))])
    world_n = np.pad(placement.turned(normals), ((0, 0), (0, 1)))
    light = np.zeros((len(points), len(bare.across_mm), 3))
    for shift in (-_LINE_MM / 2, _LINE_MM / 2):
        base = placement.to_world(points + shift * tangents)
        at = base[:, None] + bare.across_mm[None, :, None] * world_n[:, None]
        light += patch.sample(camera.project(at)) / 2
    counts = np.bincount(station, minlength=groups).astype(float)

    def mean(values: Floats) -> Floats:
        out = np.zeros((groups, *values.shape[1:]))
        np.add.at(out, station, values)
        return np.asarray(out / counts.reshape(-1, *[1] * (values.ndim - 1)))

    direction = mean(normals)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    return replace(bare, points_mm=mean(points), normals=direction, light=mean(light))
