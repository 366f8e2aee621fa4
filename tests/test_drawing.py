"""Pictures: well formed, equal for equal pieces, balloons apart, marks and edges where they belong."""

import base64
import dataclasses
import io
import itertools
import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from patterns.body import Body, box
from patterns.drawing import contact_sheet, draw_piece
from patterns.drawing.lines import visible_lines
from patterns.drawing.raster import render
from patterns.drawing.style import KINDS
from patterns.drawing.views import VIEWS, frame
from patterns.feature import INSTRUMENTS, Feature, Kind
from patterns.piece import Piece
from patterns.preview import preview_mesh
from tests.drawing_pieces import comb, frame_with_diagonals, stepped_block, tower

SVG = "{http://www.w3.org/2000/svg}"
PIECES = [stepped_block(), comb(), frame_with_diagonals(), tower(), tower(14)]


def drawn(piece: Piece) -> str:
    return draw_piece(piece, preview_mesh(piece.body))


@pytest.fixture(scope="module", params=PIECES, ids=lambda p: f"{p.pattern}-{len(p.features)}")
def case(request):
    return request.param, drawn(request.param)


def placed(root: ET.Element, tag: str, css: str = ""):
    """Yield elements with the shift that the groups around them give."""

    def walk(node, x, y):
        shift = re.match(r"translate\((\S+) (\S+)\)", node.get("transform", ""))
        if shift:
            x, y = x + float(shift[1]), y + float(shift[2])
        if node.tag == SVG + tag and (not css or node.get("class") == css):
            yield node, x, y
        for child in node:
            yield from walk(child, x, y)

    return list(walk(root, 0.0, 0.0))


def balloons(root: ET.Element) -> dict[int, tuple[float, float, float]]:
    found = {}
    for node, x, y in placed(root, "g", "balloon"):
        ring, number = node.find(SVG + "circle"), node.find(SVG + "text")
        at = (x + float(ring.get("cx")), y + float(ring.get("cy")), float(ring.get("r")))
        assert int(number.text) not in found
        found[int(number.text)] = at
    return found


def corners(node: ET.Element, x: float, y: float) -> list[tuple[float, float]]:
    pairs = (p.split(",") for p in node.get("points").split())
    return [(x + float(a), y + float(b)) for a, b in pairs]


def jaw_tips(root: ET.Element, colour: str) -> list[list[tuple[float, float]]]:
    """Return the first corner (the tip) of every jaw of one colour, one list for each callout."""
    marks = []
    for node, x, y in placed(root, "g", "jaws"):
        shapes = [p for p in node if p.tag == SVG + "polygon" and p.get("fill") == colour]
        if shapes:
            marks.append([corners(p, x, y)[0] for p in shapes])
    return marks


def units_per_mm(root: ET.Element) -> float:
    """Read the scale off the bar in the legend, as a reader with a ruler would."""
    for node in root.iter(SVG + "g"):
        label = [t.text for t in node.findall(SVG + "text") if re.fullmatch(r"[\d.]+ mm", t.text)]
        if label:
            bar = node.find(SVG + "line")
            return (float(bar.get("x2")) - float(bar.get("x1"))) / float(label[0].split()[0])
    raise AssertionError("no scale bar")


def test_every_feature_has_one_balloon_and_the_picture_says_what_it_is(case):
    piece, svg = case
    root = ET.fromstring(svg)
    assert sorted(balloons(root)) == list(range(1, len(piece.features) + 1))
    assert root.get("role") == "img"
    assert piece.pattern in root.find(SVG + "title").text
    assert all(f.id in root.find(SVG + "desc").text for f in piece.features)


def test_balloons_keep_apart_and_inside_the_picture(case):
    root = ET.fromstring(case[1])
    rings = list(balloons(root).values())
    for a, b in itertools.combinations(rings, 2):
        assert math.dist(a[:2], b[:2]) > a[2] + b[2]
    width, height = float(root.get("width")), float(root.get("height"))
    for x, y, r in rings:
        assert r < x < width - r
        assert r < y < height - r


