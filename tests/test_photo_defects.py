"""Rendered pieces lying on their backs, with known strands, sag, droop and roughness.

Each is rendered once, photographed by `truebead photo --write`, and its sheet solved. The truth is what
the pieces were drawn with; strands are counted as width times length, as seen from above.
"""

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr
from typer.testing import CliRunner

from calib.cli import build_app
from calib.interpret.solve import Context, solve_sheet
from calib.photo.defects import Defect
from calib.photo.lying import lay
from calib.photo.mat import Mat
from calib.photo.rows import defect_rows, readings_of
from calib.photo.shares import Colours
from calib.photo.side_views import USUAL_SIDES, spacer_mm
from calib.photo.strands import strings_in
from calib.readings import Sheet, read_sheet, sheet_csv
from patterns.body import Body
from patterns.feature import Feature, Kind
from patterns.piece import Piece
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.photo_pieces import hanging, strands, wavy
from tests.photo_render import Placed, Scene, jpeg, look, render

SIZE = (1700, 2267)  # 6.8 px/mm: less than a phone's picture has
# The best band is in the middle, and no two are alike.
SAGS_MM = (1.0, 0.45, 0.05, 0.25, 0.7)
DROOPS_MM = (0.8, 0.3, 0.0, 0.1, 0.5)
STRANDS = (4, 2, 0, 1, 3)
LAMPS = ((0.5, 0.4, 1.0), (-0.5, 0.4, 1.0), (-0.5, -0.4, 1.0), (0.5, -0.4, 1.0))


#: Sizes that the drawn photos were made for, larger than the usual ones.
SIZES = {
    "temperature-tower": {"judgements": "5", "band_mm": "10", "gap_mm": "15", "depth_mm": "8"},
    "string-posts": {"band_mm": "6", "long_mm": "30", "depth_mm": "6"},
    "bridge-ladder": {"headroom_mm": "8", "depth_mm": "8"},
    "overhang-ladder": {"reach_mm": "8", "lip_mm": "2", "depth_mm": "8", "gap_mm": "5"},
}


def piece(name: str, **given: str) -> Piece:
    given = SIZES.get(name, {}) | given
    return get(name).piece(given, PrintSetup())


TOWER = piece("temperature-tower", from_c="220", to_c="200", step_c="5")
POSTS = piece("string-posts", to_value="3")
BRIDGES = piece("bridge-ladder", to_mm="40")
OVERHANGS = piece("overhang-ladder", from_deg="45", to_deg="70")


@dataclass(frozen=True)
class Shot:
    """What `truebead photo` said of one picture, and the sheet that it filled."""

    piece: Piece
    rows: list[dict[str, str]]
    sheet: Sheet
    words: str

    def values(self, quantity: str, group: str) -> np.ndarray:
        """Return the value of each rung of a group, in the piece's order."""
        ids = {f.id: n for n, f in enumerate(self.piece.features) if f.group == group}
        mine = [r for r in self.rows if r["quantity"] == quantity and r["feature"] in ids]
        mine.sort(key=lambda r: ids[r["feature"]])
        return np.array([float(r["value"]) for r in mine])

    @property
    def doubts(self) -> set[str]:
        return {r["flags"] for r in self.rows} - {""}


def shoot(
    folder: Path,
    made: Piece,
    body: Body,
    colour: str,
    centre: str,
    lamp: int,
    *,
    turned: bool = False,
    ambient: float = 0.55,
) -> Shot:
    """Render a body lying on its back, and measure it as the piece it was made from."""
    folder.mkdir(exist_ok=True)
    camera = look(SIZE, tilt_deg=9, azimuth_deg=-110 if turned else 70, roll_deg=4)
    placed = Placed(lay(body, "back"), 3, 10, 8, colour)
    scene = Scene(
        Mat("a4", centre, 1),
        camera,
        SIZE,
        (placed,),
        light=LAMPS[lamp],
        oversample=2,
        seed=lamp,
        ambient=ambient,
    )
    (folder / "lying.jpg").write_bytes(jpeg(render(scene)))
    (folder / "sheet.csv").write_text(sheet_csv(made, "p", "2026-03-01"), encoding="utf-8")
    words = ["photo", str(folder), str(folder / "lying.jpg"), "--bar-x", "140", "--bar-y", "140"]
    result = CliRunner().invoke(build_app(), [*words, "--write", "--json"])
    rows = json.loads(result.stdout)["measured"]
    assert result.exit_code == (1 if all(r["flags"] for r in rows) else 0), result.output
    return Shot(made, rows, read_sheet(folder), result.stdout)


