"""The light across a rim as steps: the upper face, the wall as far as it is seen, what lies below.

Each is a level, blurred by the camera, that may slope; the levels are linear in the light, so only the
rim's place is searched.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from calib.photo.profiles import Profiles

Floats = NDArray[np.float64]

NARROW_WALL_SIGMAS = 2.0  # a wall seen narrower than this has no level of its own
WIDE_WALL_SIGMAS = 3.0  # one wider than this shows its light to narrow ones
#: Light of a wall over the upper face's, away from a lamp to facing it, with the standard uncertainty.
WALL_SHARE, WALL_SHARE_SD = 0.5, 0.2
_WIDE_SHARE_SD = 0.3  # of a wall that is wide enough to show its own light
_MODEL_LIGHT = 0.004  # what the step model leaves of the light of a sample, roughly


def misfit(
    p: Profiles,
    places_mm: Floats,
    *,
    sigma_mm: float,
    wall_over_top: float,
    use_wall: bool = True,
    free_foot: bool = False,
) -> Floats:
    """Sum of squares left by the step model for every station and place tried: (n, k).

    Parameters
    ----------
    places_mm : (k,) float
        Where the rim might be, outward from its nominal place.
    wall_over_top : float
        Light of a narrow wall over the upper face's.
    free_foot : bool
        A wide wall's foot may be a little aside of where the rim puts it.
    """
    out = np.zeros((len(p.light), len(places_mm)))
    wall = np.round(p.wall_mm / 0.03) * 0.03 if use_wall else np.zeros(len(p.wall_mm))
    bevel = np.round(p.bevel_mm / 0.03) * 0.03
    for w, b in {(float(w), float(b)) for w, b in zip(wall, bevel, strict=True)}:
        at = np.flatnonzero((wall == w) & (bevel == b))
        columns = _columns(p.across_mm, places_mm, w, b, sigma_mm, wall_over_top)
        if free_foot and w > WIDE_WALL_SIGMAS * sigma_mm:
            columns = np.concatenate(
                [columns, _foot_aside(p.across_mm, places_mm, w, sigma_mm)], -1
            )
        y = p.light[at].transpose(1, 0, 2).reshape(len(p.across_mm), -1)
        if NARROW_WALL_SIGMAS * sigma_mm <= w <= p.across_mm[-1] - places_mm[-1]:
            row = _wall_light_row(columns.shape[-1], w, _top_light(p))
            columns = np.concatenate(
                [columns, np.broadcast_to(row, (len(places_mm), 1, len(row)))], 1
            )
            y = np.concatenate([y, np.zeros((1, y.shape[1]))])
        basis = np.linalg.qr(columns)[0]
        explained = (np.swapaxes(basis, 1, 2) @ y) ** 2
        total = (y**2).sum(axis=0) - explained.sum(axis=1)
        out[at] = total.reshape(len(places_mm), len(at), 3).sum(axis=2).T
    return np.maximum(out, 1e-12)


def _columns(
    u: Floats, places: Floats, wall: float, bevel: float, sigma: float, wall_over_top: float
) -> Floats:
    """(k, m, c) levels that the profile is made of, for every place."""
    rise = _blurred_step(sigma)
    at = u[None, :] - places[:, None]
    past_rim = rise(at)
    ones = np.ones_like(at)
    beyond = np.maximum(at - wall, 0.0)
    if wall == 0.0:
        columns = [ones, past_rim, beyond]
    elif wall < NARROW_WALL_SIGMAS * sigma:
        past_foot = rise(at - wall)
        top = 1 - past_rim + wall_over_top * (past_rim - past_foot)
        columns = [top, past_foot, beyond]
    elif wall > u[-1] - places[-1]:
        columns = [ones, past_rim, np.maximum(at, 0.0)]
    else:
        columns = [ones, past_rim, np.clip(at, 0.0, wall), rise(at - wall), beyond]
    columns.append(np.minimum(at, 0.0))
    if bevel > 0.5 * sigma:
        columns.append(rise(at + bevel))
    return np.stack(columns, axis=-1)


def _wall_light_row(columns: int, wall: float, top_light: float) -> Floats:
    """Say that a wall has about its usual share of the upper face's light, as one more sample.

    Without it a fit may take the bright paper beyond a dark piece's foot for the wall.
    """
    row = np.zeros(columns)
    row[:3] = 1 - WALL_SHARE, 1.0, wall / 2
    return row * (_MODEL_LIGHT / (_WIDE_SHARE_SD * max(top_light, 1e-3)))


def _top_light(p: Profiles) -> float:
    """Light of the upper face, all stations and channels together."""
    return float(p.light[:, : max(2, len(p.across_mm) // 10)].mean())


def _foot_aside(u: Floats, places: Floats, wall: float, sigma: float) -> Floats:
    """(k, m, 1) what a small shift of the wall's foot adds."""
    at = u[None, :] - places[:, None]
    return np.asarray(np.exp(-(((at - wall) / sigma) ** 2) / 2)[..., None])


def _blurred_step(sigma: float) -> Callable[[Floats], Floats]:
    from scipy.special import ndtr

    return lambda x: np.asarray(ndtr(x / sigma))
