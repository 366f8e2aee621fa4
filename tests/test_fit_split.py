"""The split of machine and material against the dense linear core, hand-worked cases and simulation."""

import math

import numpy as np
import pytest

from calib.fit.linear import Problem, fit
from calib.fit.mechanics import BELT_U, find_faults, mechanics_u
from calib.fit.split import NO_TRAVELS, Prints, Priors, Travels, refer_to_20c, split
from calib.model.drive import Drive
from calib.model.estimate import Estimate
from tests.simulate_fits import coverage, random_workshop
from tests.simulate_rest import workshop


def one(error, u, machine_sd=0.0015, material_sd=0.0015, instrument_sd=1e-7, **more):
    """One printer, one spool; the same error and u along every axis."""
    priors = Priors(
        machine_mean=np.zeros((1, 3)),
        machine_sd=np.full((1, 3), machine_sd),
        material_of=np.array([0]),
        material_mean=np.full((1, 2), 0.003),
        material_sd=np.full((1, 2), material_sd),
        instrument_sd=np.array([instrument_sd]),
        **{"spool_sd": 1e-6, "print_sd": 1e-9, **more},
    )
    prints = Prints(
        printer=np.array([0]),
        spool=np.array([0]),
        instrument=np.array([0]),
        error=np.array([[error, np.nan, np.nan]]),
        covariance=np.eye(3)[None] * u**2,
    )
    return prints, priors


def test_one_print_by_hand():
    """Prior size error -0.003 +- hypot(a, b); the reading moves machine and material by their share."""
    a, b, u = 0.0015, 0.001, 0.0005
    prints, priors = one(-0.001, u, a, b)
    result = split(prints, priors)
    total = a**2 + b**2 + u**2
    machine, shrink = result.machine_scale(0, "X"), result.shrinkage(0, "XY")
    assert machine.value == pytest.approx(a**2 / total * 0.002, rel=5e-6)
    assert machine.u == pytest.approx(a * math.sqrt(1 - a**2 / total), rel=5e-6)
    assert shrink.value == pytest.approx(0.003 - b**2 / total * 0.002, rel=5e-6)
    assert machine.from_data == pytest.approx(a**2 / total, rel=5e-6)
    product = result.product(0, 0, "X")
    assert product.value == pytest.approx(-0.003 + (a**2 + b**2) / total * 0.002, rel=5e-6)
    assert product.u == pytest.approx(u * math.sqrt((a**2 + b**2) / total), rel=5e-6)
    # Nothing was read along Z: what is known of it is the prior.
    assert result.machine_scale(0, "Z").u == pytest.approx(a)
    assert result.machine_scale(0, "Z").from_data == pytest.approx(0, abs=1e-9)


def dense(prints, priors, travels):
    """Solve the same model with the linear core, parameter by parameter and row by row."""
    p, s, m, k = (
        len(priors.machine_sd), len(priors.material_of), len(priors.material_sd),
        len(priors.instrument_sd),
    )  # fmt: skip
    machine = lambda i, a: 3 * i + a  # noqa: E731 - an index in one line
    material = lambda i, d: 3 * p + 2 * i + d  # noqa: E731
    instrument = lambda i: 3 * p + 2 * m + i  # noqa: E731
    spool = lambda i, d: 3 * p + 2 * m + k + 2 * i + d  # noqa: E731
    count = 3 * p + 2 * m + k + 2 * s
    rows, y, blocks = [], [], []
    for i in range(len(prints.printer)):
        seen = np.flatnonzero(np.isfinite(prints.error[i]))
        for a in seen:
            row = np.zeros(count)
            row[machine(prints.printer[i], a)] += 1
            row[spool(prints.spool[i], int(a == 2))] -= 1
            row[instrument(prints.instrument[i])] += 1
            rows.append(row)
            y.append(prints.error[i, a])
        if len(seen):
            blocks.append(
                prints.covariance[i][np.ix_(seen, seen)] + priors.print_sd**2 * np.eye(len(seen))
            )
    for i in range(len(travels.u)):
        row = np.zeros(count)
        row[machine(travels.printer[i], travels.axis[i])] += 1
        row[instrument(travels.instrument[i])] += 1
        rows.append(row)
        y.append(travels.error[i])
        blocks.append(np.array([[travels.u[i] ** 2]]))
    for i in range(s):
        for d in range(2):
            row = np.zeros(count)
            row[spool(i, d)], row[material(priors.material_of[i], d)] = 1, -1
            rows.append(row)
            y.append(0.0)
            blocks.append(np.array([[priors.spool_sd**2]]))
    from scipy.linalg import block_diag

    inf = np.full(2 * s, np.inf)
    return fit(
        Problem(
            names=tuple(str(i) for i in range(count)),
            x=np.array(rows),
            y=np.array(y),
            variance=block_diag(*blocks),
            prior_mean=np.concatenate([priors.machine_mean.ravel(), priors.material_mean.ravel(), np.zeros(k + 2 * s)]),
            prior_sd=np.concatenate([priors.machine_sd.ravel(), priors.material_sd.ravel(), priors.instrument_sd, inf]),
        )
    ), machine, spool  # fmt: skip


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_against_the_dense_core(seed):
    prints, priors, travels = random_workshop(seed)
    ours = split(prints, priors, travels)
    theirs, machine, spool = dense(prints, priors, travels)
    u = np.sqrt(np.diag(theirs.covariance))
    p, m, k = ours.machine.size, ours.material.size, len(ours.instrument)
    for got, got_u, at in (
        (ours.machine, ours.machine_u, slice(0, p)),
        (ours.material, ours.material_u, slice(p, p + m)),
        (ours.instrument, ours.instrument_u, slice(p + m, p + m + k)),
        (ours.spool, ours.spool_u, slice(p + m + k, None)),
    ):
        np.testing.assert_allclose(got.ravel(), theirs.theta[at], rtol=1e-6, atol=1e-10)
        np.testing.assert_allclose(got_u.ravel(), u[at], rtol=1e-6)
    i, j = machine(1, 2), spool(4, 1)
    c = theirs.covariance
    product = ours.product(1, 4, "Z")
    assert product.value == pytest.approx(theirs.theta[i] - theirs.theta[j], rel=1e-6)
    assert product.u == pytest.approx(math.sqrt(c[i, i] + c[j, j] - 2 * c[i, j]), rel=1e-6)
    n = int(np.isfinite(prints.error).sum()) + len(travels.u)
    white = theirs.residuals[:n] @ np.linalg.solve(
        theirs.problem.variance[:n, :n], theirs.residuals[:n]
    )
    assert ours.chi2 == pytest.approx(white, rel=1e-6)


