"""Settings by height: placed at the first extrusion of the right layer, whatever the file does in between."""

import io
import math
import random
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.apply.gcode import table
from calib.apply.gcode.check import compare
from calib.apply.gcode.job import Job
from calib.apply.gcode.schedule import Plan
from calib.apply.gcode.stream import rewrite
from calib.apply.limits import Limits
from calib.apply.linear import Skew, correction_matrix
from calib.apply.schedule_file import read_schedule
from calib.errors import BadInput, FileError
from calib.safety import SAFETY
from patterns.schedule import ScheduleRow, schedule_csv
from tests.gcode_reference import Maker
from tests.test_apply_gcode import corrected, words_of

LIMITS = Limits(hot_end_max_c=260)


def rows(setting, *values, start=1.0, height=5.0):
    return tuple(
        ScheduleRow(
            z_from_mm=start + i * height, z_to_mm=start + (i + 1) * height, setting=setting, value=v
        )
        for i, v in enumerate(values)
    )


def tower(top_mm, layer_mm=0.2, *, hop=True, relative=True, spiral=False, seed=0, extra=()):
    """Write a tower as a slicing program would: hops, retractions, and commands of its own."""
    r = random.Random(seed)
    lines = [
        "M104 S215",
        "G28",
        "G90",
        "M83" if relative else "M82",
        "G92 E0",
        "G1 Z5",
        "G1 X100 Y100 Z0.2",
    ]
    e, layers = 0.0, round(top_mm / layer_mm)

    def feed(amount):
        nonlocal e
        e += amount
        return f"E{amount if relative else e:.5f}"

    for k in range(1, layers + 1):
        z = k * layer_mm
        if hop:
            lines += [
                f"G1 {feed(-0.8)}",
                f"G1 Z{z + 6:.3f}",
                "G0 X90 Y90",
                f"G1 Z{z:.3f}",
                f"G1 {feed(0.8)}",
            ]
        else:
            lines += [f"G1 Z{z:.3f}"]
        if not relative and r.random() < 0.1:
            lines.append("G92 E0")
            e = 0.0
        lines += [x for x in extra if r.random() < 0.1]
        for i in range(30):
            a = i * 0.2
            climb = f" Z{z - layer_mm + layer_mm * (i + 1) / 30:.4f}" if spiral else ""
            lines.append(
                f"G1 X{100 + 9 * math.cos(a):.3f} Y{100 + 9 * math.sin(a):.3f}{climb} {feed(0.03)}"
            )
    lines += ["M104 S0", "M107"]
    return "\n".join(lines) + "\n"


def first_extrusions(text, code):
    """Return (z, value in force) of the first extruding move of each layer; `code` is an M number."""
    z = x = y = at = value = None
    relative, seen, last = True, [], None
    for w in words_of(text):
        relative = {82: False, 83: True}.get(w.get("M"), relative)
        if w.get("M") == code:
            value = w.get("S")
        if w.get("G") == 92:
            at = w.get("E", at)
        if w.get("G") in (0, 1):
            old = x, y
            x, y, z = w.get("X", x), w.get("Y", y), w.get("Z", z)
            if "E" in w:
                step = w["E"] if relative else w["E"] - (at or 0.0)
                at = w["E"]
                if step > 0 and (x, y) != old and z != last:
                    seen.append((z, value))
                    last = z
    return seen


