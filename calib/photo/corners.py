"""Find the mat in a photo: its markers first, then the chessboard corners to a tenth of a pixel."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.photo.camera import Camera, Pinhole, View, solve_cameras
from calib.photo.image import Photo
from calib.photo.mat import (
    ASLANT,
    MARKER_MODULES,
    SQUARE_MM,
    Mat,
    mat_from_codes,
    serial_of,
)
from patterns.errors import BadInput

Floats = NDArray[np.float64]

_SEARCH_LONG_SIDE_PX = 1600
_FEW_MARKERS, _MIN_MARKERS = 40, 6
_MIN_CORNERS, _LEAST_SHARE = 12, 0.5
_STRETCH = (0.005, -0.005)  # of the paper in X against Y, as long as nothing is known of it
_STEEP_DEG, _ABSURD_DEG = 38.0, 65.0
_WINDOW_SQUARES = 0.12  # stays clear of the marker, which begins 0.136 squares from the corner
_CHECK_MM = 0.75
_MIN_CONTRAST = 0.35  # of the photo's black-to-white range


@dataclass(frozen=True, eq=False)
class Seen:
    """What a photo shows of a mat.

    Attributes
    ----------
    mat : Mat
    serial_known : bool
        The markers that spell the serial number were read, and agree.
    frame_mm : (n, 2) float
        Corners seen, in frame coordinates as drawn.
    pixels : (n, 2) float
    rough : Pinhole
        From the corners alone, taking the paper as drawn.
    grey : (h, w) uint8
    """

    mat: Mat
    serial_known: bool
    frame_mm: Floats
    pixels: Floats
    rough: Pinhole
    grey: NDArray[np.uint8]


@lru_cache(maxsize=4)
def find_mat(photo: Photo) -> Seen:
    """Find the mat's chessboard corners; remembered for the last few photos.

    Raises
    ------
    FileError
        No mat, another board, a mirrored photo, or too little of the mat.
    """
    import cv2

    grey = np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    corners, codes = markers(grey, _SEARCH_LONG_SIDE_PX)
    if len(codes) < _FEW_MARKERS:
        corners, codes = markers(grey, 2 * _SEARCH_LONG_SIDE_PX)
    if len(codes) < _MIN_MARKERS:
        _explain(grey, photo.name, len(codes))
    try:
        mat, places = mat_from_codes(codes)
    except BadInput as err:
        raise FileError(err.what, where=photo.name, mend=err.mend) from None
    good = [n for n, c in enumerate(codes) if c in places and codes.count(c) == 1]
    if len(good) < _MIN_MARKERS:
        _explain(grey, photo.name, len(good))
    frame = np.concatenate([mat.marker_corners_mm(places[codes[n]]) for n in good])
    pixels = np.concatenate([corners[n] for n in good])
    camera = _camera(frame, pixels, photo)
    frame, pixels = saddles(grey, mat, camera, _left_over(camera, frame, pixels))
    if len(frame) < max(_MIN_CORNERS, _LEAST_SHARE * len(good)):  # about as many as markers
        raise _few_corners(photo, camera, len(frame))
    camera = _camera(frame, pixels, photo)
    mat, serial_known = numbered(grey, mat, camera)
    return Seen(mat, serial_known, frame, pixels, camera, grey)


def numbered(grey: NDArray[np.uint8], mat: Mat, camera: Camera) -> tuple[Mat, bool]:
    """Return the mat with its number, and whether it was read: at full resolution, where it is printed."""
    import cv2

    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    middle = (np.arange(MARKER_MODULES) + 0.5) / MARKER_MODULES
    u, v = np.meshgrid(middle, middle)
    codes = []
    for n in mat.spelling:
        left_top, right_top, _, left_bottom = mat.marker_corners_mm(n)
        flat = (
            left_top
            + u[..., None] * (right_top - left_top)
            + v[..., None] * (left_bottom - left_top)
        )
        at = camera.project(np.dstack([flat, np.zeros(u.shape)])).astype(np.float32)
        size = (grey.shape[1] - 1, grey.shape[0] - 1)
        if (at < 0).any() or (at > size).any():
            continue
        seen = np.asarray(cv2.remap(grey, at[..., 0], at[..., 1], cv2.INTER_LINEAR))
        bits = (seen > (int(seen.max()) + int(seen.min())) / 2).astype(np.uint8)
        whole = not bits[[0, -1]].any() and not bits[:, [0, -1]].any()  # its border is black
        read, code, turn = words.identify(np.ascontiguousarray(bits[1:-1, 1:-1]), 0.0)
        codes += [int(code)] if read and whole and turn == 0 else []
    serial = serial_of(codes)
    return (mat, False) if serial is None else (replace(mat, serial=serial), True)


def _few_corners(photo: Photo, camera: Pinhole, count: int) -> FileError:
    if camera.tilt_deg > _ABSURD_DEG:
        what, mend = "the markers are not a Truebead mat's", "print one: truebead mat"
    elif camera.tilt_deg > _STEEP_DEG:
        what = f"too oblique: {camera.tilt_deg:.0f} degrees"
        mend = f"hold the camera {ASLANT}"
    else:
        what = f"only {count} corners are where a flat mat has them"
        mend = "tape the paper to a flat table, and hold the phone still"
    return FileError(what, where=photo.name, mend=mend)


def _camera(frame_mm: Floats, pixels: Floats, photo: Photo) -> Pinhole:
    world = np.column_stack([frame_mm, np.zeros(len(frame_mm))])
    return solve_cameras([View(world, pixels, photo.size, photo.focal_px, _STRETCH)]).cameras[0]


def markers(grey: NDArray[np.uint8], long_side_px: int) -> tuple[list[Floats], list[int]]:
    """Corners (4, 2) and code of every marker, searched in a picture of that size at most."""
    import cv2

    shrink = max(1.0, max(grey.shape) / long_side_px)
    small = grey
    if shrink > 1:
        size = (round(grey.shape[1] / shrink), round(grey.shape[0] / shrink))
        small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    settings.cornerRefinementWinSize = 3
    settings.adaptiveThreshWinSizeMin = settings.adaptiveThreshWinSizeMax = 23
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    found, codes, _ = cv2.aruco.ArucoDetector(words, settings).detectMarkers(small)
    if codes is None:
        return [], []
    scale = np.array([grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]])
    corners = [(np.asarray(c, dtype=float).reshape(4, 2) + 0.5) * scale - 0.5 for c in found]
    return corners, [int(c) for c in np.ravel(codes)]


def _explain(grey: NDArray[np.uint8], name: str, count: int) -> None:
    """Say why there is no mat; tries the mirror image to recognise a mirrored photo."""
    _, mirrored = markers(np.ascontiguousarray(grey[:, ::-1]), _SEARCH_LONG_SIDE_PX)
    if len(mirrored) >= _MIN_MARKERS > count:
        raise FileError("the photo is mirrored", where=name, mend="turn off the camera's mirroring")
    if count == 0:
        raise FileError("no mat found", where=name, mend="show the whole mat, sharp and evenly lit")
    raise FileError(
        f"only {count} of the mat's markers can be read",
        where=name,
        mend="show the whole mat, sharp and evenly lit, with nothing across its frame",
    )


def _left_over(camera: Camera, frame_mm: Floats, pixels: Floats) -> Callable[[Floats], Floats]:
    """Return what a camera that takes the paper as drawn leaves of the markers, as a smooth field.

    A printer may stretch the paper by 1 % one way and shrink it the other; no camera explains that.
    """
    half = np.abs(frame_mm).max()

    def terms(at_mm: Floats) -> Floats:
        x, y = (at_mm / half).T
        return np.column_stack([x**i * y**j for i in range(4) for j in range(4 - i)])

    world = np.column_stack([frame_mm, np.zeros(len(frame_mm))])
    columns, rest = terms(frame_mm), pixels - camera.project(world)
    little = 0.1 * np.eye(columns.shape[1])  # where there are few markers, few bends
    field = np.linalg.solve(columns.T @ columns + little, columns.T @ rest)
    return lambda at_mm: np.asarray(terms(at_mm) @ field)


def saddles(
    grey: NDArray[np.uint8], mat: Mat, camera: Camera, left_over: Callable[[Floats], Floats]
) -> tuple[Floats, Floats]:
    """Refine every chessboard corner that looks like one near where it is expected."""
    import cv2

    world = np.column_stack([mat.saddles_mm, np.zeros(len(mat.saddles_mm))])
    guess = camera.project(world) + left_over(world[:, :2])
    margin = 12
    height, width = grey.shape
    inside = (guess > margin).all(axis=1) & (guess < (width - margin, height - margin)).all(axis=1)
    world, guess = world[inside], guess[inside]
    if not len(world):
        return world[:, :2], guess
    px_per_mm = np.median([camera.px_per_mm(w) for w in world])
    half = int(np.clip(round(_WINDOW_SQUARES * SQUARE_MM * px_per_mm), 2, 25))
    done = cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.002
    start = guess.astype(np.float32).reshape(-1, 1, 2)
    found = cv2.cornerSubPix(grey, start.copy(), (half, half), (-1, -1), done)
    pixels = np.asarray(found, dtype=float).reshape(-1, 2)
    near = np.linalg.norm(pixels - guess, axis=1) < max(3.0, 0.4 * half)
    near &= _is_saddle(grey, camera, world, pixels - camera.project(world))
    return world[near, :2], pixels[near]


def _is_saddle(
    grey: NDArray[np.uint8], camera: Camera, world: Floats, moved: Floats
) -> NDArray[np.bool_]:
    """Check that opposite quadrants agree and neighbouring ones differ."""
    levels = []
    for sx, sy in ((1, 1), (-1, 1), (-1, -1), (1, -1)):
        at = camera.project(world + np.array([sx * _CHECK_MM, sy * _CHECK_MM, 0])) + moved
        levels.append(_pick(grey, at))
    a, b, c, d = np.stack(levels).astype(float)
    contrast = np.abs((a + c) - (b + d)) / 2
    alike = np.maximum(np.abs(a - c), np.abs(b - d))
    span = np.percentile(contrast, 90)
    return np.asarray((contrast > _MIN_CONTRAST * span) & (alike < 0.5 * contrast))


def _pick(grey: NDArray[np.uint8], at: Floats) -> NDArray[Any]:
    x = np.clip(np.rint(at[:, 0]).astype(int), 0, grey.shape[1] - 1)
    y = np.clip(np.rint(at[:, 1]).astype(int), 0, grey.shape[0] - 1)
    return np.asarray(grey[y, x])