def test_travel_is_what_identifies_the_machine():
    prints, priors = one(-0.002, 0.0003)
    before = split(prints, priors)
    travels = Travels(
        printer=np.zeros(4, int), axis=np.zeros(4, int), instrument=np.zeros(4, int),
        error=np.full(4, 0.001), u=np.full(4, 0.0003),
    )  # fmt: skip
    after = split(prints, priors, travels)
    assert before.machine_scale(0, "X").u > 0.001
    assert after.machine_scale(0, "X").u < 0.0002
    assert after.machine_scale(0, "X").value == pytest.approx(0.001, abs=1e-4)
    assert after.shrinkage(0, "XY").value == pytest.approx(0.003, abs=3e-4)
    assert after.machine_scale(0, "X").from_data > 0.98 > before.machine_scale(0, "X").from_data


def test_several_materials_sharpen_the_machine():
    """Independent priors average: with many materials the machine is known to about sd / sqrt(n)."""
    n = 16
    priors = Priors(
        machine_mean=np.zeros((1, 3)),
        machine_sd=np.full((1, 3), 0.01),
        material_of=np.arange(n),
        material_mean=np.full((n, 2), 0.004),
        material_sd=np.full((n, 2), 0.0016),
        instrument_sd=np.array([1e-7]),
        spool_sd=1e-6,
        print_sd=1e-9,
    )
    prints = Prints(
        printer=np.zeros(n, int), spool=np.arange(n), instrument=np.zeros(n, int),
        error=np.full((n, 3), -0.004), covariance=np.tile(np.eye(3) * 1e-12, (n, 1, 1)),
    )  # fmt: skip
    result = split(prints, priors)
    assert result.machine_u[0, 2] == pytest.approx((0.01**-2 + n / 0.0016**2) ** -0.5, rel=1e-4)


def test_coverage_in_a_world_that_shares_nothing_with_the_fit():
    # 95 % of 300 draws has a standard deviation of 1.3 %; the bounds are three of them wide.
    rates = coverage(workshop, 300, seed=11)
    assert all(0.912 < rate < 0.988 for rate in rates.values()), rates


def test_a_wrong_prior_costs_coverage_of_the_parts():
    """Materials that shrink 1 % more than the table's range spoil the split, and we know it."""
    rates = coverage(lambda rng: workshop(rng, material_off=0.01), 150, seed=12)
    assert rates["shrinkage"] < 0.8


def test_a_large_workshop():
    """100,000 readings, 1,000 spools, 50 printers; `bench.limits` says how long it may take."""
    prints, priors, travels = random_workshop(
        4, printers=50, spools=1000, materials=8, instruments=10, m=40_000, n=200
    )
    assert np.isfinite(prints.error).sum() > 90_000
    result = split(prints, priors, travels)
    assert np.all(result.spool_u > 0)


