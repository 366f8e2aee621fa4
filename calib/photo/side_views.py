"""Which side of a pattern lies down for its photo, and whether it lies level on it."""

from functools import lru_cache

import numpy as np

from calib.photo.lying import Lying

#: Windows, sails and gaps are seen from the front: the backs, where no foot juts out, lie on the mat.
USUAL_SIDES = {
    "bridge-ladder": ("back",),
    "overhang-ladder": ("back",),
    "string-posts": ("back",),
    "temperature-tower": ("back",),
}

_CELL_MM = 1.0
_LEAST_MM = 0.3


@lru_cache(maxsize=8)
def spacer_mm(lying: Lying) -> float:
    """Return how thick a spacer must be for the piece to lie level; 0 where it does by itself.

    A piece whose foot juts out touches the mat with the edge of the foot alone.
    """
    size = lying.size_mm
    x, y = (np.arange(_CELL_MM / 2, s, _CELL_MM) - s / 2 for s in size[:2])
    lowest = np.full((len(x), len(y)), np.inf)
    for z in np.arange(0.55, size[2], _CELL_MM / 2)[::-1]:  # above a chamfer
        at = np.stack(np.meshgrid(x, y, [z], indexing="ij"), axis=-1).reshape(-1, 3)
        lowest[lying.solid_at(at).reshape(lowest.shape)] = z - 0.5
    gap = 0.0
    for axis in (0, 1):  # both halves along either axis must touch the mat
        along = lowest.min(axis=1 - axis)
        half = len(along) // 2
        gap = max(gap, float(along[:half].min()), float(along[half:].min()))
    return gap if _LEAST_MM < gap < np.inf else 0.0
