"""Where a piece ends and paper begins: colours unmixed along profiles, one blurred step through them.

In linear light every pixel along a profile is f x plastic + g x paper. Both colours are taken from the
profile's own two ends; least squares gives f, the share of plastic. A shadow changes g alone, so that f
does not know of it. Where plastic and paper have no colour apart (white on dark), f is how far the light
is on the way from one to the other, and a shadow counts as plastic in part.
"""

from collections.abc import Sequence
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
_LINE_MM = 0.25  # how far profiles are apart before that
_ARC_RAD = 0.1
_END_MM = 0.7  # at each end: taken for plastic, or paper, alone
_LEAST_ROOM_MM = 0.5
_BLURS = (0.85, 1.0, 1.2, 1.5)  # of the mat's own: the rim is nearer to the camera, and round
#: Share of plastic that paper beside it may seem to have, by light that bounced off the plastic: it
#: falls off within about this.
_BOUNCE_MM = 1.0
#: From this angle between the colours on they are unmixed; below it brightness tells more.
_APART_DEG = 5.0
_COARSE_MM = 0.1
_LEAST_WALL_MM = 0.02
#: Light of a wall over what lies on the paper beside it, to try: half an even sky reaches an upright
#: wall, a lamp may face it.
_WALLS, _WALL_USUAL, _WALL_SPREAD = (0.25, 0.35, 0.5, 0.65, 0.85, 1.1, 1.4), 0.65, 0.3
_WIDE_WALL, _DARK_WALL, _DARKEST = 2.5, 0.1, 0.05
_TELLING_WALL = 0.5  # of the blur: a narrower one does not tell its own light
_NOISE_FLOOR = 0.002  # of light: rounding to 8 bits and JPEG leave this in an average


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
    away light has another colour. None for a rim that drops to a face of the piece itself: there is no paper to tell it from.
    """
    eye = placement.to_lying(camera.position_mm[None])[0]
    hidden_wall = ((rim.points_mm[:, :2] - eye[:2]) * rim.normals).sum(axis=1) > 0
    out = []
    for faces_away in (True, False):
        some = seen & rim.outermost & (hidden_wall == faces_away)
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
    wanted = reach_mm + 3 * blur_mm + _END_MM
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


@dataclass(frozen=True, eq=False)
class Share:
    """Plastic and paper along profiles, each over what its end of the profile has.

    Attributes
    ----------
    f, g : (n, m) float
        Plastic and paper.
    f_sd, g_sd : float
        Standard uncertainty of each.
    by_colour : bool
        Whether their colours told them apart; else g is 1 - f.
    shadow : float
        How much darker the paper beside the edge is than further away, 0 to 1.
    plastic, paper : (3,) float
        Their light, at the ends of the profiles.
    """

    f: Floats
    g: Floats
    f_sd: float
    g_sd: float
    by_colour: bool
    shadow: float
    plastic: Floats
    paper: Floats


def unmix(p: Profiles) -> Share:
    """Tell plastic from paper: by colour where that tells more than brightness."""
    plastic = p.light[:, p.across_mm < p.across_mm[0] + _END_MM].mean(axis=1)
    paper = p.light[:, p.across_mm > p.across_mm[-1] - _END_MM].mean(axis=1)
    beside = (p.across_mm > 3 * p.blur_mm) & (p.across_mm < 3 * p.blur_mm + 0.5)
    near = p.light[:, beside].mean(axis=(1, 2)) if beside.any() else paper.mean(axis=1)
    shadow = float(np.median(np.clip(1 - near / np.maximum(paper.mean(axis=1), 1e-6), 0, 1)))
    pp, gg, pg = (
        (x * y).sum(axis=1) for x, y in ((plastic, plastic), (paper, paper), (plastic, paper))
    )
    det = np.maximum(pp * gg - pg**2, 1e-12)
    angle = float(np.degrees(np.arcsin(np.sqrt(np.clip(np.median(det / (pp * gg)), 0, 1)))))
    if angle >= _APART_DEG:
        of_f = (plastic * gg[:, None] - paper * pg[:, None]) / det[:, None]
        of_g = (paper * pp[:, None] - plastic * pg[:, None]) / det[:, None]
        f, g = (np.einsum("nmi,ni->nm", p.light, rows) for rows in (of_f, of_g))
    else:
        of_f = plastic - paper
        of_f = of_g = of_f / np.maximum((of_f**2).sum(axis=1), 1e-12)[:, None]
        f = np.einsum("nmi,ni->nm", p.light - paper[:, None], of_f)
        g = 1 - f
    f_sd, g_sd = (
        float(_NOISE_FLOOR * np.median(np.linalg.norm(rows, axis=1))) for rows in (of_f, of_g)
    )
    colours = np.median(plastic, axis=0), np.median(paper, axis=0)
    return Share(f, g, f_sd, g_sd, angle >= _APART_DEG, shadow, *colours)


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


@dataclass(frozen=True, slots=True)
class Look:
    """How edges look in one photo: the same for all of them, so found from all together.

    Attributes
    ----------
    blur : float
        Of the piece's edges over that of the mat's: they are nearer to the camera, and round.
    walls : pairs of normal and level
        Light of a wall that looks along a normal (lying), over what lies on the paper beside it.
    """

    blur: float = 1.0
    walls: tuple[tuple[tuple[float, float], float], ...] = ()

    def wall(self, normal: Floats) -> float:
        """Return the level of a wall, from the one that looks most nearly the same way."""
        near = max(self.walls, key=lambda w: float(normal @ np.array(w[0])), default=None)
        return near[1] if near else _WALL_USUAL


def look_of(seen: Sequence[Profiles], reach_mm: float) -> Look:
    """Find the look that suits all profiles together; `reach_mm` is how far edges may be off."""
    tables, walls, normals = [], [], []
    for p in seen:
        share, p = _told(p)
        places = np.arange(-reach_mm, reach_mm + 0.025, 0.05)
        levels = [_wall_level(share, k) for k in _WALLS] if p.wall_mm > _LEAST_WALL_MM else [1.0]
        table = [
            [np.median(_misfit(share.f, p, places, b * p.blur_mm, w).min(axis=1)) for w in levels]
            for b in _BLURS
        ]
        tables.append(len(p.light) * np.log(np.array(table)))
        walls.append(p.wall_mm > _TELLING_WALL * p.blur_mm)
        normals.append((round(float(p.normals[0, 0]), 1), round(float(p.normals[0, 1]), 1)))
    blur = int(np.argmin(np.sum([t.min(axis=1) for t in tables], axis=0)))
    prior = (np.log(np.array(_WALLS) / _WALL_USUAL) / _WALL_SPREAD) ** 2
    chosen = []
    for normal in sorted(set(normals)):
        rows = [
            t[blur] for t, w, n in zip(tables, walls, normals, strict=True) if w and n == normal
        ]
        if rows:
            chosen.append((normal, _WALLS[int(np.argmin(np.sum(rows, axis=0) + prior))]))
    return Look(_BLURS[blur], tuple(chosen))


def _told(p: Profiles) -> tuple[Share, Profiles]:
    """Tell plastic from paper; by the ratio of the two where a wide wall is seen that is all dark.

    Wall and paper beside it are lit alike, so what covers a pixel is the ratio of their shares.
    """
    share = unmix(p)
    if share.by_colour and _wide(p):
        on_wall = (p.across_mm > -p.wall_mm + p.blur_mm) & (p.across_mm < -p.blur_mm)
        if float(np.median(share.f[:, on_wall])) < _DARK_WALL:
            f, g = np.maximum(share.f, 0.0), np.maximum(share.g, 0.0)
            share = replace(share, f=f / np.maximum(f + g, _DARKEST))
            p = replace(p, wall_mm=0.0)
    return share, p


def _wide(p: Profiles) -> bool:
    """Whether so much of a wall is seen that its light shows by itself."""
    return p.wall_mm > _WIDE_WALL * p.blur_mm


def _wall_level(share: Share, over_paper: float) -> float:
    """Light of a wall over the upper face's."""
    return over_paper * (1 - share.shadow) if share.by_colour else over_paper


