"""Follow the edge of an underside or a wall, which may hang or be rough, through a photo.

Across the edge the light goes from the upper face over the side wall, where the camera sees any, to
the paper. The wall's width follows from the pose and its light is a share of the upper face's: so the
rim of a wall can't be taken for its foot, even where filament and wall are much darker than the paper.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.photo.contrast import Contrast
from calib.photo.edges import vertex
from calib.photo.profiles import Patch, Profiles, offset_in_plane, sample_rim
from calib.photo.rims import Rim
from calib.photo.sight import hidden
from calib.photo.view import PieceView

Floats = NDArray[np.float64]

LINE_MM = 0.5
_STEP_MM = 0.05
_REACH_MM = 2.5
_LEAP_MM = 0.25
_WEIGHT = 12.0  # of log misfit: about the samples of a profile that are independent
_SURELY_PAPER, _PAPER_COST = 1.5, 20.0  # light over the upper face's; of an edge beyond it
_NEAR_EDGE_MM = 0.6
_LEAST_INSIDE_MM = 0.3
_BLUR_GAIN = 1.15
#: Light of a wall over the upper face's: away from a lamp, to it, and facing it.
_WALL_OVER_TOP = (0.35, 0.6, 0.85, 1.1)


@dataclass(frozen=True, eq=False)
class Edge:
    """Where material ends along a rim: along_mm from the start, outward of the drawn line.

    `points_mm` are (n, 3) lying points of it. `wall_mm` is how much of the side below it the camera sees, `height_mm` where the line starts, as
    printed.
    """

    along_mm: Floats
    out_mm: Floats
    points_mm: Floats
    wall_mm: float = 0.0
    height_mm: float = 0.0


def rim_along(view: PieceView, a: Floats, b: Floats) -> Rim | None:
    """Find the straight rim whose line runs through two lying points and that spans most of them."""
    best: Rim | None = None
    way = (b - a)[:2]
    for rim in (f.rim for f in view.fits if f.rim.circle is None):
        n, p = rim.normals[0], rim.points_mm[0, :2]
        off = max(abs(float((q[:2] - p) @ n)) for q in (a, b))
        between = ((rim.points_mm[:, :2] - a[:2]) @ way) / max(float(way @ way), 1e-9)
        covered = float(((between > 0) & (between < 1)).sum()) * 0.5
        long_enough = covered > 0.5 * float(np.linalg.norm(way))
        if off < 0.1 and long_enough and (best is None or rim.z_mm > best.z_mm):
            best = rim
    return best


def follow(
    view: PieceView,
    patch: Patch,
    contrast: Contrast,
    rim: Rim,
    a: Floats,
    b: Floats,
    *,
    free_end: bool = False,
) -> Edge | None:
    """Follow the edge from a to b (lying), each half millimetre.

    `free_end`: nothing holds the edge at b.

    First a path through the misfits of all stations: close to each one's best place, without leaps.
    Then a closer look at each, through a window so narrow that no string beside it counts.
    """
    length = float(np.linalg.norm((b - a)[:2]))
    direction = (b - a)[:2] / length
    along = (rim.points_mm[:, :2] - a[:2]) @ direction
    eye = view.placement.to_lying(view.camera.position_mm[None])[0]
    seen = (along > 0.3) & (along < length - 0.3)
    seen &= ~hidden(view.lying, rim.points_mm + np.array([0, 0, 0.05]), eye)
    p = sample_rim(
        patch, view.camera, view.placement, rim, seen, view.mat_view.blur_px, _REACH_MM,
        station_mm=LINE_MM, further_mm=_REACH_MM,
    )  # fmt: skip
    if p is None or len(p.light) < 6:
        return None
    room = float(rim.inner_mm[seen].min()) - 2 * p.blur_mm
    inside = p.across_mm > -max(room, _LEAST_INSIDE_MM)
    p = replace(p, across_mm=p.across_mm[inside], light=p.light[:, inside])
    s = (p.points_mm[:, :2] - a[:2]) @ direction
    back = np.where(p.wall_mm > 0, _back_mm(view, p, rim, direction), 0.0)
    if free_end:  # the wall ends with its rim: where its foot is seen further back, it is cut short
        left = np.clip((length - s) / np.maximum(back, 1e-9), 0.0, 1.0)
        p = replace(p, wall_mm=p.wall_mm * np.where(back > 0, left, 1.0))
    places = np.arange(-0.6, min(_REACH_MM, p.across_mm[-1] - 0.3), _STEP_MM)
    barred = _PAPER_COST * _paper_before(p, places, contrast) if contrast.dark else 0.0
    if (
        contrast.dark and free_end
    ):  # out there its own shadow can lie beside it, as dark as its side
        p = replace(p, light=p.light[:, :, [contrast.colour]])
    tries = {ratio: _misfit(p, places, ratio, ramp=True) for ratio in _ratios(p)}
    ratio = min(tries, key=lambda r: float(tries[r].min(axis=1).sum()))
    sums = tries[ratio]
    costs = np.log(sums + 0.05 * np.median(sums.min(axis=1))) * _WEIGHT
    path = places[_cheapest_path(costs + barred, places)]
    path = path + _closer(p, path, ratio)
    if (
        contrast.dark
    ):  # what was followed is the foot, which is seen beside another place of the rim
        s = s + back
    order = np.argsort(s)[: int((s < length).sum())]
    flat = a[:2] + s[order, None] * direction + path[order, None] * p.normals[order]
    points = np.column_stack([flat, np.full(len(flat), rim.z_mm)])
    return Edge(s[order], path[order], points, float(np.median(p.wall_mm)))


def _back_mm(view: PieceView, p: Profiles, rim: Rim, direction: Floats) -> Floats:
    """How far the foot of each station's wall is seen back towards the start of the edge."""
    world = view.placement.to_world(p.points_mm)
    ways = view.placement.turned(np.tile(direction, (len(world), 1)))
    foot = world.copy()
    foot[:, 2] = float(np.median(rim.foot_mm))
    return -offset_in_plane(view.camera, world, ways, foot)


