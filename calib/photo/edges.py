"""Sub-pixel position of a rim: steps of light (`steps`) fitted to profiles sampled from the photo."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.profiles import Profiles
from calib.photo.rims import Rim
from calib.photo.steps import (
    NARROW_WALL_SIGMAS,
    WALL_SHARE,
    WALL_SHARE_SD,
    WIDE_WALL_SIGMAS,
    misfit,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_NO_WALL_MM = 0.02
_SEEN_SHARE_SD = 0.08  # of a wall's light where other walls that look the same way show it
_SAME_WAY = 0.97  # cosine between the normals of walls with the same light
_BLUR_GAINS = (0.9, 1.15, 1.5)
_NEAR_MM = 0.3  # a station's own place may be this far from the rim's common one
_GROWTH, _GROWTH_SD = 0.008, 0.005  # shrinkage, and paper whose scale is not known
_GRID = 81  # places of a misfit curve


@dataclass(frozen=True, eq=False)
class RimFit:
    """Where one rim is.

    Attributes
    ----------
    rim : Rim
    along_mm, points_mm, normals
        Of the stations, as in `Profiles`.
    offset_mm : (n,) float
        Outward from the nominal rim, world millimetres.
    offset_se_mm : (n,) float
        From the profile's own noise.
    good : (n,) bool
        Stations that agree with a line (or circle) through all.
    shift_mm : float
        Their common offset, from the sum of all profiles.
    rival_mm : float
        Distance to the next best place (0: there is none).
    rival_ratio : float
        Misfit there over the misfit at the place chosen; close to 1 is bad.
    wall_sd_mm : float
        Uncertainty of the place from the wall: its light where it is too narrow to show it, where
        its foot is where it is wide.
    contrast : float
        Share of what a level and a slope leave of the light that the steps explain.
    walls_mm : (n,) float
        Width of wall seen at each station.
    narrow_wall : bool
        A wall is seen that is too narrow to show its light.
    scatter_mm : float
        Robust spread of the good stations about their line.
    brightness : float
        Light of the upper face over the step down to what is seen next to it, the wall or the
        floor: 1 beside black, more beside something nearly as light, negative beside lighter.
    """

    rim: Rim
    along_mm: Floats
    points_mm: Floats
    normals: Floats
    offset_mm: Floats
    offset_se_mm: Floats
    good: Bools
    shift_mm: float
    rival_mm: float
    rival_ratio: float
    wall_sd_mm: float
    contrast: float
    walls_mm: Floats
    narrow_wall: bool
    scatter_mm: float
    brightness: float

    @property
    def sees_wall(self) -> Bools:
        """Stations that see the wall."""
        return np.asarray(self.walls_mm > _NO_WALL_MM)


@dataclass(frozen=True, eq=False)
class Scan:
    """Misfit of one rim's stations over the places tried: (n, k).

    `others` are misfits under other views of the wall: less light and more, a foot a little aside.
    """

    rim: Rim
    profiles: Profiles
    places_mm: Floats
    sums: Floats
    sigma_mm: float
    others: tuple[Floats, ...] = ()


def is_narrow(p: Profiles) -> bool:
    """Tell whether a wall is seen, but too narrow to show how light it is."""
    widest = NARROW_WALL_SIGMAS * max(_BLUR_GAINS) * p.blur_mm
    return bool(((p.wall_mm > 0) & (p.wall_mm < widest)).any())


def scan_rim(
    p: Profiles,
    rim: Rim,
    *,
    reach_mm: float,
    use_wall: bool = True,
    thorough: bool = False,
    share: tuple[float, float] = (WALL_SHARE, WALL_SHARE_SD),
) -> Scan | None:
    """Try places within `reach_mm` of where a rim is expected; None where there is no room.

    `thorough` tries several blurs, and what else a narrow wall's light may be: `share` is its light
    over the upper face's, with its standard uncertainty.
    """
    reach = min(reach_mm, -p.across_mm[0] - 0.15, p.across_mm[-1] - 0.15)
    if reach < 0.1:
        return None
    step = max(0.02, p.blur_mm / 6)
    places = np.arange(-reach, reach + step / 2, step)

    def tried(gain: float, more_light: float = 0.0, *, free_foot: bool = False) -> Floats:
        return misfit(
            p, places, sigma_mm=p.blur_mm * gain, wall_over_top=share[0] + more_light,
            use_wall=use_wall, free_foot=free_foot,
        )  # fmt: skip

    tries = {gain: tried(gain) for gain in (_BLUR_GAINS if thorough else (1.15,))}
    gain = min(tries, key=lambda g: float(tries[g].sum(axis=0).min()))
    others: tuple[Floats, ...] = ()
    if thorough and use_wall and is_narrow(p):
        others = (tried(gain, -share[1]), tried(gain, share[1]))
    elif thorough and use_wall and (p.wall_mm > 0).any():
        others = (tries[gain], tried(gain, free_foot=True))
    return Scan(rim, p, places, tries[gain], p.blur_mm * gain, others)


def wall_share(scan: Scan, towards: Floats) -> float | None:
    """Light of a wide wall over the upper face's, if it looks towards a direction (lying, flat)."""
    p = scan.profiles
    wall = float(np.median(p.wall_mm))
    looks_there = scan.rim.circle is None and float(p.normals[0] @ towards) > _SAME_WAY
    if not looks_there or wall < WIDE_WALL_SIGMAS * scan.sigma_mm:
        return None
    total = scan.sums.sum(axis=0)
    at = p.across_mm - scan.places_mm[int(total.argmin())]
    top = at < -scan.sigma_mm
    on_wall = (at > scan.sigma_mm) & (at < wall - scan.sigma_mm)
    if top.sum() < 2 or on_wall.sum() < 2:
        return None
    light = p.light.mean(axis=(0, 2))
    return float(np.clip(light[on_wall].mean() / max(light[top].mean(), 1e-6), 0.05, 1.3))