@settings(max_examples=20, deadline=None)
@given(
    layer_mm=st.sampled_from([0.1, 0.2, 0.25, 0.3]),
    start=st.sampled_from([0.0, 1.0, 1.2]),
    height=st.sampled_from([1.0, 2.4]),
    hop=st.booleans(),
    relative=st.booleans(),
    seed=st.integers(0, 999),
    block=st.sampled_from([None, 700, 3000]),
)
def test_every_layer_begins_at_the_temperature_of_its_band(
    layer_mm, start, height, hop, relative, seed, block
):
    values = [240, 230, 220, 210]
    text = tower(
        4.8, layer_mm, hop=hop, relative=relative, seed=seed, extra=("M104 S200", "M106 S99", "T0")
    )
    job = Job(schedule=rows("hot_end_c", *values, start=start, height=height), limits=LIMITS)
    out = corrected(text, job, block=block)
    layers = first_extrusions(out, 104)
    assert len(layers) == round(4.8 / layer_mm)
    inside = 0
    for z, found in layers:
        band = math.floor((z - layer_mm / 2 - start) / height + 1e-9)
        if 0 <= band < len(values):
            assert found == values[band], z
            inside += 1
    assert inside >= 10
    left = [line for line in out.splitlines() if not line.startswith("M104")]
    assert left == [line for line in text.splitlines() if not line.startswith("M104")]
    assert [c for c in compare(text.splitlines(), out.splitlines(), job) if not c.good] == []


# -- damaged files ----------------------------------------------------------------------------

VOLUMES = {
    "no volume": LIMITS,
    "roomy": Limits(hot_end_max_c=260, build_x_mm=400, build_y_mm=400, build_z_mm=90),
    "narrow": Limits(hot_end_max_c=260, build_x_mm=200, build_y_mm=105, build_z_mm=90),
}


