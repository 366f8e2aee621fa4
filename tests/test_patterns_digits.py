"""Block digits: exact areas, sound outlines, the right way round on every face."""

import string

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from patterns import digits, solid
from patterns.body import Body, box, loop_area_mm2
from patterns.digits import engraved, glyph_loops, raised, stroke_for, text_area_mm2, text_size_mm
from patterns.errors import SpecError
from patterns.preview import preview_mesh
from patterns.solid_parts import SolidError
from patterns.spec import PrintSetup

CHARS = "".join(c for c in digits._GLYPHS if c != " ")
FACES = ("top", "front", "back", "right", "left")
BLOCK = box(0, 0, 0, 40, 40, 40)
LEVEL = {"top": 40.0, "front": 0.0, "back": 40.0, "right": 40.0, "left": 0.0}


def marked(text, face, *, up, stroke_mm=1.0, centre=(20.0, 20.0), depth_mm=0.6):
    make = raised if up else engraved
    marks = make(
        text, stroke_mm=stroke_mm, centre=centre, face=face, level_mm=LEVEL[face], depth_mm=depth_mm
    )
    return Body(add=(BLOCK, *marks)) if up else Body(add=(BLOCK,), cut=marks)


@pytest.mark.parametrize("char", CHARS)
def test_glyph_is_one_part_that_nowhere_touches_itself_in_a_corner(char):
    parts = glyph_loops(char)
    assert len(parts) == 1
    corners = [point for loop in parts[0] for point in loop]
    assert len(set(corners)) == len(corners)
    outline, *counters = parts[0]
    area = loop_area_mm2(outline) - sum(loop_area_mm2(c) for c in counters)
    assert area == text_area_mm2(char, 1.0)


def test_digits_and_axis_letters_are_there_and_differ():
    assert set(string.digits + "XYZ.-") <= set(CHARS)
    assert len({glyph_loops(c) for c in CHARS}) == len(CHARS)


@given(st.text(alphabet=CHARS + " ", min_size=1, max_size=6), st.floats(0.2, 3.0))
def test_area_and_size_scale_with_the_stroke(text, stroke):
    assert text_area_mm2(text, stroke) == pytest.approx(text_area_mm2(text, 1.0) * stroke**2)
    assert text_size_mm(text, stroke) == pytest.approx(np.array(text_size_mm(text, 1.0)) * stroke)


@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("up", [True, False])
def test_marks_have_their_exact_volume_by_mesh_booleans(face, up):
    text = "-4.8"
    mesh = preview_mesh(marked(text, face, up=up))
    change = 0.6 * text_area_mm2(text, 1.0) * (1 if up else -1)
    assert mesh.volume_mm3 == pytest.approx(64000 + change, rel=1e-9)


@pytest.mark.kernel
@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("up", [True, False])
def test_marks_are_sewn_into_sound_solids(face, up):
    """Every glyph, sewn by the kernel; its own check is run on the result."""
    from OCP.BRepCheck import BRepCheck_Analyzer

    for text in (CHARS[:9], CHARS[9:]):
        shape = solid.build(marked(text, face, up=up, stroke_mm=0.5))
        assert BRepCheck_Analyzer(shape).IsValid()
        change = 0.6 * text_area_mm2(text, 0.5) * (1 if up else -1)
        assert solid.volume_mm3(shape) == pytest.approx(64000 + change, rel=1e-9)
        assert solid.mesh(shape).volume_mm3 == pytest.approx(64000 + change, rel=1e-9)


@pytest.mark.parametrize("face", FACES)
def test_text_reads_from_outside(face):
    """The tail of a 4 hangs down on the reader's right."""
    mesh = preview_mesh(marked("4", face, up=True))
    axis = {"top": 2, "front": 1, "back": 1, "right": 0, "left": 0}[face]
    tips = mesh.vertices[(np.abs(mesh.vertices[:, axis] - LEVEL[face]) > 0.5) & (
        (mesh.vertices[:, axis] > 40) | (mesh.vertices[:, axis] < 0))]  # fmt: skip
    # Reader's right and up on each face, looking at it from outside.
    right = {"top": (1, 0, 0), "front": (1, 0, 0), "back": (-1, 0, 0), "right": (0, 1, 0),
             "left": (0, -1, 0)}[face]  # fmt: skip
    up = (0, 1, 0) if face == "top" else (0, 0, 1)
    u, v = (tips - 20.0) @ right, (tips - 20.0) @ up
    assert u[v == v.min()].min() == pytest.approx(1.0)
    assert u[v == v.min()].max() == pytest.approx(2.0)


@pytest.mark.kernel
def test_a_mark_that_runs_off_its_face_is_refused():
    with pytest.raises(SolidError, match="no flat face that surrounds them"):
        solid.build(marked("88", "top", up=False, centre=(38.0, 20.0)))


@pytest.mark.kernel
def test_a_mark_over_a_hole_is_refused():
    body = Body(add=(BLOCK,), cut=(box(18, 18, -1, 22, 22, 41), *marked("8", "top", up=False).cut))
    with pytest.raises(SolidError):
        solid.build(body)


def test_stroke_is_one_to_two_lines():
    setup = PrintSetup()
    assert stroke_for("8", (100, 100), setup, "x") == pytest.approx(0.9, abs=1e-3)
    tight = stroke_for("8", (4 * 0.5 + 0.9, 100), setup, "x")
    assert tight == pytest.approx(0.5, abs=1e-3)
    with pytest.raises(SpecError, match=r"no room for '8' on a thimble: lines of 0.45 mm need"):
        stroke_for("8", (2.0, 2.0), setup, "a thimble")


def test_unknown_glyph_is_refused():
    with pytest.raises(SpecError, match="no block glyph for '%'"):
        text_area_mm2("5%", 1.0)
