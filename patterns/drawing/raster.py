"""Which surface is in front at each dot of a picture: a depth buffer over whole arrays."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from patterns.drawing.views import Frame
from patterns.mesh import Floats, Ints, Mesh

#: Largest side of the grid of dots.
MAX_DOTS = 440
MARGIN = 2


@dataclass(frozen=True, slots=True)
class Planes:
    """Each triangle's depth as near = level + slope . dot, and whether it faces the viewer."""

    level: Floats
    slope: Floats
    faces: NDArray[np.bool_]

    def near(self, triangle: Ints, dots: Floats) -> Floats:
        """Depth of triangles' planes at dots (k, 2), in millimetres towards the viewer."""
        slope = self.slope[triangle]
        near: Floats = self.level[triangle] + slope[:, 0] * dots[:, 0] + slope[:, 1] * dots[:, 1]
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
    near, triangle = np.full(rows * columns, -np.inf), np.full(rows * columns, -1)
    facing = np.flatnonzero(planes.faces)
    owner, row, start, stop = _spans(dots[mesh.triangles[facing]], columns, rows)
    owner = facing[owner]
    span, along = _count_up(stop - start)
    first = planes.near(owner, np.stack([start + 0.5, row + 0.5], axis=1))
    cell, level = (row * columns + start)[span] + along, planes.slope[owner, 0][span]
    level *= along
    level += first[span]
    np.maximum.at(near, cell, level)
    front = np.flatnonzero(level >= near[cell])
    triangle[cell[front]] = owner[span[front]]
    return Depths(per_unit, near.reshape(rows, columns), triangle.reshape(rows, columns), planes)


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


def _spans(corners: Floats, columns: int, rows: int) -> tuple[Ints, Ints, Ints, Ints]:
    """Return the dots whose centre lies in triangles (m, 3, 2), as stretches of one row.

    Four arrays: the triangle, the row, the first column, and the column after the last.
    """
    y = corners[:, :, 1]
    first = np.clip(np.ceil(y.min(axis=1) - 0.5), 0, rows).astype(np.int64)
    last = np.clip(np.ceil(y.max(axis=1) - 0.5), 0, rows).astype(np.int64)
    owner, row = _count_up(last - first)
    row += first[owner]
    left, right = _span(corners[owner], row + 0.5)
    start = np.clip(np.ceil(left - 0.5), 0, columns).astype(np.int64)
    stop = np.clip(np.ceil(right - 0.5), 0, columns).astype(np.int64)
    some = stop > start
    return owner[some], row[some], start[some], stop[some]


def _count_up(count: Ints) -> tuple[Ints, Ints]:
    """List 0 .. count[i] - 1 for every i: the i, and the number."""
    owner = np.repeat(np.arange(len(count)), count)
    return owner, np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)


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