def both_ways(text, limits, *, block):
    """Return what comes of a file as a whole, odd lines looked at at once, and in small blocks one by one."""
    job = Job(schedule=rows("hot_end_c", 240, 230, start=0, height=1.5), limits=limits)
    answers = []
    for size, many in ((10**6, 0), (block, 10**6)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(table, "MANY", many)
            try:
                out = re.sub("[ \t]", "", corrected(text, job, block=size))
                answers.append(re.sub(r"\d+\.?\d*|\.\d+", lambda m: f"{float(m[0]):.7f}", out))
            except BadInput as err:
                answers.append(str(err))
    return answers


def mutated(text, r, alphabet="0123456789.-- XYZEFGMIJ;\n\n/*+(\t\r,é"):
    """Change, add, drop or repeat a few characters."""
    out = list(text)
    for _ in range(r.choice([1, 1, 2, 5])):
        i, how = r.randrange(len(out)), r.random()
        if how < 0.4:
            out[i] = r.choice(alphabet)
        elif how < 0.6:
            out.insert(i, r.choice(alphabet))
        elif how < 0.8:
            del out[i]
        else:
            out[i : i + r.randrange(1, 8)] *= 2
    return "".join(out)


@pytest.mark.parametrize("limits", VOLUMES.values(), ids=VOLUMES)
def test_a_damaged_file_is_refused_or_written_alike_in_blocks_of_any_size(limits):
    r = random.Random(f"{limits}")
    refused = 0
    for seed in range(60):
        extra = r.choice([(), ("G1 X95 Y-1.5", "G1 X.5 Y100."), ("; note", "G1 F18000 ;x", "T0")])
        options = {
            "hop": r.random() < 0.5,
            "relative": r.random() < 0.5,
            "spiral": r.random() < 0.3,
        }
        text = mutated(tower(0.6, seed=seed, extra=extra, **options), r)
        quick, careful = both_ways(text, limits, block=r.choice([200, 700, 5000]))
        assert quick == careful, text
        refused += careful.startswith("lamp.gcode")
    assert refused > 10


@settings(max_examples=150, deadline=None)
@given(
    word=st.text("0123456789.-+ XYZEeFGM(", min_size=1, max_size=10),
    line=st.sampled_from(["G1 {} Y100 E1", "G1 X101 {}", "G0 X{} Y9", "G92 E{}", "G1 Z1{}", "{}"]),
    ending=st.sampled_from(["\n", "\r\n"]),
    limits=st.sampled_from(list(VOLUMES.values())),
)
def test_whatever_stands_in_a_word_goes_both_ways_alike(word, line, ending, limits):
    lines = tower(0.4).splitlines()
    lines.insert(20, line.format(word))
    lines.insert(-5, line.format(word) + " ; note")
    quick, careful = both_ways(ending.join(lines) + ending, limits, block=700)
    assert quick == careful


@pytest.mark.parametrize("volume", ["no volume", "roomy"])
@pytest.mark.parametrize("word", ["X1.2.3", "X1-2", "X", "X-", "X.", "Y--1", "E1.2.3", "F1.2.3", "X1 2.5.", "X99999999"])  # fmt: skip
def test_a_damaged_number_is_refused_with_its_line(word, volume):
    lines = tower(1).splitlines()
    lines[60] = f"G1 {word}"
    text = "\n".join(lines) + "\n"
    quick, careful = both_ways(text, VOLUMES[volume], block=50)
    assert quick == careful
    assert quick.startswith("lamp.gcode line 61: ")


def test_digits_behind_a_blank_belong_to_the_number():
    """Blanks mean nothing inside a line: NIST IR 6556, section 3.3."""
    lines = tower(1).splitlines()
    lines[60] = "G1 X2 50 Y100"
    bed = Limits(hot_end_max_c=260, build_x_mm=200, build_y_mm=200)
    job = Job(schedule=rows("hot_end_c", 240, start=0), limits=bed)
    told = rewrite(io.BytesIO("\n".join(lines).encode()), None, job, "lamp.gcode").warnings
    assert "moves outside the build volume, as they were before: line 61" in told


@pytest.mark.parametrize(("first_mm", "step_mm"), [(100.1, 0.001), (0.9, -0.001)])
def test_a_wall_passed_by_a_fraction_is_seen_in_a_later_block(first_mm, step_mm):
    moves = [f"G1 X{first_mm + k * step_mm:.3f} Y50 E1" for k in range(500)]
    text = "\n".join(["G28", "G90", "M83", "G1 Z0.2", *moves]) + "\n"
    walls = Limits(hot_end_max_c=260, origin_x_mm=0.5, build_x_mm=100, build_y_mm=100)
    job = Job(matrix=correction_matrix((1.001, 1, 1)), centre_mm=(50, 50, 0), limits=walls)
    found = []
    for block in (10**6, 700):
        with pytest.raises(FileError, match="is outside the build volume") as caught:
            corrected(text, job, block=block)
        found.append(caught.value.line)
    assert found[0] == found[1]
    assert found[0].startswith("lamp.gcode line 35")  # 100.1 + 0.350 or 0.9 - 0.351 is 0.001 past


# -- layers -----------------------------------------------------------------------------------


def test_a_hop_into_the_next_band_changes_nothing():
    out = corrected(
        tower(4), Job(schedule=rows("hot_end_c", 240, 230, start=0, height=3), limits=LIMITS)
    )
    lines = out.splitlines()
    at = lines.index("M104 S230")
    assert lines[at + 1].startswith(
        "G1 X109.000"
    )  # the first extrusion, after hop, travel and feed
    assert min(z for z, value in first_extrusions(out, 104) if value == 230) == 3.2


def test_a_spiral_changes_within_half_a_layer():
    out = corrected(
        tower(8, spiral=True, hop=False), Job(schedule=rows("hot_end_c", 240, 230), limits=LIMITS)
    )
    changed = [z for z, value in first_extrusions(out, 104) if value == 230]
    assert 6.0 <= changed[0] <= 6.1


def test_with_several_tools_the_one_in_use_is_set():
    text = tower(3).replace("M104 S0", "T1\nG1 X1 Y1 E1\nT0\nG1 X9 Y9 E1\nM104 S0")
    out = corrected(text, Job(schedule=rows("hot_end_c", 240, start=1, height=5), limits=LIMITS))
    tail = out.splitlines()[-7:]
    assert tail == ["T1", "M104 S240", "G1 X1 Y1 E1", "T0", "G1 X9 Y9 E1", "M104 S0", "M107"]


def test_outside_of_the_rows_the_files_own_setting_comes_back():
    out = corrected(
        tower(4), Job(schedule=rows("hot_end_c", 240, start=1, height=1), limits=LIMITS)
    )
    assert [v for _, v in first_extrusions(out, 104)] == [215] * 5 + [240] * 5 + [215] * 10


def test_flow_and_speed_are_shares_of_the_files_own():
    text = tower(4).replace("G28", "G28\nM221 S95\nM220 S50")
    both = rows("flow_percent", 90, start=1, height=1) + rows(
        "speed_percent", 200, start=1, height=1
    )
    out = corrected(text, Job(schedule=both))
    assert [v for _, v in first_extrusions(out, 221)] == [95] * 5 + [85.5] * 5 + [95] * 10
    assert [v for _, v in first_extrusions(out, 220)] == [50] * 5 + [100] * 5 + [50] * 10


def test_the_fan_is_set_again_after_the_file_has_set_it():
    out = corrected(
        tower(4, extra=("M106 S255", "M107")),
        Job(schedule=rows("fan_percent", 0, 40, start=0, height=2)),
    )
    on = [v for _, v in first_extrusions(out.replace("M107", "M106 S0"), 106)]
    assert on == [0] * 10 + [102] * 10


def test_a_schedule_waits_where_asked_to():
    out = corrected(tower(2), Job(schedule=rows("hot_end_c", 240), limits=LIMITS, wait=True))
    assert "M109 S240" in out.splitlines()


def test_a_schedule_goes_with_a_map_of_coordinates_by_drawn_heights():
    job = Job(
        matrix=correction_matrix((1, 1, 1.02), Skew(0.3, 0.2)),
        flow=1.05,
        schedule=rows("hot_end_c", 240, 230, start=1, height=2),
        limits=LIMITS,
    )
    text = tower(6)
    out = corrected(text, job)
    assert [c for c in compare(text.splitlines(), out.splitlines(), job) if not c.good] == []
    assert [v for _, v in first_extrusions(out, 104)].count(240) == 10


def test_the_check_sees_a_band_at_the_wrong_temperature():
    job = Job(schedule=rows("hot_end_c", 240, 230), limits=LIMITS)
    text = tower(8)
    out = corrected(text, job).replace("M104 S230", "M104 S231")
    wrong = [c for c in compare(text.splitlines(), out.splitlines(), job) if not c.good]
    assert [(c.expected, c.found) for c in wrong] == [("230", "231.0")]
    assert wrong[0].what.startswith("hot_end_c at 6.200 mm, line ")


@pytest.mark.parametrize(
    ("schedule", "limits", "message"),
    [
        (rows("hot_end_c", 270), LIMITS, "270 degC is more than the hot end's rated 260 degC"),
        (
            rows("hot_end_c", 210),
            Limits(),
            "rated temperature is not known; give it with --hot-end-max",
        ),
        (rows("hot_end_c", 210) * 2, LIMITS, "two rows for hot_end_c overlap at 1 mm"),
        (
            rows("retraction_speed_mm_s", 2),
            LIMITS,
            "retraction_speed_mm_s cannot be changed inside a sliced file",
        ),
        (rows("flow_percent", 5), LIMITS, "the flow is from 50 to 200 %"),
        (rows("hot_end_c", 0), LIMITS, "hot_end_c of 0 degC makes no sense; .* from 150 to 500"),
        (rows("retraction_mm", 12), LIMITS, "retraction_mm of 12 mm makes no sense"),
    ],
)
def test_a_schedule_that_must_not_be_used_is_refused(schedule, limits, message):
    with pytest.raises(BadInput, match=message):
        Plan(Job(schedule=schedule, limits=limits))


def test_a_schedule_of_another_piece_is_refused():
    with pytest.raises(
        FileError, match=r"highest layer is 2 mm\); check that the schedule belongs"
    ):
        corrected(tower(2), Job(schedule=rows("hot_end_c", 240, start=10), limits=LIMITS))


def test_a_schedule_is_read_back_as_it_was_written(tmp_path):
    path = tmp_path / "schedule.csv"
    written = rows("hot_end_c", 240, 235.5) + rows("fan_percent", 0, 50)
    path.write_text(schedule_csv(written, SAFETY), encoding="utf-8")
    assert read_schedule(path) == written
    assert path.read_text(encoding="utf-8").count(SAFETY) == 1


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no column z_from_mm"),
        ("a,b\n1,2\n", "no column z_from_mm"),
        ("z_from_mm,z_to_mm,setting,value\n", "no rows"),
        (
            "z_from_mm,z_to_mm,setting,value\n0,1,hot_end_c\n",
            "line 2, column value: '' is not a number",
        ),
        (
            'z_from_mm,z_to_mm,setting,value\n0,"1,5",hot_end_c,9\n',
            "'1,5' is not a number; use a decimal point",
        ),
        ("z_from_mm,z_to_mm,setting,value\n0,1,heat,9\n", "line 2: setting 'heat' is not one of"),
        ("z_from_mm,z_to_mm,setting,value\n2,1,hot_end_c,9\n", "0 <= from < to"),
        ("z_from_mm,z_to_mm,setting,value\n0,nan,hot_end_c,9\n", "finite"),
    ],
)
def test_a_broken_schedule_says_where(tmp_path, text, message):
    path = tmp_path / "schedule.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileError, match=message):
        read_schedule(path)