def _ratios(p: Profiles) -> tuple[float, ...]:
    return _WALL_OVER_TOP if p.wall_mm.max() > 0.05 else _WALL_OVER_TOP[:1]


def _misfit(p: Profiles, places: Floats, wall_over_top: float, *, ramp: bool) -> Floats:
    """Sum of squares that two levels leave for every station and place: (n, k).

    The levels are those of the upper face, with its wall, and of the paper; where `ramp`, the paper
    may also grow lighter or darker away from the foot.
    """
    from scipy.special import ndtr

    sigma = _BLUR_GAIN * p.blur_mm
    out = np.zeros((len(p.light), len(places)))
    walls = np.round(p.wall_mm / 0.03) * 0.03
    at = p.across_mm[None, :] - places[:, None]
    past_rim = ndtr(at / sigma)
    for wall in np.unique(walls):
        some = np.flatnonzero(walls == wall)
        past_foot = ndtr((at - wall) / sigma)
        columns = [1 - past_rim + wall_over_top * (past_rim - past_foot), past_foot]
        columns += [np.maximum(at - wall, 0.0)] if ramp else []
        basis = np.linalg.qr(np.stack(columns, axis=-1))[0]
        y = p.light[some].transpose(1, 0, 2).reshape(len(p.across_mm), -1)
        left = (y**2).sum(axis=0) - ((np.swapaxes(basis, 1, 2) @ y) ** 2).sum(axis=1)
        out[some] = left.reshape(len(places), len(some), -1).sum(axis=2).T
    return np.maximum(out, 1e-12)


def _paper_before(p: Profiles, places: Floats, contrast: Contrast) -> Floats:
    """How surely there is paper between the upper face and each place, 0 to 1: (n, k).

    Of a filament darker than paper nothing is much lighter than its upper face.
    """
    beyond = p.across_mm > -2 * p.blur_mm
    light = p.light[:, :, contrast.colour] / contrast.face[contrast.colour]
    lightest = np.maximum.accumulate(np.where(beyond, light, 0.0), axis=1)
    ends = np.searchsorted(p.across_mm, places - 2 * p.blur_mm).clip(0, len(p.across_mm) - 1)
    return np.asarray(np.clip(lightest[:, ends] - _SURELY_PAPER, 0.0, 1.0))


def _closer(p: Profiles, path: Floats, wall_over_top: float) -> Floats:
    """How far each station's edge lies beyond its place on the path."""
    reach = max(_NEAR_EDGE_MM, 3.5 * p.blur_mm)
    step = float(p.across_mm[1] - p.across_mm[0])
    across = np.arange(-reach, float(p.wall_mm.max()) + 0.7 * reach, step)
    light = np.empty((len(path), len(across), p.light.shape[2]))
    for k, place in enumerate(path):
        for c in range(light.shape[2]):
            light[k, :, c] = np.interp(across + place, p.across_mm, p.light[k, :, c])
    near: Floats = np.linspace(-8, 8, 17) * (0.5 * _STEP_MM)
    sums = _misfit(replace(p, across_mm=across, light=light), near, wall_over_top, ramp=False)
    return np.array([vertex(near, row, int(row.argmin())) for row in sums])


def _cheapest_path(costs: Floats, places: Floats) -> NDArray[np.int_]:
    """Place of every station such that costs and squared leaps add up to least (Viterbi)."""
    leaps = ((places[:, None] - places[None, :]) / _LEAP_MM) ** 2
    total, back = costs[0] + (places / 0.3) ** 2, []
    for row in costs[1:]:
        ways = total[None, :] + leaps
        back.append(ways.argmin(axis=1))
        total = row + ways.min(axis=1)
    path = [int(total.argmin())]
    for step in reversed(back):
        path.append(int(step[path[-1]]))
    return np.array(path[::-1])