def share_of(scans: Sequence[Scan], towards: Floats) -> tuple[float, float]:
    """Light of walls that look towards a direction over the upper face's, and its uncertainty."""
    seen = [s for s in (wall_share(scan, towards) for scan in scans) if s is not None]
    if not seen:
        return WALL_SHARE, WALL_SHARE_SD
    return float(np.median(seen)), _SEEN_SHARE_SD


def fit_rim(scan: Scan) -> RimFit:
    """Turn a scan into each station's place and the rim's common one."""
    p, places, sums = scan.profiles, scan.places_mm, scan.sums
    total = sums.sum(axis=0)
    shift, rival_mm, rival_ratio = _choose(places, total, float(places[-1]))
    is_circle = scan.rim.circle is not None
    centre = np.full(len(sums), shift)
    if is_circle:
        rough = _stations(places, sums, centre, np.inf, p)[0]
        centre = _line(p, rough, is_circle)[0]
    offsets, errors = _stations(places, sums, centre, _NEAR_MM, p)
    offsets = offsets + _blurred_circle(scan)
    _, good, scatter = _line(p, offsets, is_circle)
    contrast = 1 - float(total.min()) / max(_left_by_ramp(p), 1e-12)
    others = [_nearest(places, m.sum(axis=0), shift) for m in scan.others]
    return RimFit(
        scan.rim,
        p.along_mm,
        p.points_mm,
        p.normals,
        offsets,
        errors,
        good,
        shift,
        rival_mm,
        rival_ratio,
        float(np.ptp(others) / 2) if others else 0.0,
        contrast,
        p.wall_mm,
        is_narrow(p),
        scatter,
        _brightness(p, shift, scan.sigma_mm),
    )


def _blurred_circle(scan: Scan) -> float:
    """How far outward a round rim lies from where it is seen: blur moves it towards its centre.

    The edge of a disc of radius r blurred by a Gaussian is half way up about sigma^2 / (2 r) inside.
    """
    circle = scan.rim.circle
    if circle is None:
        return 0.0
    is_hole = float(scan.rim.normals[0] @ (scan.rim.points_mm[0, :2] - (circle.u, circle.v))) < 0
    return float(scan.sigma_mm**2 / circle.diameter_mm) * (-1 if is_hole else 1)


def _brightness(p: Profiles, shift: float, sigma: float) -> float:
    """Light of the upper face over the step down to what is seen next to it."""
    at = p.across_mm - shift
    wall = float(np.median(p.wall_mm))
    end = wall - sigma if wall > NARROW_WALL_SIGMAS * sigma else 1.0
    above, beside = at < -2 * sigma, (at > 1.5 * sigma) & (at < max(end, 2.5 * sigma))
    if not (above.any() and beside.any()):
        return 1.0
    top, beyond = float(p.light[:, above].mean()), float(p.light[:, beside].mean())
    return float(np.clip(top / (top - beyond), -1.0, 4.0)) if top != beyond else 4.0


def _left_by_ramp(p: Profiles) -> float:
    """Sum of squares that a level and a slope leave: what steps have to explain."""
    columns = np.column_stack([np.ones(len(p.across_mm)), p.across_mm])
    basis = np.linalg.qr(columns)[0]
    y = p.light.transpose(1, 0, 2).reshape(len(p.across_mm), -1)
    return float((y**2).sum() - ((basis.T @ y) ** 2).sum())


