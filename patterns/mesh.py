"""A triangle mesh as two arrays, and the few things that are asked of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """Closed surface of triangles, counter-clockwise seen from outside.

    Attributes
    ----------
    vertices : (n, 3) float64, millimetres
    triangles : (m, 3) int64
        Indices into `vertices`.
    """

    vertices: NDArray[np.float64]
    triangles: NDArray[np.int64]

    @property
    def corners(self) -> NDArray[np.float64]:
        """Corner coordinates of every triangle, (m, 3, 3)."""
        return self.vertices[self.triangles]

    @property
    def volume_mm3(self) -> float:
        """Volume by the divergence theorem: sum of a . (b x c) / 6 over the triangles."""
        a, b, c = np.moveaxis(self.corners, 1, 0)
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)

    @property
    def bounds(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Lowest and highest corner of the box around the mesh."""
        return self.vertices.min(axis=0), self.vertices.max(axis=0)

    @property
    def is_watertight(self) -> bool:
        """Whether every directed edge is met exactly once by its opposite."""
        t = self.triangles
        edges = np.concatenate([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]])
        size = len(self.vertices)
        there = np.sort(edges[:, 0] * size + edges[:, 1])
        back = np.sort(edges[:, 1] * size + edges[:, 0])
        return bool(np.all(np.diff(there) > 0) and np.array_equal(there, back))


def merged(corners: NDArray[np.float64], grid_mm: float = 1e-6) -> Mesh:
    """Join triangle corners (m, 3, 3) that fall on the same grid point; drop collapsed triangles."""
    flat = corners.reshape(-1, 3)
    keys = np.round(flat / grid_mm).astype(np.int64)
    _, first, inverse = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    triangles = inverse.reshape(-1, 3).astype(np.int64)
    a, b, c = triangles.T
    return Mesh(flat[first], triangles[(a != b) & (b != c) & (c != a)])
