"""Lost motion at reversals: a worked example by hand, simulated axes with known slack, and the words."""

import numpy as np
import pytest
from scipy import stats

from calib.fit.reversal import fit_reversal
from calib.interpret.solve import Context, solve_sheet
from calib.model.correction import Verdict
from calib.model.drive import Drive
from patterns.feature import Kind
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.readkit import sheet
from tests.simulate_fits import coverage
from tests.simulate_motion import carriage, reversal

BELOW = [10.02, 10.01, 10.03, 10.02, 10.02]
ABOVE = [10.10, 10.11, 10.09, 10.10, 10.10]


def test_the_worked_example():
    """By hand with the formulas of ISO 230-2:2014, clause 3 (from memory).

    Means 10.02 and 10.10, so B = -0.08. Deviations 0, -0.01, 0.01, 0, 0 on both sides: s = sqrt(2e-4 / 4)
    = 0.00707. R = max(2 x 0.00707 + 2 x 0.00707 + 0.08, 4 x 0.00707) = 0.1083. u(B) = 0.00707 x sqrt(2 / 5)
    = 0.00447 with 8 degrees of freedom, t = 2.306: 0.0103.
    """
    found = fit_reversal([(np.array(BELOW), np.array(ABOVE))], 0.01)
    assert found.value == found.mean.value == pytest.approx(0.08)
    assert found.places[0].repeats == pytest.approx((0.00707, 0.00707), abs=1e-5)
    assert found.repeatability == pytest.approx(0.1083, abs=1e-4)
    assert found.mean.expanded() == pytest.approx(0.0103, abs=1e-4)


def test_the_worked_example_at_three_places():
    """By hand: B_i = -0.08, -0.02 and -0.05, so B = 0.08 and B^ = 0.05 (ISO 230-2:2014, clause 3, from memory).

    s is 0.00707 on every side; R is that of the first place. u(B^) = 0.00707 x sqrt(2 / 5) / sqrt(3) with 24
    degrees of freedom, t = 2.064: 0.00533. They differ by chi-square = (0.03^2 + 0.03^2) / 2e-5 = 90, F = 45.
    """
    shifted = [(np.array(BELOW), np.array(ABOVE) - less) for less in (0.0, 0.06, 0.03)]
    found = fit_reversal(shifted, 0.01)
    assert (found.worst, found.value) == (0, pytest.approx(0.08))
    assert found.repeatability == pytest.approx(0.1083, abs=1e-4)
    assert found.mean.value == pytest.approx(0.05)
    assert found.mean.expanded() == pytest.approx(0.00533, abs=1e-5)
    assert found.p_alike == pytest.approx(stats.f.sf(45, 2, 24))


def test_readings_that_are_all_alike_still_leave_the_display():
    found = fit_reversal([(np.full(5, 1.0), np.full(5, 1.0))], 0.01)
    assert found.mean.u == pytest.approx(0.01 / 6**0.5)
    with pytest.raises(ValueError, match="two approaches"):
        fit_reversal([(np.array([1.0]), np.array([1.0, 1.1]))], 0.01)
    with pytest.raises(ValueError, match="two approaches"):
        fit_reversal([], 0.01)


def test_intervals_cover_the_slack():
    rates = coverage(reversal, 1000, seed=5)
    assert all(0.93 <= rate <= 0.97 for rate in rates.values()), rates


def solved(slack, pattern="reversal", given=None, context=None, noise=0.006, **head):
    piece = get(pattern).piece(given or {}, PrintSetup())
    rng = np.random.default_rng(3)
    seen = {a: iter([v for _, v in carriage(slack.get(a, 0.0), noise, rng)]) for a in "XYZ"}
    read = lambda f: next(seen[f.axis]) if f.group == "reversal" else f.nominal * 1.001  # noqa: E731
    return solve_sheet(sheet(piece, read, **head), context or Context())


def test_a_loose_belt_is_named_with_what_it_does_to_parts():
    solution = solved({"X": 0.12})
    (finding,) = solution.findings
    x, y = finding.corrections
    assert (x.setting, x.verdict, y.verdict) == ("reversal_x_mm", Verdict.APPLY, Verdict.LEAVE)
    assert x.new == pytest.approx(0.12, abs=0.02)
    assert "tighten the belt of X" in x.reason
    said = " ".join(finding.summary)
    assert "outside and inside lengths along X up to 0.12 mm too small alike" in said
    assert "belt of Y" not in said


