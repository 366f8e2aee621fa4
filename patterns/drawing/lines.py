"""The edges of a mesh that can be seen in a view, as lines on the picture."""

import numpy as np
from numpy.typing import NDArray

from patterns.drawing.raster import Depths
from patterns.drawing.views import Frame
from patterns.mesh import Floats, Ints, Mesh

SHARP_DEG = 25.0
#: A face counts as hidden where something lies this much nearer, in millimetres.
HIDDEN_MM = 0.02
STEEP_MM = 0.5
GAP = 3
#: Shorter lines are left out, in picture units.
SHORTEST = 0.3
#: How far beside an edge its faces are looked for, in dots.
BESIDE = (0.5, 1.1)


def visible_lines(mesh: Mesh, shown: Frame, depths: Depths) -> Floats:
    """Return (k, 2, 2) float: visible stretches of sharp edges and outlines, in picture units.

    An edge is seen where one of the faces beside it is seen right next to it, so what hides it is
    never confused with the face's own far side.
    """
    edges = mesh.edges()
    beside = np.where(edges.triangles >= 0, edges.triangles, 0)
    faces = depths.planes.faces[beside] & (edges.triangles >= 0)
    drawn = (edges.angle_deg > SHARP_DEG) & faces.any(axis=1)
    drawn |= (edges.angle_deg > 0.5) & (faces[:, 0] != faces[:, 1])
    ends = shown.place(mesh.vertices[edges.ends[drawn]])
    dots = depths.dots(ends)
    ends_near = shown.nearness(mesh.vertices[edges.ends[drawn]])
    inward = _inward(mesh, depths, shown, edges.ends[drawn], beside[drawn])
    owner, at = _samples(dots)
    seen = np.zeros(len(owner), dtype=np.bool_)
    places = dots[owner, 0] + at[:, None] * (dots[owner, 1] - dots[owner, 0])
    level = ends_near[owner, 0] + at * (ends_near[owner, 1] - ends_near[owner, 0])
    surface = mesh.surfaces(SHARP_DEG)
    for side in (0, 1):
        face = beside[drawn][owner, side]
        for step in BESIDE:
            near = places + step * inward[owner, side]
            seen |= faces[drawn][owner, side] & _is_seen(depths, surface, face, near, level)
    return _stretches(ends, owner, at, seen)


def _inward(mesh: Mesh, depths: Depths, shown: Frame, ends: Ints, beside: Ints) -> Floats:
    """Return (k, 2, 2): for both faces of an edge the unit vector on the grid into the face."""
    place = depths.dots(shown.place(mesh.vertices))
    a, b = place[ends[:, 0]], place[ends[:, 1]]
    normal = np.stack([a[:, 1] - b[:, 1], b[:, 0] - a[:, 0]], axis=1)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 1e-9)
    middle = place[mesh.triangles[beside]].mean(axis=2)
    side = np.sign(np.einsum("kfi,ki->kf", middle - a[:, None], normal))
    inward: Floats = side[..., None] * normal[:, None]
    return inward


def _samples(dots: Floats) -> tuple[Ints, Floats]:
    """About one place per dot along every edge: the edge, and the fraction of its length."""
    length = np.linalg.norm(dots[:, 1] - dots[:, 0], axis=1)
    count = np.maximum(3, np.ceil(length).astype(np.int64) + 1)
    owner = np.repeat(np.arange(len(dots)), count)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    return owner, (nth + 0.5) / count[owner]


def _is_seen(
    depths: Depths, surface: Ints, face: Ints, place: Floats, level: Floats
) -> NDArray[np.bool_]:
    """Tell whether faces are in front at places (k, 2) beside edges at depths `level`.

    The face itself, or one that it runs on into without an edge, such as round a pillar.
    """
    rows, columns = depths.near.shape
    column = np.clip(place[:, 0].astype(np.int64), 0, columns - 1)
    row = np.clip(place[:, 1].astype(np.int64), 0, rows - 1)
    front = depths.near[row, column]
    plane = depths.planes.near(face, np.stack([column + 0.5, row + 0.5], axis=1))
    # A face seen nearly edge-on is steep: carried on to the dot it could seem far nearer than it is.
    plane = np.minimum(plane, level + STEEP_MM)
    same = surface[depths.triangle[row, column]] == surface[face]
    seen = same | (front <= plane + HIDDEN_MM)
    found: NDArray[np.bool_] = seen & np.isfinite(front)  # an empty dot lies beside the face
    return found


def _stretches(ends: Floats, owner: Ints, at: Floats, seen: NDArray[np.bool_]) -> Floats:
    """Join neighbouring visible samples; gaps of up to GAP samples are closed, lone ones dropped."""
    first, last = _runs(owner, seen)
    near = (owner[first[1:]] == owner[last[:-1]]) & (first[1:] - last[:-1] <= GAP + 1)
    first, last = first[np.r_[True, ~near]], last[np.r_[~near, True]]
    count = np.bincount(owner, minlength=len(ends))
    long = (last > first) | (count[owner[first]] <= 3)
    first, last = first[long], last[long]
    edge = owner[first]
    half = 0.5 / count[edge]
    t = np.stack([at[first] - half, at[last] + half], axis=1)
    a, b = ends[edge, 0], ends[edge, 1]
    lines: Floats = a[:, None] + t[..., None] * (b - a)[:, None]
    keep = np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1) > SHORTEST
    kept: Floats = lines[keep]
    return kept


def _runs(owner: Ints, seen: NDArray[np.bool_]) -> tuple[Ints, Ints]:
    """Return the first and the last sample of every run of visible samples of one edge."""
    joined = seen[1:] & seen[:-1] & (owner[1:] == owner[:-1])
    first = np.flatnonzero(seen & ~np.r_[False, joined])
    last = np.flatnonzero(seen & ~np.r_[joined, False])
    return first, last
