"""Where a piece ends and paper begins: colours unmixed along profiles, one blurred step through them.

In linear light every pixel along a profile is f x plastic + g x paper. Both colours are taken from the
profile's own two ends; least squares gives f, the share of plastic. A shadow changes g alone, so that f
does not know of it. Where plastic and paper have no colour apart (white on dark), f is how far the light
is on the way from one to the other, and a shadow counts as plastic in part.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.photo.camera import Camera
from calib.photo.image import Photo, decode, encode, linear
from calib.photo.placement import Placement
from calib.photo.rims import FULL_ROOM_MM, Rim

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STATION_MM = 2.0  # along the rim: profiles that are averaged
_LINE_MM = 0.25  # how far profiles are apart before that
_ARC_RAD = 0.1
_END_MM = 0.7  # at each end: taken for plastic, or paper, alone
_LEAST_ROOM_MM = 0.5
_BLURS = (
    0.8,
    0.9,
    1.0,
    1.1,
    1.25,
    1.4,
    1.6,
    1.8,
)  # of the mat's own: the rim is nearer to the camera, and round
#: Share of plastic that paper beside it may seem to have, by light that bounced off the plastic: it
#: falls off within about this.
_BOUNCE_MM = 1.0
#: From this angle between the colours on they are unmixed; below it brightness tells more.
APART_DEG = 5.0
_DARK = 0.35  # of the light of the paper beside
_COARSE_MM = 0.1
_LEAST_WALL_MM = 0.02
#: Light of a wall over the upper face's, to try. Usual: half of an even sky, and three parts in ten of the
#: other half off the paper; a lamp may face it, or not.
_WALLS = (0.05, 0.07, 0.1, 0.14, 0.2, 0.28, 0.4, 0.5, 0.65, 0.8, 1.0, 1.2, 1.4)
_WALL_USUAL, _WALL_SPREAD, _DARKEST = 0.65, 0.4, 0.05
_INDEPENDENT = 4.0  # samples along a profile count as so few: what a step leaves is no noise
_MODEL_NOISE = 0.004
_SHADE_MM = 0.4  # a shadow beside a rim falls off within about this
_FINE = 4
#: From red, green, blue to brightness and two differences (ITU-R BT.601, as JFIF takes them).
_YCC = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])
_LIT_PERCENT = 90
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
    dark : bool
        The plastic has so little light that neither its walls' nor shadows' matter: then brightness tells
        more than the little colour it has.
    beside : float
        Light of the paper right beside the edge over that at the end of the profile.
    shadow : float
        What light the paper loses there, over what tells plastic from paper.
    plastic, paper : (3,) float
        Their light, at the ends of the profiles.
    """

    f: Floats
    g: Floats
    f_sd: float
    g_sd: float
    by_colour: bool
    dark: bool
    beside: float
    shadow: float
    plastic: Floats
    paper: Floats


def unmix(p: Profiles) -> Share:
    """Tell plastic from paper: by colour where that tells more than brightness."""
    plastic = p.light[:, p.across_mm < p.across_mm[0] + _END_MM].mean(axis=1)
    paper = p.light[:, p.across_mm > p.across_mm[-1] - _END_MM].mean(axis=1)
    near = (p.across_mm > 2 * p.blur_mm) & (p.across_mm < 2 * p.blur_mm + 0.4)
    level = p.light[:, near].sum(axis=2) / np.maximum(paper.sum(axis=1), 1e-6)[:, None]
    beside = float(np.median(level, axis=0).min()) if near.any() else 1.0
    dark = float(np.median(plastic.sum(axis=1) / paper.sum(axis=1))) < _DARK * beside
    pp, gg, pg = (
        (x * y).sum(axis=1) for x, y in ((plastic, plastic), (paper, paper), (plastic, paper))
    )
    det = np.maximum(pp * gg - pg**2, 1e-12)
    angle = float(np.degrees(np.arcsin(np.sqrt(np.clip(np.median(det / (pp * gg)), 0, 1)))))
    by_colour = angle >= APART_DEG and not dark
    if by_colour:
        of_f = (plastic * gg[:, None] - paper * pg[:, None]) / det[:, None]
        of_g = (paper * pp[:, None] - plastic * pg[:, None]) / det[:, None]
        f, g = (np.einsum("nmi,ni->nm", p.light, rows) for rows in (of_f, of_g))
        beside = float(np.median(g, axis=0)[near].min()) if near.any() else 1.0
    else:
        of_f = plastic - paper
        of_f = of_g = of_f / np.maximum((of_f**2).sum(axis=1), 1e-12)[:, None]
        f = np.einsum("nmi,ni->nm", p.light - paper[:, None], of_f)
        g = 1 - f
    f_sd, g_sd = (
        float(_NOISE_FLOOR * np.median(np.linalg.norm(rows, axis=1))) for rows in (of_f, of_g)
    )
    solid, bare = np.median(plastic, axis=0), np.median(paper, axis=0)
    shadow = (1 - beside) * float(bare.sum()) / max(float(np.abs(solid - bare).sum()), 1e-6)
    return Share(f, g, f_sd, g_sd, by_colour, dark, beside, shadow, solid, bare)


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
    smear_mm : float
        What was taken off for colours that the file keeps coarsely.
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
    smear_mm: float
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
    lit : float
        Light of bare paper over the plastic's, where no shadow lies.
    """

    blur: float = 1.0
    lit: float = 0.0


def look_of(seen: Sequence[Profiles], reach_mm: float) -> Look:
    """Find the look that suits all profiles together; `reach_mm` is how far edges may be off."""
    shares = [unmix(p) for p in seen]
    lit = float(np.percentile([s.paper.sum() / s.plastic.sum() for s in shares], _LIT_PERCENT))
    hidden = [(s, p) for s, p in zip(shares, seen, strict=True) if p.wall_mm < _LEAST_WALL_MM]
    places = np.arange(-reach_mm, reach_mm + 0.025, 0.05)
    sums = np.zeros(len(_BLURS))
    for share, p in hidden or zip(shares, seen, strict=True):
        least = [
            np.median(_misfit(share.f, p, places, b * p.blur_mm, _WALL_USUAL).min(axis=1))
            for b in _BLURS
        ]
        sums += len(p.light) * np.log(np.array(least) + len(p.across_mm) * _MODEL_NOISE**2)
    return Look(_BLURS[int(np.argmin(sums))], lit)


def _wall_level(share: Share, p: Profiles, places: Floats, look: Look) -> float:
    """Find the light of a wall over the upper face's: as its width shows it, near what is usual.

    An upright wall gets half of an even sky and some light from the paper; in a shadow it gets as much
    less as the paper beside it.
    """
    if p.wall_mm < _LEAST_WALL_MM or share.dark:
        return 1.0
    shade = share.beside * float(share.paper.sum() / share.plastic.sum()) / max(look.lit, 1e-6)
    usual = _WALL_USUAL * float(np.clip(shade, _DARKEST, 1.2))
    f = np.median(share.f, axis=0)[None]
    noise = f.shape[1] * _MODEL_NOISE**2
    costs = [
        _INDEPENDENT
        * max(1.0, p.wall_mm / p.blur_mm)
        * np.log(_misfit(f, p, places, look.blur * p.blur_mm, k).min() + noise)
        + (np.log(k / usual) / _WALL_SPREAD) ** 2
        for k in _WALLS
    ]
    return _WALLS[int(np.argmin(costs))]


def fit_edge(rim: Rim, p: Profiles, reach_mm: float, look: Look) -> EdgeFit:
    """Fit one blurred step to every station, and a line or a circle's harmonics through them."""
    share = unmix(p)
    step = min(0.03, 0.3 * p.blur_mm)
    coarse = np.arange(-reach_mm, reach_mm + _COARSE_MM / 2, _COARSE_MM)
    wall = _wall_level(share, p, np.arange(-reach_mm, reach_mm + step, step), look)
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
    smear = 0.0
    if share.by_colour and look.blur > 1:
        smear = _smeared(share, p, float(np.median(offset)), wall, look)
        offset = offset - smear
    return EdgeFit(
        rim, p.points_mm, p.normals, offset, np.minimum(sd, 1.0), good, scatter, rival, clear,
        p.wall_mm, smear, share,
    )  # fmt: skip


