"""The camera: a pinhole with radial distortion, and how it is found from corners on the mat.

World coordinates are true millimetres on the paper (frame coordinates of the mat times the paper's
own scale), z out of the paper. Pixel centres are whole numbers. The camera's own axes: x right,
y down, z forward.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

INTRINSICS = 5  # log focal length, principal point x and y, k1, k2
POSE = 6
_PRIOR_SD_K1, _PRIOR_SD_K2 = 0.2, 0.2  # phone lenses as delivered stay well inside
_PRIOR_SD_CENTRE = 0.004  # of the long side: lens and sensor are mounted that well
_PRIOR_SD_LOG_F, _EXIF_SD_LOG_F = 0.5, 0.03  # the camera's own word is rounded to a millimetre
_MOST_STEPS, _LEAST_SHARE = 40, 1e-3
_HUBER = 2.0
_CORNER_SD_PX = 0.1


class Camera(ABC):
    """How places become pixels: what edges, rims and lengths ask of a photo's lens or a scanner."""

    covariance: Floats
    steps: Floats  # small ones in the parameters of `covariance`, for differences

    @property
    @abstractmethod
    def position_mm(self) -> Floats:
        """Where it is, in world coordinates."""

    @abstractmethod
    def project(self, world_mm: Floats) -> Floats:
        """Return the (n, 2) pixels of (n, 3) points."""

    @abstractmethod
    def on_plane(self, pixels: Floats, z_mm: float = 0.0) -> Floats:
        """Return the (n, 2) world x, y where the pixels' rays meet the plane at `z_mm`."""

    @abstractmethod
    def moved(self, step: Floats) -> "Camera":
        """Return the camera with a step in the parameters of `covariance`."""

    def px_per_mm(self, world_mm: Floats) -> float:
        """Return the smallest magnification of the paper around a (3,) point."""
        steps = np.array([[0, 0, 0], [0.5, 0, 0], [0, 0.5, 0]])
        p = self.project(world_mm + steps)
        jac = np.stack([p[1] - p[0], p[2] - p[0]], axis=1) * 2
        return float(np.linalg.svd(jac, compute_uv=False)[-1])


@dataclass(frozen=True, eq=False)
class Pinhole(Camera):
    """Pinhole with x' = x (1 + k1 r^2 + k2 r^4) (Brown, Photogrammetric Engineering 37 (1971)).

    Attributes
    ----------
    focal_px, centre_px, k1, k2
        Intrinsics; the centre is (x, y).
    rotation : (3, 3) float
        World to camera.
    shift_mm : (3,) float
        World origin in the camera's axes.
    covariance : (11, 11) float
        Of log focal length, centre x, y, k1, k2, three rotations (about the camera's axes, rad)
        and three shifts (mm).
    """

    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    k2: float
    rotation: Floats
    shift_mm: Floats
    covariance: Floats = field(default_factory=lambda: np.zeros((11, 11)))
    steps = np.array([1e-4, 0.1, 0.1, 1e-4, 1e-4, 1e-5, 1e-5, 1e-5, 1e-2, 1e-2, 1e-2])

    @property
    def position_mm(self) -> Floats:
        """Where the camera is, in world coordinates."""
        return np.asarray(-self.rotation.T @ self.shift_mm)

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the paper's normal."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1, 1))))

    def project(self, world_mm: Floats) -> Floats:
        """Return the (n, 2) pixels of (n, 3) points."""
        seen = world_mm @ self.rotation.T + self.shift_mm
        flat = seen[..., :2] / seen[..., 2:]
        r2 = (flat**2).sum(axis=-1, keepdims=True)
        bent = flat * (1 + self.k1 * r2 + self.k2 * r2**2)
        return np.asarray(self.focal_px * bent + self.centre_px)

    def rays(self, pixels: Floats) -> Floats:
        """Return (n, 3) directions in world coordinates (not unit length), depth 1 in the camera."""
        bent = (pixels - self.centre_px) / self.focal_px
        flat = bent.copy()
        for _ in range(12):
            r2 = (flat**2).sum(axis=-1, keepdims=True)
            flat = bent / (1 + self.k1 * r2 + self.k2 * r2**2)
        return np.concatenate([flat, np.ones_like(flat[..., :1])], axis=-1) @ self.rotation

    def on_plane(self, pixels: Floats, z_mm: float = 0.0) -> Floats:
        """Return the (n, 2) world x, y where the pixels' rays meet the plane at `z_mm`."""
        rays, eye = self.rays(pixels), self.position_mm
        t = (z_mm - eye[2]) / rays[..., 2:]
        return np.asarray(eye[:2] + t * rays[..., :2])

    def moved(self, step: Floats) -> "Pinhole":
        """Return the camera with an (11,) step in the parameters of `covariance`."""
        return replace(
            self,
            focal_px=float(self.focal_px * np.exp(step[0])),
            centre_px=(self.centre_px[0] + float(step[1]), self.centre_px[1] + float(step[2])),
            k1=self.k1 + float(step[3]),
            k2=self.k2 + float(step[4]),
            rotation=_turn(step[5:8]) @ self.rotation,
            shift_mm=_turn(step[5:8]) @ self.shift_mm + step[8:11],
        )