def test_what_makes_no_sense_is_refused():
    prints, priors = one(0.001, 0.0003)
    bad = Prints(
        printer=np.array([3]), spool=prints.spool, instrument=prints.instrument,
        error=prints.error, covariance=prints.covariance,
    )  # fmt: skip
    with pytest.raises(ValueError, match="printer"):
        split(bad, priors, NO_TRAVELS)


def test_temperature_reference():
    """100 mm of 68e-6 per K is 100.068 mm at 30 C (hand-worked; ISO 1 refers to 20 C).

    A steel caliper as warm (11.5e-6 per K) shows it as 100.0565 mm.
    """
    at20, u = refer_to_20c([0.000565, 0.0], 68e-6, 30.0, u_part_k=1.0)
    assert at20[0] == pytest.approx(0, abs=1e-7)
    assert at20[1] == pytest.approx(-0.000565 / 1.000565, rel=1e-4)
    assert u == pytest.approx(math.hypot(56.5e-6, 0.2 * 68e-5))


SCREW = Drive(screw_lead_mm=8.0)
BELT = Drive(belt_pitch_mm=2.0, pulley_teeth=20)


@pytest.mark.parametrize(
    ("ratio", "drive", "words", "steps"),
    [
        # 1.8 degrees, 1/16, belt of 2 mm: 16 teeth give 100 steps/mm, 20 give 80 (hand-worked).
        (0.798, BELT, "a pulley of 16 teeth, not 20", 100.0),
        (1.249, Drive(belt_pitch_mm=2.0, pulley_teeth=16), "a pulley of 20 teeth, not 16", 80.0),
        (0.499, BELT, "a driver at 1/32 microsteps, not 1/16", 160.0),
        (0.499, BELT, "a motor of 0.9 degrees a step, not 1.8", 160.0),
        (1.0155, BELT, "a belt of 2.032 mm pitch, not 2 mm", 80 / 1.016),
        (0.5, Drive(screw_lead_mm=8.0), "a screw with a lead of 4 mm, not 8 mm", 800.0),
        (0.2495, Drive(screw_lead_mm=8.0), "a screw with a lead of 2 mm, not 8 mm", 1600.0),
        (0.798, None, "a pulley of 16 teeth where 20 are assumed", None),
    ],
)
def test_wrong_parts_are_named(ratio, drive, words, steps):
    u_sound = math.hypot(mechanics_u(drive) if drive else 0.002, 0.0015)
    found = find_faults(Estimate(name="r", value=ratio, u=0.0003), drive, u_sound)
    assert words in [f.words for f in found]
    if steps:
        match = next(f for f in found if f.words == words)
        assert match.steps_per_mm == pytest.approx(steps)


@pytest.mark.parametrize("ratio", [1.0, 0.996, 1.004, 0.97, 1.05])
def test_ordinary_errors_are_not_called_wrong_parts(ratio):
    estimate = Estimate(name="r", value=ratio, u=0.0003)
    assert find_faults(estimate, BELT, math.hypot(BELT_U, 0.0015)) == ()


@pytest.mark.parametrize("off", [-0.009, -0.005, 0.003, 0.006])
@pytest.mark.parametrize(
    ("ratio", "drive", "words"),
    [(0.5, BELT, "0.9 degrees"), (0.8, BELT, "16 teeth"), (0.5, SCREW, "lead of 4 mm")],
)
def test_large_faults_are_named_beside_a_machine_error_and_unknown_shrinkage(
    off, ratio, drive, words
):
    estimate = Estimate(name="r", value=ratio * (1 + off), u=0.0003)
    found = find_faults(estimate, drive, math.hypot(mechanics_u(drive), 0.003), printed=True)
    assert any(words in f.words for f in found)


@pytest.mark.parametrize("value", [1.012, 1.0155, 1.016])
def test_small_ratios_are_not_named_from_prints(value):
    estimate = Estimate(name="r", value=value, u=0.0003)
    assert find_faults(estimate, BELT, math.hypot(BELT_U, 0.003), printed=True) == ()
    at_once = find_faults(estimate, BELT, BELT_U)
    assert bool(at_once) is (value > 1.015)  # 1.2 % is no belt of 2.032 mm, not by travel either


def test_a_vague_ratio_names_nothing():
    vague = Estimate(name="r", value=0.8, u=0.08)
    assert find_faults(vague, BELT, 0.002) == ()


def test_a_wrong_setting_is_not_a_wrong_part():
    """Steps set to 100 where the mechanics give 80 explain a ratio of 1.25 by themselves."""
    estimate = Estimate(name="r", value=1.25, u=0.0003)
    assert find_faults(estimate, BELT, 0.002, set_over_mechanical=100 / 80) == ()
