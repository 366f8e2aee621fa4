"""What else lies on the mat: things in the empty centre that are not the piece or its shadow."""

import numpy as np
from numpy.typing import NDArray

from calib.errors import FileError
from calib.photo.locate import Box, TopView, top_view
from calib.photo.view import PieceView

Floats = NDArray[np.float64]

_SMALLEST_MM2 = 80.0
_DIFFERENT = 0.30  # of the paper's light
_AROUND_MM = 3.0
_RIM_MM = 4.0  # of the empty centre: taken for bare paper


def refuse_others(view: PieceView, box_mm: Box) -> None:
    """Refuse a photo in which something else of some size lies apart from the piece.

    Raises
    ------
    FileError
        Names where it lies.
    """
    import cv2

    top = top_view(view.mat_view.photo, view.camera, box_mm, 1.0)
    odd = _unlike_paper(top)
    own = _own_area(view, top)
    count, labels, stats, centres = cv2.connectedComponentsWithStats(odd.astype(np.uint8))
    touching = set(np.unique(labels[own]))
    for n in range(1, count):
        if n not in touching and stats[n, cv2.CC_STAT_AREA] > _SMALLEST_MM2:
            x, y = centres[n] + np.array(box_mm[:2])
            raise FileError(
                f"something else lies on the mat ({x:.0f}, {y:.0f} mm from its middle)",
                where=view.mat_view.photo.name,
                mend="leave one piece alone on it (and the card at its place, with --card)",
            )


def _unlike_paper(top: TopView) -> NDArray[np.bool_]:
    """Mark what differs from bare paper, whose light is a plane through the centre's rim."""
    height, width = top.light.shape[:2]
    y, x = np.mgrid[0:height, 0:width] / max(height, width)
    edge = np.zeros((height, width), bool)
    rim = int(_RIM_MM * top.px_per_mm)
    edge[rim:-rim, rim:-rim] = True
    columns = np.stack([np.ones_like(x), x, y, x * x, y * y, x * y], axis=-1)
    out = np.zeros((height, width), bool)
    for channel in range(3):
        light = top.light[:, :, channel].astype(float)
        bare = ~edge
        for _ in range(4):
            fit = np.linalg.lstsq(columns[bare], light[bare], rcond=None)[0]
            paper = columns @ fit
            bare = ~edge & (np.abs(light - paper) < 0.1 * np.abs(paper) + 0.005)
            if bare.sum() < 50:
                break
        out |= np.abs(light - paper) > _DIFFERENT * np.abs(paper) + 0.02
    return out


def _own_area(view: PieceView, top: TopView) -> NDArray[np.bool_]:
    """Where the piece is seen, with a margin."""
    import cv2

    height, width = top.light.shape[:2]
    mask = np.zeros((height, width), np.uint8)
    eye = view.camera.position_mm
    for fit in view.fits:
        world = view.placement.to_world(fit.rim.points_mm)
        flat = eye[:2] + (world[:, :2] - eye[:2]) * (eye[2] / (eye[2] - world[:, 2:]))
        pixels = np.rint(top.pixel(np.column_stack([flat, flat[:, :1] * 0]))).astype(int)
        inside = ((pixels >= 0) & (pixels < (width, height))).all(axis=1)
        mask[pixels[inside, 1], pixels[inside, 0]] = 1
    size = 2 * round(_AROUND_MM * top.px_per_mm) + 1
    grown = cv2.dilate(mask, np.ones((size, size), np.uint8))
    return np.asarray(grown > 0)