def _turn(vector: Floats) -> Floats:
    """Rotation matrix of a rotation vector (Rodrigues' formula)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = vector / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross)


@dataclass(frozen=True, eq=False)
class View:
    """Corners of the mat seen in one photo: (n, 3) world mm and (n, 2) pixels, and the picture.

    `stretch` is by how much the paper may be longer in X and shorter in Y than it is taken to be: one
    standard uncertainty in each, as fractions. It looks much like a tilt with another focal length:
    where it is not known, neither are these.
    """

    world_mm: Floats
    pixels: Floats
    size: tuple[int, int]
    focal_px: float | None = None
    stretch: tuple[float, float] = (0.0, 0.0)

    def stretched(self, amount: float) -> "View":
        """Return the view of a paper stretched by so many standard uncertainties."""
        return replace(self, world_mm=self.world_mm * (1 + amount * self.per_place))

    @property
    def per_place(self) -> Floats:
        """What a stretch of one adds to (n, 3) places, as fractions of them."""
        return np.array([*self.stretch, 0.0])


@dataclass(frozen=True, eq=False)
class Solved:
    """Cameras of the views, corners kept, the residual's size, and the paper's stretch (`View.stretched`)."""

    cameras: tuple[Pinhole, ...]
    kept: tuple[NDArray[np.bool_], ...]
    rms_px: float
    stretch: float


def solve_cameras(views: Sequence[View]) -> Solved:
    """Find intrinsics shared by all views (of one size) and a pose for each.

    Gauss-Newton on pixels with Huber weights; corners off by more than max(0.5 px, 4 x median) are
    then dropped and the rest solved again.
    """
    cameras = [_start(v) for v in views]
    best = int(np.argmin([_misfit(c, v) for c, v in zip(cameras, views, strict=True)]))
    focal = cameras[best].focal_px
    cameras = [_start(v, focal) for v in views]
    kept = [np.ones(len(v.pixels), dtype=bool) for v in views]
    cameras, rms, stretch = _refine(cameras, views, kept)
    for _ in range(2):
        shown = [v.stretched(stretch) for v in views]
        sizes = [_lengths(c, v) for c, v in zip(cameras, shown, strict=True)]
        limit = max(0.5, 4 * float(np.median(np.concatenate(sizes))))
        kept = [s < limit for s in sizes]
        cameras, rms, stretch = _refine(cameras, views, kept)
    return Solved(tuple(cameras), tuple(kept), rms, stretch)


def _lengths(camera: Pinhole, view: View) -> Floats:
    return np.asarray(np.linalg.norm(camera.project(view.world_mm) - view.pixels, axis=1))


def _misfit(camera: Pinhole, view: View) -> float:
    return float(np.median(_lengths(camera, view)))


def _start(view: View, focal_px: float | None = None) -> Pinhole:
    """Try focal lengths (or take the one given) and keep the pose that fits best."""
    long = max(view.size)
    given = [focal_px or view.focal_px]
    tries = [f for f in given if f] or list(long * np.geomspace(0.55, 1.8, 9))
    found = [_pose(view, f) for f in tries]
    return min(found, key=lambda c: _misfit(c, view))


def _pose(view: View, focal_px: float) -> Pinhole:
    import cv2

    centre = ((view.size[0] - 1) / 2, (view.size[1] - 1) / 2)
    matrix = np.array([[focal_px, 0, centre[0]], [0, focal_px, centre[1]], [0, 0, 1]])
    _, turn, shift = cv2.solvePnP(
        view.world_mm, view.pixels, matrix, np.zeros(4), flags=cv2.SOLVEPNP_IPPE
    )
    return Pinhole(
        focal_px,
        centre,
        0.0,
        0.0,
        np.asarray(cv2.Rodrigues(turn)[0]),
        np.asarray(shift, float).ravel(),
    )


def _refine(
    cameras: list[Pinhole],
    views: Sequence[View],
    kept: list[NDArray[np.bool_]],
) -> tuple[list[Pinhole], float, float]:
    """Gauss-Newton with step halving: cameras with covariance, the RMS residual, the paper's stretch."""
    guess = cameras[0].focal_px
    exif = views[0].focal_px
    centre = ((views[0].size[0] - 1) / 2, (views[0].size[1] - 1) / 2)
    log_f0, log_sd = (np.log(exif), _EXIF_SD_LOG_F) if exif else (np.log(guess), _PRIOR_SD_LOG_F)
    prior_mean = np.array([log_f0, *centre, 0.0, 0.0])
    sd_centre = _PRIOR_SD_CENTRE * max(views[0].size)
    prior_sd = np.array([log_sd, sd_centre, sd_centre, _PRIOR_SD_K1, _PRIOR_SD_K2])
    noise = _CORNER_SD_PX
    normal = np.eye(INTRINSICS)

    stretch = 0.0

    def cost(tried: list[Pinhole], its_stretch: float) -> float:
        prior = np.append((_inner(tried[0]) - prior_mean) / prior_sd, its_stretch)
        shown = [v.stretched(its_stretch) for v in views]
        return _robust_cost(tried, shown, kept, noise) + 0.5 * float(prior @ prior)

    for _ in range(_MOST_STEPS):
        shown = [v.stretched(stretch) for v in views]
        normal, gradient, noise = _normal_equations(cameras, shown, kept, noise)
        normal[range(INTRINSICS), range(INTRINSICS)] += 1 / prior_sd**2
        gradient[:INTRINSICS] += (prior_mean - _inner(cameras[0])) / prior_sd**2
        normal[-1, -1] += 1.0
        gradient[-1] -= stretch
        step = np.asarray(np.linalg.solve(normal, gradient), float)
        now, share, moved = cost(cameras, stretch), 1.0, cameras
        while share > _LEAST_SHARE:
            moved = [c.moved(_part(share * step, n)) for n, c in enumerate(cameras)]
            if cost(moved, stretch + share * step[-1]) <= now:
                break
            share /= 2
        cameras, stretch = moved, stretch + share * float(step[-1])
        if np.abs(step[:1]).max() < 1e-9 and np.abs(step).max() < 1e-7:
            break
    covariance = np.asarray(np.linalg.inv(normal), float)
    out = []
    for n, camera in enumerate(cameras):
        index = _columns(n)
        out.append(replace(camera, covariance=covariance[np.ix_(index, index)]))
    shown = [v.stretched(stretch) for v in views]
    squares = [(_lengths(c, v)[k] ** 2) for c, v, k in zip(cameras, shown, kept, strict=True)]
    return out, float(np.sqrt(np.concatenate(squares).mean())), stretch