def of_kind(made: Piece, group: str, *kinds: Kind) -> list[Feature]:
    return [f for f in made.features if f.group == group and f.kind in kinds]


WAVE_MM = 0.2  # of the reed's outer wall in the lowest band


def printed_tower() -> tuple[Body, np.ndarray]:
    """The tower with sags, droops, strands and a wave; and the strands' areas in mm2."""
    body = hanging(TOWER.body, of_kind(TOWER, "bridge", Kind.SCORE), SAGS_MM)
    body = hanging(body, of_kind(TOWER, "overhang", Kind.SCORE), DROOPS_MM)
    floor, top = (TOWER.schedule[0].z_to_mm - 10.0, TOWER.schedule[0].z_to_mm)
    body, _ = wavy(body, floor, top, WAVE_MM, 4.0)
    drawn, areas = strands(of_kind(TOWER, "strings", Kind.SCORE), STRANDS, 4.0)
    return replace(body, add=(*body.add, *drawn)), np.array(areas)


@pytest.fixture(scope="module")
def towers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Shot]:
    """The tower in two filaments on both mats, the lamp on two sides."""
    body, _ = printed_tower()
    folder = tmp_path_factory.mktemp("towers")
    return {
        "orange": shoot(folder / "orange", TOWER, body, "orange", "green", 0),
        "blue": shoot(folder / "blue", TOWER, body, "blue", "white", 1),
    }


@pytest.mark.parametrize("colour", ["orange", "blue"])
def test_a_tower_s_sag_droop_and_strings_in_the_right_order(
    towers: dict[str, Shot], colour: str
) -> None:
    shot, areas = towers[colour], printed_tower()[1]
    sag, droop = shot.values("sag", "bridge"), shot.values("droop", "overhang")
    seen = shot.values("strings", "strings")
    assert np.abs(sag - SAGS_MM).max() < 0.15
    assert np.abs(droop - DROOPS_MM).max() < 0.15
    off = np.concatenate([sag - SAGS_MM, droop - DROOPS_MM])
    assert np.sqrt((off**2).mean()) < 0.065
    some = areas > 0
    assert np.abs(seen[some] / areas[some] - 1).max() < 0.25
    assert seen[~some].max() < 1.0
    for values, true in ((sag, SAGS_MM), (droop, DROOPS_MM)):
        assert np.argsort(values).tolist() == np.argsort(true).tolist()
    # what is right to a quarter can't put two bands in order that differ by less (20.5 and 17.7 mm2)
    clear = areas[:, None] > 1.25 * areas
    assert clear.sum() >= 9
    assert (seen[:, None] > seen)[clear].all()
    rough = shot.values("roughness", "roughness")
    assert rough[0] == pytest.approx(WAVE_MM / 2**0.5, rel=0.3)
    assert rough[1:].max() < 0.05
    assert not shot.doubts


@pytest.mark.parametrize("colour", ["orange", "blue"])
def test_a_tower_s_photo_becomes_readings_and_the_best_temperature(
    towers: dict[str, Shot], colour: str
) -> None:
    sheet = towers[colour].sheet
    in_photo = {f.id for f in TOWER.features if f.instrument == "photo" or f.group == "sag"}
    assert {r.feature for r in sheet.readings} == in_photo
    assert all(r.u for r in sheet.readings)
    assert any("mm2" in r.text for r in sheet.readings)
    (c,) = solve_sheet(sheet, Context(now={"hot_end_c": 225.0})).corrections
    assert c.setting == "hot_end_c"
    assert c.new == pytest.approx(210.0, abs=3.0)  # the band without strands


