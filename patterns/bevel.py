"""A chamfer of 45 degrees along the bed, worked into a mesh triangle by triangle.

What stands above the chamfer's height is kept, the rim of that cut is led down to a narrower foot,
and the foot is closed. Every edge is shared by construction, where mesh booleans with faces in one
plane would leave slivers.
"""

import itertools

import numpy as np
from numpy.typing import NDArray

from patterns.errors import SpecError
from patterns.mesh import Mesh, joined

Ring = NDArray[np.float64]
Ints = NDArray[np.int64]

_ON_BED_MM = 1e-6
#: Sides of a ring that are shorter than this have no direction worth following.
_SHORT_MM = 1e-3
#: Sine of a turn that still counts as straight.
_STRAIGHT = 1e-4


def bevelled(mesh: Mesh, chamfer_mm: float) -> Mesh:
    """Return the mesh with every edge of its face on the bed (z = 0) chamfered.

    Raises
    ------
    SpecError
        The chamfer eats up a part of that face that is too narrow for it.
    ValueError
        The walls on the bed are not straight up to the chamfer's height.
    """
    points, upper, rim = _cut_above(mesh, chamfer_mm)
    rings = _rings(rim)
    if not rings:
        return mesh
    wide = [points[r, :2] for r in rings]
    _check_upright(mesh, wide, chamfer_mm)
    narrow, slopes, feet, first = [], [], [], len(points)
    for ring, flat in zip(rings, wide, strict=True):
        turns = _corners(flat)
        narrow.append(inset(flat[turns], chamfer_mm))
        feet.append(first + np.arange(len(turns)))
        slopes += _slope(ring, turns, feet[-1])
        first += len(turns)
    check_inset(wide, narrow, chamfer_mm)
    down = np.concatenate(narrow)
    everything = np.concatenate([points, np.column_stack([down, np.zeros(len(down))])])
    return joined(everything, np.concatenate([upper, np.array(slopes), _cap(feet, narrow)]))


def _cut_above(mesh: Mesh, at_mm: float) -> tuple[Ring, Ints, list[tuple[int, int]]]:
    """Return all points, the triangles above a height, and the directed edges along the cut."""
    below = mesh.vertices[:, 2] <= at_mm
    count = below[mesh.triangles].sum(axis=1)
    points = [mesh.vertices]
    number: dict[tuple[int, int], int] = {}

    def crossing(foot: int, top: int) -> int:
        if (foot, top) not in number:
            a, b = mesh.vertices[foot], mesh.vertices[top]
            points.append((a + (at_mm - a[2]) / (b[2] - a[2]) * (b - a))[None])
            number[foot, top] = len(mesh.vertices) + len(number)
        return number[foot, top]

    cut: list[tuple[int, int, int]] = []
    rim = []
    for triangle in mesh.triangles[(count == 1) | (count == 2)].tolist():
        one_foot = sum(below[i] for i in triangle) == 1
        turn = next(n for n in range(3) if below[triangle[n]] == one_foot)
        one, two, three = triangle[turn:] + triangle[:turn]
        if one_foot:
            p, q = crossing(one, two), crossing(one, three)
            cut += [(p, two, three), (p, three, q)]
            rim.append((q, p))
        else:
            p, q = crossing(two, one), crossing(three, one)
            cut.append((one, p, q))
            rim.append((p, q))
    above = mesh.triangles[count == 0]
    upper = np.concatenate([above, np.array(cut, dtype=np.int64).reshape(-1, 3)])
    return np.concatenate(points), upper, rim


def _rings(rim: list[tuple[int, int]]) -> list[Ints]:
    """Chain the cut's edges to rings, material on the left seen from above."""
    after = dict(rim)
    rings = []
    while after:
        start = next(iter(after))
        ring = [start]
        while (following := after.pop(ring[-1])) != start:
            ring.append(following)
        rings.append(np.array(ring))
    return rings