def _inner(camera: Pinhole) -> Floats:
    """Intrinsics in the order of the parameters."""
    return np.array([np.log(camera.focal_px), *camera.centre_px, camera.k1, camera.k2])


def _robust_cost(
    cameras: list[Pinhole], views: Sequence[View], kept: list[NDArray[np.bool_]], noise: float
) -> float:
    """Sum of Huber's function of the residuals."""
    total = 0.0
    for camera, view, keep in zip(cameras, views, kept, strict=True):
        off = _lengths(camera, view)[keep] / noise
        linear = _HUBER * off - 0.5 * _HUBER**2
        total += float(np.where(off < _HUBER, 0.5 * off**2, linear).sum())
    return total


def _columns(view: int) -> list[int]:
    first = INTRINSICS + POSE * view
    return [*range(INTRINSICS), *range(first, first + POSE)]


def _part(step: Floats, view: int) -> Floats:
    return step[_columns(view)]


def _normal_equations(
    cameras: list[Pinhole], views: Sequence[View], kept: list[NDArray[np.bool_]], noise: float
) -> tuple[Floats, Floats, float]:
    size = INTRINSICS + POSE * len(views) + 1  # the last is the paper's stretch
    normal, gradient = np.zeros((size, size)), np.zeros(size)
    residuals = []
    for n, (camera, view, keep) in enumerate(zip(cameras, views, kept, strict=True)):
        jac, predicted = projection_jacobian(camera, view.world_mm[keep])
        off = view.pixels[keep] - predicted
        weight = np.minimum(1, _HUBER * noise / np.maximum(np.linalg.norm(off, axis=1), 1e-9))
        weight = np.repeat(weight, 2) / noise**2
        places = view.world_mm[keep][:, None] * view.per_place
        by_stretch = (_by_place(camera, jac) * places).sum(axis=2)[..., None]
        rows = np.concatenate([jac, by_stretch], axis=2).reshape(-1, 12)
        index = [*_columns(n), size - 1]
        normal[np.ix_(index, index)] += (rows * weight[:, None]).T @ rows
        gradient[index] += rows.T @ (weight * off.ravel())
        residuals.append(off.ravel())
    spread = 1.4826 * float(np.median(np.abs(np.concatenate(residuals))))
    return normal, gradient, max(spread, 0.01)


