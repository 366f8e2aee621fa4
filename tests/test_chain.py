"""The whole chain on simulated printers: print, solve, apply, print again, until nothing is left."""

from dataclasses import replace

import numpy as np
import pytest

from bench.chain import calibrated
from calib.interpret.solve import Context, solve_sheet
from calib.model.drive import Drive
from calib.readings import Reading, read_sheet, sheet_csv
from patterns import registry
from patterns.spec import PrintSetup
from tests.simulate import Caliper, Printer, readings

START = {"steps_x_per_mm": 80.0, "steps_y_per_mm": 80.0, "steps_z_per_mm": 400.0}
BELT = Drive(belt_pitch_mm=2, pulley_teeth=20)


def printed(truth: Printer, now: dict[str, float]) -> Printer:
    """Return what comes out of a printer once corrections are set: steps, offset, skew, gap."""
    scale = tuple(
        (1 + e) * now[f"steps_{a}_per_mm"] / START[f"steps_{a}_per_mm"] - 1
        for a, e in zip("xyz", truth.scale, strict=True)
    )
    return replace(
        truth,
        scale=scale,
        offset_mm=truth.offset_mm + 2 * now.get("outline_offset_mm", 0.0),
        skew={"XY": truth.skew.get("XY", 0.0) - np.radians(now.get("skew_xy_deg", 0.0))},
        squeeze_mm=truth.squeeze_mm + now.get("first_layer_gap_mm", 0.0),
    )


def solved(names, truth, now, seed, caliper=None):
    """Print, measure and solve each piece; return the values to set, steps rather than scale."""
    rng = np.random.default_rng(seed)
    found = dict(now)
    for name in names:
        piece = registry.get(name).piece({}, PrintSetup())
        which, value = readings(
            piece.features, printed(truth, found), caliper or Caliper.drawn(rng), rng
        )
        sheet = read_sheet(sheet_csv(piece, "chain", "2026-01-01T00:00:00"))
        read = tuple(
            Reading(feature=piece.features[i].id, value=float(v))
            for i, v in zip(which, value, strict=True)
        )
        solution = solve_sheet(replace(sheet, readings=read), Context(now=found))
        for c in solution.corrections:
            if c.verdict == "apply" and not c.setting.startswith("scale"):
                found[c.setting] = c.new
    return found


@pytest.mark.parametrize("seed", range(4))
def test_two_rounds_bring_a_printer_within_its_uncertainty(seed):
    rng = np.random.default_rng(100 + seed)
    truth = Printer(
        scale=tuple(rng.uniform(-0.05, 0.05, 3)),
        offset_mm=rng.uniform(-0.3, 0.3),
        skew={"XY": rng.uniform(-0.02, 0.02)},
        squeeze_mm=rng.uniform(-0.1, 0.1),
    )
    now = dict(START)
    for turn in range(2):
        now = solved(("dimensional-cube", "squareness-frame"), truth, now, 10 * seed + turn)
    left = printed(truth, now)
    assert abs(left.scale[0]) < 0.0008  # 95 % of the frame is about 0.04 %, twice over
    assert abs(left.scale[1]) < 0.0008
    assert abs(left.scale[2]) < 0.0026  # the cube alone informs Z
    assert abs(left.offset_mm) < 0.04
    assert abs(np.degrees(left.skew["XY"])) < 0.03
    assert abs(left.squeeze_mm) < 0.1


@pytest.mark.parametrize("start", [0.95, 0.985, 1.04])
def test_flow_converges_in_two_rounds(start):
    """A block is weighed, flow is set, the next block is weighed: the mass comes out right."""
    rng = np.random.default_rng(int(1000 * start))
    piece = registry.get("weigh-block").piece({}, PrintSetup())
    area_mm2, density = np.pi * 1.75**2 / 4, 1.24
    asked_mm = round(piece.volume_mm3 / area_mm2)
    keys = {"extruded_mm": str(asked_mm), "density_g_cm3": str(density)}
    now = {"flow_percent": 100.0}
    for _ in range(2):
        flow = start * now["flow_percent"] / 100
        mass = asked_mm * area_mm2 * density * flow / 1000
        sheet = read_sheet(sheet_csv(piece, "chain", "2026-01-01T00:00:00", keys=keys))
        read = tuple(
            Reading(feature="mass", value=round(mass + rng.normal(0, 0.03), 1)) for _ in range(3)
        )
        (correction,) = solve_sheet(replace(sheet, readings=read), Context(now=now)).corrections
        if correction.verdict == "apply":
            now["flow_percent"] = correction.new
    left = start * now["flow_percent"] / 100
    assert left == pytest.approx(1.0, abs=correction.error.expanded() / 100)


def sheet_of(name, truth, caliper=None, seed=3):
    piece = registry.get(name).piece({}, PrintSetup())
    which, value = readings(
        piece.features, truth, caliper or Caliper(), np.random.default_rng(seed)
    )
    sheet = read_sheet(sheet_csv(piece, "chain", "2026-01-01T00:00:00"))
    read = [
        Reading(feature=piece.features[i].id, value=float(v), text=f"{v:.2f}")
        for i, v in zip(which, value, strict=True)
    ]
    return sheet, read


def said(sheet, read, context=None):
    solution = solve_sheet(replace(sheet, readings=tuple(read)), context)
    words = [t for f in solution.findings for t in f.summary]
    return " ".join([*words, *(s.explanation for s in solution.suspects)]), solution


