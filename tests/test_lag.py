"""The lag of the flow: from simulated walls and a caliper, the closed form against integration, what it says."""

import io
import math

import numpy as np
import pytest

from calib.apply.gcode.check import compare
from calib.apply.gcode.job import Job
from calib.apply.gcode.stream import rewrite
from calib.apply.schedule_file import read_schedule
from calib.fit.lag import Track, area_share, fit_lag, largest_speed, worst_mm
from calib.fit.ripple import Acceleration
from calib.interpret.solve import Context, solve_sheet
from calib.model.correction import Verdict
from patterns.errors import SpecError
from patterns.filaments import filament
from patterns.preview import preview_mesh
from patterns.print_cost import print_cost
from patterns.registry import get
from patterns.schedule import schedule_csv
from patterns.spec import PrintSetup
from tests.readkit import sheet
from tests.simulate_fits import coverage
from tests.simulate_motion import jaws_at, lag, wall_with_a_step
from tests.test_apply_gcode import corrected

LINE = get("lag-line").piece({}, PrintSetup())
TRACK = Track(slow=40.0, fast=100.0, begin=25.0, end=75.0)


@pytest.mark.parametrize(
    ("tau", "push", "forward"),
    [(0.02, 500.0, True), (0.05, 2000.0, False), (0.3, 500.0, False), (0.05, 100.0, True)],
)
def test_the_closed_form_is_what_integration_gives(tau, push, forward):
    from scipy.integrate import solve_ivp

    def speed(s):
        return min(100.0, math.sqrt(1600 + 2 * push * max(min(s - 25, 75 - s), 0.0)))

    way = np.linspace(0.5, 99.5, 100)
    found = solve_ivp(
        lambda t, y: [speed(y[0]), (speed(y[0]) - y[1]) / tau], (0, 4), [0.0, 40.0],
        dense_output=True, max_step=0.004, rtol=1e-7,
    )  # fmt: skip
    at = np.interp(way, found.y[0], found.t)
    share = found.sol(at)[1] / [speed(s) for s in found.sol(at)[0]]
    x = way if forward else 100 - way
    mine = area_share(x, TRACK, np.array(tau), np.array(push), forward)
    assert mine == pytest.approx(share, abs=0.004)


def test_intervals_cover_the_lag():
    """`python -m bench.fits` runs a thousand."""
    assert coverage(lag, 40, seed=6)["lag of the flow"] >= 0.88


def test_melt_that_thins_out_still_gives_about_its_lag():
    """Flow as the pressure to the power 1 / 0.8: no longer a first-order process, with the lag at rest 0.06 s."""
    rng = np.random.default_rng(1)
    x, width = wall_with_a_step(0.06, 1500.0, 40.0, 100.0, 25.0, 75.0, 0.45, thin=0.8)
    places = np.array([f.rung for f in LINE.features])
    seen = jaws_at(x, width, places, rng)
    said = Acceleration(value=1500.0, log_sd=0.1)
    found = fit_lag(places, seen, np.full(12, 0.015), 0.017, 0.2, TRACK, said)
    assert found.time.estimate.value == pytest.approx(0.05, abs=0.02)
    assert found.forward > 0.9


def test_what_a_step_costs_by_hand():
    """At 40 to 100 mm/s with 1000 mm/s2 and 0.05 s the flow is behind by 1000 x 0.05 x (1 - exp(-0.06 / 0.05)) = 34.9
    mm/s when the full speed is reached: 34.9 % of a line of 0.45 - 0.0429 mm, 0.142 mm too thin. Coming down to 40
    mm/s it is ahead by as much less what was left: 34.9 / 40 = 87 %, 0.355 mm too thick."""
    area = 0.45 - 0.2 * (1 - math.pi / 4)
    track = Track(slow=40.0, fast=100.0, begin=0.0, end=1000.0)
    assert worst_mm(track, 0.05, 1000.0, 0.45, 0.2) == pytest.approx(0.8735 * area, abs=0.01)
    fastest = largest_speed(40.0, 0.05, 1000.0, 0.45, 0.2, 0.05)
    there = Track(slow=40.0, fast=fastest, begin=0.0, end=1000.0)
    assert worst_mm(there, 0.05, 1000.0, 0.45, 0.2) == pytest.approx(0.05, abs=0.002)


