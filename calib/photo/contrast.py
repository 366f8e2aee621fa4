"""How filament differs from the paper it lies on, and how near its shadow comes to it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.photo.edges import Patch
from calib.photo.rims import hidden
from calib.photo.view import PieceView

Floats = NDArray[np.float64]

_DEEPEST_PERCENT = 10.0  # of the paper about the piece; a few per cent may be the piece itself
_BESIDE_MM = 3.0  # paper is looked at this far from the piece


@dataclass(frozen=True, eq=False)
class Contrast:
    """How material differs from paper.

    Attributes
    ----------
    face, paper : (3,) float
        Light of the upper face, and of the paper that differs most from it.
    colour : int
        Which of red, green and blue tells them best: the one with the greatest ratio if the
        filament is dark, else the one with most light.
    dark : bool
        The filament is darker than the paper.
    shadow : float
        Light of the paper over the face's in that colour, where the shadow about the piece is
        deepest; infinite if the filament is lighter than the paper.
    """

    face: Floats
    paper: Floats
    colour: int
    dark: bool
    shadow: float


def contrast_of(face: Floats, papers: Floats) -> Contrast:
    """Compare a face with the paper about it.

    Parameters
    ----------
    papers : (n, 3) float
        Light of the paper about the piece, lit and in its shadow; a few may show the piece instead.
    """
    gaps = np.linalg.norm(papers - face, axis=1)
    paper = np.median(papers[gaps >= np.percentile(gaps, 90)], axis=0)
    if face.mean() > paper.mean():  # a shadow lies on the other side of the paper
        return Contrast(face, paper, int(face.argmax()), dark=False, shadow=np.inf)
    colour = int((face / np.maximum(paper, 1e-6)).argmin())
    shadow = np.percentile(papers[:, colour], _DEEPEST_PERCENT) / max(float(face[colour]), 1e-6)
    return Contrast(face, paper, colour, dark=True, shadow=float(shadow))


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
