"""What a rewritten file must never do, and what the independent check must see.

M-codes are common practice of printer firmware, no source; RS-274 facts are from NIST IR 6556 (sections named).
"""

import io
import random
import re

import pytest

from calib.apply.gcode.check import compare
from calib.apply.gcode.job import Job
from calib.apply.gcode.schedule import Plan
from calib.apply.gcode.stream import rewrite
from calib.apply.limits import Limits
from calib.apply.linear import Skew, correction_matrix
from calib.errors import BadInput, FileError
from patterns.schedule import ScheduleRow
from tests.gcode_reference import Maker, number_lines
from tests.test_apply_gcode import CENTRE, FULL, HEAD, MATRICES, corrected, words_of
from tests.test_apply_schedule import LIMITS, rows, tower

BOX = Limits(hot_end_max_c=250, bed_max_c=100, build_x_mm=220, build_y_mm=220, build_z_mm=250)


def told(text, job):
    return rewrite(io.BytesIO(text.encode()), None, job, "lamp.gcode").warnings


def agrees(text, out, job):
    return [c for c in compare(text.splitlines(), out.splitlines(), job) if not c.good]


# -- E under G91 --------------------------------------------------------------------------------

PRINT = "G28\nG90\nM82\nG92 E0\nG1 X100 Y100 Z1\nG1 X110 E100\n"
END = "G91\nG1 E-2 F1800\nG1 Z5 E-3\nG90\nG1 X0 Y200\n"


def test_e_under_g91_and_m82_is_left_alone_and_means_the_same_either_way():
    job = Job(flow=1.05)
    out = corrected(PRINT + END, job)
    assert out.endswith("G1 X110 E105\nG91\nG92 E100\nG1 E-2 F1800\nG1 Z5 E-3\nG90\nG1 X0 Y200\n")
    # a printer that takes E as absolute under M82 goes from 100 to -2 as in the original, and no further
    assert agrees(PRINT + END, out, job) == []
    assert any("E words under G91 without M83" in w for w in told(PRINT + END, job))


def test_e_that_hangs_on_what_was_left_open_is_refused():
    text = PRINT + END + "G1 X100 E101\n"
    with pytest.raises(FileError, match=r"line 12: how much this E is .* --e-in-g91 relative or"):
        corrected(text, Job(flow=1.05))
    settled = PRINT + END + "G92 E0\nG1 X100 E1\n"
    assert corrected(settled, Job(flow=1.05)).endswith("G92 E0\nG1 X100 E1.05\n")
    assert corrected(text, Job()) == text


@pytest.mark.parametrize(("how", "last"), [("relative", "E-2"), ("absolute", "E103")])
def test_how_the_printer_reads_e_under_g91_can_be_said(how, last):
    e = -2 if how == "relative" else 98
    text = PRINT + f"G91\nG1 E{e} F1800\nG90\nG1 X120 E{98 + 10}\n"
    job = Job(flow=1.05, e_in_g91=how)
    out = corrected(text, job).splitlines()
    assert out[7] == f"G1 {last} F1800"
    assert out[9] == "G1 X120 E113.5"
    assert agrees(text, "\n".join(out), job) == []


def test_the_check_expects_e_whose_meaning_is_open_as_it_was():
    job = Job(flow=1.05)
    text = PRINT + "G91\nG1 X5 E2\nG90\nG92 E0\n"
    out = corrected(text, job)
    assert agrees(text, out, job) == []
    assert [c.what[:5] for c in agrees(text, out.replace("X5 E2", "X5 E2.1"), job)] == ["E of "]


def test_m83_settles_e_under_g91():
    text = PRINT.replace("M82", "M83") + "G91\nG1 X5 E2\nG90\n"
    assert "G1 X5 E2.1\n" in corrected(text, Job(flow=1.05))


