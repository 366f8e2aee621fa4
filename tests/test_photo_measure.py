"""Lengths from rendered photos with known truth: many colours, turns, shadows, rounded edges."""

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from calib.errors import FileError
from calib.interpret.lengths import is_length
from calib.photo.annotate import annotated
from calib.photo.card import card_body
from calib.photo.image import Photo
from calib.photo.lying import SIDES, lay, solid_at
from calib.photo.mat import Mat
from calib.photo.rims import rims_of
from calib.photo.rows import readings_of
from calib.photo.scale import BAR_MM, PaperScale, from_bars, from_length
from calib.photo.session import Outcome, measure_photos
from patterns.body import Body, Circle, Prism, box
from tests.photo_pieces import gauge, gauge_features, plate, plate_features
from tests.photo_render import Placed, Scene, decoded, look, render

SIZE, LARGER = (1200, 1600), (1350, 1800)
DARK, WHITE = Mat("a4", "dark", 427), Mat("a4", "white", 31)
PAPER = (0.995, 0.99)
BARS = from_bars(BAR_MM * PAPER[0], BAR_MM * PAPER[1])


@lru_cache(maxsize=8)
def shot(
    mat: Mat, pieces: tuple[Placed, ...], tilt: float = 12, azimuth: float = 40, view: float = 63,
    k1: float = 0.03, seed: int = 1, paper: tuple[float, float] = PAPER,
    size: tuple[int, int] = SIZE,
) -> Photo:  # fmt: skip
    camera = look(size, tilt_deg=tilt, azimuth_deg=azimuth, roll_deg=6, view_deg=view, k1=k1)
    scene = Scene(mat, camera, size, pieces, paper=paper, seed=seed, oversample=2)
    return Photo(f"photo-{seed}.jpg", decoded(render(scene)))


PLATE = Placed(lay(plate(), "bottom"), 5, 40, 30, "orange", 0.1, 0.2)


def errors(outcome: Outcome) -> dict[str, float]:
    return {n.feature.id: n.value_mm - n.feature.nominal for n in outcome.lengths if not n.flags}


def test_rims_of_the_plate_are_where_its_drawing_says() -> None:
    rims = rims_of(lay(plate(), "bottom"))
    straight = [r for r in rims if r.circle is None]
    around = 40 + 60 + 40 + 60  # the outline; then the slot. Beside the step is no paper
    assert sum(r.length_mm + 0.5 for r in straight) == pytest.approx(around + 60, abs=1e-6)
    heights = {round(r.z_mm, 3) for r in rims}
    assert heights == {6.0, 10.0}
    hole = next(r for r in rims if r.circle is not None)
    assert hole.circle == Circle(15, 0, 12)
    away = hole.points_mm[:, :2] - (15, 0)
    assert ((away * hole.normals).sum(axis=1) < 0).all()  # into the hole
    assert all((r.foot_mm == 0.5).all() for r in straight)  # chamfer


def test_two_photos_turned_by_180_degrees_give_lengths_within_a_tenth() -> None:
    photos = [
        shot(DARK, (PLATE,)),
        shot(DARK, (replace(PLATE, angle_deg=212.0),), seed=2),
    ]
    outcome = measure_photos(photos, plate(), plate_features(), scale=BARS, sides=("bottom", "top"))
    off = errors(outcome)
    assert set(off) >= {"x_outside", "y_outside_low", "y_outside_high", "x_inside_slot", "x_pitch"}
    assert max(abs(v) for v in off.values()) < 0.1
    assert abs(off["x_pitch"]) < 0.05
    scores = [off[n.feature.id] / n.sd_mm for n in outcome.lengths if n.feature.id in off]
    assert np.sqrt(np.mean(np.square(scores))) < 2.2
    for view in outcome.views:
        assert view.lying.side == "bottom"
    angle = np.degrees(outcome.views[0].placement.angle_rad)
    assert angle % 360 == pytest.approx(30, abs=0.1)


def test_paper_scale_unmeasured_widens_the_uncertainty_and_says_so() -> None:
    outcome = measure_photos([shot(DARK, (PLATE,))], plate(), plate_features())
    length = next(n for n in outcome.lengths if n.feature.id == "x_outside")
    assert length.value_mm == pytest.approx(60 / 0.9935, abs=0.25)  # as the paper's scale makes it
    assert length.sd_mm > 0.25
    assert abs(length.value_mm - 60) < 2 * length.sd_mm
    assert any("scale was not measured" in n for n in outcome.notes)


def test_one_caliper_reading_replaces_the_bars() -> None:
    outcome = measure_photos(
        [shot(DARK, (PLATE,))], plate(), plate_features(), known_mm={"x_outside": 60.0}
    )
    off = errors(outcome)
    assert abs(off["x_outside"]) < 0.05
    pitch = next(n for n in outcome.lengths if n.feature.id == "x_pitch")
    assert abs(off["x_pitch"]) < pitch.sd_mm < 0.09  # from a wall in a slot
    along_x = next(n for n in outcome.lengths if n.feature.id == "x_outside")
    along_y = next(n for n in outcome.lengths if n.feature.id == "y_outside_low")
    assert along_y.scale_sd_mm / 40 > along_x.scale_sd_mm / 60  # the other direction is less known


