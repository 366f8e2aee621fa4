"""Is a photo good enough: sharp, aslant but not too much, evenly exposed, whole, large enough."""

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.photo.camera import Pinhole
from calib.photo.corners import Seen
from calib.photo.image import Photo, decode, linear
from calib.photo.mat import ASLANT, SQUARE_MM
from calib.photo.scale import PaperScale

Floats = NDArray[np.float64]

_LEAST_PX_PER_MM, _FAIR_PX_PER_MM = 3.0, 4.5
_MOST_BLUR_MM, _FAIR_BLUR_MM = 0.40, 0.22
_MOST_TILT_DEG, _FAIR_TILT_DEG, _LEAST_TILT_DEG = 40.0, 26.0, 4.0
_POOR_SD_LOG_F = 0.015
_WORST_RMS_PX = 2.0
_LEAST_CORNERS_PER_SIDE = 4


def check_view(
    photo: Photo,
    seen: Seen,
    camera: Pinhole,
    kept: NDArray[np.bool_],
    rms_px: float,
    blur: float,
    scale: PaperScale,
) -> list[str]:
    """Return notes on what is not at its best.

    Raises
    ------
    FileError
        The photo can't be measured from; says how to take it again.
    """
    notes = _check_tilt(photo, camera)
    _check_whole(photo, seen, kept)
    notes += _check_sharp(photo, camera, blur)
    notes += _check_light(photo, seen, camera, scale)
    middle_size = float(np.median([camera.px_per_mm(p) for p in _some_points(seen)]))
    if rms_px > max(0.5, 0.06 * middle_size):
        notes.append(f"corners are off by {rms_px:.2f} px: lay the paper flat")
    if rms_px > max(_WORST_RMS_PX, 0.25 * middle_size):
        raise FileError(
            f"the mat is not flat (corners off by {rms_px:.1f} px)",
            where=photo.name,
            mend="tape the paper to a flat table",
        )
    if not seen.serial_known:
        notes.append("the mat's number could not be read")
    return notes


def _some_points(seen: Seen) -> Floats:
    return np.column_stack([seen.frame_mm[::6], np.zeros(len(seen.frame_mm[::6]))])


def _check_whole(photo: Photo, seen: Seen, kept: NDArray[np.bool_]) -> None:
    frame = seen.frame_mm[kept]
    half = np.abs(seen.mat.saddles_mm).max(axis=0)
    sides = {
        "left": frame[:, 0] < -half[0] + 1,
        "right": frame[:, 0] > half[0] - 1,
        "lower": frame[:, 1] < -half[1] + 1,
        "upper": frame[:, 1] > half[1] - 1,
    }
    short = [name for name, at in sides.items() if at.sum() < _LEAST_CORNERS_PER_SIDE]
    if short:
        raise FileError(
            f"the mat's {' and '.join(short)} side can't be seen",
            where=photo.name,
            mend="take the photo with the whole frame in it and nothing across it",
        )


def _check_sharp(photo: Photo, camera: Pinhole, blur: float) -> list[str]:
    size = camera.px_per_mm(np.zeros(3))
    if size < _LEAST_PX_PER_MM:
        raise FileError(
            f"only {size:.1f} pixels per millimetre on the mat",
            where=photo.name,
            mend="let the mat fill the picture and use the camera's full resolution",
        )
    blur_mm = blur / size
    if blur_mm > _MOST_BLUR_MM:
        raise FileError(
            f"blurred: edges are {2 * blur_mm:.2f} mm wide",
            where=photo.name,
            mend="hold the phone still, more light, tap on the piece to focus",
        )
    notes = []
    if blur_mm > _FAIR_BLUR_MM:
        notes.append(f"a little blurred (edges {2 * blur_mm:.2f} mm wide)")
    if size < _FAIR_PX_PER_MM:
        notes.append(f"only {size:.1f} pixels per millimetre: let the mat fill the picture")
    return notes


