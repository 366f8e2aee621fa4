"""A rendered tower lying on its back with known strands and known sag."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from calib.photo.defects import Defect, _shadow_note, contrast_of
from calib.photo.image import Photo
from calib.photo.lying import lay
from calib.photo.mat import Mat
from calib.photo.rows import defect_rows, readings_of
from calib.photo.scale import from_bars
from calib.photo.session import Outcome, measure_photos
from calib.photo.side_views import spacer_mm
from patterns.body import Body
from patterns.feature import Feature
from patterns.piece import Piece
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.photo_pieces import hanging, strands
from tests.photo_render import Placed, Scene, decoded, look, render

PIECE = get("temperature-tower").piece(
    {"from_c": "220", "to_c": "200", "step_c": "5"}, PrintSetup()
)
SAGS_MM = (1.2, 0.8, 0.5, 0.25, 0.05)
STRANDS = (6, 4, 3, 2, 0)
SIZE = (1350, 1800)


def of_group(piece: Piece, group: str) -> list[Feature]:
    return [f for f in piece.features if f.group == group]


def shown(piece: Piece, printed: Body, side: str, colour: str, lamp: float = 1) -> Outcome:
    centre = "dark" if colour in ("orange", "white") else "white"
    camera = look(SIZE, tilt_deg=9, azimuth_deg=70, roll_deg=4)
    placed = Placed(lay(printed, side), 3, 10, 8, colour)
    picture = render(
        Scene(
            Mat("a4", centre, 1),
            camera,
            SIZE,
            (placed,),
            light=(0.5 * lamp, 0.4 * lamp, 1),
            oversample=2,
        )
    )
    photo = Photo("lying.jpg", decoded(picture))
    return measure_photos(
        [photo], piece.body, piece.features, scale=from_bars(140, 140), sides=(side,)
    )


@lru_cache(maxsize=1)
def printed() -> tuple[Body, list[float]]:
    """The tower with parabolic sags under its rungs and strands across its windows (mm^2)."""
    body = hanging(PIECE.body, of_group(PIECE, "bridge"), SAGS_MM)
    drawn, areas = strands(of_group(PIECE, "strings"), STRANDS, 4.0)
    return replace(body, add=(*body.add, *drawn)), areas


@lru_cache(maxsize=2)
def outcome(colour: str) -> Outcome:
    return shown(PIECE, printed()[0], "front", colour, -1)  # the rudder's shadow falls away


def values(found: Outcome, quantity: str, group: str, piece: Piece = PIECE) -> np.ndarray:
    rungs = [f.rung for f in of_group(piece, group)]
    by_rung = {
        d.feature.rung: d.value
        for d in found.defects
        if d.quantity == quantity and d.feature.group == group
    }
    return np.array([by_rung[r] for r in rungs])


def test_sag_within_0_15_mm_and_strings_within_a_quarter_in_the_right_order() -> None:
    found = outcome("orange")
    sag = values(found, "sag", "bridge")
    assert np.abs(sag - SAGS_MM).max() < 0.15
    assert (np.diff(sag) < 0).all()
    strings, true = values(found, "strings", "strings"), np.array(printed()[1])
    assert (np.diff(strings) < 0).all()
    assert strings[-1] < 1.0
    assert np.abs(strings[:-1] / true[:-1] - 1).max() < 0.25


def test_thickness_with_sag_becomes_a_reading_and_teeth_do_not_droop() -> None:
    found = outcome("orange")
    thick = {r.feature: r for r in readings_of((), found.defects)}
    for k, sag in enumerate(SAGS_MM):
        reading = thick[f"sag_{k + 1}"]
        assert reading.value == pytest.approx(1.0 + sag, abs=0.15)
        assert reading.u is not None
    rows = defect_rows(found.defects)
    assert {r[5] for r in rows} == {"mm", "mm^2"}
    assert all(r[2] for r in rows)  # each stands for a rung


def test_shadowed_paper_is_no_material_for_a_coloured_filament() -> None:
    paper, face = np.array([0.8, 0.79, 0.77]), np.array([0.03, 0.09, 0.42])
    contrast = contrast_of(face, paper)
    assert contrast.share(face) == pytest.approx(1.0)
    for shade in (1.0, 0.7, 0.4):
        assert contrast.share(shade * paper) == pytest.approx(0.0, abs=1e-9)
    grey = contrast_of(np.array([0.2, 0.2, 0.2]), paper)
    assert grey.note  # on white paper a shadow can pass for it, and that is said


def test_rows_of_defects_carry_their_own_unit() -> None:
    feature = PIECE.features[0]
    row = defect_rows([Defect(feature, "strings", 3.14159, "mm^2", 0.2)])[0]
    assert row[:6] == (feature.id, "strings", f"{feature.rung:g}", "3.142", "0.200", "mm^2")


def test_sag_of_bridges() -> None:
    ladder = get("bridge-ladder").piece({"to_mm": "40"}, PrintSetup())
    sags = np.linspace(0.1, 1.0, len(of_group(ladder, "pass")))
    body = hanging(ladder.body, of_group(ladder, "pass"), list(sags))
    found = shown(ladder, body, "back", "orange")
    assert np.abs(values(found, "sag", "pass", ladder) - sags).max() < 0.15
    thick = {r.feature for r in readings_of((), found.defects)}
    assert thick == {f.id for f in of_group(ladder, "sag")}


def test_droop_of_overhangs() -> None:
    ladder = get("overhang-ladder").piece({"from_deg": "45", "to_deg": "70"}, PrintSetup())
    droops = np.linspace(0.0, 0.8, len(of_group(ladder, "pass")))
    body = hanging(ladder.body, of_group(ladder, "pass"), list(droops))
    found = shown(ladder, body, "back", "orange")
    off = values(found, "droop", "pass", ladder) - droops
    assert np.abs(off).max() < 0.2
    assert np.sqrt((off**2).mean()) < 0.1
    stated = [d.sd for d in found.defects if d.quantity == "droop"]
    assert np.sqrt(np.mean((off / stated) ** 2)) < 1.5


def test_shadow_beside_a_raised_piece_on_white_paper_is_no_reading() -> None:
    view = outcome("orange").views[0]
    assert not _shadow_note(view)
    seen = replace(view.mat_view.seen, mat=Mat("a4", "white", 1))
    note = _shadow_note(replace(view, mat_view=replace(view.mat_view, seen=seen)))
    assert "dark centre" in note
    sag = of_group(PIECE, "sag")[0]
    assert not readings_of((), [Defect(sag, "thickness", 1.4, "mm", 0.06, note)])


def test_a_foot_that_juts_out_needs_a_spacer() -> None:
    # String posts: the foot reaches 4 mm behind them; the tower's 5 mm; the ladders are flush.
    for name, side, gap in (
        ("string-posts", "back", 4.0), ("temperature-tower", "front", 5.0),
        ("bridge-ladder", "back", 0.0), ("overhang-ladder", "back", 0.0),
        ("dimensional-cube", "bottom", 0.0),
    ):  # fmt: skip
        lying = lay(get(name).piece({}, PrintSetup()).body, side)
        assert spacer_mm(lying) == pytest.approx(gap, abs=0.51), name


def test_strings_between_posts() -> None:
    posts = get("string-posts").piece({}, PrintSetup())
    gaps = of_group(posts, "strings")
    counts = [k % 4 for k in range(len(gaps))]
    drawn, areas = strands(gaps, counts, 2.5)
    found = shown(posts, replace(posts.body, add=(*posts.body.add, *drawn)), "back", "orange")
    seen, true = values(found, "strings", "strings", posts), np.array(areas)
    assert np.abs(seen - true).max() < 0.25 * true.max()
    some = true > 0
    assert seen[~some].max() < 1.0
    assert np.abs(seen[some] / true[some] - 1).max() < 0.25
