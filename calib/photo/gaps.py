"""Strings in a gap of a lying piece: how much of what the camera sees there is plastic."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.view import PieceView

Floats = NDArray[np.float64]

CELL_MM = 0.1
PAD_MM = 0.4  # of a gap beside its walls that is left out
_NARROW_MM = 3.6  # what is narrower across the gap is a string, the rest is light from the walls


@dataclass(frozen=True, eq=False)
class Gap:
    """What is seen of a gap, as cells in the plane of the piece's middle.

    Attributes
    ----------
    along_mm, aside_mm : (n,), (m,) float
        From the start of the gap, and upwards (as printed) from its middle.
    cells_mm : (n, m, 3) float
        Lying coordinates.
    length_mm, high_mm : float
        Of the whole gap.
    """

    along_mm: Floats
    aside_mm: Floats
    cells_mm: Floats
    length_mm: float
    high_mm: float

    @property
    def unseen(self) -> float:
        """Share of the gap's height that walls hide."""
        return 1 - len(self.aside_mm) * CELL_MM / self.high_mm


def gap_between(view: PieceView, ends: Floats, up: Floats, half_mm: float) -> Gap | None:
    """Return the part of a gap that no wall hides; None where next to nothing is left.

    `ends` are (2, 3) lying points in the gap's middle, `up` (2,) is the piece's upward direction.
    """
    a, b = ends
    length = float(np.linalg.norm((b - a)[:2]))
    direction, middle = (b - a)[:2] / length, (a + b) / 2
    side = _hidden_margin(view, middle, a[:2] - 0.3 * direction)
    pad_x = PAD_MM + abs(float((side if side is not None else np.zeros(2)) @ direction))
    walls = (_hidden_margin(view, middle, middle[:2] + k * (half_mm + 0.3) * up) for k in (-1, 1))
    pads = [0.0 if wall is None else PAD_MM + abs(float(wall @ up)) for wall in walls]
    along = np.arange(pad_x, length - pad_x, CELL_MM)
    aside = np.arange(-half_mm + pads[0], half_mm - pads[1], CELL_MM)
    if len(along) < 10 or len(aside) < 5:
        return None
    flat = a[:2] + along[:, None, None] * direction + aside[None, :, None] * up
    cells = np.concatenate([flat, np.full((*flat.shape[:2], 1), a[2])], axis=-1)
    return Gap(along, aside, cells, length, 2 * half_mm)


def _hidden_margin(view: PieceView, middle: Floats, post: Floats) -> Floats | None:
    """How far a wall reaches into a gap, seen in the plane of its middle: lying x, y.

    None where no wall stands at `post`.
    """
    heights = np.arange(0.05, float(view.lying.size_mm[2]), 0.1)
    column = np.column_stack([np.tile(post, (len(heights), 1)), heights])
    solid = heights[view.lying.solid_at(column)]
    if not len(solid):
        return None
    eye = view.placement.to_lying(view.camera.position_mm[None])[0]
    out = np.zeros(2)
    for z in (solid.min(), solid.max()):
        ratio = (eye[2] - middle[2]) / (eye[2] - z)
        shift = (middle[:2] - eye[:2]) * (ratio - 1)
        out = np.where(np.abs(shift) > np.abs(out), shift, out)
    return out


def strings_in(cover: Floats) -> Floats:
    """Return the (n, m) share of each cell that is string.

    The walls throw a little of their colour on the paper between them, and that changes slowly: the
    lower part of what is seen across the gap about each place is taken for it.
    """
    from scipy import ndimage

    size = (1, round(_NARROW_MM / CELL_MM))
    bounced = ndimage.percentile_filter(cover, 10, size=size, mode="nearest")
    soft = ndimage.gaussian_filter(bounced, 4.0)
    return np.asarray((cover - soft) / np.maximum(1 - soft, 0.2))