def _check_tilt(photo: Photo, camera: Pinhole) -> list[str]:
    tilt = camera.tilt_deg
    if tilt > _MOST_TILT_DEG:
        raise FileError(
            f"too oblique: {tilt:.0f} degrees",
            where=photo.name,
            mend=f"hold the camera {ASLANT}",
        )
    if tilt > _FAIR_TILT_DEG:
        return [f"oblique ({tilt:.0f} degrees): best is {ASLANT}"]
    if tilt < _LEAST_TILT_DEG or camera.covariance[0, 0] > _POOR_SD_LOG_F**2:
        return [
            f"square-on ({tilt:.0f} degrees): the focal length is poorly known, and so are sizes high"
            f" above the paper; best is {ASLANT}, or two photos"
        ]
    return []


def _check_light(photo: Photo, seen: Seen, camera: Pinhole, scale: PaperScale) -> list[str]:
    white = _white_levels(photo, seen, camera, scale)
    clipped = float((white.min(axis=1) >= 254).mean())
    level = float(np.median(white))
    if clipped > 0.6:
        raise FileError(
            f"overexposed: {100 * clipped:.0f} % of the paper is pure white",
            where=photo.name,
            mend="lower the exposure, or turn the lamp away",
        )
    if level < 50:
        raise FileError("too dark", where=photo.name, mend="more light, from more than one side")
    return ["parts of the paper are overexposed"] if clipped > 0.1 else []


def white_light(photo: Photo, seen: Seen, camera: Pinhole, scale: PaperScale) -> Floats:
    """Return the (3,) light of the mat's white paper."""
    return np.asarray(np.median(linear(_white_levels(photo, seen, camera, scale)), axis=0), float)


def _white_levels(
    photo: Photo, seen: Seen, camera: Pinhole, scale: PaperScale
) -> NDArray[np.uint8]:
    """Colour of the white rims around markers: half a millimetre inside their squares."""
    spots = []
    for i, j in seen.mat.marker_squares:
        x0, y0, x1, y1 = seen.mat.square_mm(i, j)
        spots += [((x0 + x1) / 2, y0 + 0.7), ((x0 + x1) / 2, y1 - 0.7)]
    flat = np.array(spots) * scale.factors
    at = np.rint(camera.project(np.column_stack([flat, np.zeros(len(flat))]))).astype(int)
    width, height = photo.size
    at = at[((at >= 0) & (at < (width, height))).all(axis=1)]
    return np.asarray(photo.rgb[at[:, 1], at[:, 0]])


def blur_px(seen: Seen, camera: Pinhole, scale: PaperScale) -> float:
    """Return the standard deviation of the blur, from the squares' edges beside the chessboard corners.

    A step blurred by a Gaussian has its steepest slope at height / (sigma sqrt(2 pi)).
    """
    import cv2

    steps = np.linspace(-1.3, 1.3, 105)
    lines = np.linspace(0.9, 1.3, 5)
    flat = seen.frame_mm * scale.factors
    widths = []
    for along, across in (((1.0, 0.0), (0.0, 1.0)), ((0.0, 1.0), (1.0, 0.0))):
        a, c = np.array(along), np.array(across)
        spots = flat[:, None, None] + lines[None, :, None, None] * a + steps[:, None] * c
        world = np.concatenate([spots, np.zeros((*spots.shape[:-1], 1))], axis=-1)
        pixels = camera.project(world).astype(np.float32)
        size = np.linalg.norm(pixels[:, 2, -1] - pixels[:, 2, 0], axis=1) / (steps[-1] - steps[0])
        at = pixels.reshape(len(flat), -1, 2)
        grey = np.asarray(cv2.remap(seen.grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR), float)
        light = decode(grey / 255).reshape(len(flat), len(lines), len(steps)).mean(axis=1)
        height = np.abs(light[:, -20:].mean(axis=1) - light[:, :20].mean(axis=1))
        slope = np.abs(light[:, 8:] - light[:, :-8]).max(axis=1) / (8 * (steps[1] - steps[0]))
        widths.append(height / np.maximum(slope, 1e-6) / np.sqrt(2 * np.pi) * size)
    return float(np.clip(np.median(np.concatenate(widths)), 0.45, 0.5 * SQUARE_MM * 12))