# -- codes that heat or scale -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("M104 S2.9e2", "may be an exponent"),
        ("m104 s2.9E2", "may be an exponent"),
        ("M104 S 2 9 0", "hot end to 290 degC"),
        ("M109 R300", "hot end to 300 degC"),
        ("M104.1 S300", "hot end to 300 degC"),
        ("M303 E0 S300 C8", "hot end to 300 degC"),
        ("M303 E-1 S150 C8", "bed to 150 degC"),
        ("M145 S0 H300 B60", "hot end to 300 degC"),
        ("M145 S0 H200 B160", "bed to 160 degC"),
        ("M568 P0 S300 R120", "hot end to 300 degC"),
        ("M568 P0 S200 R320", "hot end to 320 degC"),
        ("G10 P0 S300 R100", "hot end to 300 degC"),
        ("M140 S101", "bed to 101 degC"),
        ("T1 M104 S300", "hot end to 300 degC"),
        ("M104 S{hot}", "can't read"),
        ("M104 S200 S300", "given twice"),
        ("M92 X0", "M92 sets X to 0 steps per mm"),
        ("M92 X-80", "M92 sets X to -80 steps per mm"),
        ("M221 S5000", "M221 sets 5000 %"),
        ("G1 X1e2", "may be an exponent"),
        ("g1 X1e2 Y5", "may be an exponent"),
        ("G1 X10 Y1E1", "may be an exponent"),
        ("G1 X100.5.5", "can't read"),
        ("G53 G1 X5", "machine coordinates"),
        ("G0 X92 Y111N E0.3", "can't read"),
        ("G1 T X90 Y99", "can't read"),
        ("M82 X5", "can't read"),
    ],
)
@pytest.mark.parametrize(
    "job", [Job(limits=BOX), Job(flow=0.9, limits=BOX)], ids=["as it is", "flow"]
)
def test_what_heats_or_scales_past_a_limit_is_refused_however_it_is_spelled(line, message, job):
    with pytest.raises(FileError, match=message) as caught:
        corrected(HEAD + "G1 X101\n" * 60 + line + "\n" + "G1 X100\n" * 60, job)
    assert caught.value.where == "lamp.gcode line 65"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("M141 S60", "M141 heats the chamber, whose rating is not known: line 5"),
        ("M92 X80.5", "M92 sets the steps per mm: line 5"),
        ("M206 X5", "M206 moves the home position: line 5"),
        ('M98 P"start.g"', 'M98 runs another file: line 5'),
        ("G5 X5 Y5 I1 J1 P1 Q1", "G5 goes where the file does not say: line 5"),
        ("G427 X9", "G427 is not known here: line 5"),
        ("START_PRINT HOT=300", "lines that are no G-code words, copied as they are: line 5"),
        ("G91\nG1 X500", "moves to where the file does not say, not checked: line"),
    ],
)  # fmt: skip
def test_what_cannot_be_checked_is_listed(line, words):
    text = HEAD + ("G28\n" if "G91" in line else "") + line + "\n"
    found = told(text, Job(flow=0.9, limits=BOX))
    assert any(words in w for w in found), found
    assert "look at what is listed here before you print" in found


@pytest.mark.parametrize("number", [5, 6, 12, 27, 29, 30, 32, 33, 34, 61, 81])
def test_after_codes_that_go_anywhere_the_place_is_not_known(number):
    text = HEAD + f"G{number}\nG91\nG1 X500\n"
    assert any(
        "moves to where the file does not say" in w for w in told(text, Job(flow=1.05, limits=BOX))
    )


def test_compact_and_lower_case_lines_are_no_exponents():
    for line in ("G1X110Y110E0.5", "g1x110y110e.5", "g1 x110 y110 e.5"):
        assert words_of(corrected(HEAD + line, Job(flow=2.0)))[4]["E"] == 1


# -- walls --------------------------------------------------------------------------------------

SLIGHT = correction_matrix((1.0001, 1.0001, 1.0))


def test_travel_that_only_the_correction_pushes_past_a_wall_is_held_there():
    job = Job(matrix=SLIGHT, centre_mm=CENTRE, limits=BOX)
    text = HEAD + "G1 X50 E1\nG1 X0 Y220\n"
    out = corrected(text, job)
    assert out.splitlines()[-1] == "G1 X0 Y220"
    assert agrees(text, out, job) == []
    assert any("held at it: line 6" in w for w in told(text, job))


@pytest.mark.parametrize("moves", ["G1 X60 Y220 E1\n", "G0 X60 Y220\nG1 X60 Y100 E1\n"])
def test_what_extrudes_where_a_wall_holds_its_end_or_its_start_is_refused(moves):
    line, at = len((HEAD + moves).splitlines()), r"0\.011 mm further out while it extrudes"
    with pytest.raises(FileError, match=rf"line {line}: Y 220\.011 mm .* {at}, in the layer at "):
        corrected(HEAD + moves, Job(matrix=SLIGHT, centre_mm=CENTRE, limits=BOX))


def test_what_was_outside_before_is_told_and_goes_no_further_out():
    text = HEAD + "G1 X0.1 Y-3\nG1 X60 Y-3 E9\nG1 X60 Y60\n"
    job = Job(matrix=SLIGHT, centre_mm=CENTRE, limits=BOX)
    assert "G1 X59.995 Y-3 E9" in corrected(text, job)
    assert any(
        "moves outside the build volume, as they were before: 2, the first in line 5" in w
        for w in told(text, job)
    )
    same = Job(flow=0.9, limits=BOX)
    assert any("as they were before" in w for w in told(text, same))
    with pytest.raises(FileError, match=r"line 6: Y -4\.130 mm .* printer reaches -4\.1 to 220"):
        corrected(
            text, Job(matrix=correction_matrix((1.0, 1.01, 1.0)), centre_mm=CENTRE, limits=BOX)
        )