def test_no_balloon_hides_a_jaw(case):
    root = ET.fromstring(case[1])
    for node, x, y in placed(root, "g", "jaws"):
        for shape in node.findall(SVG + "polygon"):
            for at in corners(shape, x, y):
                assert all(math.dist(at, b[:2]) > b[2] for b in balloons(root).values())


def test_equal_pieces_give_equal_bytes(case):
    assert drawn(case[0]) == case[1]


def test_the_picture_needs_nothing_else_and_stays_small(case):
    assert len(case[1].encode()) < 300_000
    assert "<script" not in case[1]
    assert all(h.startswith("data:image/png") for h in re.findall(r'href="([^"]*)"', case[1]))


def test_jaw_tips_are_the_nominal_length_apart():
    """Checked by the picture's own scale bar, not by the projection code."""
    for piece, kind in ((comb(), Kind.INSIDE), (frame_with_diagonals(), Kind.DIAGONAL)):
        root = ET.fromstring(drawn(piece))
        scale = units_per_mm(root)
        wanted = sorted(f.nominal for f in piece.features if f.kind == kind)
        got = sorted(math.dist(*tips) / scale for tips in jaw_tips(root, KINDS[kind].colour))
        assert got == pytest.approx(wanted, abs=0.15 / scale + 0.05)


def test_outside_jaws_touch_the_outline_from_outside():
    """Just outside a tip the embedded picture is empty, just inside there is the piece."""
    root = ET.fromstring(drawn(frame_with_diagonals()))
    image, x, y = placed(root, "image")[0]
    data = base64.b64decode(image.get("href").split(",")[1])
    pixels = np.pad(np.array(Image.open(io.BytesIO(data))), 20)
    per_unit = (pixels.shape[1] - 40) / float(image.get("width"))
    x, y = x + float(image.get("x")) - 20 / per_unit, y + float(image.get("y")) - 20 / per_unit
    checked = 0
    for a, b in jaw_tips(root, KINDS[Kind.OUTSIDE].colour):
        u = np.subtract(b, a) / math.dist(a, b)
        for tip, way in ((a, u), (b, -u)):
            for step, there in ((-2.5, False), (2.5, True)):
                column, row = ((np.array(tip) + step * way - (x, y)) * per_unit).astype(int)
                assert (pixels[row, column] > 0) == there
                checked += 1
    assert checked == 16


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_forty_callouts_at_random_places_still_find_room(seed):
    random = np.random.default_rng(seed)
    features = []
    for n in range(40):
        start = random.uniform((0, 0, 10), (80, 60, 10))
        end = start + random.choice([(15, 0, 0), (0, 9, 0), (1, 0, 0), (8, 8, 0), (0, 0, 5)])
        jaws = str(random.choice(["outside", "inside", "depth"]))
        features.append(
            Feature(id=f"f{n}", kind=Kind.WALL, axis="X", nominal=1.0, where="somewhere",
                    start=tuple(start.tolist()), end=tuple(end.tolist()), jaws=jaws)
        )  # fmt: skip
    block = stepped_block()
    piece = dataclasses.replace(
        block, body=Body(add=(box(0, 0, 0, 80, 60, 10),)), features=tuple(features)
    )
    found = balloons(ET.fromstring(drawn(piece)))
    assert len(found) == 40
    for a, b in itertools.combinations(found.values(), 2):
        assert math.dist(a[:2], b[:2]) > a[2] + b[2]


def visible_mm(body: Body, view: str) -> float:
    mesh = preview_mesh(body)
    shown = frame(mesh, VIEWS[view], 8.0)
    lines = visible_lines(mesh, shown, render(mesh, shown)) / 8.0
    return float(np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1).sum())


