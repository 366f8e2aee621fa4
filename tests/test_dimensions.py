"""The dimensions fit on simulated printers with known truth, and against hand-worked examples."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.coverage import PATTERNS, covered, default_piece, rates, read_by_hand, sheet_of
from bench.many import sizes
from calib.fit.dimensions import Closed, Shared, expected_fit, fit_dimensions
from calib.fit.scatter import Scatter
from calib.interpret.solve import solve_sheet
from calib.model.instrument import DEFAULTS, Instrument
from patterns import registry
from patterns.feature import Feature, Kind
from patterns.spec import PrintSetup
from tests.simulate import Caliper, Printer, readings
from tests.simulate_world import EQUAL, REAL, WORLDS, Machine, printed

CALIPER = DEFAULTS["caliper"]
INSIDE_MORE = replace(EQUAL, name="inside 0.05 more", inside_more_mm=(0.05, 0.0))
EXACT = Caliper(repeatability_mm=0.0, resolution_mm=1e-9)


def features_of(*names, **given):
    found = []
    for name in names:
        found += registry.get(name).piece(given.get(name, {}), PrintSetup()).features
    return found


@settings(max_examples=40, deadline=None)
@given(
    ex=st.floats(-0.05, 0.05),
    ey=st.floats(-0.05, 0.05),
    offset=st.floats(-0.3, 0.3),
    skew_deg=st.floats(-1.5, 1.5),
)
def test_exact_readings_give_the_truth_back(ex, ey, offset, skew_deg):
    features = features_of("squareness-frame", "step-gauge")
    truth = Printer(
        scale=(ex, ey, 0), offset_mm=offset, skew={"XY": np.radians(skew_deg)}, piece_sd_mm=0
    )
    which, value = readings(features, truth, EXACT, np.random.default_rng(0), repeats=1)
    result = fit_dimensions(features, which, value, CALIPER).linear
    assert result["scale_x"].value == pytest.approx(ex, abs=2e-5)
    assert result["scale_y"].value == pytest.approx(ey, abs=2e-5)
    assert result["offset_x"].value == pytest.approx(offset, abs=5e-3)  # the weak prior pulls
    assert np.degrees(result["skew_xy"].value) == pytest.approx(skew_deg, abs=2e-3)


@pytest.mark.parametrize("plane", ["XZ", "YZ"])
def test_skew_of_the_standing_planes(plane):
    features = features_of("squareness-frame", **{"squareness-frame": {"plane": plane}})
    truth = Printer(skew={plane: 0.01}, piece_sd_mm=0)
    which, value = readings(features, truth, EXACT, np.random.default_rng(0), repeats=1)
    result = fit_dimensions(features, which, value, CALIPER).linear
    assert result[f"skew_{plane.lower()}"].value == pytest.approx(0.01, abs=3e-5)


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("world", [EQUAL, REAL, INSIDE_MORE], ids=lambda w: w.name)
def test_intervals_cover_in_worlds_that_share_nothing_with_the_fit(pattern, world):
    """2000 simulated prints each: the binomial sd of 95 % is 0.5 % here.

    Priors are as wide as real printers need, so that a kinder world is covered more often.
    """
    for name, rate in covered(pattern, world, 2000, seed=11).items():
        assert rate.covers >= 0.93, (name, rate)
        assert rate.covers <= 0.985 or world is not REAL, (name, rate)


@pytest.mark.parametrize("world", WORLDS[2:], ids=lambda w: w.name)
def test_intervals_cover_whatever_a_printer_a_caliper_or_a_room_adds(world):
    """Rough printers, calipers off zero and nobody looked, warm rooms, a ruler of 1 mm: 4000 prints each."""
    rates = [
        covered(pattern, world, 4000, seed=11) for pattern in ("step-gauge", "squareness-frame")
    ]
    assert all(rate.covers >= 0.93 for each in rates for rate in each.values())


@pytest.mark.parametrize("pattern", PATTERNS)
def test_sheets_cover_and_lead_nobody_astray(pattern):
    """40 whole sheets, gross slips among them.

    Fewer than 34 of 40 at 95 % has a chance of 0.3 % (binomial), and so has more than 6 at 5 %, which is
    how often what is right already may be called off.
    """
    table, said = rates(pattern, REAL, 40, seed=11)
    for name, rate in table.items():
        assert rate.covers >= 34 / 40, (name, rate)
        assert rate.wrong_way <= 6 / 40, (name, rate)
    assert said["not zeroed"] == 0


def test_many_prints_at_once_are_fitted_as_one_by_one():
    piece = default_piece("squareness-frame")
    square = replace(
        REAL, slip=0.0, lean_sd_deg=0.0
    )  # the angle is linearised once for all of them
    lengths = read_by_hand(piece)
    prints = printed(piece, lengths, square, np.random.default_rng(2), n=(3,))
    found = sizes(prints, CALIPER, "PLA")
    for i in range(3):
        result = fit_dimensions(
            lengths,
            np.tile(np.arange(len(lengths)), 2),
            prints.values[:, i].ravel(),
            CALIPER,
            closed=Closed(
                shown_mm=float(prints.closed_mm[i]), u_mm=np.hypot(0.005, 0.01 / 12**0.5)
            ),
            robust=False,
        ).linear
        wall = result.combine({"offset_x": 0.25, "offset_y": 0.25}, "wall")
        lean = result["skew_xy"].times(np.degrees(1.0), "deg")
        for name, one in (("outline_offset_mm", wall), ("skew_xy_deg", lean)):
            value, half = found[name]
            assert value[i] == pytest.approx(one.value, abs=0.02 * one.u)
            assert half[i] == pytest.approx(one.expanded(), rel=0.01)


def test_what_the_common_term_of_the_caliper_is_worth():
    perfect = replace(CALIPER, mpe=1e-6, jaw_mpe=0.0)
    taken, right = (covered("step-gauge", EQUAL, 1000, seed=11, caliper=c) for c in (perfect, None))
    for axis in "xy":
        name = f"scale_{axis}_percent"
        assert taken[name].covers + 0.02 < right[name].covers


@pytest.mark.parametrize("pattern", ["step-gauge", "squareness-frame"])
def test_a_caliper_a_little_off_zero_is_named_by_its_closed_jaws(pattern):
    off = replace(EQUAL, closed_mm=0.05)
    _, said = rates(pattern, off, 20, seed=5)
    assert said["not zeroed"] == 1
    assert all(r.covers >= 0.93 for r in covered(pattern, off, 1000, seed=5).values())


def test_step_gauge_resolves_a_thousandth_and_the_cube_alone_does_less():
    gauge = expected_fit(features_of("step-gauge"), CALIPER)
    cube = expected_fit(features_of("dimensional-cube"), CALIPER)
    for axis in "xy":
        assert gauge[f"scale_{axis}"].u <= 0.0005
        assert cube[f"scale_{axis}"].u > 2 * gauge[f"scale_{axis}"].u


def line(kind, nominals, axis="X", jaws="outside"):
    return [
        Feature(id=f"{kind}_{n}", kind=kind, axis=axis, nominal=float(n), where="", jaws=jaws,
                start=(0.0, 0.0, 0.0), end=(float(n), 0.0, 0.0))
        for n in nominals
    ]  # fmt: skip


def test_scale_and_offset_separate_where_one_length_mixes_them():
    """Hand-worked: measured = 0.996 n + 0.06 over outside lengths, and inside lengths with -0.06.

    One 100 mm reading of 99.66 would give 80.272928 steps/mm, wrong by 0.06 %; the scale alone
    gives 80 / 0.996 = 80.321285.
    """
    features = line(Kind.OUTSIDE, [20, 40, 60, 80, 100]) + line(
        Kind.INSIDE, [20, 40, 60, 80], jaws="inside"
    )
    nominal = np.array([f.nominal for f in features])
    sign = np.array([1.0] * 5 + [-1.0] * 4)
    result = fit_dimensions(features, np.arange(9), 0.996 * nominal + 0.06 * sign, CALIPER).linear
    assert 80 / (1 + result["scale_x"].value) == pytest.approx(80.321285, abs=2e-3)
    assert result["offset_x"].value == pytest.approx(0.06, abs=1e-3)  # the weak prior pulls


def test_skew_from_two_sides_and_two_diagonals():
    """Law of cosines on a = 99.95, b = 100.05, AC = 142.00, BD = 140.80: 0.4861033 degrees.

    The joint fit also uses the closure AC^2 + BD^2 = 2 (a^2 + b^2), so it agrees within its own
    uncertainty and not to the last digit.
    """
    corner = {
        "A": (0.0, 0.0, 0.0),
        "B": (100.0, 0.0, 0.0),
        "C": (100.0, 100.0, 0.0),
        "D": (0.0, 100.0, 0.0),
    }

    def between(a, b, kind, axis):
        start, end = corner[a], corner[b]
        return Feature(id=a + b, kind=kind, axis=axis, where="", start=start, end=end,
                       nominal=float(np.linalg.norm(np.subtract(end, start))))  # fmt: skip

    features = [
        between("A", "B", Kind.PITCH, "X"),
        between("A", "D", Kind.PITCH, "Y"),
        between("A", "C", Kind.DIAGONAL, "XY"),
        between("B", "D", Kind.DIAGONAL, "XY"),
    ]
    known = Scatter(typical=np.sqrt(0.02**2 - CALIPER.u_reading**2), log_sd=0.01)
    fitted = fit_dimensions(
        features, np.arange(4), np.array([99.95, 100.05, 142.00, 140.80]), CALIPER, robust=False,
        scatter=known,
    ).linear  # fmt: skip
    skew = fitted["skew_xy"]
    assert np.degrees(skew.value) == pytest.approx(0.4861033, abs=0.003)
    assert np.degrees(skew.u) == pytest.approx(0.01146, rel=0.1)  # u = 0.02 in each diagonal


def test_a_caliper_that_was_not_zeroed_is_noticed_and_taken_out():
    features = features_of("dimensional-cube", "step-gauge")
    which, value = readings(
        features,
        Printer(scale=(0.002, -0.001, 0), offset_mm=0.1),
        Caliper(zero_mm=0.21),
        np.random.default_rng(3),
    )
    result = fit_dimensions(features, which, value, CALIPER)
    assert result.zero_forgotten
    assert result.linear["zero"].value == pytest.approx(0.21, abs=0.04)
    assert result.linear["scale_x"].value == pytest.approx(0.002, abs=5e-4)
    assert result.linear["offset_x"].value == pytest.approx(0.1, abs=0.04)
    assert not result.outlying.any()


def found_on(pattern, machine, jaws=None, seed=3, **world):
    """Print one piece on a given printer, solve it, and return its corrections and all its words."""
    piece = default_piece(pattern)
    world = replace(EQUAL, straight_mm=0.0, jaws_mm=0.0, **world)
    one = printed(
        piece, read_by_hand(piece), world, np.random.default_rng(seed),
        machine=machine, jaws=jaws,
    )  # fmt: skip
    solution = solve_sheet(sheet_of(piece, one))
    words = " ".join(t for f in solution.findings for t in f.summary)
    return {c.setting: c for c in solution.corrections}, words


@pytest.mark.parametrize("pattern", ["step-gauge", "squareness-frame", "corner-gauge"])
def test_walls_that_are_off_along_one_axis_alone_are_not_averaged(pattern):
    play = Machine(outer_mm=(0.06, 0.0), inner_mm=(0.06, 0.0), wall_sd_mm=0.01)
    corrections, words = found_on(pattern, play)
    assert corrections["outline_offset_mm"].verdict == "leave"
    assert "alls that face X stand 0.0" in words
    assert "along X" in words
    both = Machine(outer_mm=(0.06, 0.06), inner_mm=(0.06, 0.06), wall_sd_mm=0.01)
    corrections, words = found_on(pattern, both)
    offset = corrections["outline_offset_mm"]
    assert offset.new == pytest.approx(-0.06, abs=offset.error.expanded())
    assert offset.error.expanded() < 0.025
    assert "face X" not in words


def test_what_both_axes_have_in_common_is_set_although_one_has_more():
    corrections, words = found_on(
        "step-gauge", Machine(outer_mm=(0.15, 0.08), inner_mm=(0.15, 0.08), wall_sd_mm=0.01)
    )
    offset = corrections["outline_offset_mm"]
    assert offset.new == pytest.approx(-0.08, abs=offset.error.expanded())
    assert offset.error.expanded() < 0.03
    assert offset.verdict == "apply"
    assert "along X" in words


def test_inside_lengths_that_close_more_are_left_to_holes():
    corrections, words = found_on(
        "step-gauge", Machine(outer_mm=(0.0, 0.0), inner_mm=(0.06, 0.06), wall_sd_mm=0.01)
    )
    assert corrections["outline_offset_mm"].verdict == "leave"
    assert "for holes to correct" in words


def test_a_blunder_is_set_aside_and_the_rest_stands():
    features = features_of("step-gauge")
    which, value = readings(
        features, Printer(scale=(0.003, 0.003, 0)), Caliper(), np.random.default_rng(4)
    )
    value[7] += 0.9
    result = fit_dimensions(features, which, value, CALIPER)
    assert list(np.flatnonzero(result.outlying)) == [7]
    assert result.linear["scale_x"].value == pytest.approx(0.003, abs=4e-4)


def test_one_length_alone_settles_nothing():
    features = line(Kind.OUTSIDE, [20])
    result = fit_dimensions(features, np.zeros(10, dtype=int), np.full(10, 20.1), CALIPER).linear
    assert result["scale_x"].u > 0.01  # 0.3 mm of possible offset on 20 mm


def test_photo_readings_bring_their_own_uncertainty():
    features = line(Kind.PITCH, [50, 100])
    good = fit_dimensions(features, np.arange(2), np.array([50.1, 100.2]), CALIPER,
                          stated_u=np.array([0.01, 0.01]), shared=Shared(scale_u=1e-5)).linear  # fmt: skip
    poor = fit_dimensions(features, np.arange(2), np.array([50.1, 100.2]), CALIPER,
                          stated_u=np.array([0.01, 0.01]), shared=Shared(scale_u=3e-3)).linear  # fmt: skip
    assert good["scale_x"].u < 3e-4
    assert poor["scale_x"].u == pytest.approx(3e-3, rel=0.1)


def test_nothing_to_fit_is_refused():
    with pytest.raises(ValueError, match="at least one reading"):
        fit_dimensions([], np.zeros(0, dtype=int), np.zeros(0), CALIPER)
    perfect = Instrument(
        name="c", kind="caliper", unit="mm", resolution=0.01, mpe=0.03, repeatability=0.01
    )
    with pytest.raises(ValueError, match="finite"):
        fit_dimensions(line(Kind.PITCH, [50]), np.array([0]), np.array([np.nan]), perfect)
