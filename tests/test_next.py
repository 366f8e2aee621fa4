"""What a trial of `next` and of the profile by a new user found: each finding with a test."""

import json
import re
import shlex
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from calib.errors import StoreError
from calib.model.correction import Scope, Verdict
from calib.model.request import Request, fitting, joined, refusal
from calib.plan.cost import piece_cost
from calib.plan.steps import plan
from calib.profile.events import Happened, why_stale
from calib.report.kept_words import history_lines, stale_lines
from calib.report.next_words import command_of
from calib.report.words import folded, place_lines, turn_lines
from calib.store import open_store
from calib.store.records import Spool
from calib.workshop.results import Who
from patterns import registry
from patterns.spec import PrintSetup
from tests.storekit import correction, fresh_url, keep, sheet, workshop
from tests.test_plan import settled

AGAIN = Verdict.PRINT_AGAIN


@pytest.fixture
def store(tmp_path):
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as opened:
        yield workshop(opened)


def keep_from(store, pattern, *corrections, piece_id="q"):
    """Keep corrections as if they came from a piece of a pattern."""
    made = replace(
        sheet(piece_id), piece=registry.get(pattern).piece({}, PrintSetup()), readings=()
    )
    text = f"# {pattern} {piece_id}"
    return store.keep(
        text, made, corrections, {}, printer="lantern", nozzle="brass", spool="white-1"
    )


def value(store, setting):
    (found,) = [v for v in store.in_force() if v.setting == setting]
    return found


# --- worse evidence does not replace better ----------------------------------------------------


def test_a_vague_value_that_agrees_hardly_moves_the_sure_one(store):
    settled(store)
    before = value(store, "scale_z_percent")
    vague = correction("scale_z_percent", 98.9, 99.7, u=0.9, verdict=Verdict.LEAVE)
    keep_from(store, "wall-box", vague)
    found = value(store, "scale_z_percent")
    assert found.value == pytest.approx(before.value, abs=0.03)
    assert found.u <= before.u
    assert plan(store.known()).steps == ()


def test_after_an_event_even_a_vague_value_counts(store):
    settled(store)
    before = value(store, "scale_z_percent")
    store.add_event("drive-changed", "lantern", axis="Z")
    assert value(store, "scale_z_percent").u > 1.5 * before.u


def test_print_again_unsettles_only_what_it_contradicts(store):
    settled(store)
    wide = correction("scale_z_percent", 99.0, 99.7, u=1.6, verdict=AGAIN, reason="print a cube")
    keep_from(store, "wall-box", wide, piece_id="a")
    assert plan(store.known()).steps == ()
    other = replace(wide, new=90.0, reason="print a taller one")
    keep_from(store, "wall-box", other, piece_id="b")
    (step,) = plan(store.known()).steps
    assert step.why == ("size along Z: print a taller one",)


def test_steps_that_carry_the_spools_scale_outweigh_a_vague_scale(store):
    settled(store, but=("scale",))
    steps = [
        correction(f"steps_{a}_per_mm", n * 1.0025, n, u=n / 4000, scope=Scope.PRINTER, instead_of=f"scale_{a}_percent")
        for a, n in (("x", 80.0), ("y", 80.0), ("z", 400.0))
    ]  # fmt: skip
    keep(store, "cube", corrections=steps)
    keep_from(store, "wall-box", correction("scale_z_percent", 99.0, 100.0, u=1.6, verdict=AGAIN))
    assert plan(store.known()).steps == ()


# --- reasons and commands agree, and it ends ---------------------------------------------------


def test_a_reason_belongs_to_its_setting_and_the_command_is_the_one_it_names(store):
    settled(store, but=("bridge",))
    more = Request(
        pattern="bridge-ladder", parameters={"from_mm": 14.0, "to_mm": 48.0, "step_mm": 2.0},
        why="print more rungs there", settles=("bridge_limit_mm",),
    )  # fmt: skip
    unsure = correction("bridge_limit_mm", 14.0, None, u=9.0, verdict=AGAIN, reason="too uncertain")
    keep_from(store, "bridge-ladder", replace(unsure, requests=(more,)))
    (kept,) = [k for k in store.history() if k.correction.setting == "bridge_limit_mm"]
    assert kept.correction.requests == (more,)
    (step,) = plan(store.known()).steps
    assert step.piece == "bridge-ladder"
    assert {k: step.request.parameters[k] for k in ("from_mm", "to_mm")} == {
        "from_mm": 14,
        "to_mm": 48,
    }
    assert step.why[0] == "longest bridge: too uncertain"
    who = Who(printer="lantern", nozzle="brass", spool="white-1")
    assert command_of(who, step.request).endswith(
        f"--set from_mm=14 --set to_mm=48 --set step_mm={step.request.parameters['step_mm']:g}"
    )


