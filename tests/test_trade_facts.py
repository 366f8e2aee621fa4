"""Facts that every practitioner knows, worked through the tool (common practice, no source)."""

from dataclasses import replace

import pytest

from calib.errors import BadInput
from calib.interpret.solve import Context, solve_sheet
from calib.model.drive import Drive
from calib.readings import Reading, read_sheet, sheet_csv
from patterns import registry
from patterns.body import Body, box
from patterns.piece import bounds_mm
from patterns.spec import PrintSetup


@pytest.mark.parametrize(
    ("drive", "steps_per_mm"),
    [
        (Drive(belt_pitch_mm=2, pulley_teeth=20), 80),  # 200 x 16 / (2 x 20)
        (Drive(belt_pitch_mm=2, pulley_teeth=16), 100),
        (Drive(belt_pitch_mm=2, pulley_teeth=20, microsteps=32), 160),
        (Drive(belt_pitch_mm=2, pulley_teeth=20, motor_steps=400), 160),  # a 0.9-degree motor
        (Drive(screw_lead_mm=8), 400),
        (Drive(screw_lead_mm=2), 1600),
    ],
)
def test_steps_per_mm_of_a_drive(drive, steps_per_mm):
    assert drive.steps_per_mm == steps_per_mm


@pytest.mark.parametrize(
    "wrong",
    [
        {"belt_pitch_mm": 2.0},
        {"pulley_teeth": 20},
        {"belt_pitch_mm": 2.0, "pulley_teeth": 20, "screw_lead_mm": 8.0},
        {"screw_lead_mm": 8.0, "microsteps": 0},
        {},
    ],
)
def test_half_a_drive_is_refused(wrong):
    with pytest.raises(BadInput):
        Drive(**wrong)


def test_100_commanded_and_98_measured_at_80_steps_gives_81_63():
    piece = registry.get("carriage-travel").piece({}, PrintSetup())
    sheet = read_sheet(sheet_csv(piece, "fact", "2026-01-01T00:00:00"))
    read = tuple(
        Reading(feature=f"x_travel_{way}", value=98.0) for way in ("out", "back") for _ in range(3)
    )
    solution = solve_sheet(replace(sheet, readings=read), Context(now={"steps_x_per_mm": 80.0}))
    (correction,) = solution.corrections
    assert correction.setting == "steps_x_per_mm"
    assert correction.new == pytest.approx(81.63, abs=0.005)
    assert correction.verdict == "apply"


@pytest.mark.parametrize("build", [(220, 220, 250), (300, 300, 400)])
def test_the_step_gauge_fits_common_build_volumes_and_a_caliper_of_150_mm(build):
    setup = PrintSetup(build_x_mm=build[0], build_y_mm=build[1], build_z_mm=build[2])
    piece = registry.get("step-gauge").piece({}, setup)
    low, high = bounds_mm(piece.body)
    assert all(b - a <= room for a, b, room in zip(low, high, build, strict=True))
    assert (
        140 <= high[0] - low[0] < 150
    )  # the caliper that people have (common practice, no source)


def test_half_scale_halves_every_length():
    whole = registry.get("dimensional-cube").piece({"size_mm": "80"}, PrintSetup(layer_mm=0.2))
    half = registry.get("dimensional-cube").piece({"size_mm": "40"}, PrintSetup(layer_mm=0.1))
    for a, b in zip(whole.features, half.features, strict=True):
        if a.id != "z_inside_window" and not a.id.endswith("lintel") and a.axis != "Z":
            assert b.nominal == pytest.approx(a.nominal / 2), a.id


def test_300_mm_is_11_8_inch():
    piece = registry.get("carriage-travel").piece(
        {"travel_mm": "280"}, PrintSetup(build_x_mm=320, build_y_mm=320, build_z_mm=320)
    )
    sheet = sheet_csv(piece, "fact", "2026-01-01T00:00:00", unit="inch")
    row = next(line for line in sheet.splitlines() if "x_travel_out" in line)
    read = read_sheet(sheet.replace(row, row.rstrip(",") + ",11.811"))
    assert read.readings[0].value == pytest.approx(300.0, abs=0.01)


def test_volume_of_a_body_is_closed_form():
    assert Body(add=(box(0, 0, 0, 10, 20, 30),)).add[0].volume_mm3 == 6000