def test_card_gives_the_scale() -> None:
    x0, y0, x1, y1 = DARK.card_mm
    card = Placed(lay(card_body(), "bottom"), (x0 + x1) / 2 + 0.5, (y0 + y1) / 2, 1.5, "white")
    photo = shot(DARK, (PLATE, card), seed=3)
    outcome = measure_photos([photo], plate(), plate_features(), card=True)
    assert outcome.scale.factors == pytest.approx(PAPER, abs=0.0025)
    assert outcome.scale.covariance[0, 0] ** 0.5 < 0.0015
    assert "card" in outcome.scale.source


@pytest.mark.slow
def test_long_gauge_on_white_paper_with_wide_angle() -> None:
    placed = Placed(lay(gauge(), "bottom"), -8, 4, 96, "blue")
    photo = shot(WHITE, (placed,), tilt=16, azimuth=200, view=69, k1=-0.04, seed=4, size=LARGER)
    outcome = measure_photos([photo], gauge(), gauge_features(), scale=BARS)
    off = errors(outcome)
    assert "x_long" in off
    assert all(abs(v) < 0.1 for k, v in off.items() if "pitch" not in k)
    assert all(abs(v) < 0.06 for k, v in off.items() if "pitch" in k)


def test_annotated_picture_and_readings_leave_doubtful_lengths_out() -> None:
    outcome = measure_photos([shot(DARK, (PLATE,))], plate(), plate_features(), scale=BARS)
    doubtful = replace(outcome.lengths[0], flags=("edge ambiguous",))
    readings = readings_of([doubtful, *outcome.lengths[1:]])
    assert doubtful.feature.id not in {r.feature for r in readings}
    clear = {n.feature.id: n for n in outcome.lengths}
    for r in readings:  # the sizes share the mat's scale, which the fit adds by itself
        length = clear[r.feature]
        least = length.own_sd_mm if is_length(length.feature) else length.sd_mm
        assert least <= r.u <= math.hypot(least, length.edge_sd_mm)
    assert annotated(outcome.views[0], outcome.single[0])[:3] == b"\xff\xd8\xff"


def test_wrong_piece_is_not_measured() -> None:
    with pytest.raises(FileError, match="can't be found"):
        measure_photos([shot(DARK, (PLATE,))], gauge(), gauge_features())
    disc = Body(add=(box(0, 0, 0, 30, 90, 5), box(0, 0, 0, 60, 12, 9)))
    with pytest.raises(FileError, match="can't be found"):
        measure_photos([shot(DARK, (PLATE,))], disc, ())


def test_piece_too_large_for_the_mat_says_what_fits() -> None:
    huge = Body(add=(box(0, 0, 0, 230, 40, 5),))
    with pytest.raises(FileError, match="has no room"):
        measure_photos([shot(DARK, (PLATE,))], huge, ())


def test_scale_updates_are_the_weighted_means_of_the_gum() -> None:
    prior = PaperScale()
    seen = prior.observe(np.array([1.0, 0.0]), 0.99, 0.001, "x")
    v, s = prior.covariance[0, 0], 0.001**2
    assert seen.factors[0] == pytest.approx((1 / v + 0.99 / s) / (1 / v + 1 / s))
    assert seen.covariance[0, 0] == pytest.approx(1 / (1 / v + 1 / s))
    assert 0.99 < seen.factors[1] < 1.0  # they are alike: y follows, less
    again = from_length(seen, seen, np.array([1.0, 0.0]), 100.0, 100.0, 0.1, "caliper")
    assert again.factors[0] == pytest.approx(seen.factors[0])


def test_flipped_piece_is_told_by_its_shape() -> None:
    turned = lay(plate(), "top")
    assert turned.size_mm == pytest.approx([60, 40, 10])
    probe = turned.from_piece(np.array([[10.0, 20.0, 9.0]]))
    assert turned.solid_at(probe)[0]
    assert probe[0, 2] == pytest.approx(1.0)
    corner = ((0.0, 0.0), (60.0, 0.0), (60.0, 15.0), (20.0, 15.0), (20.0, 40.0), (0.0, 40.0))
    flat = Body(add=(Prism(outline=corner, start_mm=0, end_mm=5),), chamfer_mm=0.5)
    turned = lay(flat, "top")
    photo = shot(Mat("a4", "green", 31), (Placed(turned, 0, -20, 200, "orange", 0.0, 0.0),), seed=6)
    outside = [f for f in plate_features() if f.id in ("x_outside", "y_outside_high")]
    outcome = measure_photos([photo], flat, outside, scale=BARS, sides=("bottom", "top"))
    assert outcome.views[0].lying.side == "top"
    turn = np.degrees(outcome.views[0].placement.angle_rad)
    assert (turn - 200 + 180) % 360 - 180 == pytest.approx(0, abs=0.3)
    assert outcome.lengths
    assert all("chamfered edge" in " ".join(n.flags) for n in outcome.lengths)


def test_lying_on_any_side_keeps_shape_and_handedness() -> None:
    body = Body(add=(box(0, 0, 0, 30, 20, 10), box(0, 0, 10, 5, 6, 17)), chamfer_mm=0.4)
    rng = np.random.default_rng(2)
    points = rng.uniform([-1, -1, -1], [31, 21, 18], (400, 3))
    inside = solid_at(body, points)
    for side in SIDES:
        lying = lay(body, side)
        assert np.linalg.det(lying.rotation) == pytest.approx(1.0)
        assert (lying.solid_at(lying.from_piece(points)) == inside).all()
        turned = replace(lying.turned, chamfer_mm=0.0)
        sharp = solid_at(replace(body, chamfer_mm=0.0), points)
        assert (solid_at(turned, lying.from_piece(points)) == sharp).all()
