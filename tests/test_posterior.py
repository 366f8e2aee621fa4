from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.fit.linear import Problem, fit
from calib.profile.blocks import (
    Block,
    Coordinate,
    Design,
    Part,
    block_from_json,
    block_json,
    condensed,
)
from calib.profile.prior import Spread
from calib.profile.spreads import posterior

DAY = datetime(2026, 3, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Plain:
    """Knowledge for worked examples: every prior stated in the test."""

    priors: dict[str, tuple[float, float]]
    spread: float = 1.0
    changes: tuple[datetime, ...] = ()
    added: float | None = 1.0
    materials: dict[str, str] = field(default_factory=dict)

    def epoch(self, c, at):
        return 0 if c.kind in ("spool", "piece") else sum(t <= at for t in self.changes)

    def prior(self, c):
        return self.priors[c.quantity]

    def link(self, earlier, later):
        return None if self.added is None else self.added * (later.epoch - earlier.epoch)

    def material(self, spool):
        return self.materials.get(spool, "PLA")

    def usual_spread(self, quantity):
        return self.spread

    def reference_steps(self, printer, axis):
        return 80.0


def reading(uid, weights, value, u, at=DAY, **more):
    """A block of one reading."""
    return Block(
        uid=uid,
        at=at,
        coordinates=tuple(weights),
        r=np.array([list(weights.values())]) / u,
        z=np.array([value / u]),
        **more,
    )


MEAN = Coordinate("effect", "material", "PLA")


def school(k):
    return Coordinate("effect", "spool", f"school {k}")


# Rubin (1981), Estimation in parallel randomized experiments: effects of coaching in eight schools
# and their standard errors, as reprinted in Gelman et al., Bayesian Data Analysis, table 5.2.
EFFECTS = (28, 8, -3, 7, -1, 1, 18, 12)
ERRORS = (15, 10, 16, 11, 9, 11, 10, 18)


def eight_schools(tau, prior_sd=1e6):
    blocks = [
        reading(f"s{k}", {MEAN: 1.0, school(k): 1.0}, y, se)
        for k, (y, se) in enumerate(zip(EFFECTS, ERRORS, strict=True))
    ]
    knowledge = Plain({"effect": (0.0, prior_sd)})
    return posterior(blocks, knowledge, {("PLA", "effect"): Spread(tau)})


def test_eight_schools_pooled_mean_and_its_error():
    # With no spread between schools: mean 7.7 with standard error 4.1 (BDA 3, section 5.5).
    found = eight_schools(1e-4).joint([MEAN]).estimate({MEAN: 1.0}, "mean")
    assert found.value == pytest.approx(7.7, abs=0.05)
    assert found.u == pytest.approx(4.1, abs=0.05)


@pytest.mark.parametrize("tau", [2.0, 10.0, 25.0])
def test_eight_schools_with_a_given_spread_follow_the_closed_form(tau):
    # BDA 3, equations 5.17 and 5.20: conditional means given tau.
    y, se = np.array(EFFECTS, float), np.array(ERRORS, float)
    w = 1 / (se**2 + tau**2)
    mean, variance = np.sum(w * y) / w.sum(), 1 / w.sum()
    v = 1 / (1 / se**2 + 1 / tau**2)
    theta = v * (y / se**2 + mean / tau**2)
    theta_u = np.sqrt(v + (v / tau**2) ** 2 * variance)
    found = eight_schools(tau)
    for k in range(8):
        g = found.joint([MEAN, school(k)])
        e = g.estimate({MEAN: 1.0, school(k): 1.0}, "effect")
        assert e.value == pytest.approx(theta[k], rel=1e-5)
        assert e.u == pytest.approx(theta_u[k], rel=1e-5)


def test_a_ninth_school_is_expected_with_the_spread_on_top():
    tau = 10.0
    g = eight_schools(tau).joint([MEAN, school(9)])
    mean = g.estimate({MEAN: 1.0}, "mean")
    e = g.estimate({MEAN: 1.0, school(9): 1.0}, "effect")
    assert e.value == pytest.approx(mean.value)
    assert e.u == pytest.approx(np.hypot(mean.u, tau))


def kalman(values, u, added, mean, variance):
    """The scalar filter by hand: predict adds variance, update weighs (Kalman 1960)."""
    for k, y in enumerate(values):
        variance += added if k else 0.0
        gain = variance / (variance + u**2)
        mean, variance = mean + gain * (y - mean), (1 - gain) * variance
    return mean, variance


@pytest.mark.parametrize("added", [0.01, 0.3, 2.0])
def test_events_add_variance_as_a_kalman_filter_does(added):
    values, u = [1.0, 1.4, 0.2, 2.2], 0.5
    times = [DAY + timedelta(days=10 * k) for k in range(4)]
    changes = tuple(t - timedelta(days=5) for t in times[1:])
    machine = Coordinate("skew", "printer", "p")
    blocks = [
        reading(f"b{k}", {machine: 1.0}, y, u, at)
        for k, (y, at) in enumerate(zip(values, times, strict=True))
    ]
    knowledge = Plain({"skew": (0.5, 1.5)}, changes=changes, added=added)
    now = machine._replace(epoch=3)
    e = posterior(blocks, knowledge).joint([now]).estimate({now: 1.0}, "skew")
    mean, variance = kalman(values, u, added, 0.5, 1.5**2)
    assert e.value == pytest.approx(mean, rel=1e-9)
    assert e.u**2 == pytest.approx(variance, rel=1e-9)


def test_an_event_after_the_last_sheet_widens_and_one_that_frees_starts_anew():
    machine = Coordinate("skew", "printer", "p")
    block = reading("b", {machine: 1.0}, 1.0, 0.5)
    after = machine._replace(epoch=1)
    for added, variance in ((0.7, 1 / (1 / 0.25 + 1 / 2.25) + 0.7), (None, 2.25)):
        knowledge = Plain({"skew": (0.5, 1.5)}, changes=(DAY + timedelta(days=1),), added=added)
        e = posterior([block], knowledge).joint([after]).estimate({after: 1.0}, "skew")
        assert e.u**2 == pytest.approx(variance)


def mixed_data(seed=3, groups=30, each=4, spread=1.3, noise=0.8):
    rng = np.random.default_rng(seed)
    level = rng.normal(0, spread, groups)
    return [(g, 5.0 + level[g] + rng.normal(0, noise)) for g in range(groups) for _ in range(each)]


def test_the_learnt_spread_and_the_rolls_agree_with_a_mixed_linear_model():
    # statsmodels MixedLM (REML) fits the same hierarchy; the prior of the spread is made weightless
    # by many groups, and the noise is given to both.
    import pandas as pd
    from statsmodels.regression.mixed_linear_model import MixedLM

    data = mixed_data()
    frame = pd.DataFrame(data, columns=["roll", "y"])
    result = MixedLM.from_formula("y ~ 1", frame, groups="roll").fit(reml=True)
    noise = float(np.sqrt(result.scale))
    blocks = [
        reading(f"b{i}", {MEAN: 1.0, Coordinate("effect", "spool", str(g)): 1.0}, y, noise)
        for i, (g, y) in enumerate(data)
    ]
    tau = float(np.sqrt(result.cov_re.iloc[0, 0]))
    found = posterior(blocks, Plain({"effect": (0.0, 1e3)}, spread=tau))
    assert found.spreads["PLA", "effect"].sd == pytest.approx(tau, rel=0.01)
    mean = found.joint([MEAN]).estimate({MEAN: 1.0}, "mean")
    assert mean.value == pytest.approx(float(result.params["Intercept"]), rel=1e-3)
    assert mean.u == pytest.approx(float(result.bse["Intercept"]), rel=0.02)
    for g in (0, 7, 29):
        roll = Coordinate("effect", "spool", str(g))
        e = found.joint([roll]).estimate({roll: 1.0}, "own")
        assert e.value == pytest.approx(float(result.random_effects[g].iloc[0]), abs=0.02)


def gum_h2():
    """Voltage, current and phase of a resistor, read together five times (JCGM 100:2008, table H.2)."""
    return np.array(
        [
            [5.007, 19.663e-3, 1.0456],
            [4.994, 19.639e-3, 1.0438],
            [5.005, 19.640e-3, 1.0468],
            [4.990, 19.685e-3, 1.0428],
            [4.999, 19.678e-3, 1.0433],
        ]
    )


def test_correlated_outputs_as_in_the_gum():
    # JCGM 100:2008, H.2: resistance 127.732 ohm with u 0.071, reactance 219.847 with 0.295,
    # impedance 254.260 with 0.236, and correlations r(R, X) = -0.588, r(R, Z) = -0.485, r(X, Z) = 0.993.
    data = gum_h2()
    mean = data.mean(axis=0)
    covariance = np.cov(data.T) / len(data)
    inputs = tuple(Coordinate(n, "instrument", "bridge") for n in ("V", "I", "phi"))
    size = np.sqrt(np.diag(covariance))
    white = np.linalg.inv(np.linalg.cholesky(covariance / np.outer(size, size))) / size
    block = Block(uid="h2", at=DAY, coordinates=inputs, r=white, z=white @ mean)
    flat = Plain({n: (0.0, 1e3) for n in ("V", "I", "phi")})
    g = posterior([block], flat).joint(inputs)
    v, i, phi = mean
    values = {
        "R": v / i * np.cos(phi),
        "X": v / i * np.sin(phi),
        "Z": v / i,
    }
    slopes = np.array(
        [
            [np.cos(phi) / i, -v / i**2 * np.cos(phi), -v / i * np.sin(phi)],
            [np.sin(phi) / i, -v / i**2 * np.sin(phi), v / i * np.cos(phi)],
            [1 / i, -v / i**2, 0.0],
        ]
    )
    out = slopes @ g.covariance @ slopes.T
    u = np.sqrt(np.diag(out))
    assert [values[k] for k in "RXZ"] == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    assert u == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
    r = out / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_one_sheet_alone_gives_its_own_fit():
    rng = np.random.default_rng(1)
    x = rng.normal(size=(12, 3))
    problem = Problem(
        names=("scale_x", "offset_x", "zero"),
        x=x,
        y=x @ [1.0, 2.0, 0.1] + rng.normal(0, 0.1, 12),
        variance=np.full(12, 0.01),
        prior_mean=np.array([0.2, 0.0, 0.0]),
        prior_sd=np.array([2.0, 3.0, 0.2]),
    )
    own = fit(problem)
    design = Design(
        names=problem.names, x=x / 0.1, y=problem.y / 0.1, own_sd={"zero": 0.2}, own_mean={}
    )
    scale, offset = Coordinate("scale_x", "printer", "p"), Coordinate("offset_x", "nozzle", "n")
    coordinates, r, z, misfit = condensed(
        design, {"scale_x": Part({scale: 1.0}), "offset_x": Part({offset: 1.0})}
    )
    block = Block(uid="b", at=DAY, coordinates=coordinates, r=r, z=z, misfit=misfit)
    found = posterior([block], Plain({"scale_x": (0.2, 2.0), "offset_x": (0.0, 3.0)}))
    g = found.joint([scale, offset])
    for name, c in (("scale_x", scale), ("offset_x", offset)):
        e = g.estimate({c: 1.0}, name)
        assert e.value == pytest.approx(own[name].value, rel=1e-9)
        assert e.u == pytest.approx(own[name].u, rel=1e-9)
        assert e.from_data == pytest.approx(own[name].from_data, rel=1e-9)
    assert misfit == pytest.approx(
        float(np.sum((own.residuals / 0.1) ** 2)) + (own["zero"].value / 0.2) ** 2, rel=0.1
    )


def workshop(seed, rolls=6):
    """Pieces of several rolls on two printers, with travel, in no particular world."""
    rng = np.random.default_rng(seed)
    blocks = []
    for k in range(rolls):
        for j in range(1 + k % 3):
            printer, spool = f"p{(k + j) % 2}", f"roll {k}"
            weights = {
                Coordinate("scale_x", "printer", printer): 1.0,
                Coordinate("shrink", "material", f"m{k % 2}"): -1.0,
                Coordinate("shrink", "spool", spool): -1.0,
                Coordinate("print", "piece", f"piece {k} {j}"): 1.0,
                Coordinate("caliper", "instrument", "c"): 1.0,
            }
            at = DAY + timedelta(days=int(rng.integers(0, 100)))
            r = np.array([list(weights.values()), [1.0, -1.0, -1.0, 0.0, 1.0]]) / 3e-4
            blocks.append(
                Block(
                    uid=f"b{k}{j}", at=at, coordinates=tuple(weights), r=r,
                    z=rng.normal(0, 5, 2), steps={"X": 80.4},
                )
            )  # fmt: skip
    blocks.append(reading("t", {Coordinate("scale_x", "printer", "p0"): 1.0}, 0.001, 2e-4))
    return blocks


WORLD = Plain(
    {"scale_x": (0, 2e-3), "shrink": (4e-3, 2e-3), "print": (0, 2e-4), "caliper": (0, 1e-4)},
    spread=7e-4,
    changes=(DAY + timedelta(days=50),),
    added=1e-7,
    materials={f"roll {k}": f"m{k % 2}" for k in range(20)},
)  # fmt: skip


def dense(blocks, knowledge, spreads):
    """Solve everything at once, nothing eliminated."""
    from calib.profile.prior import prior_information
    from calib.profile.spools import placed

    blocks = [placed(b, knowledge) for b in blocks]
    names = sorted({c for b in blocks for c in b.coordinates})
    n, v = prior_information(names, knowledge, spreads)
    for b in blocks:
        at = [names.index(c) for c in b.coordinates]
        n[np.ix_(at, at)] += b.r.T @ b.r
        v[at] += b.r.T @ b.z
    covariance = np.linalg.inv(n)
    return names, covariance @ v, covariance


def test_elimination_gives_what_one_large_solution_gives():
    blocks = workshop(5)
    found = posterior(blocks, WORLD)
    names, mean, covariance = dense(blocks, WORLD, found.spreads)
    wanted = [c for c in names if c.kind != "piece"]
    at = [names.index(c) for c in wanted]
    g = found.joint(wanted)
    u = np.sqrt(np.diag(covariance)[at])
    assert np.abs(g.mean - mean[at]).max() < 1e-7 * u.max()
    off = np.abs(g.covariance - covariance[np.ix_(at, at)]) / np.outer(u, u)
    assert off.max() < 1e-9


@settings(max_examples=15, deadline=None)
@given(order=st.permutations(range(len(workshop(7)))))
def test_the_order_of_blocks_does_not_matter(order):
    blocks = workshop(7)
    wanted = sorted({c for b in blocks for c in b.coordinates if c.kind != "piece"})
    one = posterior(blocks, WORLD).joint(wanted)
    other = posterior([blocks[i] for i in order], WORLD).joint(wanted)
    u = np.sqrt(np.diag(one.covariance))
    assert np.abs((one.mean - other.mean) / u).max() < 1e-9
    assert np.abs((one.covariance - other.covariance) / np.outer(u, u)).max() < 1e-9


def test_taking_a_block_out_gives_what_never_adding_it_gives():
    blocks = workshop(9)
    found = posterior(blocks, WORLD)
    spreads = found.spreads
    found = posterior(blocks, WORLD, spreads)
    wanted = [Coordinate("scale_x", "printer", "p0"), Coordinate("shrink", "spool", "roll 2")]
    t = blocks[-1]
    less = posterior(blocks[:-1], WORLD, spreads).joint(wanted)
    out = found.joint(wanted).without_block(t)
    assert out.mean == pytest.approx(less.mean, rel=1e-6)
    assert out.covariance == pytest.approx(less.covariance, rel=1e-6)
    back = out.with_block(t)
    assert back.mean == pytest.approx(found.joint(wanted).mean, rel=1e-9)


def test_a_block_comes_back_from_its_stored_form():
    block = workshop(11)[0]
    back = block_from_json(block.uid, block.at, block.pattern, block_json(block))
    assert back.coordinates == block.coordinates
    assert np.array_equal(back.r, block.r)
    assert np.array_equal(back.z, block.z)
    assert back.steps == block.steps


def test_a_sheet_parameter_known_from_nowhere_is_refused():
    design = Design(names=("a", "b"), x=np.eye(2), y=np.ones(2))
    with pytest.raises(ValueError, match="b: neither part"):
        condensed(design, {"a": Part({MEAN: 1.0})})


def test_a_spread_of_few_rolls_widens_the_interval_of_a_new_one():
    blocks = workshop(13)
    found = posterior(blocks, WORLD)
    new = Coordinate("shrink", "spool", "roll 14")
    mean = Coordinate("shrink", "material", "m0")
    e = found.joint([new, mean]).estimate({new: 1.0, mean: 1.0}, "shrinkage")
    assert 3 < e.dof < 50
    assert e.expanded() > 1.96 * e.u
