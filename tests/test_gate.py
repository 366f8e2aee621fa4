"""One gate: no value past the printer's ratings or out of its range leaves a store or a fit."""

from dataclasses import replace

import pytest

from calib.apply.values import Value
from calib.errors import BadInput, SheetError
from calib.interpret.solve import Context, solve_sheet
from calib.model.correction import Scope
from calib.model.gate import ceiling, check_value, ratings_of, tightest, why_refused
from calib.model.setting import SETTINGS, Place, Setting, topic
from calib.plan.steps import plan
from calib.store import open_store
from calib.store.places import to_set
from calib.store.records import Axis
from calib.workshop.context import Assumed
from patterns.spec import PrintSetup
from tests.readkit import sheet, wall_box
from tests.storekit import correction, fresh_url, keep, workshop

RATED = ratings_of(PrintSetup(hot_end_max_c=190.0, bed_max_c=0.0))


@pytest.fixture
def store(tmp_path):
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as opened:
        yield workshop(opened)


def test_the_gate_knows_ranges_and_ratings():
    assert why_refused("hot_end_c", 190.0, RATED) == ""
    assert "rated for (190)" in why_refused("hot_end_c", 203.0, RATED)
    assert "rated for (0)" in why_refused("bed_c", 60.0, RATED)  # no heated bed
    assert "makes no sense" in why_refused("steps_x_per_mm", -80.0, RATED)
    assert why_refused("odd_thing", 1e9, RATED) == ""
    assert ceiling("hot_end_c", RATED) == 190.0
    assert ceiling("hot_end_c", {}) == 500.0
    assert tightest(RATED, {"hot_end_max_c": 180.0})["hot_end_max_c"] == 180.0
    assert tightest(RATED, {"hot_end_max_c": 300.0})["hot_end_max_c"] == 190.0
    with pytest.raises(BadInput, match="rated for") as caught:
        check_value("hot_end_c", 203.0, RATED, where="--now")
    assert "150 to 190 degC" in caught.value.mend


def test_a_rating_that_is_lowered_takes_kept_values_out_everywhere(store):
    keep(store, corrections=[correction("hot_end_c", 203.0, 200.0, u=2.0)])
    assert to_set(store.in_force()) == {"hot_end_c": pytest.approx(203.0, abs=0.5)}
    store.change_printer(replace(store.printer("lantern"), hot_end_max_c=200.0))
    (v,) = store.in_force()
    assert (v.value, v.set_value, v.is_set) == (None, None, False)
    assert "more than the hot end is rated for (200)" in v.stale
    assert to_set(store.in_force()) == {}
    context = store.context_for()
    assert "hot_end_c" not in context.now
    assert context.ratings["hot_end_max_c"] == 200.0
    (step,) = [s for s in plan(store.known()).steps if "temperature" in s.topics]
    assert any("rated for (200)" in why for why in step.why)
    store.change_printer(replace(store.printer("lantern"), hot_end_max_c=260.0))
    assert store.in_force()[0].value == pytest.approx(203.0, abs=0.5)


@pytest.mark.parametrize("absurd", [-80.0, 1e9, float("nan")])
def test_absurd_steps_are_refused_wherever_they_are_typed(absurd):
    """What a sheet says is tested with the sheets."""
    with pytest.raises(BadInput, match="makes no sense"):
        Axis(axis="X", steps_per_mm=absurd)
    with pytest.raises(BadInput, match="makes no sense"):
        Value(setting="steps_x_per_mm", new=absurd)
    with pytest.raises(BadInput, match="makes no sense") as caught:
        Assumed(now={"steps_x_per_mm": absurd})
    assert caught.value.where == "--now"
    with pytest.raises(SheetError, match="makes no sense"):
        solve_sheet(sheet(wall_box(), lambda f: 0.45), Context(now={"steps_x_per_mm": absurd}))


def test_a_senseless_value_in_a_store_is_found_and_not_used(store):
    keep(store, corrections=[correction("flow_percent", 97.0, 100.0)])
    with store.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE corrections SET new = 9700, old = -3")
    assert "flow_percent: 9700 % makes no sense" in " ".join(store.check())
    (v,) = store.in_force()
    assert v.value is None or 90 < v.value < 100  # what its sheet says, not what stands in the row
    assert v.set_value is None
    assert "flow_percent" not in store.context_for().now


def test_a_setting_added_to_the_table_reaches_plan_profile_report_and_values(store, monkeypatch):
    from calib.apply.values import table
    from calib.report.kept_words import profile_lines, profile_rows
    from calib.report.words import place_lines
    from calib.workshop.applying import value_of

    made_up = Setting(
        name="swirl_percent", label="swirl", meaning="how much the flow swirls", unit="%",
        about=topic("flow"), neutral=10.0, limits=(0.0, 50.0), step=1.0, decimals=1, wanted=2.0,
        files=(Place.GCODE,), code="M92 Q", stored_code=True,
    )  # fmt: skip
    monkeypatch.setitem(SETTINGS, "swirl_percent", made_up)
    keep(store, corrections=[correction("swirl_percent", 12.3, 10.0, u=0.3, unit="%", scope=Scope.SPOOL)])  # fmt: skip
    values = store.in_force()
    assert to_set(values) == {"swirl_percent": pytest.approx(12.3, abs=0.1)}
    assert any("swirl" in cell for cell in profile_rows(values)[0])
    assert "swirl 12.3" in " ".join(place_lines(values))
    store.add_event("nozzle-changed", "lantern", "brass")
    assert "swirl" in " ".join(line for line, _ in profile_lines(store.in_force(), [], ""))
    steps = plan(store.known()).steps
    assert any("flow" in s.topics for s in steps)
    assert table([value_of(values[0])])[0][0] == "how much the flow swirls"
