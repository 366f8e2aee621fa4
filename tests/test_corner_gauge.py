"""The corner gauge: what one small square settles, by the fit that will read it, and on simulated prints."""

import math
from dataclasses import replace

import numpy as np
import pytest

from calib.fit.dimensions import KINDS, Closed, expected_fit
from calib.interpret.solve import Context, solve_sheet
from calib.model.instrument import DEFAULTS
from calib.readings import Reading, read_sheet, sheet_csv
from patterns import registry
from patterns.feature import Kind
from patterns.filaments import filament
from patterns.preview import preview_mesh
from patterns.print_cost import print_cost
from patterns.spec import PrintSetup
from tests.simulate import Caliper, Printer, readings

CALIPER = DEFAULTS["caliper"]


def gauge(setup=None, **given):
    pattern = registry.get("corner-gauge")
    return pattern.piece({k: str(v) for k, v in given.items()}, setup or PrintSetup())


def sizes(piece):
    return [f for f in piece.by_hand if f.kind in KINDS]


def test_one_reading_of_each_length_settles_what_it_is_for():
    """Half-widths of 95 % with an ordinary caliper, its closed jaws looked at, each length read once."""
    jaws = Closed(shown_mm=0.0, u_mm=0.006)
    fit = expected_fit(sizes(gauge()), CALIPER, repeats=1, closed=jaws)
    assert 100 * fit["scale_x"].expanded() < 0.065
    assert 100 * fit["scale_y"].expanded() < 0.065
    assert 100 * fit["scale_z"].expanded() < 0.20
    assert math.degrees(fit["skew_xy"].expanded()) < 0.046
    assert fit["squeeze"].expanded() < 0.033
    wall = fit.combine({"offset_x": 0.25, "offset_y": 0.25}, "outline_offset", "mm")
    assert wall.expanded() < 0.019


def test_it_takes_little_time_plastic_and_reading():
    piece = gauge()
    takes = print_cost(piece, preview_mesh(piece.body), filament("PLA"))
    assert takes.minutes <= 30
    assert takes.grams <= 7
    assert len([f for f in piece.by_hand if f.unit == "mm"]) <= 18  # and its mass
    assert max(f.nominal for f in piece.features) <= 150


def test_jaws_press_along_a_bar_of_its_own():
    """Halfway along every long length there is plastic: an open L would give way by millimetres."""
    piece = gauge()
    mesh = preview_mesh(piece.body)
    whole = [f for f in piece.by_hand if f.id.endswith("whole") or f.kind is Kind.DIAGONAL]
    assert len(whole) == 4
    for f in whole:
        a, b = np.array(f.start), np.array(f.end)
        beside = np.cross((b - a) / np.linalg.norm(b - a), [0.0, 0.0, 1.0])
        for share in (0.3, 0.4, 0.6, 0.7):
            at = a + share * (b - a)
            near = [at + d * beside for d in (-6.0, -4.0, -2.0, 0.0, 2.0, 4.0, 6.0)]
            assert mesh.contains(np.array(near)).any(), (f.id, share)


def test_the_rim_is_the_widest_place():
    """Seen from above nothing stands out beyond the upright land that the jaws touch."""
    piece = gauge()
    points = preview_mesh(piece.body).corners.reshape(-1, 3)
    land, foot = (points[np.abs(points[:, 2] - z) < 1e-6] for z in (2.2, 0.0))
    # Straight down from the rim there is air: 1.6 mm at the foot, at both ends of both arms.
    for axis in (0, 1):
        assert foot[:, axis].min() - land[:, axis].min() == pytest.approx(1.6)
        assert land[:, axis].max() - foot[:, axis].max() == pytest.approx(1.6)
    for f in piece.features:
        if f.kind in (Kind.OUTSIDE, Kind.INSIDE, Kind.DIAGONAL):
            assert 1.6 < f.start[2] < 2.2


@pytest.mark.parametrize("bed_mm", [100.0, 120.0, 180.0, 400.0])
def test_it_fits_beds_from_100_mm(bed_mm):
    piece = gauge(PrintSetup(build_x_mm=bed_mm, build_y_mm=bed_mm, build_z_mm=100.0))
    low, high = preview_mesh(piece.body).bounds
    assert max(high - low) <= bed_mm - 10.0 + 1e-6
    assert max(f.nominal for f in piece.features) <= 150.0


def test_a_filled_in_sheet_settles_everything_at_once():
    piece = gauge()
    sheet = read_sheet(sheet_csv(piece, "corner", "2026-01-01T00:00:00"))
    rng = np.random.default_rng(5)
    truth = Printer(scale=(0.004, 0.004, 0.0), offset_mm=0.2, skew={"XY": 0.01}, squeeze_mm=-0.1)
    lengths = sizes(piece)
    which, value = readings(lengths, truth, Caliper.drawn(rng), rng, repeats=1)
    read = [
        Reading(feature=lengths[i].id, value=float(v)) for i, v in zip(which, value, strict=True)
    ]
    read += [Reading(feature=f"wall_{a}_arm", value=2.35) for a in "xy"]
    keys = {**sheet.keys, "jaws_closed_mm": "0.00"}
    solution = solve_sheet(replace(sheet, readings=tuple(read), keys=keys), Context())
    settings = {c.setting: c for c in solution.corrections}
    assert {
        "scale_x_percent", "scale_y_percent", "scale_z_percent", "outline_offset_mm", "skew_xy_deg",
        "first_layer_gap_mm", "flow_percent",
    } <= set(settings)  # fmt: skip
    assert settings["outline_offset_mm"].verdict == "apply"
    assert settings["skew_xy_deg"].verdict == "apply"
    assert settings["flow_percent"].new < 97
    assert not any(s for s in solution.suspects)


def test_flow_is_told_from_sound_walls_to_four_percent():
    piece = gauge()
    sheet = read_sheet(sheet_csv(piece, "corner", "2026-01-01T00:00:00"))
    read = tuple(
        Reading(feature=f.id, value=f.nominal) for f in piece.features if f.group == "wall"
    )
    keys = {**sheet.keys, "jaws_closed_mm": "0.00"}
    solution = solve_sheet(replace(sheet, readings=read, keys=keys), Context())
    flow = next(c for c in solution.corrections if c.setting == "flow_percent")
    assert flow.error.expanded() < 4.0