def test_a_screw_is_named_where_a_screw_drives():
    context = Context(drives={"Y": Drive(screw_lead_mm=8.0)}, now={"reversal_y_mm": 0.05})
    (finding,) = solved({"Y": 0.1}, context=context).findings
    y = finding.corrections[1]
    assert "nut or coupling on the screw of Y" in y.reason
    assert (y.old, y.new) == (0.05, pytest.approx(0.15, abs=0.02))


def test_travel_can_be_read_on_the_same_sheet():
    solution = solved(
        {"X": 0.1}, "carriage-travel", {"reversals": "5"}, Context(now={"steps_x_per_mm": 80.0})
    )
    assert [f.topic for f in solution.findings] == ["travel", "play"]
    assert {c.setting for c in solution.corrections} >= {
        "steps_x_per_mm",
        "reversal_x_mm",
        "reversal_z_mm",
    }


def test_one_reading_far_off_is_shown_and_stays():
    piece = get("reversal").piece({"axes": "X"}, PrintSetup())
    values = iter([v for pair in zip([*BELOW[:4], 10.72], ABOVE, strict=True) for v in pair])
    solution = solve_sheet(sheet(piece, lambda f: next(values)))
    assert [(s.reading.feature, s.used) for s in solution.suspects] == [("x_below_5", True)]


def test_several_places_name_the_one_that_loses_most():
    piece = get("reversal").piece({"axes": "X", "places": "5"}, PrintSetup())
    assert [f.id for f in piece.features][:3] == ["x_below_1_1", "x_above_1_1", "x_below_1_2"]
    at = [f.end[0] for f in piece.features[::10]]
    assert len(set(np.diff(at))) > 1  # uneven, as the standard asks
    rng = np.random.default_rng(3)

    def solved_with(slack_of):
        seen = [v for slack in slack_of for _, v in carriage(slack, 0.006, rng)]
        values = dict(zip([f.id for f in piece.features], seen, strict=True))
        (finding,) = solve_sheet(sheet(piece, lambda f: values[f.id])).findings
        return finding, " ".join(finding.summary)

    uneven, said = solved_with([0.05, 0.05, 0.05, 0.05, 0.15])
    (x,) = uneven.corrections
    assert (x.verdict, x.new) == (Verdict.APPLY, pytest.approx(0.07, abs=0.01))
    assert f"at {at[4]:g} mm, the largest of 5 places" in said
    assert uneven.evidence["reversal_mm"]["X"] == pytest.approx(0.15, abs=0.02)
    assert "does not lose the same everywhere" in said
    assert "everywhere" not in solved_with([0.05] * 5)[1]


def test_an_axis_without_room_is_refused():
    small = PrintSetup(build_x_mm=100.0)
    with pytest.raises(Exception, match="9 places on 100 mm of X") as refused:
        get("reversal").piece({"places": "9"}, small)
    assert refused.value.mend == "give places 7"
    assert len(get("reversal").piece({"places": "7", "axes": "X"}, small).features) == 70
    with pytest.raises(Exception, match="both sides along X"):
        get("reversal").piece({"at_mm": "215"}, PrintSetup())


def test_a_size_sheet_says_how_much_of_small_holes_is_lost_motion():
    """Walls moved by hand: a nozzle that lags half of 0.12 mm behind on each side, scale true."""
    rng = np.random.default_rng(4)
    lost = {Kind.OUTSIDE: 0.12, Kind.INSIDE: 0.12}
    gauge = get("step-gauge").piece({}, PrintSetup())

    def read(f):
        along = f.axis in ("X", "Y")
        return round(f.nominal - along * lost.get(f.kind, 0.0) + rng.normal(0, 0.008), 2)

    known = {"reversal_x_mm": 0.12, "reversal_y_mm": 0.12}
    said, plain = (
        " ".join(solve_sheet(sheet(gauge, read, jaws_closed_mm="0.00"), Context(in_force=c)).findings[0].summary)
        for c in (known, {})
    )  # fmt: skip
    assert "is the lost motion of 0.12 mm that was measured at reversals" in said
    assert "lost motion" not in plain