def test_strings_between_posts_and_the_best_retraction(tmp_path: Path) -> None:
    gaps = of_kind(POSTS, "strings", Kind.SCORE)
    counts = (3, 3, 2, 1, 0, 1, 2)
    drawn, areas = strands(gaps, counts, 2.0)
    body = replace(POSTS.body, add=(*POSTS.body.add, *drawn))
    shot = shoot(tmp_path, POSTS, body, "white", "dark", 2)
    seen, true = shot.values("strings", "strings"), np.array(areas)
    some = true > 0
    assert np.abs(seen[some] / true[some] - 1).max() < 0.25
    assert seen[~some].max() < 1.0
    assert shot.values("strings", "strings_short").max() < 0.5
    assert not shot.doubts
    (c,) = solve_sheet(shot.sheet).corrections
    assert c.setting == "retraction_mm"
    assert c.new == pytest.approx(2.0, abs=0.35)


def test_sag_of_bridges_seen_from_below_and_their_limit(tmp_path: Path) -> None:
    """The wall below a dark edge is no sag. Allowed are 0.3 mm: passed between 20 and 30 mm."""
    spans = of_kind(BRIDGES, "pass", Kind.PASS)
    sags = np.array([0.05, 0.15, 0.45, 0.9])
    body = hanging(BRIDGES.body, spans, list(sags))
    shot = shoot(tmp_path, BRIDGES, body, "blue", "white", 0, turned=True)
    thick = {r.feature: r.value for r in shot.sheet.readings}
    for f, sag in zip(of_kind(BRIDGES, "sag", Kind.STEP), sags, strict=True):
        assert thick[f.id] == pytest.approx(f.nominal + sag, abs=0.15)
    (c,) = solve_sheet(shot.sheet).corrections
    assert c.setting == "bridge_limit_mm"
    assert c.new == pytest.approx(25.0, abs=4.0)


def test_droop_of_overhangs_and_their_limit(tmp_path: Path) -> None:
    """Allowed are 0.3 mm: passed half way between 55 and 60 degrees."""
    sails = of_kind(OVERHANGS, "pass", Kind.PASS)
    droops = np.array([0.0, 0.05, 0.1, 0.5, 0.7, 0.9])
    body = hanging(OVERHANGS.body, sails, list(droops))
    shot = shoot(tmp_path, OVERHANGS, body, "orange", "green", 3)
    thick = {r.feature: r.value for r in shot.sheet.readings}
    true = {
        f.id: f.nominal + droop
        for f, droop in zip(of_kind(OVERHANGS, "sag", Kind.STEP), droops, strict=True)
    }
    assert len(thick) >= 4
    for name, value in thick.items():
        assert value == pytest.approx(true[name], abs=0.15), name
    assert len(thick) == len(true) or any("looks under it" in d for d in shot.doubts)
    (c,) = solve_sheet(shot.sheet).corrections
    assert c.setting == "overhang_limit_deg"
    assert c.new == pytest.approx(57.5, abs=2.5)


def test_a_harsh_shadow_on_white_paper_is_said_and_not_written(
    tmp_path: Path,
) -> None:
    """Grey filament beside a shadow as dark: no edge of it, and no string, becomes a reading."""
    body, _ = printed_tower()
    shot = shoot(tmp_path, TOWER, body, "grey", "white", 0, ambient=0.3)
    assert not shot.sheet.readings
    assert all("paper of another colour" in d for d in shot.doubts)
    assert shot.doubts


PAPER, BLUE = (np.array(v) for v in ((0.8, 0.79, 0.77), (0.03, 0.09, 0.42)))


