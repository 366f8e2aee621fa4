"""Profiles of light across a rim, sampled from the photo itself at the rim's own height."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.camera import Camera
from calib.photo.image import Photo, linear
from calib.photo.locate import Placement
from calib.photo.rims import FULL_ROOM_MM, Rim

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STATION_MM = 2.0
_ARC_RAD = 0.1
_LINE_MM = 0.25  # profiles are this far apart along the rim before they are averaged
_SMALLEST_ROOM_MM = 0.35
_INSIDE_MM, _OUTSIDE_MM, _BEYOND_FOOT_MM = 2.0, 2.0, 1.5  # reach of a profile


@dataclass(frozen=True, eq=False)
class Patch:
    """Part of a photo in linear light: (h, w, 3), and the pixel of its corner."""

    light: NDArray[np.float32]
    corner_px: tuple[int, int]

    def sample(self, pixels: Floats) -> NDArray[np.float32]:
        """Return (..., 3) light at (..., 2) pixels, bicubic."""
        import cv2

        flat = (pixels - self.corner_px).astype(np.float32).reshape(1, -1, 2)
        x, y = np.ascontiguousarray(flat[..., 0]), np.ascontiguousarray(flat[..., 1])
        parts = [
            slice(n, n + 30_000) for n in range(0, flat.shape[1], 30_000)
        ]  # its limit is 32767
        edge = cv2.BORDER_REPLICATE
        out = [
            cv2.remap(self.light, x[:, p], y[:, p], cv2.INTER_CUBIC, borderMode=edge) for p in parts
        ]
        light = np.concatenate(out, axis=1).reshape(*pixels.shape[:-1], 3)
        return np.asarray(light, dtype=np.float32)


def cut_patch(photo: Photo, pixels: Floats, margin_px: int) -> Patch:
    """Cut out and linearise the part of a photo around some pixels."""
    width, height = photo.size
    low = np.clip(np.floor(pixels.min(axis=0)).astype(int) - margin_px, 0, (width, height))
    high = np.clip(np.ceil(pixels.max(axis=0)).astype(int) + margin_px, 0, (width, height))
    part = photo.rgb[low[1] : high[1], low[0] : high[0]]
    return Patch(linear(part), (int(low[0]), int(low[1])))


@dataclass(frozen=True, eq=False)
class Profiles:
    """Light across one rim: one row per station.

    Attributes
    ----------
    along_mm : (n,) float
        Where each station is along the rim.
    points_mm : (n, 3) float
        Its middle, lying coordinates.
    normals : (n, 2) float
        Outward, lying coordinates.
    across_mm : (m,) float
        Distance outward from the rim, in the plane of the rim, world millimetres.
    light : (n, m, 3) float
    wall_mm : (n,) float
        How wide the wall is seen to be beyond the rim, in the plane of the rim; 0 where hidden.
    bevel_mm : (n,) float
        How far inside the rim the upper end of its chamfer is seen (0: no chamfer).
    blur_mm : float
        Standard deviation of the camera's blur.
    """

    along_mm: Floats
    points_mm: Floats
    normals: Floats
    across_mm: Floats
    light: Floats
    wall_mm: Floats
    bevel_mm: Floats
    blur_mm: float


def sample_rim(
    patch: Patch,
    camera: Camera,
    placement: Placement,
    rim: Rim,
    seen: Bools,
    blur_px: float,
    reach_mm: float,
    *,
    station_mm: float = STATION_MM,
    further_mm: float = 0.0,
) -> Profiles | None:
    """Sample profiles across a rim where it is seen; None where there is no room for a fit.

    `station_mm` is how much of the rim is averaged, `further_mm` how much further out to look.
    """
    if seen.sum() * 0.5 < STATION_MM:
        return None
    inner = float(np.percentile(rim.inner_mm[seen], 20))
    outer = float(np.percentile(rim.outer_mm[seen], 20))
    middle = placement.to_world(rim.points_mm[seen])[seen.sum() // 2]
    normal = placement.turned(rim.normals[seen])[seen.sum() // 2]
    px_per_mm = _magnification(camera, middle, normal)
    blur_mm = blur_px / px_per_mm
    world, normals = placement.to_world(rim.points_mm[seen]), placement.turned(rim.normals[seen])
    wall = seen_beyond(camera, placement, rim, world, normals, rim.foot_mm[seen])
    inside = min(inner - (2 * blur_mm if inner < FULL_ROOM_MM else 0.0), _INSIDE_MM)
    outside = outer - (2 * blur_mm if outer < FULL_ROOM_MM else 0.0)
    outside = _window_end(wall, outside, reach_mm + 2 * blur_mm, further_mm)
    if min(inside, outside) < max(_SMALLEST_ROOM_MM, 2 * blur_mm):
        return None
    step = float(np.clip(0.6 / px_per_mm, 0.03, 0.15))
    across = np.arange(-inside, outside + step / 2, step)
    return _average(patch, camera, placement, rim, seen, across, blur_mm, station_mm)


def _window_end(wall: Floats, room: float, margin: float, further_mm: float) -> float:
    """End a profile where the wall's foot is well inside it, or not in it at all."""
    wanted = max(_OUTSIDE_MM, float(wall.max()) + _BEYOND_FOOT_MM) + further_mm
    if wanted <= room or wall.max() < 0.05:
        return min(room, wanted)
    before_foot = float(wall.min()) - margin
    return before_foot if before_foot > 0.5 else min(room, wanted)


