"""Strings in a gap of a lying piece: how much of what the camera sees there is thread, not paper.

The piece takes light from the paper in a gap and from the threads there. So every gap is compared with
its own paper: the light of its cells without what is as narrow as a thread.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.contrast import Contrast
from calib.photo.rims import hidden
from calib.photo.view import PieceView

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Chosen on the renderings of bench/defects.py: how well they suit real photos is not known.
CELL_MM = 0.1
PAD_MM = 0.4  # of a gap beside its walls that is left out
#: A round thread: the mean of Lambert's cosine over its width, in light from above.
_ROUND_SHARE = np.pi / 4
_LAMP_SHARE = 0.3  # of the light, from a lamp that reaches into the gap; the rest is the sky's
_NARROW_MM = 2.2  # what is narrower than this is no change of the paper's light
_SOFT_MM = 0.1
_PAPER_SOFT_MM = 0.25
#: Share of the way from paper to thread from where a cell is thread. On light paper a thread's soft
#: shadow has a share, too; beside a light filament dark paper is even.
_SEED_ON_LIGHT, _SEED_ON_DARK = 0.25, 0.08
_GROW_MM = 0.2
_LEAST_STEP = 0.04  # between thread and paper, of the face's and the open paper's
#: Paper in a gap, in its darkest tenth, over the filament's light: less can be shadow for thread.
_PAPER_OVER_FACE = 1.25
_RAYS, _PROBES_MM = 40, 3.0


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


def sky_over(view: PieceView, gap: Gap) -> float:
    """Share of an even sky that the piece leaves to the middle of a gap."""
    every = round(_PROBES_MM / CELL_MM)
    probes = gap.cells_mm[every // 2 :: every, every // 4 :: every].reshape(-1, 3)
    k = np.arange(_RAYS) + 0.5  # as dense as a level face weighs them
    radius, turn = np.sqrt(k / _RAYS), k * np.pi * (3 - np.sqrt(5))
    rays = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.sqrt(1 - k / _RAYS)])
    from_ = np.repeat(probes, _RAYS, axis=0)
    blocked = hidden(view.lying, from_, from_ + 1e4 * np.tile(rays, (len(probes), 1)))
    return float(1 - blocked.mean())


@dataclass(frozen=True, eq=False)
class Threads:
    """(n, m) share of each cell that is thread, and whether the paper there can be told from it."""

    share: Floats
    clear: bool


def threads_in(light: Floats, contrast: Contrast, sky: float) -> Threads:
    """Tell threads from paper in the (n, m, 3) light of a gap's cells.

    Where filament and paper differ most, in one colour, as little as possible depends on how a thread
    is lit: the threads of a filament dark in that colour are dark in any light.
    """
    from scipy import ndimage

    colour = contrast.colour
    here, face, paper = light[..., colour], contrast.face[colour], contrast.paper[colour]
    dark = face < paper
    seen = _smoothed(here, _SOFT_MM)
    own = _smoothed(_without_narrow(seen, dark), 2 * _SOFT_MM)
    seed = _SEED_ON_LIGHT if dark else _SEED_ON_DARK
    least = _LEAST_STEP * abs(paper - face)
    is_thread = np.zeros(here.shape, dtype=bool)
    floor = own
    for _ in range(3):
        step = _at_least(face - floor, least, dark)
        grown = round(_GROW_MM / CELL_MM)
        is_thread = ndimage.binary_dilation((seen - floor) / step > seed, iterations=grown)
        paper_here = own + _mean_about(here - own, ~is_thread)
        floor = _filled_in(paper_here, is_thread)
    lit = _ROUND_SHARE * (_LAMP_SHARE + (1 - _LAMP_SHARE) * sky)
    step = _at_least(face * lit - floor, least, dark)
    share = np.where(is_thread, (here - floor) / step, 0.0)
    clear = not dark or float(np.percentile(floor, 10)) > _PAPER_OVER_FACE * face
    return Threads(share, clear)


def _at_least(step: Floats, least: float, dark: bool) -> Floats:
    return np.asarray(np.minimum(step, -least) if dark else np.maximum(step, least))


def _padded(values: Floats, cells: int) -> Floats:
    """Go on beyond the margins as steeply as inside: a slope has no end there."""
    return np.pad(values, cells, mode="reflect", reflect_type="odd")


def _inner(values: Floats, cells: int) -> Floats:
    return np.asarray(values[cells:-cells, cells:-cells])


def _smoothed(values: Floats, sd_mm: float) -> Floats:
    from scipy import ndimage

    cells = min(int(4 * sd_mm / CELL_MM) + 1, min(values.shape) - 1)
    return _inner(ndimage.gaussian_filter(_padded(values, cells), sd_mm / CELL_MM), cells)


def _without_narrow(values: Floats, dark: bool) -> Floats:
    """Fill in what is narrow and darker, or else lighter; slopes stay as they are."""
    from scipy import ndimage

    size = round(_NARROW_MM / CELL_MM)
    cells = min(size, min(values.shape) - 1)
    fill = ndimage.grey_closing if dark else ndimage.grey_opening
    return _inner(fill(_padded(values, cells), (size, size)), cells)


def _mean_about(values: Floats, some: Bools) -> Floats:
    """Mean of some cells about each one, weighed by nearness."""
    from scipy import ndimage

    sd = _PAPER_SOFT_MM / CELL_MM
    total = ndimage.gaussian_filter(np.where(some, values, 0.0), sd, mode="nearest")
    weight = ndimage.gaussian_filter(some.astype(float), sd, mode="nearest")
    return np.asarray(total / np.maximum(weight, 1e-9))


def _filled_in(values: Floats, holes: Bools) -> Floats:
    """Fill holes from their margins, each cell with the mean of its neighbours (Laplace's equation).

    Cells at the margin of the whole stay as they are.
    """
    from scipy import sparse
    from scipy.sparse.linalg import spsolve

    holes = np.pad(holes[1:-1, 1:-1], 1)
    count = int(holes.sum())
    if not count:
        return values
    number = np.full(holes.shape, -1)
    number[holes] = np.arange(count)
    known, links = np.zeros(count), sparse.csr_matrix((count, count))
    for axis, way in ((0, 1), (0, -1), (1, 1), (1, -1)):
        other, light = (np.roll(v, way, axis)[holes] for v in (number, values))
        known += np.where(other < 0, light, 0.0)
        at = np.flatnonzero(other >= 0)
        links += sparse.csr_matrix((np.ones(len(at)), (at, other[at])), shape=links.shape)
    out = values.copy()
    out[holes] = spsolve((4 * sparse.eye(count) - links).tocsc(), known)
    return out