def test_a_taller_cube_is_asked_for_with_its_size(store):
    settled(store)
    taller = Request(pattern="dimensional-cube", parameters={"size_mm": 80.0})
    unsure = correction("scale_z_percent", 95.0, 99.7, u=0.5, verdict=AGAIN)
    keep_from(store, "dimensional-cube", replace(unsure, requests=(taller,)))
    (step,) = plan(store.known()).steps
    assert (step.piece, step.request.parameters) == ("dimensional-cube", {"size_mm": 80})


def test_ranges_for_one_piece_are_joined():
    a = Request(pattern="fit-gauge", parameters={"from_mm": 0.1, "to_mm": 0.3, "step_mm": 0.05})
    b = Request(pattern="fit-gauge", parameters={"from_mm": 0.2, "to_mm": 0.5, "step_mm": 0.02})
    (made,) = joined([a, b])
    assert made.parameters == {"from_mm": 0.1, "to_mm": 0.5, "step_mm": 0.02}


def test_what_the_usual_piece_gave_is_not_asked_for_again(store):
    settled(store, but=("clearance",))
    usual = correction("clearance_press_round_mm", 0.2, None, u=0.075)  # ± 0.15 from perfect grades
    keep_from(store, "fit-gauge", usual)
    assert plan(store.known()).steps == ()


@pytest.mark.parametrize("build_mm", [80.0, 100.0, 120.0, 150.0, 220.0])
def test_what_is_asked_for_can_be_made_on_a_small_printer(build_mm):
    setup = PrintSetup(build_x_mm=build_mm, build_y_mm=build_mm, build_z_mm=build_mm)
    pieces = ("bed-patches", "squareness-frame", "temperature-tower", "string-posts", "wall-box",
              "weigh-block", "dimensional-cube", "hole-plate", "fit-gauge", "overhang-ladder",
              "bridge-ladder")  # fmt: skip
    for piece in pieces:
        made, words = fitting(Request(pattern=piece), setup)
        assert refusal(made, setup) == "", made
        assert bool(words) == bool(made.parameters)
    tall, words = fitting(Request(pattern="dimensional-cube", parameters={"size_mm": 150}), setup)
    assert refusal(tall, setup) == ""


def test_an_empty_store_claims_nothing_that_was_not_measured(store):
    found = plan(store.known())
    assert found.good == ()
    assert found.taken == {"axes": "from the mechanics", "extruder": "as set in the printer"}
    bare = replace(store.printer("lantern"), axes=())
    store.change_printer(bare)
    assert plan(store.known()).taken == {"axes": "not known", "extruder": "not known"}


def test_next_and_list_agree_on_time_and_grams():
    rows = json.loads(CliRunner().invoke(build_app(), ["list", "--json"]).output)
    listed = {r["name"]: r for r in rows}
    for name in ("dimensional-cube", "bed-patches"):
        cost = piece_cost(name, {}, PrintSetup(), Spool(name="s", material="PLA"))
        assert (round(cost.minutes), round(cost.grams, 1)) == (
            listed[name]["minutes"], listed[name]["grams"],
        )  # fmt: skip


def test_names_are_quoted_for_the_shell():
    assert Who(printer="big one", nozzle="0.4/brass", spool="it's").options.strip() == (
        "--printer 'big one' --nozzle 0.4/brass --spool 'it'\"'\"'s'"
    )


# --- events ------------------------------------------------------------------------------------


def test_an_event_that_has_not_come_is_refused(store):
    with pytest.raises(StoreError, match="has not come yet"):
        store.add_event("moved", "lantern", at=datetime.now(UTC) + timedelta(hours=1))
    assert store.events() == []


def test_an_event_is_taken_back_without_being_deleted(store):
    settled(store)
    moved = store.add_event("moved", "lantern")
    assert value(store, "skew_xy_deg").stale.startswith("moved on ")
    then = datetime.now(UTC)
    store.take_event_back(moved.uid[:8], "another printer")
    assert value(store, "skew_xy_deg").stale == ""
    assert plan(store.known()).steps == ()
    (left,) = store.events("lantern")
    assert left.taken_back
    assert any(v.stale for v in store.in_force(at=then))  # as it was known then
    with pytest.raises(StoreError, match="taken back before"):
        store.take_event_back(moved.uid)
    with pytest.raises(StoreError, match="no event has the id"):
        store.take_event_back("zz")
    with pytest.raises(StoreError, match="no event of its own"):
        store.add_event("taken-back")


