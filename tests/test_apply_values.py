"""Values to type in, and which of them a file still needs."""

import csv
import io
import re

import pytest

from calib.apply.applied import for_file, with_places
from calib.apply.linear import IDENTITY, Skew, correction_matrix
from calib.apply.values import (
    Heading,
    Value,
    elsewhere,
    steps_line,
    table,
    to_set,
    values_card,
    values_csv,
    values_data,
    values_text,
)
from calib.errors import BadInput
from calib.model.place import Place, named
from calib.model.setting import SETTINGS
from calib.safety import SAFETY

STEPS_X = Value(setting="steps_x_per_mm", old=80, new=80.2406, unit="steps/mm", place="printer")
STEPS_E = Value(setting="steps_e_per_mm", old=93, new=95.125, unit="steps/mm")
SCALE_X = Value(setting="scale_x_percent", old=100, new=100.3, unit="%")
SKEW = Value(setting="skew_xy_deg", old=0, new=0.25, unit="deg")
FLOW = Value(setting="flow_percent", old=100, new=97.0, unit="%")
HEAT = Value(setting="hot_end_c", new=207, unit="degC")


def test_the_table_has_physical_names_and_sensible_digits():
    rows = table([STEPS_X, HEAT])
    assert rows[0] == ("motor steps per mm of travel along X", "80.24", "80.00", "steps/mm", "to set", "steps_x_per_mm")  # fmt: skip
    assert rows[1][1:5] == ("207", "?", "degC", "")


def test_only_steps_have_a_shared_line():
    assert steps_line([STEPS_E, SCALE_X, STEPS_X]) == "M92 X80.24 E95.12"
    assert STEPS_X.gcode == "M92 X80.24"
    assert steps_line([SCALE_X, FLOW]) == SCALE_X.gcode == ""


def test_csv_and_data_say_the_same():
    values = [STEPS_X, SKEW, HEAT]
    rows = list(csv.DictReader(io.StringIO(values_csv(values))))
    data = values_data(values)
    assert [r["setting"] for r in rows] == [v["setting"] for v in data["values"]]
    assert rows[0]["gcode"] == data["steps_line"] == "M92 X80.24"
    assert rows[2]["old"] == ""
    assert data["values"][0]["new"] == 80.2406
    assert [r["cautions"] for r in rows] == [SAFETY, "", ""]


def test_the_card_shows_the_values_and_a_code_that_reads_back_as_their_text():
    cv2 = pytest.importorskip("cv2")
    import numpy as np
    import segno

    values = [STEPS_X, STEPS_E, SKEW, HEAT]
    page = values_card(values, title="Lantern <1>", note="brass nozzle")
    assert "<h1>Lantern &lt;1&gt;</h1>" in page
    assert "M92 X80.24 E95.12" in page
    assert "moving parts pinch" in page
    shown = re.search(r"<svg.*?</svg>", page, re.DOTALL)[0]
    code = segno.make(values_text(values), error="m", micro=False)
    assert shown == code.svg_inline(scale=3, border=4)
    picture = np.array([[0 if dark else 255 for dark in row] for row in code.matrix], np.uint8)
    picture = cv2.resize(np.pad(picture, 4, constant_values=255), None, fx=6, fy=6, interpolation=0)
    read, _, _ = cv2.QRCodeDetector().detectAndDecode(picture)
    assert read == values_text(values)


def test_card_csv_and_code_say_whose_values_they_are():
    of = Heading(printer="lantern", nozzle="brass", spool="white-1", date="2026-11-28")
    page = values_card([STEPS_X], title="Values to set", of=of)
    assert "<p>lantern / brass / white-1, 2026-11-28</p>" in page
    assert values_text([STEPS_X], of).splitlines()[0] == "lantern / brass / white-1, 2026-11-28"
    (row,) = csv.DictReader(io.StringIO(values_csv([STEPS_X], of)))
    assert (row["printer"], row["spool"], row["date"]) == ("lantern", "white-1", "2026-11-28")