def _smeared(share: Share, p: Profiles, edge_mm: float, wall: float, look: Look) -> float:
    """How far from where it is an edge is found because a camera's file keeps colours coarsely.

    JPEG (ITU-T T.81, JFIF) stores brightness and two colour differences of gamma-coded light, these at
    half the resolution and rounded more. That smears colours by what `look.blur` is over the mat's own,
    and where paper and plastic differ in brightness the smear moves the edge. So the edge found is drawn,
    smeared and found again.
    """
    from scipy.ndimage import gaussian_filter1d

    step = float(p.across_mm[1] - p.across_mm[0]) / _FINE
    fine = np.arange(p.across_mm[0] - 0.5, p.across_mm[-1] + 0.5, step)
    at = fine - edge_mm
    past, past_rim = at > 0, at > -p.wall_mm
    f = np.where(past, 0.0, np.where(past_rim, wall, 1.0))
    g = past * np.maximum(_paper_beside(share, p, edge_mm, look)(at), 0.0)
    light = f[:, None] * share.plastic + g[:, None] * share.paper
    light = gaussian_filter1d(light, p.blur_mm / step, axis=0, mode="nearest")
    parts = encode(light) @ _YCC.T
    smear_mm = p.blur_mm * float(np.sqrt(look.blur**2 - 1))
    parts[:, 1:] = gaussian_filter1d(parts[:, 1:], smear_mm / step, axis=0, mode="nearest")
    seen = decode(parts @ np.linalg.inv(_YCC).T)
    drawn = np.stack([np.interp(p.across_mm, fine, c) for c in seen.T], axis=1)
    again = unmix(replace(p, light=drawn[None])).f
    places = np.arange(edge_mm - 0.3, edge_mm + 0.3, 0.02)
    sums = _misfit(again, p, places, look.blur * p.blur_mm, wall)[0]
    found = _vertex(places, sums, int(sums.argmin())) - edge_mm
    return float(np.clip(found, -p.blur_mm, p.blur_mm))


def _paper_beside(share: Share, p: Profiles, edge_mm: float, look: Look) -> Callable[[Floats], Floats]:  # fmt: skip
    """Return the paper's light over that at the profile's end, by distance from the edge."""
    from scipy.special import ndtr

    def columns(at: Floats) -> Floats:
        return np.stack([np.ones_like(at), at, np.exp(-np.maximum(at, 0) / _SHADE_MM)], axis=-1)

    at = p.across_mm - edge_mm
    seen = columns(at) * ndtr(at / (look.blur * p.blur_mm))[:, None]
    terms = np.linalg.lstsq(seen, np.median(share.g, axis=0), rcond=None)[0]
    return lambda at: np.asarray(columns(at) @ terms)


def _misfit(f: Floats, p: Profiles, places: Floats, sigma: float, wall: float) -> Floats:
    """Sum of squares that an edge at each place leaves of the share of plastic: (n, k).

    The upper face may slope in light; the wall, where it is seen, has `wall` of its light. Beyond the edge there may be a little (light that bounced off
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