def gap_light(
    face: np.ndarray, wide_mm: float, *, heights_mm: tuple[float, ...] = (-1.5, 0.6)
) -> np.ndarray:
    """15 x 8 mm of paper between two dark walls, with a shadow's edge, crossed by threads."""
    along, aside = np.meshgrid(np.arange(0, 15, 0.1), np.arange(-4, 4, 0.1), indexing="ij")
    walls = 1 - 0.6 * np.exp(-along / 1.5) - 0.6 * np.exp((along - 15) / 1.5)
    lamp = 0.7 + 0.3 * np.tanh((aside - 1.2 + 0.1 * along) / 1.0)
    cover = np.zeros(along.shape)
    for height in heights_mm:  # blurred by a camera
        edges = (aside - height + wide_mm / 2) / 0.17, (aside - height - wide_mm / 2) / 0.17
        cover += ndtr(edges[0]) - ndtr(edges[1])
    paper = (walls * lamp)[..., None] * PAPER
    return cover[..., None] * 0.6 * face + (1 - cover[..., None]) * paper


@pytest.mark.parametrize(
    ("face", "wide_mm"),
    [
        *((face, wide_mm) for face in (BLUE, BLUE[::-1]) for wide_mm in (0.25, 0.5)),
        (
            0.03 * PAPER,
            0.35,
        ),  # thinner ones of black filament can't be told from shadows on white paper
        (0.03 * PAPER, 0.5),
    ],
)
def test_threads_before_shadowed_paper_are_counted_and_shadows_are_not(
    face: np.ndarray, wide_mm: float
) -> None:
    colours = Colours(face, PAPER, by_colour=bool(np.ptp(face) > 0.1))
    share = strings_in(gap_light(face, wide_mm), colours)
    assert 0.01 * share.sum() == pytest.approx(2 * 15 * wide_mm, rel=0.12)
    bare = strings_in(gap_light(face, wide_mm, heights_mm=()), colours)
    assert abs(0.01 * bare.sum()) < 0.1


@pytest.mark.parametrize("shade", [1.0, 0.3, 0.1])
def test_what_plastic_covers_is_the_same_in_any_shade(shade: float) -> None:
    part = np.array([0.0, 0.2, 0.5, 1.0])
    mixed = part[:, None] * BLUE + (1 - part[:, None]) * PAPER
    assert Colours(BLUE, PAPER, by_colour=True).cover(shade * mixed) == pytest.approx(part)


def test_rows_of_defects_carry_their_own_unit_and_doubts_are_no_readings() -> None:
    (feature,) = (f for f in TOWER.features if f.id == "strings_mm2_1")
    sure = Defect(feature, "strings", 3.14159, "mm2", 0.2)
    row = defect_rows([sure])[0]
    assert row[:6] == (feature.id, "strings", f"{feature.rung:g}", "3.142", "0.200", "mm2")
    (reading,) = readings_of((), [sure])
    assert (reading.feature, reading.u) == (feature.id, 0.2)
    assert not readings_of((), [replace(sure, note="shadow")])


@pytest.mark.parametrize("name", sorted(USUAL_SIDES))
def test_pieces_lie_level_on_their_usual_side(name: str) -> None:
    made = piece(name)
    assert spacer_mm(lay(made.body, USUAL_SIDES[name][0])) == 0.0
    # What is judged is seen from there: nothing stands in front of the gaps and undersides.
    lying = lay(made.body, USUAL_SIDES[name][0])
    for f in made.features:
        if f.kind in (Kind.SCORE, Kind.PASS) and f.group != "surface":
            middle = lying.from_piece((np.array([f.start]) + f.end) / 2)
            above = middle + np.arange(0.1, 30.0, 0.2)[:, None] * np.array([0.0, 0.0, 1.0])
            inside = lying.solid_at(above)
            assert not inside[above[:, 2] > made.spec.depth_mm + 0.01].any()  # type: ignore[attr-defined]


def test_a_foot_that_juts_out_needs_a_spacer() -> None:
    """The tower's foot reaches 5 mm in front of it, that of the posts 4 mm."""
    for name, gap in (("temperature-tower", 5.0), ("string-posts", 4.0)):
        assert spacer_mm(lay(piece(name).body, "front")) == pytest.approx(gap, abs=0.51)
    assert spacer_mm(lay(piece("dimensional-cube").body, "bottom")) == 0.0