def test_missing_and_binary_schedules_are_refused(tmp_path):
    (tmp_path / "b.csv").write_bytes(b"\xff\xfe\x00")
    for name, told in (("none.csv", "there is no such file"), ("b.csv", "can't read the schedule"), (".", "that is a folder")):  # fmt: skip
        with pytest.raises(FileError, match=told):
            read_schedule(tmp_path / name)
    with pytest.raises(FileError, match="that is a device, not a file"):
        read_schedule(Path("/dev/zero"))


# -- speed, and the end of the file -------------------------------------------------------


def squares(layers=20, unit="G21", feeds=(1800, 7200)):
    """Write layers of a square whose long side has a vertex in the middle, with travel between them."""
    inch = 25.4 if unit == "G20" else 1.0
    slow, fast = (round(f / inch, 4) for f in feeds)
    lines = [unit, "G28", "G90", "M83", f"G1 Z{5 / inch:.4f} F{slow}"]
    for k in range(1, layers + 1):
        z = 0.2 * k / inch
        lines += [
            f"G0 X{50 / inch:.4f} Y{50 / inch:.4f} Z{z:.4f} F{fast}",
            f"G1 X{70 / inch:.4f} E1 F{slow}",
        ]
        lines += [f"{a}{b / inch:.4f} E1" for a, b in (("X", 90), ("Y", 90), ("X", 50), ("Y", 50))]
    return "\n".join(["G1 " + x if x[0] in "XY" else x for x in lines]) + "\n"


