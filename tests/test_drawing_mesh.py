"""Preview meshes against closed forms, and a mesh's own questions against another library."""

import math

import numpy as np
import pytest
import trimesh

from patterns.body import Body, Circle, Prism, box, chamfer_loss_mm3, rectangle
from patterns.errors import SpecError
from patterns.mesh import Mesh, merged
from patterns.preview import SAGITTA_MM, circle_segments, preview_mesh, ring_of
from tests.drawing_pieces import comb, frame_with_diagonals, stepped_block, tower

L_SHAPE = ((0.0, 0.0), (40.0, 0.0), (40.0, 10.0), (12.0, 10.0), (12.0, 30.0), (0.0, 30.0))
SLANTED = ((0.0, 0.0), (30.0, -4.0), (37.0, 18.0), (12.0, 25.0))


@pytest.mark.parametrize("axis", ["X", "Y", "Z"])
@pytest.mark.parametrize("outline", [L_SHAPE, L_SHAPE[::-1], SLANTED])
def test_prism_has_its_closed_form_and_place(axis, outline):
    hole = rectangle(9, 3, 13, 6)[::-1]
    prism = Prism(outline=outline, start_mm=2, end_mm=9, axis=axis, holes=(hole,))
    mesh = preview_mesh(Body(add=(prism,)))
    assert mesh.is_watertight
    assert mesh.volume_mm3 == pytest.approx(prism.volume_mm3, rel=1e-9)
    along = "XYZ".index(axis)
    first, second = (i for i in range(3) if i != along)
    low, high = mesh.bounds
    assert (low[along], high[along]) == (2, 9)
    us, vs = zip(*outline, strict=True)
    assert (low[first], high[first]) == pytest.approx((min(us), max(us)))
    assert (low[second], high[second]) == pytest.approx((min(vs), max(vs)))


@pytest.mark.parametrize("outline", [rectangle(0, 0, 60, 30), L_SHAPE, SLANTED])
@pytest.mark.parametrize("chamfer_mm", [0.2, 0.5, 1.0])
def test_chamfer_takes_off_its_closed_form(outline, chamfer_mm):
    prism = Prism(outline=outline, start_mm=0, end_mm=8, holes=(rectangle(9, 3, 13, 6),))
    mesh = preview_mesh(Body(add=(prism,), chamfer_mm=chamfer_mm))
    loss = chamfer_loss_mm3(outline, chamfer_mm)
    loss += chamfer_loss_mm3(prism.holes[0], chamfer_mm, hole=True)
    assert mesh.is_watertight
    assert mesh.volume_mm3 == pytest.approx(prism.volume_mm3 - loss, rel=1e-9)


def test_chamfer_leaves_what_does_not_touch_the_bed():
    """A foot 20 x 20 under an overhanging plate: only the foot's edge is chamfered."""
    foot, plate = box(0, 0, 0, 20, 20, 5), box(-10, -10, 5, 30, 30, 8)
    mesh = preview_mesh(Body(add=(foot, plate), chamfer_mm=0.5))
    whole = foot.volume_mm3 + plate.volume_mm3
    loss = chamfer_loss_mm3(rectangle(0, 0, 20, 20), 0.5)
    assert mesh.volume_mm3 == pytest.approx(whole - loss, rel=1e-9)


def test_chamfer_too_large_for_a_narrow_part_is_refused():
    with pytest.raises(SpecError, match="eats up a narrow part"):
        preview_mesh(Body(add=(box(0, 0, 0, 50, 0.7, 5),), chamfer_mm=0.4))


@pytest.mark.parametrize("diameter_mm", [0.5, 3.0, 20.0, 80.0])
def test_round_parts_keep_within_the_allowed_sag(diameter_mm):
    ring = ring_of(Circle(5, -3, diameter_mm))
    middle = (ring + np.roll(ring, 1, axis=0)) / 2 - (5, -3)
    assert (diameter_mm / 2 - np.linalg.norm(middle, axis=1)).max() <= SAGITTA_MM
    assert np.ptp(ring, axis=0) == pytest.approx([diameter_mm] * 2)
    disc = Prism(outline=Circle(5, -3, diameter_mm), start_mm=0, end_mm=4)
    n = circle_segments(diameter_mm)
    polygon = n / (2 * math.pi) * math.sin(2 * math.pi / n)  # area of n-gon over that of circle
    mesh = preview_mesh(Body(add=(disc,)))
    assert mesh.volume_mm3 == pytest.approx(disc.volume_mm3 * polygon, rel=1e-7)


@pytest.mark.parametrize("piece", [stepped_block(), comb(), frame_with_diagonals(), tower()])
def test_another_library_agrees_on_the_mesh(piece):
    mesh = preview_mesh(piece.body)
    other = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    assert other.is_volume
    assert mesh.volume_mm3 == pytest.approx(other.volume, rel=1e-9)
    assert mesh.area_mm2 == pytest.approx(other.area, rel=1e-9)
    sharp = np.degrees(other.face_adjacency_angles) > 25
    assert len(mesh.sharp_edges(25)) == sharp.sum()


def test_contains_agrees_with_the_blocks_a_body_is_made_of():
    points = np.random.default_rng(4).uniform((-3, -3, 1), (63, 43, 33), (500, 3))
    x, y, z = points.T
    inside = (x > 0) & (x < 60) & (y > 0) & (y < 40) & (z < np.where(x < 30, 30, 15))
    inside &= ~((x > 10) & (x < 18) & (z > 20)) & (np.hypot(x - 46, y - 20) > 6)
    assert 100 < inside.sum() < 400
    assert np.array_equal(preview_mesh(stepped_block().body).contains(points), inside)


def test_the_order_of_what_is_added_does_not_matter():
    body = stepped_block().body
    turned = Body(add=body.add[::-1], cut=body.cut[::-1], chamfer_mm=body.chamfer_mm)
    assert np.allclose(preview_mesh(body).vertices, preview_mesh(turned).vertices)


def test_mesh_refuses_what_is_none():
    with pytest.raises(ValueError, match=r"shape \(n, 3\)"):
        Mesh(np.zeros((4, 2)), np.zeros((1, 3), dtype=int))
    with pytest.raises(ValueError, match="finite"):
        Mesh(np.full((3, 3), np.nan), np.array([[0, 1, 2]]))
    with pytest.raises(ValueError, match="index the 3 vertices"):
        Mesh(np.zeros((3, 3)), np.array([[0, 1, 3]]))


def test_an_open_border_counts_as_an_edge_and_not_as_watertight():
    one = merged(np.array([[[0, 0, 0], [1, 0, 0], [0, 1, 0]]], dtype=float))
    assert not one.is_watertight
    assert one.edges().angle_deg.tolist() == [180.0] * 3