def _check_upright(mesh: Mesh, wide: list[Ring], chamfer_mm: float) -> None:
    """Require that the section at the chamfer's height is the face on the bed."""
    on_bed = (mesh.vertices[mesh.triangles, 2] < _ON_BED_MM).all(axis=1)
    a, b, c = np.moveaxis(mesh.vertices[mesh.triangles[on_bed]], 1, 0)
    face = np.abs(np.cross(b - a, c - a)[:, 2]).sum() / 2
    if abs(_area(wide) - face) > 1e-5 * max(face, 1.0):
        msg = f"the walls on the bed are not straight for the {chamfer_mm:g} mm of the chamfer"
        raise ValueError(msg)


def _area(rings: list[Ring]) -> float:
    return sum(
        float(r[:, 0] @ np.roll(r[:, 1], -1) - r[:, 1] @ np.roll(r[:, 0], -1)) / 2 for r in rings
    )


def _corners(ring: Ring) -> Ints:
    """Return the places in a ring (n, 2) where it turns; points along a side are none."""
    kept = [0]
    for n in range(1, len(ring)):
        if np.linalg.norm(ring[n] - ring[kept[-1]]) > _SHORT_MM:
            kept.append(n)
    while len(kept) > 1 and np.linalg.norm(ring[kept[-1]] - ring[0]) <= _SHORT_MM:
        kept.pop()
    along = _directions(ring[kept])
    before = np.roll(along, 1, axis=0)
    turn = before[:, 0] * along[:, 1] - before[:, 1] * along[:, 0]
    straight = (np.abs(turn) < _STRAIGHT) & (np.einsum("ij,ij->i", before, along) > 0)
    places: Ints = np.array(kept)[~straight]
    return places


def _directions(ring: Ring) -> Ring:
    along = np.roll(ring, -1, axis=0) - ring
    unit: Ring = along / np.linalg.norm(along, axis=1, keepdims=True)
    return unit


def _slope(ring: Ints, turns: Ints, foot: Ints) -> list[tuple[int, int, int]]:
    """Return the triangles from a ring down to the corners of its narrower foot."""
    triangles = []
    for n, start in enumerate(turns.tolist()):
        here, there = int(foot[n]), int(foot[(n + 1) % len(foot)])
        end = int(turns[(n + 1) % len(turns)])
        count = (end - start) % len(ring)
        chain = [int(ring[(start + m) % len(ring)]) for m in range(count + 1)]
        triangles.append((here, there, chain[-1]))
        triangles += [(here, b, a) for a, b in itertools.pairwise(chain)]
    return triangles


def inset(ring: Ring, by_mm: float) -> Ring:
    """Shift every side of a ring (n, 2) to its left by `by_mm`; corners stay mitred and paired."""
    along = _directions(ring)
    left = np.stack([-along[:, 1], along[:, 0]], axis=1)
    before = np.roll(left, 1, axis=0)
    shift = (before + left) / (1 + np.einsum("ij,ij->i", before, left))[:, None]
    moved: Ring = ring + by_mm * shift
    return moved


def check_inset(wide: list[Ring], narrow: list[Ring], chamfer_mm: float) -> None:
    """Compare with another library's offset, which notices rings that vanish or meet.

    Raises
    ------
    SpecError
        The chamfer eats up a narrow place, or makes two places meet.
    """
    from manifold3d import CrossSection, FillRule, JoinType

    bottom = CrossSection(wide, FillRule.Positive)
    expected = bottom.offset(-chamfer_mm, JoinType.Miter, 50.0).area()
    if abs(_area(narrow) - expected) > 1e-4 * bottom.area():
        raise SpecError(
            f"a chamfer of {chamfer_mm:g} mm eats up a narrow part of the face on the bed",
            mend="make the chamfer smaller or the part wider",
        )


def _cap(rings: list[Ints], narrow: list[Ring]) -> Ints:
    """Return the triangles of the narrowed face, looking down."""
    from manifold3d import triangulate

    numbers = np.concatenate(rings)
    inner: Ints = numbers[np.asarray(triangulate(narrow), dtype=np.int64)[:, ::-1]]
    return inner