def test_only_what_is_set_there_is_to_be_typed_in():
    scale = Value(setting="scale_x_percent", new=100.3, unit="%", place="models")
    hole = Value(setting="hole_oversize_mm", new=0.12, unit="mm", place="drawing")
    assert to_set([STEPS_X, scale, HEAT, hole]) == [STEPS_X, HEAT]
    models, drawn = elsewhere([STEPS_X, scale, hole])
    assert models.startswith("Goes into models")
    assert "size along X" in models
    assert drawn.startswith("To draw parts with")


def test_a_card_of_nothing_or_of_too_much_is_refused():
    with pytest.raises(BadInput, match="no values"):
        values_card([], title="x")
    with pytest.raises(BadInput, match="too many values"):
        values_card([HEAT] * 400, title="x")


def test_a_model_takes_scale_and_skew_and_gcode_the_flow_too():
    model, sliced = (for_file([SCALE_X, SKEW, FLOW, HEAT], gcode=g) for g in (False, True))
    assert model.matrix == correction_matrix((1.003, 1, 1), Skew(0.25))
    assert (model.flow, sliced.flow) == (1.0, 0.97)
    assert [v.setting for v, _ in model.left_out] == ["flow_percent", "hot_end_c"]
    assert [v.setting for v, _ in sliced.left_out] == ["hot_end_c"]


def test_what_is_set_in_the_printer_is_not_put_into_a_file():
    values = with_places([STEPS_X, SCALE_X, SKEW], {"scale_x_percent": Place.PRINTER})
    needed = for_file(values, gcode=False)
    assert [v.setting for v in needed.used] == ["skew_xy_deg"]
    reasons = {v.setting: why for v, why in needed.left_out}
    assert reasons["scale_x_percent"] == "set in the printer or the slicing settings"
    assert values[1].where == "set"
    assert (
        for_file(with_places(values, {"skew_xy_deg": Place.PRINTER}), gcode=True).matrix == IDENTITY
    )


def test_what_is_in_the_models_is_not_put_into_the_gcode_sliced_from_them():
    unsaid = Value(setting="skew_xy_deg", new=0.25, place="models")
    in_models = with_places([unsaid], {"skew_xy_deg": Place.MODELS})
    assert [for_file(in_models, gcode=g).matrix == IDENTITY for g in (False, True)] == [False, True]
    in_gcode = with_places([unsaid], {"skew_xy_deg": Place.GCODE})
    assert [for_file(in_gcode, gcode=g).matrix == IDENTITY for g in (False, True)] == [True, False]
    # While nobody has said anything it goes into whatever file comes first.
    assert [for_file([unsaid], gcode=g).matrix == IDENTITY for g in (False, True)] == [False, False]


@pytest.mark.parametrize(
    ("setting", "place", "message"),
    [
        ("flow_percent", Place.MODELS, "flow_percent can't be put into models; what can is"),
        ("outline_offset_mm", Place.GCODE, "outline_offset_mm can't be put into G-code"),
        ("steps_x_per_mm", Place.MODELS, "can't be put into models"),
        ("hole_oversize_mm", Place.PRINTER, "set nowhere"),
    ],
)
def test_a_place_where_a_setting_cannot_take_effect_is_refused(setting, place, message):
    with pytest.raises(BadInput, match=message):
        with_places([Value(setting=setting, new=SETTINGS[setting].limits[1])], {setting: place})


def test_a_setting_given_twice_is_refused():
    with pytest.raises(BadInput, match="scale_x_percent is there twice"):
        for_file([SCALE_X, SCALE_X], gcode=False)


def test_settings_are_named_alone_or_by_topic():
    known = ["scale_x_percent", "scale_z_percent", "skew_xy_deg"]
    assert named(["scale"], known) == ["scale_x_percent", "scale_z_percent"]
    assert named(["skew_xy_deg", "skew"], known) == ["skew_xy_deg"]
    with pytest.raises(
        BadInput, match="--in-printer: the profile has no skew_xz_deg; it has scale"
    ):
        named(["skew_xz_deg"], known, "--in-printer")


def test_a_value_must_be_a_number():
    with pytest.raises(BadInput, match="makes no sense"):
        Value(setting="flow_percent", new=float("nan"))
