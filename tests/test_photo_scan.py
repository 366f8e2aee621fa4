"""Flatbed scans against scans that are drawn with known truth: lengths, the scanner's own scale, the command."""

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from calib.photo.image import load_photo
from calib.photo.mat import Mat
from calib.photo.scale import from_bars
from calib.photo.scan import measure_scans
from calib.photo.scan_look import sought
from calib.photo.scanner import Clue, GlassScale, Size, settle, weights
from calib.readings import read_sheet, sheet_csv
from patterns.feature import Feature, Kind
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.scan_render import (
    PLASTIC,
    Lies,
    Printed,
    Scanner,
    Thing,
    card_outline,
    draw,
    outlines,
    turned,
)

STRIP, GAUGE = (get(name).piece({}, PrintSetup()) for name in ("strip", "corner-gauge"))
HOW = Printed(grow=(0.997, 1.001), shear=0.001, outward_mm=0.04)
#: X and Y differ by 0.3 %, and the carriage is not square to the sensors.
ASKEW = Scanner(x=1.0015, y=0.9985, shear=0.0007)
CARD = Thing(card_outline(), Lies(60, 20, 88), (0.70, 0.72, 0.75), 0.76)


def truth(f: Feature, how: Printed) -> float:
    """Length of a printed feature, from its drawing alone."""
    along = (np.array(f.end) - np.array(f.start))[:2]
    sides = {Kind.OUTSIDE: 2, Kind.INSIDE: -2, Kind.DIAGONAL: 2}.get(f.kind, 0)
    unit = along / np.linalg.norm(along)
    return f.nominal * float(np.linalg.norm(how.turn(unit[None])[0])) + sides * how.outward_mm


def strip_on_glass(y_mm: float = 50.0) -> Thing:
    loops = outlines(STRIP.body, 2.0, HOW, seen_from_below=False)
    return Thing(loops, Lies(0, y_mm, 2), PLASTIC["grey"], 2.2)


def gauge_on_glass() -> Thing:
    """Bed side down: the land's lower edge is 1.6 mm above the glass, and paper far behind."""
    loops = outlines(GAUGE.body, 1.9, HOW, seen_from_below=True)
    return Thing(loops, Lies(-30, 0, 5), PLASTIC["orange"], 18.0, above_mm=1.6)


def files(folder: Path, things: list[Thing], scanner: Scanner, quarters: tuple[int, ...] = (0,), strip=None) -> list[Path]:  # fmt: skip
    out = []
    for q in quarters:
        size = (220.0, 170.0) if q % 2 == 0 else (170.0, 220.0)
        now = [Thing(t.loops, turned(t.lies, q), t.colour, t.thick_mm, t.above_mm) for t in things]
        out.append(folder / f"turn{q}.jpg")
        out[-1].write_bytes(draw(now, "green", scanner, size, strip))
    return out


@pytest.mark.slow
def test_one_scan_of_the_corner_gauge_beside_a_card(tmp_path: Path) -> None:
    (path,) = files(tmp_path, [gauge_on_glass(), CARD], ASKEW)
    found = measure_scans([load_photo(path)], GAUGE.body, GAUGE.features)
    lengths = [n for n in found.lengths if not n.flags]
    assert len(lengths) == 12
    off = np.array([n.value_mm - truth(n.feature, HOW) for n in lengths])
    assert np.sqrt((off**2).mean()) < 0.03
    assert found.views[0].lying.side == "top"  # seen from below: mirrored
    assert "again, turned by 90 degrees" in " ".join(found.notes)
    assert lengths[0].feature.axis == "X"
    assert lengths[0].sd_mm > 0.3  # whether the scanner has a lens is not known


@pytest.mark.slow
def test_two_scans_turned_by_90_degrees_give_the_scanners_x_over_y_whatever_its_lens(tmp_path: Path) -> None:  # fmt: skip
    # A lens 300 mm away draws what is 1.6 mm above the glass 0.53 % smaller along X, and along X alone.
    lens = Scanner(x=1.0015, y=0.9985, shear=0.0007, lens_mm=300.0)
    paths = files(tmp_path, [gauge_on_glass(), CARD], lens, (0, 1))
    found = measure_scans([load_photo(p) for p in paths], GAUGE.body, GAUGE.features)
    ratio, u = found.scale.ratio
    assert ratio == pytest.approx(0.9985 / 1.0015, abs=max(2.5 * u, 1e-4))
    off = np.array([n.value_mm - truth(n.feature, HOW) for n in found.lengths if not n.flags])
    assert len(off) == 12
    assert np.sqrt((off**2).mean()) < 0.06  # a card that nobody measured: 0.08 % of its width
    x = next(n for n in found.lengths if n.feature.id == "x_outside_whole")
    assert x.sd_mm < 0.1  # one scan alone: 0.5 mm, for nobody knows the lens


