"""Which surface is in front at each dot of a picture: a depth buffer over whole arrays."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.drawing.views import Frame
from patterns.mesh import Floats, Ints, Mesh

#: Largest side of the grid of dots.
MAX_DOTS = 520
MARGIN = 2


@dataclass(frozen=True, slots=True)
class Planes:
    """Each triangle's depth as near = level + slope . dot, and whether it faces the viewer."""

    level: Floats
    slope: Floats
    faces: NDArray[np.bool_]

    def near(self, triangle: Ints, dots: Floats) -> Floats:
        """Depth of triangles' planes at dots (k, 2), in millimetres towards the viewer."""
        near: Floats = self.level[triangle] + np.einsum("ij,ij->i", self.slope[triangle], dots)
        return near


@dataclass(frozen=True, slots=True)
class Depths:
    """The grid of dots of one view.

    Attributes
    ----------
    dots_per_unit : float
        Dots per picture unit.
    near : (rows, columns) float
        Millimetres towards the viewer; -inf where there is nothing.
    triangle : (rows, columns) int
        The triangle in front; -1 where there is nothing.
    """

    dots_per_unit: float
    near: Floats
    triangle: Ints
    planes: Planes

    def dots(self, picture: Floats) -> Floats:
        """Turn places on the picture (..., 2) into places on the grid."""
        return picture * self.dots_per_unit + MARGIN


def render(mesh: Mesh, shown: Frame, dots_per_unit: float = 1.5) -> Depths:
    """Fill the depth buffer of one view."""
    largest = max(shown.width, shown.height, 1e-9)
    per_unit = min(dots_per_unit, (MAX_DOTS - 2 * MARGIN) / largest)
    columns, rows = (int(np.ceil(s * per_unit)) + 2 * MARGIN for s in (shown.width, shown.height))
    dots = shown.place(mesh.vertices) * per_unit + MARGIN
    planes = _planes(mesh, shown, dots)
    facing = np.flatnonzero(planes.faces)
    triangle, column, row = _fill(dots[mesh.triangles[facing]], columns, rows)
    triangle = facing[triangle]
    near = planes.near(triangle, np.stack([column + 0.5, row + 0.5], axis=1))
    return _front_most(Depths(per_unit, np.full((rows, columns), -np.inf),
                              np.full((rows, columns), -1), planes),
                       triangle, row * columns + column, near)  # fmt: skip


def _front_most(empty: Depths, triangle: Ints, cell: Ints, near: Floats) -> Depths:
    best, owner = empty.near.ravel(), empty.triangle.ravel()
    np.maximum.at(best, cell, near)
    front = near >= best[cell]
    owner[cell[front]] = triangle[front]
    return empty


def _planes(mesh: Mesh, shown: Frame, dots: Floats) -> Planes:
    a, b, c = np.moveaxis(dots[mesh.triangles], 1, 0)
    near = shown.nearness(mesh.vertices)[mesh.triangles]
    p, q = b - a, c - a
    det = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
    faces = mesh.normals @ shown.view.toward > 1e-4
    safe = np.where(faces & (det != 0), det, 1.0)
    dp, dq = near[:, 1] - near[:, 0], near[:, 2] - near[:, 0]
    slope = np.stack([(dp * q[:, 1] - dq * p[:, 1]) / safe,
                      (dq * p[:, 0] - dp * q[:, 0]) / safe], axis=1)  # fmt: skip
    return Planes(near[:, 0] - np.einsum("ij,ij->i", slope, a), slope, faces & (det != 0))


def _fill(corners: Floats, columns: int, rows: int) -> tuple[Ints, Ints, Ints]:
    """Return the dots whose centre lies in each triangle (m, 3, 2): triangle, column, row."""
    y = corners[:, :, 1]
    first = np.clip(np.ceil(y.min(axis=1) - 0.5), 0, rows).astype(np.int64)
    last = np.clip(np.ceil(y.max(axis=1) - 0.5), 0, rows).astype(np.int64)
    owner, row = _count_up(first, last)
    left, right = _span(corners[owner], row + 0.5)
    start = np.clip(np.ceil(left - 0.5), 0, columns).astype(np.int64)
    stop = np.clip(np.ceil(right - 0.5), 0, columns).astype(np.int64)
    line, column = _count_up(start, np.maximum(start, stop))
    return owner[line], column, row[line]


def _count_up(first: Ints, last: Ints) -> tuple[Ints, Ints]:
    """List first[i] .. last[i] - 1 for every i: the i, and the number."""
    count = last - first
    owner = np.repeat(np.arange(len(first)), count)
    begin = np.cumsum(count) - count
    return owner, np.arange(len(owner)) - begin[owner] + first[owner]


def _span(corners: Floats, y: NDArray[np.floating]) -> tuple[Floats, Floats]:
    left, right = np.full(len(y), np.inf), np.full(len(y), -np.inf)
    for i in range(3):
        a, b = corners[:, i], corners[:, (i + 1) % 3]
        up = (b[:, 1] > a[:, 1])[:, None]  # both triangles at an edge must round alike
        a, b = np.where(up, a, b), np.where(up, b, a)
        crosses = (a[:, 1] <= y) != (b[:, 1] <= y)
        rise = np.where(crosses, b[:, 1] - a[:, 1], 1.0)
        x = a[:, 0] + (y - a[:, 1]) * (b[:, 0] - a[:, 0]) / rise
        left = np.where(crosses, np.minimum(left, x), left)
        right = np.where(crosses, np.maximum(right, x), right)
    return left, np.where(np.isfinite(left), right, 0.0)