def test_an_event_taken_back_stays_so_in_another_store(store, tmp_path):
    store.take_event_back(store.add_event("moved", "lantern").uid)
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as other:
        other.take_in(store.records())
        assert [e.taken_back for e in other.events()] == [True]


def test_the_fastest_flow_follows_nozzle_and_temperature(store):
    rate = correction("volumetric_rate_limit_mm3_s", 11.0, None, u=0.5, scope=Scope.NOZZLE)
    keep_from(store, "extruder-feed", rate)
    keep_from(store, "temperature-tower", correction("hot_end_c", 220.0, 210.0, u=3.0))
    assert "hot-end temperature was changed" in value(store, "volumetric_rate_limit_mm3_s").stale
    store.add_event("nozzle-changed", "lantern", "brass")
    assert value(store, "volumetric_rate_limit_mm3_s").stale.startswith("nozzle-changed on ")
    # A check without plastic does not say which nozzle was in: it may have been this one.
    at = datetime(2026, 3, 1, tzinfo=UTC)
    event = Happened(kind="nozzle-changed", at=at, printer="lantern", nozzle="brass")
    earlier = at - timedelta(days=1)
    assert why_stale("volumetric_rate_limit_mm3_s", earlier, "lantern", "", "", [event])
    assert not why_stale("volumetric_rate_limit_mm3_s", earlier, "lantern", "wide", "", [event])


# --- turns are done once ------------------------------------------------------------------------


def test_turns_of_screws_are_done_once_and_never_in_force(store):
    turn = correction("level_front_left_turns", -0.126, None, u=0.02, unit="turn", scope=Scope.PRINTER)  # fmt: skip
    for i in range(7):
        keep(store, f"bed{i}", corrections=[turn])
    assert store.in_force() == []
    assert store.drift("lantern") == []
    assert not any(s.startswith("level_") for s in store.context_for().now)
    assert [v.value for v in store.to_do_once()] == [-0.126]
    found = plan(store.known())
    assert "bed-patches" not in [s.piece for s in found.steps]  # first the screws are to be turned
    assert found.to_do == {"level_front_left_turns": -0.126}
    assert "level" not in found.good
    (line,) = turn_lines(found.to_do, " --printer lantern")
    assert "front left tighten (bed down) by 0.13 turn (45 degrees)" in line
    assert line.endswith("truebead event levelled --printer lantern")
    assert place_lines(store.known().in_force) == []  # not a value to have set
    store.add_event("levelled", "lantern")
    found = plan(store.known())
    assert found.to_do == {}
    assert found.steps[0].piece == "bed-patches"
    assert "measure once more whether it is level" in found.steps[0].why[0]
    level = correction("level_front_left_turns", 0.01, None, u=0.02, unit="turn", scope=Scope.PRINTER, verdict=Verdict.LEAVE)  # fmt: skip
    keep(store, "again", corrections=[level])
    assert "level" in plan(store.known()).good


# --- what is shown -----------------------------------------------------------------------------


def test_history_takes_one_line_each_within_80_columns(store):
    turn = correction("level_front_left_turns", -0.126, None, u=0.02, unit="turn", scope=Scope.PRINTER)  # fmt: skip
    rate = correction("volumetric_rate_limit_mm3_s", 11.0, 12.0, u=0.5, scope=Scope.NOZZLE)
    keep(store, "a", corrections=[turn, rate, correction("clearance_press_square_mm", 0.2, None)])
    lines = history_lines(store.history())
    assert len(lines) == 4
    assert max(map(len, lines)) <= 80
    assert "tighten 0.13 turn" in "".join(lines)
    assert "?" not in "".join(lines)
    assert "set 0.2" in "".join(lines)


def test_staleness_is_shown_once_for_each_event(store):
    settled(store)
    store.add_event("nozzle-changed", "lantern", "brass")
    (line,) = stale_lines(store.in_force())
    assert re.match(r"Stale \(nozzle-changed on [-\d]+\): hot-end temperature, ", line)


@pytest.fixture
def truebead(tmp_path):
    env = {"TRUEBEAD_STORE": str(tmp_path / "s.sqlite"), "COLUMNS": "80", "NO_COLOR": "1"}

    def run(*words, code=0):
        result = CliRunner().invoke(build_app(), list(words), env=env)
        assert result.exit_code == code, result.output
        return result.stdout if "--json" in words else result.output

    return run