def projection_jacobian(camera: Pinhole, world_mm: Floats) -> tuple[Floats, Floats]:
    """Return d pixel / d parameters, (n, 2, 11) in the order of `Camera.covariance`, and pixels."""
    seen = world_mm @ camera.rotation.T + camera.shift_mm
    z = seen[:, 2:]
    flat = seen[:, :2] / z
    r2 = (flat**2).sum(axis=1, keepdims=True)
    gain = 1 + camera.k1 * r2 + camera.k2 * r2**2
    slope = camera.k1 + 2 * camera.k2 * r2  # d gain / d r2
    bent = camera.focal_px * flat * gain
    d_flat = camera.focal_px * (
        gain[:, :, None] * np.eye(2) + 2 * slope[:, :, None] * flat[:, :, None] * flat[:, None, :]
    )
    d_seen = np.zeros((len(seen), 2, 3))
    d_seen[:, 0, 0] = d_seen[:, 1, 1] = 1 / z[:, 0]
    d_seen[:, :, 2] = -flat / z
    d_shift = d_flat @ d_seen
    d_turn = d_shift @ -_crosses(seen)
    jac = np.zeros((len(seen), 2, 11))
    jac[:, :, 0] = bent
    jac[:, 0, 1] = jac[:, 1, 2] = 1.0
    jac[:, :, 3] = camera.focal_px * flat * r2
    jac[:, :, 4] = camera.focal_px * flat * r2**2
    jac[:, :, 5:8] = d_turn
    jac[:, :, 8:11] = d_shift
    return jac, bent + camera.centre_px


def _by_place(camera: Pinhole, jac: Floats) -> Floats:
    """(n, 2, 3) d pixel / d place on the paper: a shift in the camera's axes, turned back."""
    return np.asarray(jac[:, :, 8:11] @ camera.rotation)


def _crosses(v: Floats) -> Floats:
    """(n, 3, 3) matrices such that matrix @ w = v x w."""
    out = np.zeros((len(v), 3, 3))
    out[:, 0, 1], out[:, 0, 2] = -v[:, 2], v[:, 1]
    out[:, 1, 0], out[:, 1, 2] = v[:, 2], -v[:, 0]
    out[:, 2, 0], out[:, 2, 1] = -v[:, 1], v[:, 0]
    return out