def joint_step(scans: list[Scan], reach_mm: float, reach_deg: float) -> Floats:
    """Return the step (x, y, mm; turn, rad; growth in x and y) that suits all stations at once.

    Minimises the sum over stations of log(misfit) on grids that shrink: a station whose profile
    says nothing has a flat misfit and no say, one that is wrong has a bounded one. Growth has a
    normal prior about none.
    """
    at = np.concatenate([s.profiles.points_mm[:, :2] for s in scans])
    n = np.concatenate([s.profiles.normals for s in scans])
    slopes = np.column_stack([n, n[:, 1] * at[:, 0] - n[:, 0] * at[:, 1], n * at])
    curves = np.concatenate([_on_common_grid(s, reach_mm) for s in scans])
    rows = np.arange(len(n))

    def cost(steps: Floats) -> Floats:
        k = np.clip((steps @ slopes.T / reach_mm + 1) / 2 * (_GRID - 1), 0, _GRID - 1.001)
        low = k.astype(int)
        value = curves[rows, low] * (low + 1 - k) + curves[rows, low + 1] * (k - low)
        return np.asarray(value.sum(axis=1) + 0.5 * ((steps[:, 3:] / _GROWTH_SD) ** 2).sum(axis=1))

    best = np.zeros(5)
    span = np.array([0.8 * reach_mm, 0.8 * reach_mm, np.radians(reach_deg), _GROWTH, _GROWTH])
    grid = np.linspace(-1, 1, 9)
    rigid = np.stack(np.meshgrid(grid, grid, grid, indexing="ij"), axis=-1).reshape(-1, 3)
    for _ in range(5):
        for block, moves in (
            ([0, 1, 2], rigid),
            ([0, 3], rigid[:81, 1:]),
            ([1, 4], rigid[:81, 1:]),
        ):
            steps = np.tile(best, (len(moves), 1))
            steps[:, block] += moves * span[block]
            best = steps[int(cost(steps).argmin())]
        span = span * 0.45
    return best


def _on_common_grid(scan: Scan, reach_mm: float) -> Floats:
    """Log misfit of each station over places from -reach to reach, flat beyond what was tried."""
    places = np.linspace(-reach_mm, reach_mm, _GRID)
    logs = np.log(scan.sums + 0.1 * np.median(scan.sums.min(axis=1)))
    return np.stack([np.interp(places, scan.places_mm, row) for row in logs])


def _choose(places: Floats, total: Floats, reach: float) -> tuple[float, float, float]:
    """Return the place, the distance to its best rival and the rival's misfit over its own.

    A place far from where the rest of the piece puts the rim has to fit better to be chosen.
    """
    inner = np.flatnonzero((total[1:-1] <= total[:-2]) & (total[1:-1] <= total[2:])) + 1
    if not len(inner):
        return float(places[int(total.argmin())]), 0.0, np.inf
    weighed = total[inner] * (1 + 0.5 * (places[inner] / reach) ** 2)
    first = int(inner[weighed.argmin()])
    others = [k for k in inner if abs(places[k] - places[first]) > 0.1]
    if not others:
        return vertex(places, total, first), 0.0, np.inf
    second = min(others, key=lambda k: float(total[k]))
    return (
        vertex(places, total, first),
        float(places[second] - places[first]),
        float(total[second] / total[first]),
    )


def _nearest(places: Floats, total: Floats, shift: float) -> float:
    """Lowest point near a place."""
    near = np.abs(places - shift) <= _NEAR_MM
    return vertex(places, total, int(np.where(near, total, np.inf).argmin()))


def vertex(x: Floats, y: Floats, k: int) -> float:
    """Lowest point of the parabola through three neighbours."""
    if not 0 < k < len(x) - 1:
        return float(x[k])
    a, b, c = y[k - 1 : k + 2]
    bend = a - 2 * b + c
    return float(x[k] + (0.5 * (a - c) / bend if bend > 0 else 0.0) * (x[1] - x[0]))


def _stations(
    places: Floats, sums: Floats, centre: Floats, near_mm: float, p: Profiles
) -> tuple[Floats, Floats]:
    """Each station's own place near the common one, and its standard error."""
    step = places[1] - places[0]
    freedom = max(1, p.light.shape[1] * 3 - 13)
    allowed = np.abs(places[None] - centre[:, None]) <= near_mm
    masked = np.where(allowed, sums, np.inf)
    k = np.clip(masked.argmin(axis=1), 1, len(places) - 2)
    rows = np.arange(len(sums))
    a, b, c = sums[rows, k - 1], sums[rows, k], sums[rows, k + 1]
    bend = np.maximum(a - 2 * b + c, 1e-12)
    offsets = places[k] + np.clip(0.5 * (a - c) / bend, -1, 1) * step
    errors = np.sqrt(2 * (b / freedom) * step**2 / bend)
    return offsets, np.minimum(errors, 1.0)


def _line(p: Profiles, offsets: Floats, circle: bool) -> tuple[Floats, Bools, float]:
    """Robust line along the rim (or circle about it): it, who agrees, and how much they scatter."""
    if circle:
        columns = np.column_stack([np.ones(len(offsets)), p.normals])
    else:
        columns = np.column_stack([np.ones(len(offsets)), p.along_mm - p.along_mm.mean()])
    if len(offsets) < columns.shape[1] + 2:
        middle = np.full(len(offsets), float(np.median(offsets)))
        return middle, np.abs(offsets - middle) < 0.2, float(np.ptp(offsets) / 2)
    weight, fit = np.ones(len(offsets)), np.zeros(columns.shape[1])
    spread = np.inf
    for _ in range(10):
        fit = np.linalg.lstsq(columns * weight[:, None], offsets * weight, rcond=None)[0]
        off = np.abs(offsets - columns @ fit)
        spread = 1.4826 * float(np.median(off))
        weight = 1 / np.sqrt(1 + (off / max(2 * spread, 0.01)) ** 2)
    return columns @ fit, np.abs(offsets - columns @ fit) < max(3 * spread, 0.02), spread
