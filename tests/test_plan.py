"""Events, staleness, the control chart, the part tolerance and what to print next."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import BadInput
from calib.model.correction import Scope, Verdict
from calib.model.setting import TOPICS, topic, topic_of
from calib.plan.goals import GOALS
from calib.plan.steps import plan
from calib.profile.blocks import Coordinate
from calib.profile.drift import alarm, individuals
from calib.profile.events import EVENTS, Happened, events_table, why_stale
from calib.profile.gaussian import Gaussian
from calib.profile.tolerance import Sizes, part_tolerance, ring_weights
from calib.store import open_store
from calib.store.records import Nozzle, Spool
from patterns import registry
from patterns.spec import PrintSetup
from tests.storekit import correction, fresh_url, keep, sheet, workshop

T0 = datetime(2026, 3, 1, tzinfo=UTC)
DAY = timedelta(days=1)


# --- the control chart ------------------------------------------------------------------------

#: NIST/SEMATECH e-Handbook 6.3.2.2, "Individuals control charts", flow rates of ten batches; data
#: from memory, and the limits printed there, which the formula reproduces.
NIST = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def test_individuals_chart_gives_the_handbook_limits():
    chart = individuals(NIST)
    assert chart.centre == pytest.approx(50.81, abs=1e-9)
    assert chart.upper == pytest.approx(55.8041, abs=5e-5)
    assert chart.lower == pytest.approx(45.8159, abs=5e-5)
    assert chart.outside == ()
    assert chart.rough


def test_a_jump_raises_the_alarm_unless_its_own_uncertainty_explains_it():
    assert "outside the control limits" in alarm((*NIST, 58.0), 0.5)
    assert alarm((*NIST, 58.0), 5.0) == ""
    assert alarm((*NIST, 52.0), 0.5) == ""
    assert alarm((50.0, 50.1, 58.0), 0.1) == ""  # too few to have limits


def test_a_run_of_eight_on_one_side_raises_the_alarm():
    values = [10.0, 10.6, 9.4, 10.5, 9.5] + [10.2, 10.25, 10.3] * 2 + [10.2, 10.25]
    assert "last 8 values" in alarm(values, 0.01)
    assert alarm(values[:-1], 0.01) == ""


@given(st.floats(-100, 100), st.floats(0.01, 100))
def test_chart_follows_shift_and_scale(shift, scale):
    base, moved = individuals(NIST), individuals([shift + scale * v for v in NIST])
    assert moved.upper == pytest.approx(shift + scale * base.upper, rel=1e-9, abs=1e-6)
    assert moved.outside == base.outside


# --- how true a part comes out ----------------------------------------------------------------


def known_sizes(scale=3e-4, offset=0.02, skew=5e-4):
    """Independent scale, offset and skew of stated uncertainties, nothing else unknown."""
    names = {"sx": scale, "sy": scale, "ox": offset, "oy": offset, "skew": skew}
    c = {n: Coordinate(n, "printer", "p") for n in names}
    u = np.array(list(names.values()))
    known = Gaussian(
        coordinates=tuple(c.values()), mean=np.zeros(5), covariance=np.diag(u**2),
        prior_variance=np.full(5, 1.0), spread_sd=np.full(5, np.inf), spread_dof=np.full(5, np.inf),
    )  # fmt: skip
    sizes = Sizes(
        scale_x={c["sx"]: 1.0}, scale_y={c["sy"]: 1.0}, offset_x={c["ox"]: 1.0},
        offset_y={c["oy"]: 1.0}, skew={c["skew"]: 1.0},
    )  # fmt: skip
    return known, sizes


def test_tolerance_of_a_row_of_parts_by_hand():
    known, sizes = known_sizes()
    t = part_tolerance(known, sizes, 200.0, 8)
    scatter = math.hypot(0.03, 0.0002 * 200)
    along, across = math.hypot(200 * 3e-4, 0.02), 200 * 5e-4
    assert t.part_half_mm == pytest.approx(
        1.96 * math.sqrt(along**2 + across**2 + scatter**2), rel=1e-4
    )
    row = math.sqrt((8 * along) ** 2 + 8 * scatter**2 + across**2)
    assert t.row_half_mm == pytest.approx(1.96 * row, rel=1e-4)
    joint = math.sqrt(0.02**2 + across**2 + 2 * scatter**2)
    assert t.joint_half_mm == pytest.approx(1.96 * joint, rel=1e-4)
    assert [s.topic for s in t.shares] == ["scale", "outline", "skew"]


@pytest.mark.parametrize("n", [3, 6, 14])
def test_a_ring_closes_as_its_corners_say(n):
    # Corners of a segment between two rays from the centre, moved by a true stretch, and n of them
    # laid side by side: the angle that is missing or too much, at the radius of the outer edge.
    ex, ey, radius = 4e-4, -3e-4, 100.0
    half = math.pi / n
    rays = [np.array([math.sin(a), math.cos(a)]) for a in (-half, half)]
    moved = [r * np.array([1 + ex, 1 + ey]) for r in rays]
    angle = math.atan2(moved[1][0], moved[1][1]) - math.atan2(moved[0][0], moved[0][1])
    gap = (n * angle - 2 * math.pi) * radius
    known, sizes = known_sizes()
    part = 2 * math.pi * radius / n
    w = ring_weights(sizes, part, n)
    of = {c.quantity: weight for c, weight in w.items()}
    assert of["sx"] * ex + of["sy"] * ey == pytest.approx(gap, rel=2e-3)
    assert of["ox"] == n
    assert part_tolerance(known, sizes, part, n).ring_half_mm > 0


def test_scale_alone_does_not_open_a_ring():
    _, sizes = known_sizes()
    w = ring_weights(sizes, 50.0, 8)
    assert sum(weight for c, weight in w.items() if c.quantity in ("sx", "sy")) == pytest.approx(0)


# --- events -----------------------------------------------------------------------------------


def test_every_event_names_topics_that_exist():
    names = {t.name for t in TOPICS}
    for e in EVENTS:
        assert set(e.makes_stale) <= names
        assert e.keeps
    assert {e.name for e in EVENTS} == {
        "assembled", "moved", "drive-changed", "nozzle-changed", "filament-type-changed",
        "new-spool", "stored-damp", "levelled", "carriage-changed", "motion-set",
    }  # fmt: skip


def test_order_of_topics_respects_what_they_rest_on():
    names = [t.name for t in TOPICS]
    for t in TOPICS:
        assert all(names.index(a) < names.index(t.name) for a in t.after), t.name


@pytest.mark.parametrize(
    ("setting", "name"),
    [
        ("steps_x_per_mm", "axes"), ("steps_e_per_mm", "extruder"), ("scale_z_percent", "scale"),
        ("outline_offset_mm", "outline"), ("first_layer_gap_mm", "first_layer"),
        ("skew_xy_deg", "skew"), ("hot_end_c", "temperature"), ("bed_c", "temperature"),
        ("flow_percent", "flow"), ("retraction_mm", "retraction"), ("odd_thing", "other"),
    ],
)  # fmt: skip
def test_settings_find_their_topic(setting, name):
    assert topic_of(setting).name == name


def stale(
    setting, kind, *, spool="white-1", nozzle="brass", printer="lantern", after=True, **event
):
    at = T0 + DAY if after else T0 - DAY
    happened = [Happened(kind=kind, at=at, **{"printer": "lantern", **event})]
    return bool(why_stale(setting, T0, printer, nozzle, spool, happened))


def test_what_goes_stale():
    assert stale("skew_xy_deg", "moved")
    assert not stale("skew_xy_deg", "moved", after=False)
    assert not stale("skew_xy_deg", "moved", printer="other")
    assert not stale("flow_percent", "moved")
    assert stale("first_layer_gap_mm", "moved")
    assert stale("steps_x_per_mm", "drive-changed", axis="X")
    assert not stale("steps_x_per_mm", "drive-changed", axis="Y")
    assert stale("skew_xz_deg", "drive-changed", axis="Z")
    assert not stale("skew_xy_deg", "drive-changed", axis="Z")
    assert not stale("flow_percent", "drive-changed", axis="X")
    assert stale("flow_percent", "drive-changed", axis="E")
    assert stale("flow_percent", "stored-damp", printer="lantern", spool="white-1")
    assert not stale("scale_x_percent", "stored-damp")
    assert not stale("shrinkage_xy_percent", "assembled")
    assert stale("scale_x_percent", "assembled")


def test_an_event_of_another_nozzle_or_spool_touches_only_what_they_share():
    def after(setting, kind, **what):
        happened = [Happened(kind=kind, at=T0 + DAY, **what)]
        return bool(why_stale(setting, T0, "lantern", "brass", "white-1", happened))

    assert not after("flow_percent", "nozzle-changed", printer="lantern", nozzle="wide")
    assert after("flow_percent", "nozzle-changed", printer="lantern", nozzle="brass")
    assert after("level_front_left_turns", "nozzle-changed", printer="lantern", nozzle="wide")
    assert not after("hot_end_c", "stored-damp", spool="green")
    assert after("hot_end_c", "stored-damp", spool="white-1")


def test_the_table_for_the_docs_has_a_row_for_every_event():
    lines = events_table().splitlines()
    assert len(lines) == 2 + len(EVENTS)
    assert all(line.count("|") == 5 for line in lines)


# --- what to print next -----------------------------------------------------------------------


@pytest.fixture
def store(tmp_path):
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as opened:
        yield workshop(opened)


def pieces(store, goal="all", spool="white-1", nozzle="brass", **kwargs):
    return [s.piece for s in plan(store.known("lantern", nozzle, spool), goal, **kwargs).steps]


def due(store, **kwargs):
    found = plan(store.known("lantern", "brass", "white-1"), **kwargs)
    wanted = {t for s in found.steps for t in s.topics}
    return [t.name for t in TOPICS if t.name in wanted]


def settled(store, *, piece_id="p", spool="white-1", nozzle="brass", but=()):
    """Keep a good value for every topic."""
    values = [
        correction("level_front_left_turns", 0.0, 0.0, u=0.02, scope=Scope.PRINTER),
        correction("first_layer_gap_mm", 0.01, 0.0, u=0.02, scope=Scope.PRINTER),
        correction("skew_xy_deg", 0.05, 0.0, u=0.02, scope=Scope.PRINTER),
        correction("hot_end_c", 210.0, 200.0, u=3.0),
        correction("retraction_mm", 2.0, 1.0, u=0.1),
        correction("flow_percent", 97.0, 100.0, u=0.5),
        correction("scale_x_percent", 99.7, 100.0, u=0.03),
        correction("scale_y_percent", 99.7, 100.0, u=0.03),
        correction("scale_z_percent", 99.7, 100.0, u=0.03),
        correction("outline_offset_mm", -0.05, 0.0, u=0.01, scope=Scope.NOZZLE),
        correction("hole_oversize_mm", 0.1, 0.0, u=0.02),
        correction("clearance_slide_round_mm", 0.25, None, u=0.02),
        correction("overhang_limit_deg", 55.0, None, u=1.5),
        correction("bridge_limit_mm", 40.0, None, u=2.0),
    ]
    kept = [c for c in values if topic_of(c.setting).name not in but]
    keep(store, piece_id, spool=spool, nozzle=nozzle, corrections=kept)


def test_nothing_is_due_where_all_is_known(store):
    settled(store)
    found = plan(store.known())
    assert found.steps == ()
    assert "flow" in found.good


def test_an_unknown_printer_is_taken_in_order(store):
    store.add_event("assembled", "lantern")
    found = plan(store.known())
    order = [s.piece for s in found.steps]
    assert set(order) <= {**registry.all_patterns(), **registry.all_checks()}.keys()
    assert found.open == ()
    at = {t: i for i, s in enumerate(found.steps) for t in s.topics}
    for s in found.steps:  # what rests on another's answer comes after it, on a plate of its own
        for t in {
            t for name in s.topics for t in topic(name).after if t in at and t not in s.topics
        }:
            assert at[t] < found.steps.index(s)
            assert found.steps[at[t]].plate != s.plate
    assert {t for s in found.steps for t in s.topics} >= {a.topic for a in found.aims}
    assert order[0] == "bed-patches"
    assert order.index("temperature-tower") < order.index("string-posts")


def test_goals_drop_what_does_not_matter(store):
    assert "string-posts" not in pieces(store, "fits")
    assert "fit-gauge" not in pieces(store, "clean")
    assert pieces(store, "clean")[-1] == "bridge-ladder"
    assert set(GOALS["size"].topics) < set(GOALS["all"].topics)
    with pytest.raises(BadInput, match="no goal 'pretty'"):
        pieces(store, "pretty")
    with pytest.raises(BadInput, match="--part"):
        pieces(store, "size", part_mm=-1.0)


def test_moving_the_printer_asks_only_for_level_and_squareness(store):
    settled(store)
    store.add_event("moved", "lantern")
    assert due(store) == ["level", "skew", "first_layer"]
    assert pieces(store)[0] == "bed-patches"


def test_a_wider_nozzle_keeps_the_machine_and_the_scale(store):
    settled(store)
    store.add_nozzle(Nozzle(name="wide", printer="lantern", bore_mm=0.6))
    store.add_event("nozzle-changed", "lantern", "wide")
    found = pieces(store, nozzle="wide")
    assert "squareness-frame" not in found
    assert found[0] == "bed-patches"
    assert {"flow", "outline"} <= {
        t for s in plan(store.known("lantern", "wide")).steps for t in s.topics
    }
    assert pieces(store, nozzle="brass") == ["bed-patches"]  # the tip's height is another


def test_a_new_spool_of_a_known_type_needs_only_what_spools_differ_in(store):
    for i in range(3):
        store.add_spool(Spool(name=f"s{i}", material="PLA"))
        settled(store, piece_id=f"p{i}", spool=f"s{i}")
    store.add_event("new-spool", spool="white-1")
    found = plan(store.known(spool="white-1"))
    assert [s.topics for s in found.steps] == [("flow",)]
    assert "temperature" in found.good
    assert "inherited from 3 other" in found.steps[0].why[0]


def test_damp_filament_asks_for_temperature_retraction_flow_and_limits(store):
    settled(store)
    store.add_event("stored-damp", spool="white-1")
    assert due(store) == ["temperature", "retraction", "flow", "overhang", "bridge"]


def test_a_changed_temperature_makes_the_flow_stale_and_a_changed_flow_the_outline(store):
    settled(store)
    keep(store, "tower", corrections=[correction("hot_end_c", 220.0, 210.0, u=3.0)])
    assert due(store) == ["retraction", "flow", "overhang", "bridge"]
    keep(store, "box", corrections=[correction("flow_percent", 95, 97, u=0.5)])
    assert "outline" in due(store)


def test_print_again_is_asked_for_again(store):
    settled(store)
    c = correction("skew_xy_deg", 0.3, 0.05, u=0.03, scope=Scope.PRINTER, verdict=Verdict.PRINT_AGAIN, reason="read both diagonals")  # fmt: skip
    keep(store, "frame", corrections=[c])
    (step,) = plan(store.known()).steps
    assert step.topics == ("skew",)
    assert step.why == ("lean of Y towards +X: read both diagonals",)


def test_drift_asks_for_the_piece_again_and_a_new_belt_ends_it(store):
    settled(store)
    for i, value in enumerate((0.05, 0.051, 0.049, 0.05, 0.052, 0.25)):
        c = correction("skew_xy_deg", value, 0.05, u=0.005, scope=Scope.PRINTER)
        keep(store, f"f{i}", corrections=[c])
    (step,) = plan(store.known()).steps
    assert step.topics == ("skew",)
    assert "outside the control limits" in step.why[0]
    store.add_event("drive-changed", "lantern", axis="X")
    assert store.drift("lantern", "skew_xy_deg") == []


def test_a_tight_tolerance_asks_for_long_pieces_and_says_what_they_bring(store):
    settled(store)
    loose = plan(store.known(), "size", within_mm=0.5, part_mm=200.0)
    assert loose.steps == ()
    tight = plan(store.known(), "size", within_mm=0.22, part_mm=200.0)
    assert tight.steps
    assert all(s.topics == ("scale",) for s in tight.steps)
    assert "±0.22 is wanted" in tight.steps[0].why[0]
    assert tight.after.part_half_mm < tight.tolerance.part_half_mm
    assert tight.open == ()


def test_a_few_minutes_bring_what_they_can(store):
    all_of_it = plan(store.known(), "size", within_mm=0.3, part_mm=200.0)
    some = plan(store.known(), "size", within_mm=0.3, part_mm=200.0, minutes=20.0)
    assert 0 < sum(s.minutes for s in some.steps) <= 20
    assert some.open
    assert all_of_it.open == ()
    assert sum(s.minutes for s in all_of_it.steps) > 20


def test_steps_set_from_this_spool_stand_for_its_scale(store):
    settled(store, but=("scale",))
    assert "scale" in due(store)
    steps = [
        correction(f"steps_{a}_per_mm", n * 1.0025, n, u=n / 4000, scope=Scope.PRINTER, instead_of=f"scale_{a}_percent")
        for a, n in (("x", 80.0), ("y", 80.0), ("z", 400.0))
    ]  # fmt: skip
    keep(store, "cube", corrections=steps)
    assert pieces(store) == []
    found = plan(store.known())
    assert found.tolerance.shares[0].measured


def test_looking_back_in_time(store):
    settled(store)
    before = datetime.now(UTC)
    keep(store, "q", corrections=[correction("hot_end_c", 220.0, 210.0, u=3.0)])
    first = {v.setting: v.value for v in store.in_force(at=before)}["hot_end_c"]
    assert first == pytest.approx(210.0, abs=0.5)
    both = {v.setting: v.value for v in store.in_force()}["hot_end_c"]
    assert both == pytest.approx(215.0, abs=0.5)  # of two towers as sure as each other
    store.undo()
    assert {v.setting: v.value for v in store.in_force()}["hot_end_c"] == pytest.approx(first)
    assert store.in_force(at=datetime(2020, 1, 1, tzinfo=UTC)) == []


def test_a_vague_reading_does_not_unsettle_a_sure_value(store):
    settled(store)
    vague = correction("scale_z_percent", 99.0, 99.7, u=1.6, verdict=Verdict.PRINT_AGAIN)
    keep(store, "box", corrections=[vague])
    assert pieces(store) == []


def test_where_the_usual_piece_left_it_uncertain_another_one_comes(store):
    settled(store, but=("flow",))
    loose = correction("flow_percent", 97.0, 100.0, u=2.0)
    box = replace(sheet("box"), piece=registry.get("wall-box").piece({}, PrintSetup()), readings=())
    store.keep("# box", box, [loose], {}, printer="lantern", nozzle="brass", spool="white-1")
    assert due(store)[0] == "flow"
    assert "wall-box" not in pieces(store)
    mass = replace(
        sheet("mass"), piece=registry.get("weigh-block").piece({}, PrintSetup()), readings=()
    )
    sure = correction("flow_percent", 96.0, 97.0, u=0.5)
    store.keep("# mass", mass, [sure], {}, printer="lantern", nozzle="brass", spool="white-1")
    assert "flow" not in due(store)