def test_an_arc_of_travel_past_a_wall_is_held_by_straight_moves():
    job = Job(matrix=correction_matrix((1.01, 1.01, 1)), centre_mm=CENTRE, limits=BOX)
    text = HEAD + "G0 X160 Y100\nG3 X160 Y220 I0 J60\n"
    out = corrected(text, job)
    assert max(w.get("X", 0) for w in words_of(out)) == 220
    assert max(w.get("Y", 0) for w in words_of(out)) == 220
    assert agrees(text, out, job) == []


# -- schedules ------------------------------------------------------------------------------------


def test_tens_of_thousands_of_rows_take_no_time():
    many = tuple(
        ScheduleRow(
            z_from_mm=k / 3e3, z_to_mm=(k + 1) / 3e3, setting="hot_end_c", value=200 + k // 600 % 7
        )
        for k in range(30_000)
    )
    out = corrected(tower(8), Job(schedule=many, limits=LIMITS))
    assert len(re.findall("M104 S20[0-6]", out)) > 5


def test_a_line_of_the_users_own_is_filled_in_marked_and_held_against_the_rating():
    ladder = tuple(
        ScheduleRow(
            z_from_mm=2 * k, z_to_mm=2 * k + 2, setting="lag_s", value=0.02 * k, any_setting=True
        )
        for k in range(3)
    )
    job = Job(schedule=ladder, line="SET LAG={value}")
    out = corrected(tower(6), job)
    lines = [line for line in out.splitlines() if line.startswith("SET")]
    assert lines == [f"SET LAG={v} ; a line of the user's own" for v in ("0", "0.02", "0.04")]
    assert agrees(tower(6), out, job) == []
    for line, message in (
        ("SET LAG=1", "with {value} in it"),
        ("M104 S900{value}", "rated for 260"),
        ("M104 S{value}", "makes no sense"),
        ("G1 Z{value}", "may not move"),
        ("M83 ; {value}", "may not move"),
        ("; {value}", "a comment"),
        ("A={value}\nG1 X9", "one line"),
    ):
        with pytest.raises(BadInput, match=message):
            Plan(Job(schedule=ladder, line=line, limits=LIMITS))


def test_retraction_by_height_rewrites_moves_of_e_alone():
    job = Job(schedule=rows("retraction_mm", 2, 0.5, start=0, height=2))
    for relative in (True, False):
        text = tower(5, relative=relative)
        out = corrected(text, job)
        assert agrees(text, out, job) == []
        assert told(text, job)[0].startswith("the build volume is not known")
        back = [w["E"] for w in words_of(out) if "E" in w and w["E"] < 0] if relative else []
        assert back[:12] == ([-0.8] + [-2] * 10 + [-0.5] if relative else [])
        given = [w["E"] for w in words_of(out) if relative and w.get("E", 0) > 0.1]
        assert given[:12] == [-e for e in back][:12]


def test_retraction_by_height_is_in_mm_in_a_file_in_inches_too():
    text = "G28\nG20\nG90\nM83\nG1 X4 Y4 Z0.008\nG1 X5 E0.01\nG1 E-0.04\nG0 X4\nG1 E0.04\nG1 X5 E0.01\n"
    job = Job(schedule=rows("retraction_mm", 2.54, start=0, height=2))
    out = corrected(text, job)
    assert [w["E"] for w in words_of(out) if abs(w.get("E", 0)) > 0.02] == [-0.1, 0.1]
    assert agrees(text, out, job) == []


# -- the check ----------------------------------------------------------------------------------


def mutate(lines, r):
    """Do something to a corrected file that a printer would print otherwise."""
    k = r.choice(
        [i for i, line in enumerate(lines) if re.match("G[0-3]", line) and "E" in line and i > 8]
    )
    how = r.choice(["e", "x", "f", "drop", "twice", "swap", "fan"])
    new = list(lines)
    if how == "e":
        new[k] = re.sub(r"E(-?[\d.]+)", lambda m: f"E{float(m[1]) + 0.0004:.5f}", new[k])
    elif how == "x":
        new[k] = re.sub(
            r"([XYZE])(-?[\d.]+)", lambda m: f"{m[1]}{float(m[2]) + 0.03:.5f}", new[k], count=1
        )
    elif how == "f":
        new[k] = re.sub(r" F[\d.]+", "", new[k]) + " F1234"
    elif how == "drop":
        del new[k]
    elif how == "twice":
        new.insert(k, "G1 X1 Y1")
    elif how == "swap":
        new[k - 1], new[k] = new[k], new[k - 1]
    else:
        new.insert(k, r.choice(["M106 S7", "M107", "G92 E3", "M220 S50", "M83", "G91"]))
    return new