def fit_edge(rim: Rim, p: Profiles, reach_mm: float, look: Look) -> EdgeFit:
    """Fit one blurred step to every station, and a line or a circle's harmonics through them."""
    share, p = _told(p)
    step = min(0.03, 0.3 * p.blur_mm)
    wall = _wall_level(share, look.wall(p.normals[0])) if p.wall_mm > _LEAST_WALL_MM else 1.0
    coarse = np.arange(-reach_mm, reach_mm + _COARSE_MM / 2, _COARSE_MM)
    rough = _misfit(share.f, p, coarse, look.blur * p.blur_mm, wall)
    middle = coarse[rough.argmin(axis=1)]
    low, high = float(np.percentile(middle, 10)) - 0.25, float(np.percentile(middle, 90)) + 0.25
    places = np.arange(max(low, -reach_mm), min(high, reach_mm) + step / 2, step)
    sums = _misfit(share.f, p, places, look.blur * p.blur_mm, wall)
    best = sums.argmin(axis=1)
    total = ((share.f - share.f.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    offset = np.array([_vertex(places, row, int(k)) for row, k in zip(sums, best, strict=True)])
    dof = max(share.f.shape[1] - 5, 1)
    least = sums.min(axis=1)
    curve = np.array([_curvature(row, int(k), step) for row, k in zip(sums, best, strict=True)])
    noise = np.maximum(least / dof, share.f_sd**2)
    sd = np.sqrt(2 * noise / np.maximum(curve, 1e-9))
    apart = np.abs(coarse[None] - offset[:, None]) > 4 * p.blur_mm
    away = np.where(apart, rough, np.inf).min(axis=1)
    rival = float(np.median((away + noise) / (least + noise)))
    clear = float(np.median(1 - least / np.maximum(total, 1e-9)))
    good, scatter = _agreeing(p, offset, rim.circle is not None)
    return EdgeFit(
        rim, p.points_mm, p.normals, offset, np.minimum(sd, 1.0), good, scatter, rival, clear,
        p.wall_mm, share,
    )  # fmt: skip


def _misfit(f: Floats, p: Profiles, places: Floats, sigma: float, wall: float) -> Floats:
    """Sum of squares that an edge at each place leaves of the share of plastic: (n, k).

    The upper face may slope in light; the wall, where it is seen, has `wall` of its light (a wide one has
    what it shows). Beyond the edge there may be a little (light that bounced off
    the plastic) that falls off to nothing.
    """
    from scipy.special import ndtr

    at = p.across_mm[None] - places[:, None]
    past, past_rim = ndtr(at / sigma), ndtr((at + p.wall_mm) / sigma)
    columns = [
        (1 - past_rim) + wall * (past_rim - past),
        np.minimum(at + p.wall_mm, 0) * (1 - past_rim),
        past * np.exp(-np.maximum(at, 0) / _BOUNCE_MM),
    ]
    if _wide(p):
        columns.append(past_rim - past)
    basis = np.linalg.qr(np.stack(columns, axis=-1))[0]  # (k, m, columns)
    taken = ((f @ basis) ** 2).sum(axis=-1)
    return np.asarray(np.maximum((f**2).sum(axis=1)[:, None] - taken.T, 1e-12))


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