def _magnification(camera: Camera, at: Floats, normal: Floats) -> float:
    ends = np.stack([at, at + 0.2 * np.array([normal[0], normal[1], 0])])
    pixels = camera.project(ends)
    return float(np.linalg.norm(pixels[1] - pixels[0]) / 0.2)


def _average(
    patch: Patch,
    camera: Camera,
    placement: Placement,
    rim: Rim,
    seen: Bools,
    across: Floats,
    blur_mm: float,
    length: float,
) -> Profiles:
    every = np.flatnonzero(seen)
    if rim.circle is not None:  # the wall's width changes along an arc
        length = float(np.clip(rim.circle.diameter_mm / 2 * _ARC_RAD, 0.5, length))
    groups = max(1, round(len(every) * 0.5 / length))
    station = np.minimum(np.arange(len(every)) * groups // len(every), groups - 1)
    points, normals = rim.points_mm[every], rim.normals[every]
    tangents = np.column_stack([-normals[:, 1], normals[:, 0], np.zeros(len(normals))])
    light = np.zeros((len(every), len(across), 3))
    world_n = placement.turned(normals)
    for shift in (-_LINE_MM / 2, _LINE_MM / 2):
        base = placement.to_world(points + shift * tangents)
        flat = base[:, None, :2] + across[None, :, None] * world_n[:, None, :]
        height = np.broadcast_to(base[:, None, 2:], (*flat.shape[:2], 1))
        light += patch.sample(camera.project(np.concatenate([flat, height], axis=-1))) / 2
    counts = np.bincount(station, minlength=groups).astype(float)

    def mean(values: Floats) -> Floats:
        out = np.zeros((groups, *values.shape[1:]))
        np.add.at(out, station, values)
        return np.asarray(out / counts.reshape(-1, *[1] * (values.ndim - 1)))

    world = placement.to_world(points)
    wall = seen_beyond(camera, placement, rim, world, world_n, rim.foot_mm[every])
    bevel = np.zeros(len(every))
    if rim.bevel_mm:
        top = world - rim.bevel_mm * np.column_stack([world_n, np.zeros(len(world_n))])
        top = top + np.array([0, 0, rim.bevel_mm])
        bevel = -offset_in_plane(camera, world, world_n, top)
    direction = mean(normals)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    start = points[0, :2]
    along = np.linalg.norm(points[:, :2] - start, axis=1)
    return Profiles(
        mean(along),
        mean(points),
        direction,
        across,
        mean(light),
        np.maximum(mean(wall), 0),
        np.maximum(mean(bevel), 0),
        blur_mm,
    )


def seen_beyond(
    camera: Camera,
    placement: Placement,
    rim: Rim,
    world: Floats,
    normals: Floats,
    foot_mm: Floats,
) -> Floats:
    """How far outside the rim, in its own plane, the wall's foot is seen; negative where hidden.

    Along a circle the foot that is seen at a station belongs to another place of the wall: its
    circle, seen through the rim's plane, is shifted and a little smaller.
    """
    if rim.circle is None:
        foot = np.column_stack([world[:, :2], foot_mm])
        return offset_in_plane(camera, world, normals, foot)
    eye = camera.position_mm
    ratio = (eye[2] - world[:, 2]) / (eye[2] - foot_mm)
    middle = placement.to_world(np.array([[rim.circle.u, rim.circle.v, rim.z_mm]]))[0, :2]
    radius = float(np.linalg.norm(world[:, :2] - middle, axis=1).mean())
    from_foot = world[:, :2] - (eye[:2] + (middle - eye[:2]) * ratio[:, None])
    along = (from_foot * normals).sum(axis=1)
    half = along**2 - (from_foot**2).sum(axis=1) + (radius * ratio) ** 2
    is_hole = ((world[:, :2] - middle) * normals).sum(axis=1) < 0
    return np.asarray(-along + np.where(is_hole, -1, 1) * np.sqrt(np.maximum(half, 0.0)))


def offset_in_plane(camera: Camera, world: Floats, normals: Floats, other: Floats) -> Floats:
    """How far outside rim points other points are seen along the normals, in the rim's plane."""
    eye = camera.position_mm
    ratio = (eye[2] - world[:, 2]) / (eye[2] - other[:, 2])
    there = eye[:2] + (other[:, :2] - eye[:2]) * ratio[:, None]
    return np.asarray(((there - world[:, :2]) * normals).sum(axis=1))