def solved(tau, context=None, seed=2, **head):
    rng = np.random.default_rng(seed)
    x, width = wall_with_a_step(tau, 1500.0, 40.0, 100.0, 25.0, 75.0, 0.45)
    read = lambda f: float(jaws_at(x, width, [f.rung], rng)[0])  # noqa: E731
    return solve_sheet(sheet(LINE, read, acceleration_mm_s2="1500", **head), context or Context())


def test_a_sheet_gives_the_lag_and_the_step_that_keeps_the_width():
    (finding,) = solved(0.06, jaws_closed_mm="0.00").findings
    (c,) = finding.corrections
    assert (c.setting, c.verdict) == ("flow_lag_s", Verdict.APPLY)
    assert c.new == pytest.approx(0.06, abs=0.02)
    said = " ".join(finding.summary)
    assert "from 40 mm/s step to " in said
    assert "which keeps the wall within 0.05 mm" in said


def test_what_is_set_already_or_hardly_shows_is_left():
    assert solved(0.06, Context(now={"flow_lag_s": 0.06})).corrections[0].verdict is Verdict.LEAVE
    assert solved(0.001).corrections[0].verdict is not Verdict.APPLY


def test_no_flow_is_made_of_these_walls():
    assert {c.setting for c in solved(0.06).corrections} == {"flow_lag_s"}


def test_it_is_quick_and_light_and_exact():
    mesh = preview_mesh(LINE.body)
    cost = print_cost(LINE, mesh, filament("PLA"))
    assert cost.minutes <= 30
    assert cost.grams <= 8
    assert LINE.volume_mm3 == pytest.approx(mesh.volume_mm3, rel=1e-5)
    with pytest.raises(SpecError, match="too much alike"):
        get("lag-line").piece({"fast_mm_s": "50"}, PrintSetup())


def test_speeds_along_the_bed_agree_with_the_independent_check(tmp_path):
    """The outline of the piece itself, sliced by hand into one line a layer."""
    (tmp_path / "s.csv").write_text(schedule_csv(LINE.schedule, "mind, and read on"))
    rows = read_schedule(tmp_path / "s.csv")
    assert rows == LINE.schedule
    ring = LINE.body.add[0].outline
    lines = ["G28", "G90", "M83"]
    for k in range(1, 51):
        lines.append(f"G0 X{ring[0][0]:.3f} Y{ring[0][1]:.3f} Z{0.2 * k:.2f} F9000")
        lines += [f"G1 X{x:.3f} Y{y:.3f} E1 F2400" for x, y in (*ring[1:], ring[0])]
    text = "\n".join(lines) + "\n"
    out = corrected(text, Job(schedule=rows))
    assert all(c.good for c in compare(text.splitlines(), out.splitlines(), Job(schedule=rows)))
    fast = [line for line in out.splitlines() if "F6000" in line]
    assert len(fast) == 2 * 47  # front and back of all layers above the first three


def test_a_piece_that_was_moved_on_the_bed_is_told():
    layers = [(f"G0 X60 Y100 Z{z} F9000", "G1 X90 E2 F2400", "G1 X95 E1") for z in (1.0, 1.2)]
    lines = ["G28", "G90", "M83", *layers[0], *layers[1]]
    text = "\n".join(lines) + "\n"
    job = Job(schedule=LINE.schedule)
    told = rewrite(io.BytesIO(text.encode()), None, job, "moved.gcode").warnings
    assert "1 moves go on where the speed changes along X: is the piece where it was drawn?" in told
