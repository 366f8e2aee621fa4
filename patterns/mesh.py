"""A triangle mesh as two arrays, with the few questions the rest of the project asks of it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Edges:
    """Every edge of a mesh once.

    Attributes
    ----------
    ends : (k, 2) int
        Indices of its two vertices, the smaller first.
    triangles : (k, 2) int
        The triangles beside it; the second is -1 on an open border.
    angle_deg : (k,) float
        Angle between the two faces' normals: 0 where the surface runs straight on; 180 on an open
        border and where more than two triangles meet.
    """

    ends: Ints
    triangles: Ints
    angle_deg: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """Triangles that share vertices, in millimetres; seen from outside they run counter-clockwise.

    Attributes
    ----------
    vertices : (n, 3) float
    triangles : (m, 3) int
        Indices into `vertices`.

    Raises
    ------
    ValueError
        A shape is wrong, a coordinate is not finite, or an index points nowhere.
    """

    vertices: Floats
    triangles: Ints

    def __post_init__(self) -> None:
        vertices = np.ascontiguousarray(self.vertices, dtype=np.float64)
        triangles = np.ascontiguousarray(self.triangles, dtype=np.int64)
        for name, array in (("vertices", vertices), ("triangles", triangles)):
            if array.ndim != 2 or array.shape[1] != 3:
                msg = f"Mesh.{name} must have shape (n, 3) (got {array.shape})"
                raise ValueError(msg)
            object.__setattr__(self, name, array)
        if not np.isfinite(vertices).all():
            msg = "Mesh.vertices must be finite numbers"
            raise ValueError(msg)
        if triangles.size and not 0 <= triangles.min() <= triangles.max() < len(vertices):
            msg = f"Mesh.triangles must index the {len(vertices)} vertices (got {triangles.max()})"
            raise ValueError(msg)

    @property
    def corners(self) -> Floats:
        """(m, 3, 3) float: the three corners of every triangle, in millimetres."""
        corners: Floats = self.vertices[self.triangles]
        return corners

    @property
    def volume_mm3(self) -> float:
        """Volume inside, by the divergence theorem; negative where the mesh is inside out."""
        a, b, c = np.moveaxis(self.corners - self.vertices.mean(axis=0), 1, 0)
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)

    @property
    def area_mm2(self) -> float:
        """Area of the whole surface."""
        return float(np.linalg.norm(self._cross(), axis=1).sum() / 2)

    @property
    def bounds(self) -> tuple[Floats, Floats]:
        """Lowest and highest corner of the box around it, (3,) float each, in millimetres."""
        return self.vertices.min(axis=0), self.vertices.max(axis=0)

    @property
    def normals(self) -> Floats:
        """(m, 3) float: outward unit normals; (0, 0, 0) for a triangle without area."""
        cross = self._cross()
        length = np.linalg.norm(cross, axis=1, keepdims=True)
        normals: Floats = np.divide(cross, length, out=np.zeros_like(cross), where=length > 1e-12)
        return normals

    @property
    def is_watertight(self) -> bool:
        """Whether every directed edge is met exactly once by its opposite."""
        n = len(self.vertices)
        a, b = self.triangles, np.roll(self.triangles, -1, axis=1)
        there, back = np.sort((a * n + b).ravel()), np.sort((b * n + a).ravel())
        return bool(np.all(np.diff(there) > 0) and np.array_equal(there, back))

    def contains(self, points: Floats) -> NDArray[np.bool_]:
        """Tell which of the points (n, 3) lie inside a closed mesh; takes n x m steps.

        Sum of the solid angles of all triangles, 4 pi inside (A. van Oosterom and J. Strackee, The
        Solid Angle of a Plane Triangle, IEEE Trans. Biomed. Eng. 30 (1983) 125-126).
        """
        spokes = self.corners[None] - np.asarray(points, dtype=np.float64)[:, None, None]
        a, b, c = np.moveaxis(spokes, 2, 0)
        la, lb, lc = (np.linalg.norm(v, axis=-1) for v in (a, b, c))
        triple = np.einsum("nmi,nmi->nm", a, np.cross(b, c))
        ab, bc, ca = (np.einsum("nmi,nmi->nm", *pair) for pair in ((a, b), (b, c), (c, a)))
        angle = 2 * np.arctan2(triple, la * lb * lc + ab * lc + bc * la + ca * lb)
        inside: NDArray[np.bool_] = angle.sum(axis=1) > 2 * np.pi
        return inside

    def edges(self) -> Edges:
        """Return every edge with the triangles beside it (weld the mesh first)."""
        n, m = len(self.vertices), len(self.triangles)
        pairs = np.stack([self.triangles, np.roll(self.triangles, -1, axis=1)], axis=2)
        pairs = np.sort(pairs.reshape(-1, 2), axis=1)
        keys, owner = pairs[:, 0] * n + pairs[:, 1], np.repeat(np.arange(m), 3)
        order = np.argsort(keys, kind="stable")
        _, first, count = np.unique(keys[order], return_index=True, return_counts=True)
        one = owner[order[first]]
        two = np.where(count > 1, owner[order[np.minimum(first + 1, len(order) - 1)]], -1)
        angle = np.where(count == 2, _angle_deg(self.normals, one, two), 180.0)
        return Edges(pairs[order[first]], np.stack([one, two], axis=1), angle)

    def sharp_edges(self, angle_deg: float = 25.0) -> Floats:
        """Return (k, 2, 3) float: both ends of each edge that bends by more than `angle_deg`."""
        edges = self.edges()
        sharp: Floats = self.vertices[edges.ends[edges.angle_deg > angle_deg]]
        return sharp

    def surfaces(self, angle_deg: float = 25.0) -> Ints:
        """Return (m,) int: triangles that join without a sharp edge share a number (weld first)."""
        edges = self.edges()
        smooth = (edges.angle_deg <= angle_deg) & (edges.triangles[:, 1] >= 0)
        one, two = edges.triangles[smooth].T
        label = np.arange(len(self.triangles))
        while True:
            lowest = np.minimum(label[one], label[two])
            lower = label.copy()
            for side in (one, two):
                np.minimum.at(lower, side, lowest)
                np.minimum.at(lower, label[side], lowest)
            lower = lower[lower]
            if np.array_equal(lower, label):
                return label
            label = lower

    def _cross(self) -> Floats:
        a, b, c = np.moveaxis(self.corners, 1, 0)
        return np.cross(b - a, c - a)


def merged(corners: Floats, grid_mm: float = 1e-6) -> Mesh:
    """Join triangle corners (m, 3, 3) that fall on the same grid point; drop collapsed triangles."""
    flat = corners.reshape(-1, 3)
    return joined(flat, np.arange(len(flat)).reshape(-1, 3), grid_mm)


def joined(points: Floats, triangles: Ints, grid_mm: float = 1e-6) -> Mesh:
    """Join points (n, 3) that fall on the same grid point; drop triangles that collapse by it."""
    keys = np.round(points / grid_mm).astype(np.int64)
    _, first, inverse = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    renumbered = inverse.reshape(-1)[triangles].astype(np.int64)
    a, b, c = renumbered.T
    return Mesh(points[first], renumbered[(a != b) & (b != c) & (c != a)])


def _angle_deg(normals: Floats, one: Ints, two: Ints) -> Floats:
    a, b = normals[one], normals[two]
    flat = ~(a.any(axis=1) & b.any(axis=1))  # a sliver has no normal: never call it sharp
    sine = np.linalg.norm(np.cross(a, b), axis=1)
    angle: Floats = np.degrees(np.arctan2(sine, np.einsum("ij,ij->i", a, b)))
    return np.where(flat, 0.0, angle)
