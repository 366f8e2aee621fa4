"""How filament differs from the paper it lies on, and how near its shadow comes to it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.profiles import Patch
from calib.photo.sight import hidden
from calib.photo.view import PieceView

Floats = NDArray[np.float64]

_CHROMA = 0.15  # least share of the difference that a shadow can't make
_SURELY_PAPER, _SURELY_PIECE = 0.15, 0.85  # a shadow has a share between them
_BESIDE_MM = 3.0  # paper is looked at this far from the piece
#: A round thread: the mean of Lambert's cosine over its width is pi / 4 under one lamp, and 0.91 under
#: an even sky whose light from the side counts 0.6; between them, for both are there.
_ROUND_SHARE = 0.85


@dataclass(frozen=True, eq=False)
class Contrast:
    """How material differs from paper: share = (light - paper) @ weights, 1 for the upper face.

    Attributes
    ----------
    thread_share : float
        Mean share of a round thread.
    by_colour : bool
        No shadow has a share: the filament has a colour of its own.
    dark : bool
        The filament is darker than the paper.
    shadow : float
        How far the shadow about the piece comes from the paper's light to the face's.
    """

    paper: Floats
    weights: Floats
    thread_share: float = 1.0
    by_colour: bool = False
    dark: bool = True
    shadow: float = 0.0

    def share(self, light: Floats) -> Floats:
        """Return (...,) share of material of (..., 3) light."""
        return np.asarray((light - self.paper) @ self.weights)


def contrast_of(face: Floats, papers: Floats) -> Contrast:
    """Find the direction that tells material from paper, and if possible from shadowed paper.

    Parameters
    ----------
    papers : (n, 3) float
        Light of the paper about the piece, lit and in its shadow; a few may show the piece instead.
    """
    gaps = np.linalg.norm(papers - face, axis=1)
    paper = np.median(papers[gaps >= np.percentile(gaps, 90)], axis=0)
    step = face - paper
    weights = step / float(step @ step)
    if face.mean() > paper.mean():  # a shadow lies on the other side of the paper
        return Contrast(paper, weights, _ROUND_SHARE, dark=False)
    shares = (papers - paper) @ weights
    between = shares[(shares > _SURELY_PAPER) & (shares < _SURELY_PIECE)]
    shadow = float(np.median(between)) if len(between) > 0.1 * len(shares) else 0.0
    free = step - (step @ paper) / max(float(paper @ paper), 1e-12) * paper
    if np.linalg.norm(free) > _CHROMA * np.linalg.norm(step):
        return Contrast(paper, free / float(step @ free), 1.0, True, True, shadow)
    return Contrast(paper, weights, 1.0, False, True, shadow)


def contrast_in(view: PieceView, patch: Patch) -> Contrast:
    """Return the contrast of a piece that was found in a photo."""
    return contrast_of(*_face_and_paper(view, patch))


def _face_and_paper(view: PieceView, patch: Patch) -> tuple[Floats, Floats]:
    """Light of the upper face, half a millimetre inside its rims, and (n, 3) of the paper outside."""
    inside, outside = [], []
    for f in view.fits:
        points, normals = f.rim.points_mm, np.pad(f.rim.normals, ((0, 0), (0, 1)))
        inside.append((points - 0.5 * normals)[f.rim.inner_mm > 0.9])
        floor = np.column_stack([points[:, :2], np.full(len(points), 0.05)])
        outside.append((floor + _BESIDE_MM * normals)[f.rim.outer_mm > _BESIDE_MM + 0.5][::4])
    eye = view.placement.to_lying(view.camera.position_mm[None])[0]
    outside = [spots[~hidden(view.lying, spots, eye)] for spots in outside if len(spots)]

    def light(spots: list[Floats]) -> Floats:
        world = view.placement.to_world(np.concatenate(spots))
        return np.asarray(patch.sample(view.camera.project(world)), dtype=float)

    return np.median(light(inside), axis=0), light(outside)