def fed(text):
    """Return (z, middle of x, y, speed in mm/min, whether it extrudes) of every move, read apart from both."""
    unit, f, at, found = 1.0, math.nan, {"X": 0.0, "Y": 0.0, "Z": 0.0}, []
    for w in words_of(text):
        unit = {20: 25.4, 21: 1.0}.get(w.get("G"), unit)
        if w.get("G") not in (0, 1):
            continue
        f, old = w["F"] * unit if "F" in w else f, dict(at)
        at |= {a: w[a] * unit for a in "XYZ" if a in w}
        found.append((at["Z"], (old["X"] + at["X"]) / 2, f, "E" in w))
    return found


@pytest.mark.parametrize("unit", ["G21", "G20"])
@pytest.mark.parametrize("block", [None, 90])
def test_speed_by_height_and_along_x_leaves_travel_alone(unit, block, monkeypatch):
    if block:
        monkeypatch.setattr("calib.apply.gcode.stream.BLOCK_BYTES", block)
    bands = (
        ScheduleRow(z_from_mm=1, z_to_mm=2, setting="speed_mm_s", value=40),
        ScheduleRow(
            z_from_mm=2, z_to_mm=3, setting="speed_mm_s", value=80, x_from_mm=65, x_to_mm=95
        ),
        ScheduleRow(z_from_mm=2, z_to_mm=3, setting="speed_mm_s", value=20, x_to_mm=65),
    )
    text, job = squares(unit=unit), Job(schedule=bands)
    out = corrected(text, job)
    for z, x, f, lays in fed(out):
        want = 7200.0 if z < 5 else 1800.0
        if lays:
            upper = 4800.0 if x >= 65 else 1200.0
            want = 2400.0 if 1.1 < z < 2.1 else upper if 2.1 < z < 3.1 else 1800.0
        assert f == pytest.approx(want, abs=0.1), (z, x)
    good = compare(text.splitlines(), out.splitlines(), job)
    assert all(c.good for c in good)
    assert good[-1].found == "50"  # two bands of five layers with five moves each
    wrong = compare(text.splitlines(), out.replace("F2400", "F2401").splitlines(), job)
    if unit == "G21":
        assert wrong[-1].what.startswith("speed of line")


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 9999),
    block=st.sampled_from([None, 400, 1500]),
    e_in_g91=st.sampled_from(["", "relative", "absolute"]),
)
def test_speeds_agree_with_the_independent_check_on_any_file(seed, block, e_in_g91):
    bands = (
        ScheduleRow(z_from_mm=0.1, z_to_mm=1.1, setting="speed_mm_s", value=61.5),
        ScheduleRow(z_from_mm=1.1, z_to_mm=99, setting="speed_mm_s", value=33, x_to_mm=100),
        ScheduleRow(z_from_mm=1.1, z_to_mm=99, setting="speed_mm_s", value=88, x_from_mm=100),
    )
    text, job = Maker(seed, offsets=seed % 2 == 0).text(120), Job(schedule=bands, e_in_g91=e_in_g91)
    checks = compare(text.splitlines(), corrected(text, job, block=block).splitlines(), job)
    assert [c for c in checks if not c.good] == []