def test_the_check_sees_whatever_is_done_to_a_corrected_file():
    missed = []
    for seed in range(60):
        r = random.Random(seed)
        text = Maker(seed, offsets=False).text(80)
        job = Job(
            matrix=r.choice(list(MATRICES.values())), centre_mm=CENTRE, flow=r.choice([1, 1.04])
        )
        good = corrected(text, job).splitlines()
        assert agrees(text, "\n".join(good), job) == []
        bad = mutate(good, r)
        relevant = [w for w in words_of("\n".join(bad))] != [w for w in words_of("\n".join(good))]
        if relevant and not agrees(text, "\n".join(bad), job):
            missed.append((seed, [a for a in bad if a not in good][:2]))
    assert missed == []


def test_the_check_sees_what_totals_and_boxes_do_not():
    text = HEAD + "".join(
        f"G1 X{100 + k % 7} Y{100 + k % 5} E0.1 F{900 + k}\nM106 S{k}\n" for k in range(40)
    )
    job = Job(flow=1.1)
    good = corrected(text, job)
    assert agrees(text, good, job) == []
    swapped = good.replace("E0.11", "E0.13", 9)[::1]
    tail = swapped.rfind("E0.11")
    for bad in (
        good.replace("X102", "X98"),  # mirrored in part
        swapped[:tail] + swapped[tail:].replace("E0.11", "E0"),
        good.replace("F905", "F9050"),
        good.replace("M106 S7\n", ""),
    ):
        assert len(agrees(text, bad, job)) == 1


@pytest.mark.parametrize(
    ("of", "to", "what"),
    [
        ("G1 X101 Y100 E1\n", "G0 X101 Y100 E1\n", "motion of"),
        ("\nX102 Y101 E1\n", "\nG2 X102 Y101 E1\n", "motion of"),
        ("M107\n", "M107\nM104 S290\n", "line 9 of the result"),
    ],
)
def test_the_check_sees_another_motion_and_what_follows_the_end(of, to, what):
    text = HEAD + "G1 X100 Y100 E1\nG1 X101 Y100 E1\nX102 Y101 E1\nM107\n"
    job = Job(flow=0.5)
    good = corrected(text, job)
    assert agrees(text, good, job) == []
    halved = of.replace("E1", "E0.5"), to.replace("E1", "E0.5")
    (found,) = agrees(text, good.replace(*halved), job)
    assert found.what.startswith(what)


def test_the_check_sees_filament_laid_down_at_a_wall_instead_of_past_it():
    job = Job(matrix=SLIGHT, centre_mm=CENTRE, limits=BOX)
    text = HEAD + "G1 X50 E1\nG1 X100 Y220\n"
    out = corrected(text, job)
    laid = [t.replace("Y220", "Y220 E2") for t in (text, out)]
    assert [c.what[:4] for c in agrees(*laid, job)] == ["Y of"]


def test_from_m83_to_m82_without_g92_is_no_false_alarm():
    text = HEAD + "G1 X101 E1\nM82\nG1 X102 E2.5\nM83\nG1 X103 E1\n"
    job = Job(flow=1.1)
    assert agrees(text, corrected(text, job), job) == []


@pytest.mark.parametrize("first", range(0, 160, 20))
def test_what_is_written_agrees_with_an_independent_interpreter(first):
    """Random files, jobs and block sizes; all 2,000 are run by ``python -m bench.gcode check``."""
    for seed in range(first, first + 20):
        assert differential(seed) == [], seed


def differential(seed):
    """Rewrite a random file by a random job, and return what the check finds."""
    r = random.Random(seed)
    text = Maker(seed).text(r.choice([40, 150]), r.choice(["\n", "\r\n"]))
    numbered = r.random() < 0.2
    if numbered:
        text = "\n".join(number_lines(text.splitlines())) + "\n"
    matrix = correction_matrix(
        tuple(r.choice([1, r.uniform(0.98, 1.02)]) for _ in range(3)),
        Skew(*(r.choice([0, r.uniform(-1, 1)]) for _ in range(3))),
    )
    limits = r.choice([Limits(), Limits(build_x_mm=400, build_y_mm=400, build_z_mm=400)])
    job = Job(matrix=r.choice([matrix, FULL, *MATRICES.values()]), centre_mm=CENTRE, flow=r.choice([1, 0.97, 1.05]), limits=limits)  # fmt: skip
    try:
        out = corrected(text, job, block=r.choice([None, 200, 700]))
    except BadInput as err:
        return [err.line]
    numbers = [int(n) for n in re.findall("^N([0-9]+)", out, re.MULTILINE)]
    if numbered and numbers != list(range(1, len(numbers) + 1)):
        return ["lines are not counted one by one"]
    return agrees(text, out, job)
