"""Follow the edge of an underside or a wall, which may hang or be rough, through a photo."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.profiles import Patch
from calib.photo.rims import Rim, hidden, rims_of
from calib.photo.shares import Colours
from calib.photo.view import PieceView

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LINE_MM = 0.5
_STEP_MM = 0.05
_INSIDE_MM, _REACH_MM = 0.7, 4.0  # how far to both sides of the drawn line to look
_PAPER_MM = 0.15  # of paper in a row ends the plastic; strings lie further down
_SOFT_MM, _BESIDE_MM, _MOST_BESIDE = 0.2, 1.2, 0.6
_LEAP_MM = 0.35  # from its neighbours' median: a string that starts there, or a blob


@dataclass(frozen=True, eq=False)
class Edge:
    """Where plastic ends along a rim: along_mm from the start, outward of the drawn line.

    `points_mm` are (n, 3) lying points of it, `wall_mm` is how much of the side below it the camera sees.
    """

    along_mm: Floats
    out_mm: Floats
    points_mm: Floats
    wall_mm: float = 0.0


def rim_along(view: PieceView, a: Floats, b: Floats) -> Rim | None:
    """Find the straight rim whose line runs through two lying points and that spans most of them."""
    best: Rim | None = None
    way = (b - a)[:2]
    for rim in (r for r in rims_of(view.lying) if r.circle is None):
        n, p = rim.normals[0], rim.points_mm[0, :2]
        off = max(abs(float((q[:2] - p) @ n)) for q in (a, b))
        between = ((rim.points_mm[:, :2] - a[:2]) @ way) / max(float(way @ way), 1e-9)
        covered = float(((between > 0) & (between < 1)).sum()) * 0.5
        long_enough = covered > 0.5 * float(np.linalg.norm(way))
        if off < 0.1 and long_enough and (best is None or rim.z_mm > best.z_mm):
            best = rim
    return best


def follow(
    view: PieceView, patch: Patch, colours: Colours, rim: Rim, a: Floats, b: Floats
) -> Edge | None:
    """Follow the edge from a to b (lying), each half millimetre; None where it is not seen.

    From inside the plastic outward, the edge is where paper first begins. Where the camera sees the side
    under the rim, that is the foot of the side.
    """
    length = float(np.linalg.norm((b - a)[:2]))
    direction = (b - a)[:2] / length
    along = (rim.points_mm[:, :2] - a[:2]) @ direction
    eye = view.placement.to_lying(view.camera.position_mm[None])[0]
    seen = (along > 0.3) & (along < length - 0.3)
    seen &= ~hidden(view.lying, rim.points_mm + np.array([0, 0, 0.05]), eye)
    if seen.sum() < 6:
        return None
    points, normals = rim.points_mm[seen].copy(), rim.normals[seen]
    lean = float(
        np.median(((eye[:2] - points[:, :2]) * normals).sum(axis=1) / (eye[2] - points[:, 2]))
    )
    foot = float(np.median(rim.foot_mm[seen]))
    wall_mm = max(0.0, lean * (rim.z_mm - foot))
    if lean > 0:
        points[:, 2] = foot
    across = np.arange(-_INSIDE_MM, _REACH_MM, _STEP_MM)
    flat = points[:, None, :2] + across[None, :, None] * normals[:, None]
    height = np.broadcast_to(points[:, None, 2:], (*flat.shape[:2], 1))
    world = view.placement.to_world(np.concatenate([flat, height], axis=-1).reshape(-1, 3))
    light = patch.sample(view.camera.project(world)).reshape(*flat.shape[:2], 3)
    cover = colours.cover(light)
    out = _first_paper(cover, across, np.full(len(cover), 0.5))
    out = _first_paper(cover, across, (1 + _beside(cover, across, out)) / 2)
    s = along[seen]
    kept = np.isfinite(out) & ~_leaps(out)
    if kept.sum() < 6:
        return None
    order = np.flatnonzero(kept)[np.argsort(s[kept])]
    ends = points[order, :2] + out[order, None] * normals[order]
    lying = np.column_stack([ends, points[order, 2]])
    return Edge(s[order], out[order], lying, wall_mm)


def _beside(cover: Floats, across: Floats, out: Floats) -> Floats:
    """Share of plastic that paper beside the edge seems to have, (n,), by light that bounced or a shadow."""
    beyond = (across > out[:, None] + _SOFT_MM) & (across < out[:, None] + _BESIDE_MM)
    seen = np.where(beyond, cover, np.nan)
    seen[~beyond.any(axis=1)] = 0.0
    return np.asarray(np.minimum(np.nanpercentile(seen, 25, axis=1), _MOST_BESIDE))


def _first_paper(cover: Floats, across: Floats, half: Floats) -> Floats:
    """Where along each row (n, m) plastic first gives way to paper, between samples; NaN for nowhere."""
    count = round(_PAPER_MM / _STEP_MM)
    paper = cover < half[:, None]
    windows = np.lib.stride_tricks.sliding_window_view(paper, count, axis=1)
    runs = np.asarray(windows.min(axis=2), dtype=bool)
    out = np.full(len(cover), np.nan)
    for n in np.flatnonzero(runs.any(axis=1)):
        k = int(runs[n].argmax())
        if k == 0:
            continue  # no plastic where it is drawn
        high, low = cover[n, k - 1], cover[n, k]
        out[n] = across[k - 1] + _STEP_MM * (high - half[n]) / max(high - low, 1e-9)
    return out


def _leaps(out: Floats) -> Bools:
    from scipy import ndimage

    filled = np.where(np.isfinite(out), out, np.nanmedian(out) if np.isfinite(out).any() else 0.0)
    around = ndimage.median_filter(filled, 7, mode="nearest")
    return np.asarray(np.abs(filled - around) > _LEAP_MM)
