"""What a piece would tell, which pieces are the shortest way, what a value rests on, what disagrees."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from calib.fit.dimensions import expected_fit
from calib.interpret.lengths import is_length
from calib.model.drive import Drive
from calib.model.instrument import DEFAULTS
from calib.model.request import Request
from calib.plan.foreseen import foreseen
from calib.plan.shortest import Candidate, Target, shortest
from calib.plan.steps import plan
from calib.profile.answers import Answer, Where, answer, values
from calib.profile.blocks import Block, Coordinate
from calib.profile.doubts import robust
from calib.profile.events import Happened
from calib.profile.evidence import Made, block_of, size_design, warmth
from calib.profile.gaussian import Gaussian
from calib.profile.influence import influences, rests
from calib.profile.knowledge import RUNOUT_MM, World
from calib.profile.spreads import posterior
from calib.store import open_store
from patterns import registry
from patterns.spec import PrintSetup
from tests.storekit import fresh_url, workshop

AT = datetime(2026, 3, 2, tzinfo=UTC)
BELT = Drive(belt_pitch_mm=2, pulley_teeth=20)
WORLD = World(
    drives={("p", a): BELT for a in "XY"},
    printer_of={"n": "p"},
    materials={f"r{k}": "PLA" for k in range(9)},
    instruments=DEFAULTS,
)
WHERE = Where(printer="p", nozzle="n", spool="r0", material="PLA", at=AT + timedelta(days=9), steps={"X": 80.0, "Y": 80.0})  # fmt: skip


def made(uid="a", spool="r0", days=0, **change):
    values_ = {
        "uid": uid, "at": AT + timedelta(days=days), "pattern": "corner-gauge", "piece": uid,
        "printer": "p", "nozzle": "n", "spool": spool, "material": "PLA", "part_c": 20.0,
        "was_set": {"steps_x_per_mm": 80.0, "steps_y_per_mm": 80.0},
    }  # fmt: skip
    return Made(**{**values_, **change})


def gauge():
    piece = registry.get("corner-gauge").piece({}, PrintSetup())
    return piece, [f for f in piece.by_hand if is_length(f)]


def printed(stretch=(0.0, 0.0), offset=0.0, seed=1, **change):
    """The block of a gauge whose lengths are worked out by hand."""
    from calib.fit.dimensions import fit_dimensions

    rng = np.random.default_rng(seed)
    _, features = gauge()
    read = [f for f in features if f.axis in ("X", "Y")]
    side = {"outside": 1, "inside": -1}
    value = [
        f.nominal * (1 + stretch["XY".index(f.axis)])
        + side[str(f.kind)] * offset
        + rng.normal(0, 0.015)
        for f in read
    ]
    fit = fit_dimensions(read, np.arange(len(read)), np.array(value), DEFAULTS["caliper"])
    return block_of(made(**change), fit.linear, [])


# --- absolute terms ----------------------------------------------------------------------------


def needed(blocks, setting="scale_x_percent", where=WHERE, world=WORLD):
    return values(posterior(blocks, world), where, [setting])[setting]


def test_what_was_set_does_not_matter_to_what_should_be_set():
    # A printer 0.4 % too long, once as it is, once with the models scaled, once with other steps.
    plain = needed([printed((0.004, 0.004))])
    scaled = printed(
        (1.004 * 0.996 - 1, 0.004), was_set={"steps_x_per_mm": 80.0, "scale_x_percent": 99.6}
    )
    slower = printed((1.004 * 79.6 / 80 - 1, 0.004), was_set={"steps_x_per_mm": 79.6})
    for block in (scaled, slower):
        assert needed([block]).value == pytest.approx(plain.value, abs=0.005)
    # Where the steps are changed for good, the scale is what they leave.
    changed = replace(WHERE, steps={"X": 79.6, "Y": 80.0})
    assert needed([printed((0.004, 0.004))], where=changed).value == pytest.approx(
        plain.value * 80 / 79.6, rel=1e-9
    )


def test_an_offset_that_was_set_is_taken_off():
    plain = needed([printed(offset=0.1)], "outline_offset_mm")
    mended = printed(offset=0.0, was_set={"outline_offset_mm": -0.05})
    assert plain.value == pytest.approx(-0.05, abs=0.02)
    assert needed([mended], "outline_offset_mm").value == pytest.approx(plain.value, abs=0.005)


def test_warmth_is_taken_out():
    # 68e-6 of PLA less 11e-6 of a steel caliper, 10 kelvin above 20 degrees C (ISO 1).
    warm, u = warmth(made(part_c=30.0))
    assert warm == pytest.approx(10 * (68e-6 - 11e-6), rel=0.05)
    assert u > 0


def test_a_new_roll_starts_from_the_others_and_a_changed_belt_from_the_mechanics():
    blocks = [printed((-0.004, -0.004), uid=f"b{k}", spool=f"r{k}", seed=k) for k in range(4)]
    new = needed(blocks, where=replace(WHERE, spool="r8"))
    assert new.value == pytest.approx(100.4, abs=0.1)
    assert needed(blocks).u < new.u < 0.15
    belt = replace(WORLD, events=[Happened(kind="drive-changed", at=AT + timedelta(days=5), printer="p", axis="X")])  # fmt: skip
    assert needed(blocks, world=belt).u > 1.5 * needed(blocks).u
    y = needed(blocks, "scale_y_percent")
    assert needed(blocks, "scale_y_percent", world=belt).u < 1.3 * y.u


# --- what a piece would tell -------------------------------------------------------------------


def test_what_is_foreseen_is_what_the_fit_would_say():
    piece, features = gauge()
    block = foreseen(piece, ("scale",), made())
    fit = expected_fit(features, DEFAULTS["caliper"], repeats=1)
    own = block_of(made(), fit, [])
    scale = answer("scale_x_percent", WHERE, WORLD)
    for b in (block, own):
        assert {c[:3] for c in scale.weights} <= {c[:3] for c in b.coordinates}
    one, other = (
        values(posterior([b], WORLD), WHERE, ["scale_x_percent"])["scale_x_percent"].u
        for b in (block, own)
    )
    assert one == pytest.approx(other, rel=1e-6)


def tells(name, weights, u, minutes, settles=("flow",)):
    rows = np.array([[w / u for w in weights.values()]])
    block = Block(uid=name, at=AT, coordinates=tuple(weights), r=rows, z=np.zeros(1))
    request = Request(pattern=name, settles=settles)
    return Candidate(request=request, block=block, minutes=minutes, grams=1.0, readings=0, covers=frozenset(settles))  # fmt: skip


A, B = Coordinate("a", "printer", "p"), Coordinate("b", "printer", "p")
KNOWN = Gaussian(
    coordinates=(A, B), mean=np.zeros(2), covariance=np.eye(2), prior_variance=np.ones(2),
    spread_sd=np.full(2, np.inf), spread_dof=np.full(2, np.inf),
)  # fmt: skip


def target(c, wanted=0.5):
    return Target(name=c.quantity, label="", unit="", topic="flow", weights={c: 1.0}, wanted=wanted)


def test_one_piece_that_tells_both_beats_two():
    both = tells("both", {A: 1.0}, 0.1, 30.0)
    both = replace(both, block=replace(both.block, coordinates=(A, B), r=np.eye(2) / 0.1, z=np.zeros(2)))  # fmt: skip
    singles = [tells("one", {A: 1.0}, 0.1, 20.0), tells("two", {B: 1.0}, 0.1, 20.0)]
    found = shortest(KNOWN, [target(A), target(B)], [*singles, both])
    assert [c.request.pattern for c in found.chosen] == ["both"]
    assert found.open == ()
    # Half-width by hand: 1 / (1 + 100) of the variance is left.
    assert found.half_after["a"] == pytest.approx(1.959964 / 101**0.5)


def test_what_became_needless_is_dropped_and_minutes_are_kept():
    quick = tells("quick", {A: 1.0}, 0.9, 2.0)
    sure = tells("sure", {A: 1.0}, 0.1, 60.0)
    assert [c.request.pattern for c in shortest(KNOWN, [target(A)], [quick, sure]).chosen] == [
        "sure"
    ]
    few = shortest(KNOWN, [target(A)], [quick, sure], minutes=10.0)
    assert [c.request.pattern for c in few.chosen] == ["quick"]
    assert few.open == ("a",)
    assert few.half_after["a"] < few.half_before["a"]


def test_a_topic_that_must_be_measured_is_however_well_it_seems_known():
    sure = tells("sure", {A: 1.0}, 0.1, 60.0)
    loose = [target(A, wanted=5.0)]
    assert shortest(KNOWN, loose, [sure]).chosen == ()
    assert shortest(KNOWN, loose, [sure], required=frozenset({"flow"})).chosen == (sure,)


def test_a_first_calibration_is_short(tmp_path):
    # The figures that the study on simulated printers asks for.
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as store:
        workshop(store)
        known = store.known()
    size = plan(known, "size", within_mm=0.3, part_mm=200.0)
    assert size.open == ()
    assert len({s.plate for s in size.steps}) <= 3
    assert sum(s.minutes for s in size.steps) <= 75
    assert sum(s.grams for s in size.steps) <= 20
    assert sum(s.readings for s in size.steps) <= 40
    assert size.after.part_half_mm <= 0.3
    all_of_it = plan(known)
    assert all_of_it.open == ()
    assert len({s.plate for s in all_of_it.steps} - {0}) <= 6
    assert sum(s.minutes or 0 for s in all_of_it.steps) <= 240
    assert sum(s.grams or 0 for s in all_of_it.steps) <= 60
    topics = [t for s in all_of_it.steps for t in s.topics]
    assert topics.index("temperature") < topics.index("flow") < topics.index("clearance")


# --- what a value rests on ---------------------------------------------------------------------


def scale_of(world=WORLD):
    return answer("scale_x_percent", WHERE, world)


def test_what_a_value_rests_on_and_what_the_last_sheet_changed():
    blocks = [
        printed((0.004, 0.004), uid="a", seed=1),
        printed((0.004, 0.004), uid="b", days=2, seed=2),
    ]
    whole = posterior(blocks, WORLD)
    found = rests(whole, scale_of(), blocks)
    assert (found.sheets, found.spools) == (2, 1)
    assert found.newest.uid == "b"
    alone = values(posterior(blocks[:1], WORLD, whole.spreads), WHERE, ["scale_x_percent"])
    assert found.before.value == pytest.approx(alone["scale_x_percent"].value, abs=1e-6)
    assert found.before.u == pytest.approx(alone["scale_x_percent"].u, rel=1e-6)


def test_a_sheet_of_before_an_event_that_frees_no_longer_counts():
    block = printed((0.004, 0.004))
    world = replace(WORLD, events=[Happened(kind="assembled", at=AT + timedelta(days=1), printer="p")])  # fmt: skip
    outline = answer("outline_offset_mm", replace(WHERE, spool="r5"), world)
    assert rests(posterior([block], world), outline, [block]).sheets == 0


def test_the_surer_sheet_weighs_more():
    sure, vague = printed(uid="sure"), printed(uid="vague", days=1).times(5.0)
    found = influences(posterior([sure, vague], WORLD), scale_of(), [sure, vague])
    assert [i.block.uid for i in found] == ["sure", "vague"]
    assert found[0].share > 3 * found[1].share


def test_a_sheet_printed_with_another_scale_than_it_says_is_noticed():
    good = [printed((0.002, 0.002), uid=f"g{k}", days=k, seed=k) for k in range(4)]
    odd = printed((0.012, 0.002), uid="odd", days=5, seed=9)
    found = robust([*good, odd], WORLD).judged["odd"]
    assert found.odds < 1e-3
    assert found.wrong > 0.99
    assert "X was set otherwise" in found.reason
    assert robust(good, WORLD).judged == {}


def test_an_answer_is_in_its_own_unit():
    a = Answer(setting="skew_xy_deg", weights={A: 180 / np.pi})
    e = a.estimate(KNOWN)
    assert (e.unit, e.u) == ("deg", pytest.approx(180 / np.pi))


# --- what a pattern repeats ----------------------------------------------------------------------


def test_what_a_pattern_repeats_is_what_a_line_through_wrong_lengths_gives():
    # Ordinary least squares by its textbook formula: covariance s^2 (P^T P)^-1 of the coefficients of
    # lengths that are each off by s, P = [length, which way the walls face, inside or not].
    _, features = gauge()
    lengths = [f for f in features if f.axis == "X"]
    way = {"outside": (1.0, 0.0), "inside": (-1.0, -1.0)}
    p = np.array([[f.nominal, *way.get(str(f.kind), (0.0, 0.0))] for f in lengths])
    by_hand = RUNOUT_MM**2 * np.linalg.inv(p.T @ p)
    _, parts = size_design(made(), expected_fit(features, DEFAULTS["caliper"], repeats=1))
    shared = [c for c in parts["scale_x"].weights if c.kind == "pattern"]
    assert len(shared) == 3
    m = np.array(
        [[parts[n].weights[c] for c in shared] for n in ("scale_x", "offset_x", "inside_x")]
    )
    assert m @ m.T == pytest.approx(by_hand, rel=1e-6, abs=1e-12)


def test_many_prints_of_one_pattern_do_not_take_its_own_errors_away():
    blocks = [printed(uid=f"{k}", days=k % 30, seed=k, piece=f"q{k}") for k in range(60)]
    halves = [needed(blocks[:n]).u for n in (1, 60)]
    reach = max(f.nominal for f in gauge()[1] if f.axis == "X")
    assert 100 * RUNOUT_MM / reach / 2 < halves[1] < halves[0]


def test_a_roll_that_is_odd_is_not_hidden_by_the_spread_that_it_makes_itself():
    rolls = [printed((0.002, 0.002), uid=f"g{k}", spool=f"r{k}", seed=k) for k in range(4)]
    odd = printed((0.009, 0.009), uid="odd", spool="r4", days=5, seed=9)
    every = [*rolls, odd]
    judged = robust(every, WORLD).judged
    assert [j.uid for j in judged.values() if j.disagrees] == ["odd"]
    assert judged["odd"].odds < 1e-3
