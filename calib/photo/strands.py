"""Strings in a gap of a lying piece: how much of what the camera sees there is plastic, not paper."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.shares import Colours
from calib.photo.view import PieceView

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CELL_MM = 0.1
PAD_MM = 0.4  # of a gap beside its walls that is left out
#: From what share of plastic on a place may be a string's: more than light that bounced, or noise, gives.
_LEAST_SHARE, _LEAST_LIGHT = 0.15, 0.05
_SOFT_MM, _GROW_MM, _BESIDE_MM = 0.1, 0.2, 0.3
# Where brightness alone tells plastic from paper, strings are what is narrow:
_NARROW_MM, _ROUNDS = 2.2, 2
_LEAST_STEP = 0.04  # between thread and paper, of the face's and the open paper's
#: Share from which a place may be one: on light paper there are shadows, too.
_ON_LIGHT, _ON_DARK = 0.4, 0.15
#: Of a thread's light, of the face's: round (pi / 4 of it), between walls that hide some of the sky.
_THREAD_LIGHT = 0.7


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


def strings_in(light: Floats, colours: Colours) -> Floats:
    """Return the share of each cell that is string, (n, m), from the (n, m, 3) light of a gap's cells.

    By colour it is the mean of two: what the plastic has of plastic and paper, which is too much where a string is
    better lit than the paper below it; and how much darker the paper is than beside the string, too much in
    its shadow.
    """
    from scipy import ndimage

    if not colours.by_colour:
        return _narrow(
            light.mean(axis=2), float(colours.plastic.mean()), float(colours.paper.mean())
        )
    share, lit, paper = colours.cover(light), colours.plastic_in(light), colours.paper_in(light)
    soft = _SOFT_MM / CELL_MM
    seed = ndimage.gaussian_filter(share, soft) > _LEAST_SHARE
    seed &= ndimage.gaussian_filter(lit, soft) > _LEAST_LIGHT
    string = ndimage.binary_dilation(seed, iterations=round(_GROW_MM / CELL_MM))
    hidden = 1 - paper / np.maximum(_beside(paper, string), 1e-6)
    return np.where(string, (share + np.clip(hidden, 0.0, 1.0)) / 2, 0.0)


def _beside(values: Floats, string: Bools) -> Floats:
    """Mean of what is no string about each cell, weighed by nearness."""
    from scipy import ndimage

    sd = _BESIDE_MM / CELL_MM
    total = ndimage.gaussian_filter(np.where(string, 0.0, values), sd, mode="nearest")
    weight = ndimage.gaussian_filter((~string).astype(float), sd, mode="nearest")
    return np.asarray(total / np.maximum(weight, 1e-6))


def _narrow(light: Floats, plastic: float, paper: float) -> Floats:
    """Tell strings by brightness: how far what is narrow stands off the paper beside it."""
    from scipy import ndimage

    dark = plastic < paper
    size = min(round(_NARROW_MM / CELL_MM), *(n - 1 for n in light.shape))
    # Beyond the margins light goes on as steeply as inside: a slope has no end there.
    padded = np.pad(light, size, mode="reflect", reflect_type="odd")
    seen = ndimage.gaussian_filter(padded, _SOFT_MM / CELL_MM)
    filled = (ndimage.grey_closing if dark else ndimage.grey_opening)(seen, (size, size))
    beside = ndimage.gaussian_filter(filled, 2 * _SOFT_MM / CELL_MM)
    least = _LEAST_STEP * abs(paper - plastic)
    for _ in range(_ROUNDS):
        step = np.abs(_THREAD_LIGHT * plastic - beside).clip(least) * (-1 if dark else 1)
        seed = (seen - beside) / step > (_ON_LIGHT if dark else _ON_DARK)
        string = ndimage.binary_dilation(seed, iterations=round(_GROW_MM / CELL_MM))
        beside = _beside(padded, string)
    share = np.where(string, np.clip((padded - beside) / step, 0.0, 1.0), 0.0)
    return np.asarray(share[size:-size, size:-size])