@pytest.mark.parametrize(
    ("ratio", "drive", "words"),
    [
        (16 / 20, BELT, "pulley of 16 teeth"),
        (0.5, BELT, "microsteps"),
        (2.0, BELT, "microsteps"),
    ],
)
def test_wrong_mechanics_are_diagnosed_by_name(ratio, drive, words):
    truth = Printer(scale=(ratio * 0.997 - 1, -0.003, 0.0))
    sheet, read = sheet_of("step-gauge", truth)
    text, _ = said(sheet, read, Context(now=START, drives={"X": drive, "Y": drive}, filament="PLA"))
    assert words in text
    assert "X moves" in text
    assert "Y moves" not in text


def test_a_caliper_in_inches_is_diagnosed():
    sheet, read = sheet_of("step-gauge", Printer())
    inches = [replace(r, value=r.value / 25.4, text=f"{r.value / 25.4:.4f}") for r in read]
    with pytest.raises(ValueError, match="inches"):
        said(sheet, inches)


def test_a_caliper_that_was_not_zeroed_is_diagnosed():
    sheet, read = sheet_of("dimensional-cube", Printer(offset_mm=0.1), Caliper(zero_mm=0.3))
    text, _ = said(sheet, read)
    assert "not zeroed" in text


def test_swapped_rows_are_diagnosed():
    sheet, read = sheet_of("step-gauge", Printer())
    first = [r for r in read if r.feature == "x_outside_2_4"]
    second = [r for r in read if r.feature == "x_outside_1_4"]
    swapped = {id(r): o.value for r, o in zip(first + second, second + first, strict=True)}
    mixed = [replace(r, value=swapped.get(id(r), r.value)) for r in read]
    text, solution = said(sheet, mixed)
    assert "swapped" in text
    assert solution.needs_user
    accepted = solve_sheet(replace(sheet, readings=tuple(mixed)), accept=True)
    assert not accepted.needs_user


def test_x_and_y_rows_swapped_are_diagnosed_although_their_nominals_are_equal():
    sheet, read = sheet_of("step-gauge", Printer(scale=(-0.006, 0.005, 0.0)))
    first = [r for r in read if r.feature == "x_outside_1_4"]
    second = [r for r in read if r.feature == "y_outside_1_4"]
    swapped = {id(r): o.value for r, o in zip(first + second, second + first, strict=True)}
    mixed = [replace(r, value=swapped.get(id(r), r.value)) for r in read]
    text, solution = said(sheet, mixed)
    assert "the reading of y_outside_1_4" in text
    assert "the reading of x_outside_1_4" in text
    assert solution.needs_user


def test_a_small_slip_is_found_in_the_second_pass_and_accepted_on_request():
    sheet, read = sheet_of("step-gauge", Printer())
    at = next(i for i, r in enumerate(read) if r.feature == "x_outside_2_4")
    slipped = list(read)
    slipped[at] = replace(read[at], value=read[at].value + 0.9, text=f"{read[at].value + 0.9:.2f}")
    text, solution = said(sheet, slipped)
    assert "does not belong with the others" in text
    assert any("with it" in s.effect and "without it" in s.effect for s in solution.suspects)


@pytest.mark.parametrize("steps_known", [True, False])
def test_a_fault_never_becomes_a_scale(steps_known):
    """Y moves half as far on a printer whose drives nobody wrote down."""
    sheet, read = sheet_of("step-gauge", Printer(scale=(-0.003, 0.5 * 0.997 - 1, 0.0)))
    context = Context(now=START if steps_known else {}, filament="PLA")
    text, solution = said(sheet, read, context)
    assert "Y moves 0.5 times what it should" in text
    found = {c.setting: c for c in solution.corrections}
    if steps_known:
        assert "scale_y_percent" not in found
        assert found["steps_y_per_mm"].new == pytest.approx(160.0)
    else:
        assert found["scale_y_percent"].new == found["scale_y_percent"].old == 100.0
        assert found["scale_y_percent"].verdict == "print again"
    assert found["scale_x_percent"].new == pytest.approx(100.3, abs=0.06)


def test_a_wrong_part_set_right_leaves_no_dead_end():
    """16 teeth for 20: steps of the part are proposed; with them set, the rest is scale or steps."""
    now = dict(START)
    drives = {"X": BELT, "Y": BELT}
    for _ in range(2):
        at = now["steps_x_per_mm"] / START["steps_x_per_mm"]
        sheet, read = sheet_of("step-gauge", Printer(scale=(0.8 * 0.996 * at - 1, -0.003, 0.0)))
        _, solution = said(sheet, read, Context(now=now, drives=drives, filament="PLA"))
        found = next(c for c in solution.corrections if c.setting == "steps_x_per_mm")
        assert found.verdict == "apply"
        if now == START:
            assert found.new == pytest.approx(100.0)
            now["steps_x_per_mm"] = found.new
    scale = next(c for c in solution.corrections if c.setting == "scale_x_percent")
    assert scale.new == pytest.approx(100 / 0.996, abs=0.06)
    assert scale.instead_of == "steps_x_per_mm"


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_sheets_in_any_order_bring_a_random_printer_right(seed, tmp_path):
    """Up to 5 % off, steps written down nowhere, through a store; 30 printers in `bench.chain`."""
    left = calibrated(seed, tmp_path)
    assert left.scale_percent <= 0.06
    assert left.offset_mm <= 0.02
    assert left.skew_deg <= 0.03
    assert not left.stuck
    assert left.wrong_way == 0
