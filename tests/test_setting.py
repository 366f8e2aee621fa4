"""The table of settings: whole, in order, and the only place that has to know a setting."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import BadInput
from calib.model.correction import Scope
from calib.model.setting import (
    SETTINGS,
    TOPICS,
    Place,
    Setting,
    kept_setting,
    plausible,
    screw_turns,
    setting,
    settings_of,
    topic,
    topic_of,
)
from patterns.schedule import SETTINGS as SCHEDULED

UNIT_ENDINGS = {
    "mm": "_mm", "deg": "_deg", "%": "_percent", "degC": "_c", "steps/mm": "_per_mm",
    "mm/s": "_mm_s", "mm3/s": "_mm3_s", "Hz": "_hz", "s": "_s",
}  # fmt: skip


@pytest.mark.parametrize("s", SETTINGS.values(), ids=SETTINGS)
def test_an_entry_is_whole(s):
    low, high = s.limits
    assert math.isfinite(low)
    assert low < high
    assert s.name.endswith(UNIT_ENDINGS[s.unit])
    assert s.label
    assert "_" not in s.label
    assert s.meaning
    assert s.step > 0
    assert round(s.step, s.decimals + 1) > 0
    assert s.neutral is None or low <= s.neutral <= high
    assert s.about in TOPICS
    assert not (s.drawn and (s.files or s.code))
    assert s.usual_place in (Place.PRINTER, Place.DRAWING, *s.files)


def test_labels_are_told_apart():
    assert len({s.label for s in SETTINGS.values()}) == len(SETTINGS)


def test_topics_come_in_the_order_in_which_they_rest_on_each_other():
    names = [t.name for t in TOPICS]
    for t in TOPICS:
        assert all(names.index(a) < names.index(t.name) for a in t.after), t.name
        assert t.stale_with in ("", *names)


def test_what_a_schedule_changes_is_in_the_table_with_the_same_unit():
    assert {name: setting(name).unit for name in SCHEDULED} == dict(SCHEDULED)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("steps_x_per_mm", -80.0), ("steps_x_per_mm", 1e9), ("steps_x_per_mm", math.nan),
        ("first_layer_gap_mm", -50.0), ("hot_end_c", 1e308), ("scale_x_percent", 1.0),
        ("flow_percent", math.inf),
    ],
)  # fmt: skip
def test_an_absurd_value_is_refused_with_its_range(name, value):
    with pytest.raises(BadInput) as caught:
        plausible(name, value, where="sheet.csv line 4")
    assert caught.value.where == "sheet.csv line 4"
    assert all(f"{edge:g}" in caught.value.mend for edge in setting(name).limits)


@given(st.sampled_from(sorted(SETTINGS)), st.floats(allow_nan=True, allow_infinity=True))
def test_a_value_passes_as_it_is_or_is_refused(name, value):
    low, high = setting(name).limits
    if low <= value <= high:
        assert plausible(name, value) == value
    else:
        with pytest.raises(BadInput):
            plausible(name, value)


def test_an_unknown_name_is_refused_with_the_nearest_and_shown_where_it_is_kept():
    with pytest.raises(BadInput, match="steps_q_per_mm") as caught:
        setting("steps_q_per_mm")
    assert "did you mean steps_" in caught.value.mend
    assert kept_setting("odd_thing").label == "odd_thing"
    assert topic_of("odd_thing").name == "other"


def test_a_screw_is_something_to_do_and_not_a_value_to_set():
    front = screw_turns("front left")
    assert front.name == "level_front_left_turns"
    assert front.label == "turns of the front left screw"
    assert front.done_once
    assert front.topic == "level"
    assert not any(s.done_once for s in SETTINGS.values())
    with pytest.raises(BadInput):
        setting("level__turns")


def test_a_made_up_setting_reaches_values_places_and_staleness(monkeypatch):
    from datetime import UTC, datetime, timedelta

    from calib.apply.applied import for_file
    from calib.apply.values import Value, table
    from calib.model.place import neutral_values
    from calib.profile.events import Happened, why_stale

    made_up = Setting(
        name="swirl_percent", label="swirl", meaning="how much the flow swirls", unit="%",
        about=topic("flow"), neutral=10.0, limits=(0.0, 50.0), step=1.0, decimals=1,
        files=(Place.GCODE,), code="M92 Q", stored_code=True,
    )  # fmt: skip
    monkeypatch.setitem(SETTINGS, "swirl_percent", made_up)
    value = Value(setting="swirl_percent", new=12.34, unit="%", place="gcode")
    assert made_up in settings_of("flow")
    assert made_up.scope is Scope.SPOOL
    assert table([value])[0][0] == "how much the flow swirls"
    assert "12.3" in table([value])[0]
    assert value.gcode == "M92 Q12.3"
    assert for_file([value], gcode=True).used == (value,)
    assert for_file([value], gcode=False).left_out[0][0] == value
    assert neutral_values()["swirl_percent"] == 10.0
    day = datetime(2026, 3, 1, tzinfo=UTC)
    swap = Happened(kind="nozzle-changed", at=day + timedelta(days=1), printer="lantern")
    assert why_stale("swirl_percent", day, "lantern", "brass", "white", [swap])
