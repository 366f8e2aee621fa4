"""From walls, masses, filament and feeds to settings: numbers worked by hand, and chains that close."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from calib.errors import SheetError
from calib.interpret.solve import Context, solve_sheet
from calib.model.correction import Verdict
from calib.model.drive import Drive
from calib.model.instrument import DEFAULTS
from calib.readings import Reading
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.readkit import block, sheet, wall_box

C = 0.2 * (1 - math.pi / 4)
PLA = Context(filament="PLA")


def only(solution, setting):
    return next(c for c in solution.corrections if c.setting == setting)


def test_thick_walls_lower_the_flow_by_their_area():
    """Walls of 0.491 for 0.45 at layer 0.2: area ratio (0.491 - c) / (0.45 - c) = 1.1007."""
    solution = solve_sheet(sheet(wall_box(), lambda f: 0.491, jaws_closed_mm="0.00"))
    c = only(solution, "flow_percent")
    ratio = (0.491 - C) / (0.45 - C)
    assert c.verdict is Verdict.APPLY
    assert c.new == pytest.approx(100 / ratio, rel=1e-6)
    assert c.error.value == pytest.approx(100 * (ratio - 1), rel=1e-6)
    why = " ".join(solution.findings[0].why)
    assert f"area ratio {ratio:.4f}" in why
    assert f"plain width ratio {0.491 / 0.45:.4f}" in why


def test_without_a_checked_zero_walls_alone_settle_nothing_and_it_says_what_would():
    made = wall_box()
    c = only(solve_sheet(sheet(made, lambda f: 0.47)), "flow_percent")
    assert c.verdict is Verdict.PRINT_AGAIN
    assert "# jaws_closed_mm" in c.reason
    promised = float(c.reason.split("# jaws_closed_mm")[1].split("about ± ")[1].split(" %")[0])
    after = only(solve_sheet(sheet(made, lambda f: 0.47, jaws_closed_mm="0.00")), "flow_percent")
    assert after.error.expanded() == pytest.approx(promised, abs=0.06)
    assert after.error.expanded() < 0.6 * c.error.expanded()


def test_what_closed_jaws_show_is_taken_off():
    a = only(solve_sheet(sheet(wall_box(), lambda f: 0.47, jaws_closed_mm="0,02")), "flow_percent")
    b = only(solve_sheet(sheet(wall_box(), lambda f: 0.45, jaws_closed_mm="0.00")), "flow_percent")
    assert a.new == pytest.approx(b.new)


def test_a_side_with_the_seam_is_shown_with_its_effect_and_not_used():
    rng = np.random.default_rng(1)
    read = {
        f.id: 0.45 + rng.normal(0, 0.012) + 0.12 * ("back" in f.id) for f in wall_box().features
    }
    solution = solve_sheet(sheet(wall_box(), lambda f: read[f.id], jaws_closed_mm="0.00"))
    assert {s.reading.feature for s in solution.suspects} == {
        "wall_back_low", "wall_back_middle", "wall_back_high",
    }  # fmt: skip
    first = solution.suspects[0]
    assert not first.used
    assert "seam" in first.explanation
    assert "with it" in first.effect
    assert "without it" in first.effect
    assert abs(only(solution, "flow_percent").error.value) < 5


def test_a_single_wall_that_does_not_belong_is_set_aside_with_its_effect():
    rng = np.random.default_rng(1)
    read = {f.id: 0.46 + rng.normal(0, 0.01) for f in wall_box().features}
    read["wall_left_middle"] = 0.64  # 0.46 with its digits swapped
    solution = solve_sheet(sheet(wall_box(), lambda f: round(read[f.id], 2), jaws_closed_mm="0.00"))
    (suspect,) = solution.suspects
    assert suspect.reading.feature == "wall_left_middle"
    assert not suspect.used
    assert suspect.proposal == pytest.approx(0.46)
    assert "two digits swapped" in suspect.explanation
    assert "without it" in suspect.effect
    assert abs(only(solution, "flow_percent").error.value - 2.4) < 2.5


def test_mass_against_extruded_length_by_hand():
    """8000 mm of 1.75 mm filament (2.405282 mm2) at 1.24 g/cm3 weigh 23.860 g; 23.0 is 96.39 %."""
    made = sheet(block(), lambda f: 23.0, extruded_mm="8000", density_g_cm3="1.24")
    c = only(solve_sheet(made), "flow_percent")
    flow = 23.0 / (8000 * 2.405282 * 1.24e-3)
    assert c.new == pytest.approx(100 / flow, rel=1e-5)
    # Density 0.5 %, volume 0.2 %, balance 0.1 / sqrt(3) g common and 0.0577 g to read.
    balance = DEFAULTS["balance"]
    grams = 8000 * 2.405282 * 1.24e-3
    u = math.hypot(0.005 * flow, 0.002, balance.u_zero / grams, balance.u_reading / grams)
    assert c.error.u == pytest.approx(100 * u, rel=1e-3)


def test_the_old_setting_is_what_gets_corrected():
    made = sheet(block(), lambda f: 23.0, extruded_mm="8000")
    a = only(solve_sheet(made, PLA), "flow_percent")
    b = only(solve_sheet(made, Context(filament="PLA", now={"flow_percent": 90.0})), "flow_percent")
    assert b.new == pytest.approx(0.9 * a.new)


def test_a_scale_too_coarse_for_the_block_is_said():
    made = sheet(block(2000.0), lambda f: 2.4, density_g_cm3="1.24")
    summary = " ".join(solve_sheet(made).findings[0].summary)
    assert "coarse for this block" in summary


def test_disagreement_is_flagged_with_which_to_distrust():
    both = wall_box()
    features = (*both.features, *block().features)
    from dataclasses import replace

    made = sheet(
        replace(both, features=features, volume_mm3=20000.0),
        lambda f: 0.56 if f.unit == "mm" else 24.8,
        jaws_closed_mm="0.00", extruded_mm="8315",
    )  # fmt: skip
    solution = solve_sheet(made, PLA)
    c = only(solution, "flow_percent")
    assert c.verdict is Verdict.PRINT_AGAIN
    assert "distrust the walls first" in c.reason
    assert solution.findings[0].evidence["p_agree"] < 0.01


@pytest.mark.parametrize(
    ("key", "text", "said"),
    [
        ("density_g_cm3", "heavy", "'heavy' is not a number"),
        ("density_g_cm3", "1240", "1240 is out of range"),
        ("extruded_mm", "nan", "nan is out of range"),
        ("extruded_mm", "7000 8000", "more than one number"),
        ("jaws_closed_mm", "5", "5 is out of range"),
    ],
)
def test_nonsense_in_the_head_gets_one_clear_message(key, text, said):
    with pytest.raises(SheetError, match=said) as error:
        solve_sheet(sheet(block(), lambda f: 24.0, **{key: text}), PLA)
    assert key in error.value.line
    assert error.value.mend


def test_filament_alone_corrects_its_diameter():
    made = get("filament-diameter").piece({}, PrintSetup())
    diameters = iter(np.tile([1.70, 1.72], 5))
    solution = solve_sheet(sheet(made, lambda f: next(diameters), jaws_closed_mm="0.00"))
    c = only(solution, "filament_mm")
    assert c.verdict is Verdict.APPLY
    assert c.new == pytest.approx(math.sqrt(1.70 * 1.72), abs=1e-4)
    assert c.instead_of == "flow_percent"
    assert "oval by 0.020 mm" in solution.findings[0].summary[0]


def test_uneven_filament_is_said():
    made = get("filament-diameter").piece({}, PrintSetup())
    solution = solve_sheet(sheet(made, lambda f: 1.70 + 0.00004 * f.rung))
    assert any("uneven" in s for s in solution.findings[0].summary)


def test_repeats_that_disagree_are_shown_and_kept():
    made = sheet(wall_box(), lambda f: 0.45)
    extra = Reading(feature="wall_front_low", value=0.60, where="again")
    from dataclasses import replace

    solution = solve_sheet(replace(made, readings=(*made.readings, extra)))
    found = [s for s in solution.suspects if "repeats differ" in s.explanation]
    assert len(found) == 1
    assert found[0].used


def test_flow_converges_in_two_rounds_from_five_percent_off():
    """Print with known truth, solve, apply, print again: within uncertainty after two rounds."""
    rng = np.random.default_rng(3)
    for start in (1.05, 0.95):
        setting, u = 100.0, 0.0
        for _ in range(2):
            flow = start * setting / 100
            read = {f.id: C + flow * (0.45 - C) + rng.normal(0, 0.015) for f in wall_box().features}
            grams = 20000 * 1.24e-3 * flow + rng.normal(0, 0.05)
            from dataclasses import replace

            both = replace(wall_box(), features=(*wall_box().features, *block().features))
            made = sheet(
                both, lambda f, read=read, grams=grams: read.get(f.id, grams),
                extruded_mm="8315.03", density_g_cm3="1.24", jaws_closed_mm="0.00",
            )  # fmt: skip
            c = only(solve_sheet(made, Context(now={"flow_percent": setting})), "flow_percent")
            if c.verdict is Verdict.APPLY:
                setting, u = c.new, c.u_new
        assert abs(setting * start - 100) < 2 * max(u, 1.0)
        assert abs(setting * start - 100) < 2.5


TRUE_STEPS = 93 / 0.975


def test_extruder_steps_and_slip():
    made = get("extruder-feed").piece({}, PrintSetup())
    read = lambda f: 97.5 - 2.0 * max(0.0, f.rung - 9.0)  # noqa: E731
    solution = solve_sheet(sheet(made, read, repeats=2), Context(now={"steps_e_per_mm": 93.0}))
    c = only(solution, "steps_e_per_mm")
    assert c.verdict is Verdict.APPLY
    assert abs(c.new - TRUE_STEPS) < 2 * c.u_new < 0.5
    limit = only(solution, "volumetric_rate_limit_mm3_s")
    assert 7.0 < limit.new < 9.2
    assert "slips" in solution.findings[0].summary[1]
    json.dumps(solution.to_json())


def test_a_feed_read_wrong_is_shown_and_set_aside():
    """One of ten feeds written as 57.5 where the others say 97.5: what is set does not move."""
    made = get("extruder-feed").piece({}, PrintSetup())
    one = sheet(made, lambda f: 97.5, repeats=2)
    slip = replace(one.readings[3], value=57.5, text="57.5")
    wrong = replace(one, readings=(*one.readings[:3], slip, *one.readings[4:]))
    now = Context(now={"steps_e_per_mm": 93.0})
    found = solve_sheet(wrong, now)
    assert only(found, "steps_e_per_mm").new == pytest.approx(TRUE_STEPS, abs=0.3)
    assert [s.reading.value for s in found.suspects if not s.used] == [57.5]


def test_extruder_without_known_steps_gives_the_factor():
    made = get("extruder-feed").piece({"speeds": "1"}, PrintSetup())
    solution = solve_sheet(sheet(made, lambda f: 97.5, repeats=3))
    assert not [c for c in solution.corrections if c.setting == "steps_e_per_mm"]
    assert solution.findings[0].factors["steps_e_per_mm"] == pytest.approx(1 / 0.975, abs=2e-4)


def test_steps_of_the_extruders_drive_are_used():
    drive = Drive(screw_lead_mm=34.4)  # a drive wheel's travel per turn counts like a lead
    made = get("extruder-feed").piece({}, PrintSetup())
    solution = solve_sheet(sheet(made, lambda f: 100.0), Context(drives={"E": drive}))
    c = only(solution, "steps_e_per_mm")
    assert c.verdict is Verdict.LEAVE
    assert c.old == pytest.approx(drive.steps_per_mm)


def test_one_piece_with_walls_and_mass_settles_a_flow_that_is_right():
    """Walls by the caliper and mass by a balance of 0.1 g, each once: right is called right, and to 2 %."""
    gauge = get("corner-gauge").piece({}, PrintSetup())
    mine = replace(
        gauge, features=tuple(f for f in gauge.features if f.group == "wall" or f.id == "mass")
    )
    asked = gauge.volume_mm3 / (math.pi * 1.75**2 / 4)
    told = {"jaws_closed_mm": "0.00", "extruded_mm": f"{asked:.0f}", "density_g_cm3": "1.24"}

    def solved(factor):
        one = sheet(mine, lambda f: round(factor * f.nominal, 1 if f.unit == "g" else 2), **told)
        return only(solve_sheet(one), "flow_percent")

    c = solved(1.0)
    assert c.verdict is Verdict.LEAVE
    assert c.error.expanded() < 2.0
    off = solved(1.06)
    assert off.verdict is Verdict.APPLY
    assert off.new == pytest.approx(100 / 1.06, abs=2.5)
