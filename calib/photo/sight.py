"""What the camera sees of a lying piece: which rims, and whether the floor beside them is what it seems."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.photo.lying import Lying
from calib.photo.rims import Rim

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_ABOVE_MM = 0.05
_BESIDE_MM = (0.3, 0.8, 1.4)  # how far beyond a wall's foot its floor is looked at


def visible(lying: Lying, rims: Sequence[Rim], eye_mm: Floats) -> list[Bools]:
    """Tell for the stations of every rim whether it can be seen and measured from a place.

    The rim must not be hidden, and what is seen beyond it must be the floor that lies below it: by
    parallax that can be something else near the end of a rim.
    """
    points = np.concatenate([r.points_mm for r in rims])
    seen = ~hidden(lying, points + np.array([0, 0, _ABOVE_MM]), eye_mm)
    normals = np.concatenate([r.normals for r in rims])
    floor, foot, outer = (
        np.concatenate([getattr(r, name) for r in rims])
        for name in ("floor_mm", "foot_mm", "outer_mm")
    )
    wall = np.maximum(_beyond(points, normals, foot, eye_mm), 0.0)
    for beside in _BESIDE_MM:
        at = np.flatnonzero(seen & (wall + beside < outer))
        if len(at):
            across = (wall[at] + beside)[:, None] * normals[at]
            low = _on_level(points[at], across, floor[at], eye_mm)
            seen[at] &= _is_floor(lying, low, floor[at]) & ~hidden(lying, low, eye_mm)
    ends = np.cumsum([len(r.points_mm) for r in rims])[:-1]
    return np.split(seen, ends)


def _on_level(points: Floats, across: Floats, level: Floats, eye: Floats) -> Floats:
    """Points of a level that are seen beside rim points, (n, 3), a little above it."""
    ratio = (eye[2] - level) / (eye[2] - points[:, 2])
    flat = eye[:2] + (points[:, :2] + across - eye[:2]) * ratio[:, None]
    return np.column_stack([flat, level + _ABOVE_MM])


def _beyond(points: Floats, normals: Floats, foot: Floats, eye: Floats) -> Floats:
    """How far outside a straight rim the foot of its wall is seen, in the rim's plane."""
    ratio = (eye[2] - points[:, 2]) / (eye[2] - foot)
    there = eye[:2] + (points[:, :2] - eye[:2]) * ratio[:, None]
    return np.asarray(((there - points[:, :2]) * normals).sum(axis=1))


def _is_floor(lying: Lying, points: Floats, level: Floats) -> Bools:
    """Tell whether the piece has a face at a level there; the mat is everywhere."""
    below = points - np.array([0, 0, 2 * _ABOVE_MM])
    return (level < 1e-6) | lying.solid_at(below)


def hidden(lying: Lying, points_mm: Floats, eye_mm: Floats) -> Bools:
    """Tell for (n, 3) lying points whether the piece itself stands between them and the camera."""
    top = float(lying.size_mm[2])
    towards = eye_mm - points_mm
    towards = towards / towards[:, 2:]
    out = np.zeros(len(points_mm), dtype=bool)
    for height in np.arange(0.1, float(top - points_mm[:, 2].min()), 0.5):
        left = np.flatnonzero(~out & (points_mm[:, 2] + height < top))
        if len(left):
            out[left] = lying.solid_at(points_mm[left] + height * towards[left])
    return out