def test_a_cube_shows_nine_of_its_twelve_edges():
    view = VIEWS["iso"]
    per_axis = [math.hypot(view.right[i], view.up[i]) for i in range(3)]
    body = Body(add=(box(0, 0, 0, 20, 20, 20),))
    assert visible_mm(body, "iso") == pytest.approx(3 * 20 * sum(per_axis), rel=0.01)


def test_a_round_pillar_shows_its_sides():
    """From the front a cylinder is a rectangle: upper and lower rim edge-on, and two sides."""
    from patterns.body import Circle, Prism

    body = Body(add=(Prism(outline=Circle(0, 0, 14), start_mm=0, end_mm=20),))
    assert visible_mm(body, "front") == pytest.approx(2 * 14 + 2 * 20, rel=0.02)


def test_a_void_inside_changes_nothing():
    solid = Body(add=(box(0, 0, 0, 20, 20, 20),))
    hollow = Body(add=solid.add, cut=(box(5, 5, 5, 15, 15, 15),))
    assert visible_mm(hollow, "iso") == pytest.approx(visible_mm(solid, "iso"), rel=1e-9)


def test_what_stands_behind_shows_only_above_what_stands_in_front():
    """Front 40 x 10, behind it 20 x 30: outline of both, and the front's upper edge whole."""
    body = Body(add=(box(0, 0, 0, 40, 10, 10), box(10, 20, 0, 30, 30, 30)))
    front, behind = 2 * (40 + 10), 2 * (30 - 10) + 20
    assert visible_mm(body, "front") == pytest.approx(front + behind, rel=0.01)


def test_a_hole_seen_from_above_is_one_circle():
    """The rim above hides the rim on the bed; the outline of the block is all else."""
    from patterns.body import Circle, Prism

    hole = Prism(outline=Circle(20, 15, 12), start_mm=-1, end_mm=11)
    body = Body(add=(box(0, 0, 0, 40, 30, 10),), cut=(hole,))
    assert visible_mm(body, "top") == pytest.approx(140 + math.pi * 12, rel=0.01)


def test_the_rod_rests_where_there_is_air_behind():
    """A step is read from the upper face down, whichever way round the feature is given."""
    root = ET.fromstring(drawn(stepped_block()))
    feet = [tips for tips in jaw_tips(root, KINDS[Kind.STEP].colour) if len(tips) == 2]
    assert len(feet) == 2
    for (_, foot_y), (_, tip_y) in feet:
        assert foot_y < tip_y  # y runs down the picture


def contrast(a: str, b: str) -> float:
    """WCAG 2.2, definitions of relative luminance and contrast ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_all_text_stands_out_from_the_paper(case):
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    for text in ET.fromstring(case[1]).iter(SVG + "text"):
        assert contrast(text.get("fill"), "#ffffff") >= 4.5


def test_every_kind_has_its_own_colour_and_dash_or_shape():
    drawn = {
        k for k in Kind if INSTRUMENTS.get(k) != "photo"
    }  # what a photo measures has no callout
    assert set(KINDS) == drawn
    assert len({ink.colour for ink in KINDS.values()}) == len(drawn)
    with_jaws = [k for k in drawn if k not in (Kind.MASS, Kind.SCORE, Kind.PASS)]
    assert len({KINDS[k].dash for k in with_jaws}) == len(with_jaws)


def test_contact_sheet_shows_every_piece_with_its_caption():
    pieces = [(p, preview_mesh(p.body)) for p in PIECES]
    captions = [f"What does piece {n} <answer> & tell?" for n in range(len(pieces))]
    root = ET.fromstring(contact_sheet(pieces, captions))
    words = " ".join(t.text for t in root.iter(SVG + "text"))
    assert all(p.pattern in words for p, _ in pieces)
    assert all(c.split()[3] in words for c in captions)
    assert len(list(root.iter(SVG + "image"))) == len(pieces)


def test_contact_sheet_wants_a_caption_for_each_piece():
    with pytest.raises(ValueError, match="one caption for each piece"):
        contact_sheet([(PIECES[0], preview_mesh(PIECES[0].body))], [])