def test_looking_makes_no_store(truebead, tmp_path):
    place = tmp_path / "no" / "such" / "x.db"
    for words in (
        ("profile", "show"), ("profile", "history"), ("next",), ("event", "moved"), ("event", "--past"),
        ("keep", "x.csv"), ("report", "--printer", "a"), ("store", "check"), ("store", "backup", "b"),
        ("make", "wall-box", "--printer", "a"), ("profile", "split"),
    ):  # fmt: skip
        said = truebead(*words, "--store", str(place), code=2)
        assert said.startswith("truebead: there is no store at "), said
        assert "truebead add printer" in said
    assert "there is no store at" in truebead("doctor", "--store", str(place))
    assert not (tmp_path / "no").exists()


def test_an_event_by_mistake_is_taken_back_at_the_terminal(truebead):
    truebead("add", "printer", "big one", "--build", "80x80x80", "--hot-end-max", "260")
    truebead("add", "nozzle", "brass", "--size", "0.4")
    truebead("add", "spool", "white-1", "--type", "PLA")
    assert "has not come yet" in truebead("event", "moved", "--at", "2931-01-01", code=2)
    said = truebead("event", "moved", "--at", f"{datetime.now():%Y-%m-%d}")
    uid = re.search(r"event --undo (\w+)", said)[1]
    assert "Taken back: moved" in truebead("event", "--undo", uid, "--note", "another one")
    assert "taken back" in truebead("event", "--past")
    assert "takes back one event only" in truebead("event", "moved", "--undo", uid, code=2)
    assert "--printer 'big one'" in truebead("next", "--json")


def test_the_extruders_factor_is_not_lost(truebead, tmp_path):
    from calib.readings import sheet_csv

    truebead("add", "printer", "lantern", "--build", "220x220x250", "--hot-end-max", "260")
    piece = registry.get("extruder-feed").piece({}, PrintSetup())
    text = sheet_csv(piece, "feed", datetime(2026, 1, 2, tzinfo=UTC), repeats=3)
    path = tmp_path / "feed.csv"
    path.write_text(re.sub(r",,,$", ",95.05,95.1,95.0", text, flags=re.MULTILINE), encoding="utf-8")
    said = truebead("keep", str(path), code=2)
    assert "want 1.052" in said
    assert "--replace --steps-e VALUE" in said
    truebead("add", "printer", "lantern", "--replace", "--steps-e", "93")
    kept = json.loads(truebead("keep", str(path), "--json"))[0]["corrections"]
    assert {c["setting"]: c["new"] for c in kept}["steps_e_per_mm"] == pytest.approx(
        97.84, abs=0.05
    )


def test_a_host_that_is_not_there_is_said_to_be_so():
    pytest.importorskip("psycopg")
    with pytest.raises(StoreError, match="no such database server") as caught:
        open_store("postgresql://nohost.invalid/x")
    assert "URL" in caught.value.line
    assert "doctor" not in caught.value.line


def test_what_to_print_is_read_print_by_print_and_fits_the_terminal(truebead):
    truebead("add", "printer", "lantern", "--build", "220x220x250", "--hot-end-max", "260")
    truebead("add", "nozzle", "brass", "--size", "0.4")
    truebead("add", "spool", "white-1", "--type", "PLA")
    said = truebead("next")
    lines = said.partition("Caution")[0].splitlines()
    commands = [line for line in lines if line.startswith("   truebead make ")]
    assert len(commands) == len(json.loads(truebead("next", "--json"))["prints"]) <= 6
    shown = [part for line in lines for part in folded(line, 80)]
    assert max(len(line) for line in shown if "truebead" not in line) <= 80
    # Each reason once: a topic is not "not measured yet" for two prints.
    new = re.sub(r"\n +(?!truebead|not)", " ", said)
    topics = [
        t.strip() for words in re.findall("not measured yet: (.*)", new) for t in words.split(", ")
    ]
    assert len(topics) == len(set(topics)) >= 10
    few = " ".join(truebead("next", "--minutes", "40").split())
    assert few.count("ask again when these are measured") == 1
    assert "There is no time left for temperature, retraction," in few


def test_the_command_of_a_plate_makes_all_its_pieces(truebead, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    truebead("add", "printer", "lantern", "--build", "220x220x250", "--hot-end-max", "260")
    truebead("add", "nozzle", "brass", "--size", "0.4")
    truebead("add", "spool", "white-1", "--type", "PLA")
    (plate,) = [
        p for p in json.loads(truebead("next", "--json"))["prints"] if "fit-gauge" in p["pieces"]
    ]
    truebead(*shlex.split(plate["command"])[1:])
    assert (tmp_path / "plate.3mf").exists()
    assert all((tmp_path / name / "sheet.csv").exists() for name in plate["pieces"])
