"""A rendered tower lying on its back with known strands and known sag."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from calib.photo.defects import Defect, contrast_of
from calib.photo.image import Photo
from calib.photo.lying import lay
from calib.photo.mat import Mat
from calib.photo.rows import defect_rows, readings_of
from calib.photo.scale import from_bars
from calib.photo.session import Outcome, measure_photos
from patterns.body import Body, Circle, Prism
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.photo_render import Placed, Scene, decoded, look, render

PIECE = get("temperature-tower").piece(
    {"from_c": "220", "to_c": "200", "step_c": "5"}, PrintSetup()
)
SAGS_MM = (1.2, 0.8, 0.5, 0.25, 0.05)
STRANDS = (6, 4, 3, 2, 0)
SIZE = (1350, 1800)


def printed() -> tuple[Body, list[float]]:
    """The tower with parabolic sags under its rungs and strands across its windows (mm^2)."""
    rng = np.random.default_rng(3)
    ladder, *others = PIECE.body.add
    holes, strands, areas = [], [], []
    for hole, sag, count in zip(ladder.holes, SAGS_MM, STRANDS, strict=True):
        (x0, z0), (x1, _), (_, z1), _ = hole  # type: ignore[misc]
        xs = np.linspace(x1, x0, 40)
        under = [(float(x), float(z1 - 4 * sag * (x - x0) * (x1 - x) / (x1 - x0) ** 2)) for x in xs]
        holes.append(((x0, z0), (x1, z0), *under))
        area = 0.0
        for z in np.linspace(z0 + 2.0, z1 - 2.2 - sag, count):
            wide, y = rng.uniform(0.25, 0.5), rng.uniform(2, 6)
            round_ = Circle(float(y), float(z), float(wide))
            strands.append(Prism(outline=round_, start_mm=x0 - 0.1, end_mm=x1 + 0.1, axis="X"))
            area += wide * (x1 - x0)
        areas.append(area)
    return Body(
        add=(replace(ladder, holes=tuple(holes)), *others, *strands), cut=PIECE.body.cut
    ), areas


@lru_cache(maxsize=2)
def outcome(colour: str, centre: str) -> Outcome:
    camera = look(SIZE, tilt_deg=9, azimuth_deg=70, roll_deg=4)
    placed = Placed(lay(printed()[0], "back"), 3, 10, 8, colour)
    picture = render(Scene(Mat("a4", centre, 1), camera, SIZE, (placed,), oversample=2))
    photo = Photo("tower.jpg", decoded(picture))
    return measure_photos(
        [photo], PIECE.body, PIECE.features, scale=from_bars(140, 140), sides=("back",)
    )


def values(found: Outcome, quantity: str, group: str) -> np.ndarray:
    rungs = [f.rung for f in PIECE.features if f.group == group]
    by_rung = {
        d.feature.rung: d.value
        for d in found.defects
        if d.quantity == quantity and d.feature.group == group
    }
    return np.array([by_rung[r] for r in rungs])


@pytest.mark.parametrize(("colour", "centre"), [("orange", "dark"), ("blue", "white")])
def test_sag_within_0_15_mm_and_strings_within_a_quarter_in_the_right_order(
    colour: str, centre: str
) -> None:
    found = outcome(colour, centre)
    sag = values(found, "sag", "bridge")
    assert np.abs(sag - SAGS_MM).max() < 0.15
    assert (np.diff(sag) < 0).all()
    strings, true = values(found, "strings", "strings"), np.array(printed()[1])
    assert (np.diff(strings) < 0).all()
    assert strings[-1] < 1.0
    assert np.abs(strings[:-1] / true[:-1] - 1).max() < 0.25


def test_thickness_with_sag_becomes_a_reading_and_teeth_do_not_droop() -> None:
    found = outcome("orange", "dark")
    thick = {r.feature: r for r in readings_of((), found.defects)}
    for k, sag in enumerate(SAGS_MM):
        reading = thick[f"sag_{k + 1}"]
        assert reading.value == pytest.approx(1.0 + sag, abs=0.15)
        assert reading.u is not None
    assert np.abs(values(found, "droop", "overhang")).max() < 0.15
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
