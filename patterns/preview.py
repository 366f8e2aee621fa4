"""The mesh of a body in milliseconds, without the CAD kernel: for pictures and for photo outlines.

Built by a mesh boolean library from the same loops as the solid. Circles are polygons with their
corners on the circle, so a round body is a little too small and a round hole a little too narrow.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from patterns.bevel import bevelled
from patterns.body import AXES, Body, Circle, Loop, Prism, signed_area_mm2
from patterns.mesh import Mesh, merged

Ring = NDArray[np.float64]

#: How far the side of a polygon may lie inside its circle, in millimetres.
SAGITTA_MM = 0.01
MIN_SEGMENTS, MAX_SEGMENTS = 24, 256
_PLACES = 8  # decimals of a millimetre that a corner keeps


def preview_mesh(body: Body) -> Mesh:
    """Return the closed mesh of a body.

    Raises
    ------
    SpecError
        The chamfer eats up a part of the face on the bed that is too narrow for it.
    ValueError
        An outline crosses itself, or nothing is left of the body.
    """
    if body.shape is not None:
        from patterns import solid as kernel

        return kernel.mesh(body.shape)
    from manifold3d import Manifold, OpType

    solid = Manifold.batch_boolean([_prism(p) for p in body.add], OpType.Add)
    if body.cut:
        solid = Manifold.batch_boolean([solid, *(_prism(p) for p in body.cut)], OpType.Subtract)
    mesh = _to_mesh(solid)
    if body.chamfer_mm > 0:
        mesh = bevelled(mesh, body.chamfer_mm)
    return _in_fixed_order(mesh)


def ring_of(loop: Loop) -> Ring:
    """Return (n, 2) float: the loop's corners counter-clockwise; a circle as a polygon."""
    if isinstance(loop, Circle):
        angle = np.arange(n := circle_segments(loop.diameter_mm)) * (2 * math.pi / n)
        return np.stack([loop.u + np.cos(angle) * loop.diameter_mm / 2,
                         loop.v + np.sin(angle) * loop.diameter_mm / 2], axis=1)  # fmt: skip
    ring = np.array(loop, dtype=np.float64)
    return ring if signed_area_mm2(loop) > 0 else ring[::-1]


def circle_segments(diameter_mm: float) -> int:
    """Return how many sides stand for a circle: a multiple of 4, so that its extremes are exact.

    The middle of a side lies r (1 - cos(pi / n)) inside the circle; n makes that SAGITTA_MM.
    """
    inside = min(1.0, 2 * SAGITTA_MM / diameter_mm)
    n = math.ceil(math.pi / math.acos(1 - inside)) if inside < 1 else MIN_SEGMENTS
    return 4 * math.ceil(min(max(n, MIN_SEGMENTS), MAX_SEGMENTS) / 4)


def _prism(p: Prism) -> Any:
    from manifold3d import CrossSection, FillRule

    rings = [ring_of(p.outline), *(ring_of(hole)[::-1] for hole in p.holes)]
    flat = CrossSection(rings, FillRule.Positive)
    i, j, k = AXES[p.axis]
    place = np.zeros((3, 4))
    place[i, 0] = place[j, 1] = place[k, 2] = 1.0
    place[k, 3] = p.start_mm
    # Sections are kept on a grid of their own: put faces that share a plane back into it, or the
    # union is left with steps of a nanometre.
    swept = flat.extrude(p.end_mm - p.start_mm).transform(place)
    return swept.warp_batch(lambda points: np.round(points, _PLACES))


def _to_mesh(solid: Any) -> Mesh:
    from manifold3d import Error

    if solid.status() != Error.NoError or solid.is_empty():
        msg = f"the body has no volume ({solid.status()}); an outline may cross itself"
        raise ValueError(msg)
    raw = solid.to_mesh64()
    vertices = np.asarray(raw.vert_properties, dtype=np.float64)[:, :3]
    return merged(vertices[np.asarray(raw.tri_verts, dtype=np.int64)])


def _in_fixed_order(mesh: Mesh) -> Mesh:
    """Start every triangle at its lowest vertex and sort them: equal bodies give equal arrays."""
    turn = (mesh.triangles.argmin(axis=1)[:, None] + np.arange(3)) % 3
    triangles = np.take_along_axis(mesh.triangles, turn, axis=1)
    return Mesh(mesh.vertices, triangles[np.lexsort(triangles.T[::-1])])
