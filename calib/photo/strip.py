"""Part of a mat that lies on a scanner's glass: how many pixels its printed millimetres take."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.corners import markers, numbered, saddles
from calib.photo.image import Photo
from calib.photo.mat import Mat, mat_from_codes
from calib.photo.scanner import Glass
from patterns.errors import BadInput

Floats = NDArray[np.float64]

_SEARCH_LONG_SIDE_PX = 1600
_MIN_MARKERS, _MIN_CORNERS = 4, 10


@dataclass(frozen=True, eq=False)
class Strip:
    """Part of a mat: which one, whether its number was read, and where it lies.

    Attributes
    ----------
    px_per_mm : (2, 2) float
        Pixels per millimetre as drawn.
    page_px : (4, 2) float
        Corners of its page.
    """

    mat: Mat
    serial_known: bool
    px_per_mm: Floats
    page_px: Floats


def find_strip(photo: Photo) -> Strip | None:
    """Find part of a mat's frame; None where there is none."""
    import cv2

    grey = np.asarray(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    corners, codes = markers(grey, _SEARCH_LONG_SIDE_PX)
    try:
        mat, places = mat_from_codes(codes)
    except BadInput:
        return None
    good = [n for n, c in enumerate(codes) if c in places and codes.count(c) == 1]
    if len(good) < _MIN_MARKERS:
        return None
    glass = _affine(
        np.concatenate([mat.marker_corners_mm(places[codes[n]]) for n in good]),
        np.concatenate([corners[n] for n in good]),
    )
    frame, pixels = saddles(grey, mat, glass, lambda at: np.zeros_like(at))
    if len(frame) < _MIN_CORNERS:
        return None
    glass = _affine(frame, pixels)
    width, height = mat.page_mm
    page = np.array([[0, 0], [width, 0], [width, height], [0, height]]) - mat.origin_mm
    mat, serial_known = numbered(grey, mat, glass)
    return Strip(mat, serial_known, glass.px_per_true, glass.project(page))


def _affine(frame_mm: Floats, pixels: Floats) -> Glass:
    """Fit an affine picture to places and pixels; what is off by much is left out."""
    columns = np.column_stack([frame_mm, np.ones(len(frame_mm))])
    keep = np.ones(len(frame_mm), dtype=bool)
    for _ in range(3):
        terms = np.asarray(np.linalg.lstsq(columns[keep], pixels[keep], rcond=None)[0], dtype=float)
        off = np.linalg.norm(columns @ terms - pixels, axis=1)
        keep = off <= max(0.5, 4 * float(np.median(off)))
    return Glass(terms[:2].T, terms[2])
