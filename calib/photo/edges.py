"""Where a piece ends and paper begins: one blurred step through the share of plastic across each rim."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.profiles import STATION_MM, Profiles
from calib.photo.rims import Rim
from calib.photo.shares import Share, unmix

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_COARSE_MM = 0.1
_LEAST_WALL_MM = 0.02
_NOISE = 0.01  # of the share: what a step leaves along a profile
#: Light that bounced off the plastic, and the shadow of its rim, fall off within about this.
_BOUNCE_MM, _SHADE_MM = 1.0, 0.4
#: How much of them there may be, of the plastic's light; and how far a wall's may be from its usual light.
_BESIDE_SD, _WALL_SD, _LEAST_SD = 0.3, 0.3, 0.02
_PAPER_WHITE = 0.85  # reflectance of uncoated white paper (common practice, no source)
_LIT_PERCENT, _DARKEST = 90, 0.05


@dataclass(frozen=True, eq=False)
class EdgeFit:
    """One stretch of rim as it was found.

    Attributes
    ----------
    points_mm, normals
        Stations, as in `Profiles`.
    offset_mm, sd_mm : (n,) float
        How far outward of where it is drawn each was found.
    good : (n,) bool
        Stations that agree with the rest.
    scatter_mm : float
        Of the good ones about their line or circle.
    rival : float
        Misfit at the second best place over that at the best, 1 or more.
    clear : float
        How much of the light's changes the step explains, 0 to 1.
    """

    rim: Rim
    points_mm: Floats
    normals: Floats
    offset_mm: Floats
    sd_mm: Floats
    good: Bools
    scatter_mm: float
    rival: float
    clear: float
    wall_mm: float
    share: Share

    @property
    def z_mm(self) -> float:
        """Height of the edge over the mat."""
        return float(self.points_mm[0, 2])

    @property
    def length_mm(self) -> float:
        """How much of the rim it is."""
        steps = np.linalg.norm(np.diff(self.points_mm, axis=0), axis=1)
        return float(steps.sum() + (np.median(steps) if len(steps) else STATION_MM))


@dataclass(frozen=True, eq=False)
class Look:
    """How edges look in one photo: the same for all of them, so found from all together.

    Attributes
    ----------
    lit : float
        Light of bare paper over the plastic's, where no shadow lies.
    reflectance : (3,) float
        Of the paper.
    """

    lit: float
    reflectance: Floats


def look_of(seen: Sequence[Profiles], white: Floats) -> Look:
    """Find the look that suits all profiles; `white` is the (3,) light of white paper beside the piece."""
    shares = [unmix(p) for p in seen]
    lit = float(np.percentile([s.paper.sum() / s.plastic.sum() for s in shares], _LIT_PERCENT))
    paper = np.percentile([s.paper for s in shares], _LIT_PERCENT, axis=0)
    return Look(lit, np.clip(_PAPER_WHITE * paper / np.maximum(white, 1e-6), 0.0, 1.0))


def _usual_wall(share: Share, look: Look) -> tuple[float, float]:
    """Return the share of plastic that an upright wall usually seems to have, and its standard uncertainty.

    It gets half of an even sky, and from the paper before it the other half; in a shadow as much less as the
    paper does.
    """
    shade = share.beside * float(share.paper.sum() / share.plastic.sum()) / look.lit
    light = share.plastic * np.clip(shade, _DARKEST, 1.2) * 0.5 * (1 + look.reflectance)
    usual, brighter = share.of(light), share.of((1 + _WALL_SD) * light)
    return usual, max(abs(brighter - usual), _LEAST_SD)


def fit_edge(rim: Rim, p: Profiles, reach_mm: float, look: Look) -> EdgeFit:
    """Fit one blurred step to every station, and a line or a circle's harmonics through them.

    `reach_mm` is how far the edge may be off.
    """
    share = unmix(p)
    usual = _usual_wall(share, look)
    step = min(0.03, 0.3 * p.blur_mm)
    coarse = np.arange(-reach_mm, reach_mm + _COARSE_MM / 2, _COARSE_MM)
    rough = _misfit(share, p, coarse, usual)
    middle = coarse[rough.argmin(axis=1)]
    low, high = float(np.percentile(middle, 10)) - 0.25, float(np.percentile(middle, 90)) + 0.25
    places = np.arange(max(low, -reach_mm), min(high, reach_mm) + step / 2, step)
    sums = _misfit(share, p, places, usual)
    best = sums.argmin(axis=1)
    total = ((share.f - share.f.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    offset = np.array([_vertex(places, row, int(k)) for row, k in zip(sums, best, strict=True)])
    least = sums.min(axis=1)
    curve = np.array([_curvature(row, int(k), step) for row, k in zip(sums, best, strict=True)])
    noise = np.maximum(least / max(share.f.shape[1] - 5, 1), share.f_sd**2)
    sd = np.minimum(np.sqrt(2 * noise / np.maximum(curve, 1e-9)), 1.0)
    apart = np.abs(coarse[None] - offset[:, None]) > 4 * p.blur_mm
    away = np.where(apart, rough, np.inf).min(axis=1)
    rival = float(np.median((away + noise) / (least + noise)))
    clear = float(np.median(1 - least / np.maximum(total, 1e-9)))
    good, scatter = _agreeing(p, offset, rim.circle is not None)
    return EdgeFit(
        rim, p.points_mm, p.normals, offset, sd, good, scatter, rival, clear, p.wall_mm, share
    )


def _misfit(share: Share, p: Profiles, places: Floats, usual: tuple[float, float]) -> Floats:
    """Sum of squares that an edge at each place leaves of the share of plastic: (n, k).

    The upper face may slope in light. The wall, where it is seen, has light of its own, near what is usual.
    Beyond the edge there may be a little that falls off to nothing: light that bounced off the plastic
    and, where a shadow can pass for plastic, that. What is known of these beforehand
    counts as observations.
    """
    from scipy.special import ndtr

    at = p.across_mm[None] - places[:, None]
    past, past_rim = ndtr(at / p.blur_mm), ndtr((at + p.wall_mm) / p.blur_mm)
    columns = [1 - past_rim, np.minimum(at + p.wall_mm, 0) * (1 - past_rim)]
    for reach_mm in (_BOUNCE_MM, _SHADE_MM) if share.shades else (_BOUNCE_MM,):
        columns.append(past * np.exp(-np.maximum(at, 0) / reach_mm))
    known = [(n, 1 / _BESIDE_SD, 0.0) for n in range(2, len(columns))]
    if p.wall_mm >= _LEAST_WALL_MM:
        known.append((len(columns), 1 / usual[1], usual[0]))
        columns.append(past_rim - past)
    before = np.zeros((len(known), len(columns)))
    for row, (n, weight, over_face) in zip(before, known, strict=True):
        row[n], row[0] = _NOISE * weight, -_NOISE * weight * over_face
    rows = np.broadcast_to(before, (len(places), *before.shape))
    basis = np.linalg.qr(np.concatenate([np.stack(columns, axis=-1), rows], axis=1))[0]
    taken = ((share.f @ basis[:, : at.shape[1]]) ** 2).sum(axis=-1)
    return np.asarray(np.maximum((share.f**2).sum(axis=1)[:, None] - taken.T, 1e-12))


def _vertex(x: Floats, y: Floats, k: int) -> float:
    """Return the vertex of the parabola through the least of y and its neighbours."""
    if not 0 < k < len(x) - 1:
        return float(x[k])
    low, mid, high = y[k - 1 : k + 2]
    bend = low - 2 * mid + high
    return float(x[k] + 0.5 * (low - high) / bend * (x[1] - x[0])) if bend > 0 else float(x[k])


def _curvature(y: Floats, k: int, step: float) -> float:
    k = min(max(k, 1), len(y) - 2)
    return float((y[k - 1] - 2 * y[k] + y[k + 1]) / step**2)


def _agreeing(p: Profiles, offset: Floats, circle: bool) -> tuple[Bools, float]:
    """Tell which stations agree with a line (a circle's shift and growth), and their scatter."""
    columns = np.ones((len(offset), 1))
    if circle:
        columns = np.column_stack([columns, p.normals])
    elif len(offset) > 3:
        tangent = np.array([-p.normals[0, 1], p.normals[0, 0]])
        s = (p.points_mm[:, :2] - p.points_mm[0, :2]) @ tangent
        columns = np.column_stack([columns, s - s.mean()])
    weight = np.ones(len(offset))
    left = offset - np.median(offset)
    for _ in range(8):
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(columns * root[:, None], offset * root, rcond=None)[0]
        left = offset - columns @ fit
        spread = max(1.4826 * float(np.median(np.abs(left))), 0.004)
        weight = 1 / (1 + (left / (2 * spread)) ** 2)
    good = np.abs(left) < max(4 * spread, 0.03)
    free = max(int(good.sum()) - columns.shape[1], 1)
    scatter = float(np.sqrt((left[good] ** 2).sum() / free)) if good.any() else float(spread)
    return good, scatter