@pytest.mark.slow
def test_strip_rim_down_is_not_mirrored_and_an_edge_of_a_measured_mat_gives_the_scale(tmp_path: Path) -> None:  # fmt: skip
    printed = (0.996, 0.992)
    mat = Mat("a4", "green", 427)
    (path,) = files(tmp_path, [strip_on_glass(60.0)], ASKEW, strip=(mat, printed, Lies(0, -140, 1)))  # fmt: skip
    names = []

    def paper(name: str):
        names.append(name)
        return from_bars(140 * printed[0], 140 * printed[1])

    found = measure_scans([load_photo(path)], STRIP.body, STRIP.features, paper_of=paper)
    assert set(names) == {mat.name}
    assert found.views[0].lying.side == "bottom"
    for n in found.lengths:
        assert not n.flags
        assert n.value_mm == pytest.approx(truth(n.feature, HOW), abs=max(0.04, 2 * n.sd_mm))
    assert found.scale.factors[:2] == pytest.approx([1 / 1.0015, 1 / 0.9985], abs=6e-4)


@pytest.mark.slow
def test_the_command_fills_the_sheet_and_refuses_what_it_can_not_use(tmp_path: Path) -> None:
    (tmp_path / "sheet.csv").write_text(sheet_csv(STRIP, "s-1", "2026-03-01"), encoding="utf-8")
    (path,) = files(tmp_path, [strip_on_glass(), Thing(CARD.loops, Lies(0, -10, -3), CARD.colour, 0.76)], ASKEW)  # fmt: skip
    args = ["scan", str(tmp_path), str(path)]
    run = CliRunner().invoke(build_app(), [*args, "--card", "85.60x53.98", "--write"])
    assert run.exit_code == 0, run.output
    assert "2 filled in" in run.output
    assert (tmp_path / "scan.csv").exists()
    assert (tmp_path / "turn0-measured.jpg").stat().st_size > 10_000
    for reading in read_sheet(tmp_path / "sheet.csv").readings:
        assert reading.value == pytest.approx(truth(STRIP.feature(reading.feature), HOW), abs=0.1)
    for more, words in (
        (["--card", "99x53.98", "--force"], "ID-1"),
        ([], "--force"),
        ([str(path), "--out", str(tmp_path / "new")], "would both give"),
        (["--out", str(path)], "no folder to write to"),
        (["--dpi", "72", "--force"], "300 to 600 dpi"),
    ):
        run = CliRunner().invoke(build_app(), [*args, *more])
        assert run.exit_code == 2, run.output
        assert words in run.stderr
        assert run.stderr.count("\n") == 1


def test_pieces_whose_edges_stay_off_the_glass_are_refused() -> None:
    assert sought(GAUGE.body).height_mm == pytest.approx(1.6)
    assert sought(STRIP.body).height_mm == 0.0
    assert sought(STRIP.body).lying.side == "bottom"


def test_scale_from_clues_is_the_weighted_mean_of_the_gum() -> None:
    # One length of 100 mm, seen as 99.9: with a prior of 0.4 % and a reading of 0.03 mm the weighted mean
    # of 1 and 1.001 (JCGM 100:2008, 4.1.4 and H.5: weights by variance).
    w = 99.9 * weights(np.array([1.0, 0.0]), 0.0)
    found = settle([Clue(w, {"true": -1.0}, 0.0, 1e-6)], {"true": Size(100.0, 0.03)}, "gauge")
    a, b = 0.004**-2, (0.03 / 99.9) ** -2
    assert found.factors[0] == pytest.approx((a + b * 100 / 99.9) / (a + b), abs=1e-9)
    assert found.covariance[0, 0] ** 0.5 == pytest.approx((a + b) ** -0.5, rel=1e-3)
    assert found.factors[1] == 1.0
    assert GlassScale().sd_along(np.array([0.0, 1.0])) == pytest.approx(0.004)