def test_relative_moves_at_the_end_of_a_block_do_not_make_e_relative():
    """G91 with --e-in-g91 relative, and then G90: what M82 said still holds, wherever blocks end.

    By hand: 1 x 1.1, back by 0.5 as it was, 1.5 x 1.1 and 1 x 1.1 are 3.35.
    """
    lines = "G90,M82,G1 Z1 F900,G1 X10 E1,G91,G1 Z1,G1 Z-1,G90,G1 E0.5,G1 X20 E2,G1 X30 E3"
    text, job = lines.replace(",", "\n") + "\n", Job(flow=1.1, e_in_g91="relative")
    for block in (None, *range(20, 90, 7)):
        assert corrected(text, job, block=block).split()[-1] == "E3.35", block


def test_a_line_of_the_users_own_ends_with_the_value_set_before():
    bands = tuple(
        ScheduleRow(z_from_mm=a, z_to_mm=b, setting="jolt", value=v, any_setting=True)
        for a, b, v in ((0, 1, 5.0), (1, 2, 10.0), (2, 250, 8.0))
    )
    job = Job(schedule=bands, line="SET JOLT={value}")
    text = squares(10)
    out = corrected(text, job)
    own = [(i, x.split(" ;")[0]) for i, x in enumerate(out.splitlines()) if x.startswith("SET")]
    assert [x for _, x in own] == ["SET JOLT=5", "SET JOLT=10", "SET JOLT=8"]
    assert own[-1][0] == len(out.splitlines()) - 1
    assert all(c.good for c in compare(text.splitlines(), out.splitlines(), job))
    taller = corrected(squares(12), job)  # another part beside the piece, higher than it
    last = [i for i, x in enumerate(taller.splitlines()) if x.startswith("SET JOLT=8")]
    assert [n < len(taller.splitlines()) - 5 for n in last] == [True]
    told = rewrite(
        io.BytesIO(text.encode()), None, Job(schedule=bands[:2], line=job.line), "x"
    ).warnings
    assert "jolt stays at 10 after the print: no row above it says what was set before" in told
    back = corrected(text, Job(schedule=rows("speed_percent", 60, start=0, height=9)))
    assert back.splitlines()[-1] == "M220 S100"
