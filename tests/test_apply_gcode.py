"""Rewriting G-code: against a plain reference, an independent reader, and the published rules of RS-274.

RS-274 facts are taken from Kramer, Proctor, Messina: The NIST RS274/NGC Interpreter - Version 3, NIST IR 6556, 2000
(sections named beside each test). M-codes are common practice of printer firmware, no source.
"""

import contextlib
import io
import math
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.apply.gcode import stream
from calib.apply.gcode.check import compare
from calib.apply.gcode.job import Job
from calib.apply.gcode.stream import rewrite
from calib.apply.limits import Limits
from calib.apply.linear import IDENTITY, Skew, correction_matrix, inverse, transform_matrix
from calib.errors import BadInput, FileError
from calib.safety import SAFETY
from patterns.schedule import ScheduleRow
from tests.gcode_reference import Maker, Reference, number_lines, words_of

FULL = correction_matrix((1.002, 0.999, 1.001), Skew(0.4, 0.1, -0.2))
MATRICES = {
    "identity": IDENTITY,
    "full": FULL,
    "similar": correction_matrix((1.01, 1.01, 1.01)),
    "helix bends": correction_matrix((1.01, 1.01, 1.0), Skew(0, 0.3, 0)),
    "z only": correction_matrix((1, 1, 1.003)),
    "xy skew": correction_matrix((1, 1, 1), Skew(0.5)),
}
CENTRE = (110.0, 110.0, 0.0)
seeds = st.integers(0, 2**32 - 1)
few = settings(max_examples=25, deadline=None)


def corrected(text, job=None, *, block=None, **options):
    """Return the rewritten text without its header, read in blocks of so many bytes."""
    job = job or Job(**options)
    keep = stream.BLOCK_BYTES
    stream.BLOCK_BYTES = block or keep
    out = io.BytesIO()
    try:
        rewrite(io.BytesIO(text.encode()), out, job, "lamp.gcode")
    finally:
        stream.BLOCK_BYTES = keep
    lines = out.getvalue().decode().splitlines(keepends=True)
    return "".join(line for line in lines if not line.startswith(stream.MARK))


def skewed(text, matrix=None, **options):
    return words_of(corrected(text, matrix=matrix or FULL, **options))


# -- properties -------------------------------------------------------------------------------


@few
@given(seed=seeds, crlf=st.booleans(), last=st.booleans())
def test_identity_leaves_every_byte(seed, crlf, last):
    text = Maker(seed).text(120, "\r\n" if crlf else "\n", last)
    assert corrected(text, Job(limits=Limits(hot_end_max_c=300))) == text


@pytest.mark.parametrize("matrix", MATRICES.values(), ids=MATRICES)
@pytest.mark.parametrize("flow", [1.0, 0.97])
@settings(max_examples=12, deadline=None)
@given(seed=seeds, crlf=st.booleans(), block=st.sampled_from([250, 2000]))
def test_both_ways_agree_with_the_plain_reference(matrix, flow, seed, crlf, block):
    text = Maker(seed).text(75, "\r\n" if crlf else "\n")
    job = Job(matrix=matrix, centre_mm=CENTRE, flow=flow)
    found = words_of(corrected(text, job, block=block))
    expected = Reference(matrix, CENTRE, flow).rewrite(text)
    assert len(found) == len(expected)
    total_found = total_expected = 0.0
    for got, want in zip(found, expected, strict=True):
        assert set(got) == set(want)
        for letter in set(got) - {"E"}:
            assert got[letter] == pytest.approx(want[letter], abs=1e-9), (got, want)
        total_found += got.get("E", 0.0)
        total_expected += want.get("E", 0.0)
        assert got.get("E", 0.0) == pytest.approx(want.get("E", 0.0), abs=2.1e-5)
    if flow != 1.0:
        assert total_found == pytest.approx(total_expected, abs=0.001 * max(1, len(found) / 100))


@few
@given(seed=seeds, matrix=st.sampled_from(list(MATRICES.values())), flow=st.sampled_from([1, 1.03]))
def test_the_independent_reader_finds_the_expected_path(seed, matrix, flow):
    text = Maker(seed, offsets=False).text(150)
    job = Job(matrix=matrix, centre_mm=CENTRE, flow=flow)
    checks = compare(text.splitlines(), corrected(text, job).splitlines(), job)
    assert int(checks[0].found) > 50  # moves
    assert [c for c in checks if not c.good] == []


@few
@given(seed=seeds, numbered=st.booleans())
def test_the_extruded_volume_scales_by_exactly_the_flow(seed, numbered):
    maker = Maker(seed, arcs=False, offsets=False, relative=False)
    text = maker.text(150)
    if numbered:
        text = "\n".join(number_lines(text.splitlines())) + "\n"
    flow = 0.937
    before, after = (extruded(t) for t in (text, corrected(text, Job(flow=flow))))
    assert after == pytest.approx(flow * before, abs=2e-5)


def extruded(text):
    """Sum the filament of moves along X or Y by hand."""
    total = at = 0.0
    x = y = relative = None
    for w in words_of(text):
        if w.get("M") in (82, 83):
            relative = w["M"] == 83
        if w.get("G") == 92 and "E" in w:
            at = w["E"]
        if w.get("G") in (0, 1):
            old = x, y
            x, y = w.get("X", x), w.get("Y", y)
            if "E" in w:
                step = w["E"] if relative else w["E"] - at
                at = w["E"]
                total += step if step > 0 and (x, y) != old else 0.0
    return total


@few
@given(seed=seeds)
def test_applying_and_undoing_gives_the_file_back_to_its_last_digit(seed):
    text = Maker(seed, arcs=False, offsets=False).text(100)
    there = corrected(text, matrix=FULL, centre_mm=CENTRE)
    back = words_of(corrected(there, matrix=inverse(FULL), centre_mm=CENTRE))
    at_before, at_after = [None] * 3, [None] * 3
    relative = False
    for old, new in zip(words_of(text), back, strict=True):
        relative = {90: False, 91: True}.get(old.get("G"), relative)
        for i, c in enumerate("XYZ"):
            if old.get("G") in (0, 1) and not relative:
                at_before[i], at_after[i] = old.get(c, at_before[i]), new.get(c, at_after[i])
        if None not in at_before:
            assert at_after == pytest.approx(at_before, abs=1.6e-4)  # each way rounds to 1e-4


@given(
    point=st.tuples(*[st.floats(-500, 500)] * 3),
    size=st.tuples(*[st.floats(0.9, 1.1)] * 3),
    angles=st.tuples(*[st.floats(-3, 3)] * 3),
)
def test_matrix_and_inverse_cancel_to_a_nanometre(point, size, angles):
    printed = transform_matrix(size, Skew(*angles))
    undone = correction_matrix(tuple(1 / s for s in size), Skew(*angles))
    there = [sum(a * p for a, p in zip(row, point, strict=True)) for row in undone]
    back = [sum(a * p for a, p in zip(row, there, strict=True)) for row in printed]
    assert back == pytest.approx(point, abs=1e-6)


def test_skew_matrix_has_the_convention_of_the_diagonals():
    # parallelogram of 100 mm sides leaning 0.5 degrees: AC 142.0370751, BD 140.8029449 (law of cosines)
    m = transform_matrix(skew=Skew(0.5))
    a, b = (m[0][0] * 100, m[1][0] * 100), (m[0][1] * 100, m[1][1] * 100)
    assert math.hypot(a[0] + b[0], a[1] + b[1]) == pytest.approx(142.0370751, abs=1e-7)
    assert math.hypot(a[0] - b[0], a[1] - b[1]) == pytest.approx(140.8029449, abs=1e-7)
    # v = y / cos g, u = x - y tan g
    c = correction_matrix(skew=Skew(0.5))
    g = math.radians(0.5)
    assert (c[0][1], c[1][1]) == pytest.approx((-math.tan(g), 1 / math.cos(g)), abs=1e-15)


def test_skew_angles_are_those_between_the_axes():
    m = transform_matrix(skew=Skew(1.0, -0.5, 2.0))
    x, y, z = zip(*m, strict=True)
    for a, b, deg in ((x, y, 1.0), (x, z, -0.5), (y, z, 2.0)):
        cosine = sum(p * q for p, q in zip(a, b, strict=True))
        assert cosine == pytest.approx(math.sin(math.radians(deg)), abs=1e-15)
        assert sum(p * p for p in a) == pytest.approx(1, abs=1e-15)


# -- fuzzed input -----------------------------------------------------------------------------

ALPHABET = 'GGMMXYZEFIJNT0123456789.-+ ;()*\n\n\r%/\\"#[]gxé'


@settings(max_examples=150, deadline=None)
@given(text=st.text(ALPHABET, max_size=400), block=st.sampled_from([None, 40]))
def test_noise_is_copied_or_refused_but_never_crashes(text, block):
    for job in (Job(matrix=FULL, flow=0.98), Job(limits=Limits(hot_end_max_c=250))):
        with contextlib.suppress(BadInput):
            corrected(text, job, block=block)


@settings(max_examples=50, deadline=None)
@given(seed=seeds, where=st.floats(0, 1), put=st.text(ALPHABET, max_size=6))
def test_a_damaged_file_goes_both_ways_alike(seed, where, put):
    text = Maker(seed).text(90)
    cut = int(where * len(text))
    text = text[:cut] + put + text[cut + len(put) :]
    job = Job(
        matrix=FULL, centre_mm=CENTRE, flow=1.02, limits=Limits(build_x_mm=400, build_y_mm=400)
    )
    answers = []
    for block in (None, 150):
        try:
            answers.append(words_of(corrected(text, job, block=block)))
        except BadInput as err:
            answers.append(err.line)
    a, b = answers
    assert type(a) is type(b)
    if isinstance(a, list):
        assert len(a) == len(b)
        for p, q in zip(a, b, strict=True):
            assert p == pytest.approx(q, abs=2.1e-5)
    else:
        assert a == b


# -- traps ------------------------------------------------------------------------------------

HEAD = "G28\nG90\nM83\nG1 X100 Y100 Z1\n"
TAN = math.tan(math.radians(0.5))


@pytest.mark.parametrize("block", [None, 40])
def test_axis_words_of_other_commands_are_no_places(block):
    other = ["M201 X500 Y500 Z100 E5000", "M205 X8 Y8", "M92 X80 Y80 E93", "M906 X800"]
    moves = [f"G1 X{100 + i} Y100 E1" for i in range(60)]
    plain = corrected(HEAD + "\n".join(moves), matrix=FULL, flow=0.9, block=block)
    mixed = [line for i, m in enumerate(moves) for line in (m, other[i % 4])]
    out = corrected(HEAD + "\n".join(mixed), matrix=FULL, flow=0.9, block=block).splitlines()
    assert [line for line in out if line[0] == "G"] == [
        line for line in plain.splitlines() if line[0] == "G"
    ]
    assert [line for line in out if line[0] == "M"][1:] == [other[i % 4] for i in range(60)]


def test_under_xy_skew_a_move_that_gives_only_y_also_gives_x():
    moves = skewed(HEAD + "G1 Y200 E1\nG1 X50\n", correction_matrix(skew=Skew(0.5)))
    assert moves[4] == {"G": 1, "X": pytest.approx(100 - 200 * TAN, abs=5e-5), "Y": pytest.approx(200 / math.cos(math.radians(0.5)), abs=5e-5), "E": 1}  # fmt: skip
    assert set(moves[5]) == {"G", "X"}


def test_under_xz_and_yz_skew_a_hop_gives_x_and_y():
    moves = skewed(HEAD + "G1 Z51\n", correction_matrix(skew=Skew(0, 0.5, 0.2)))
    assert moves[4]["X"] == pytest.approx(100 - 51 * math.sin(math.radians(0.5)), abs=0.01)
    assert moves[4]["Y"] == pytest.approx(100 - 51 * math.sin(math.radians(0.2)), abs=0.01)


@pytest.mark.parametrize("block", [None, 40])
def test_before_the_place_is_known_no_coupled_axis_is_sent(block):
    moves = skewed("G28\nG1 Z5\nG1 Y20\nG91\nG1 Z2\nG90\nG1 X30 Y20\nG1 Z6\n", block=block)
    assert [set(m) for m in moves[1:3]] == [{"G", "Z"}, {"G", "Y"}]
    assert set(moves[4]) == {"G", "Z", "Y"}  # Y was given, X was not
    assert set(moves[7]) == {"G", "X", "Y", "Z"}


def test_after_homing_one_axis_only_that_one_is_unknown():
    moves = skewed(HEAD + "G28 X\nG1 Z5\n")
    assert set(moves[5]) == {"G", "Y", "Z"}


def test_relative_moves_take_the_linear_part_only():
    # NIST IR 6556 3.5.17: with G91 axis numbers are increments from the current location
    matrix = correction_matrix((1.01, 1, 1), Skew(0.5))
    moves = skewed(HEAD + "G91\nG1 Y10\nG1 X10\n", matrix, centre_mm=CENTRE)
    assert moves[5]["X"] == pytest.approx(-10 * TAN * 1.01, abs=1.1e-4)
    assert moves[6] == {"G": 1, "X": pytest.approx(10.1, abs=1.1e-4)}


def test_relative_moves_do_not_gather_rounding():
    text = HEAD + "G91\n" + "G1 X0.01\n" * 1000
    moves = skewed(text, correction_matrix((1.00333, 1, 1)), centre_mm=CENTRE)
    assert sum(m["X"] for m in moves[5:]) == pytest.approx(10.0333, abs=1e-4)


def test_relative_e_does_not_gather_rounding():
    text = HEAD + "".join(f"G1 X{100 + i % 2} E0.00333\n" for i in range(1, 2001))
    moves = words_of(corrected(text, Job(flow=1.0333)))
    assert sum(m["E"] for m in moves[4:]) == pytest.approx(2000 * 0.00333 * 1.0333, abs=1e-5)


def test_more_than_43_metres_of_absolute_e():
    # 42,949.67296 mm is 2^32 units of 1e-5 mm
    e = [42949.0 + i / 7 for i in range(100)]
    text = HEAD.replace("M83", "M82") + "G92 E42949\n"
    text += "".join(f"G1 X{100 + i % 2} E{v:.5f}\n" for i, v in enumerate(e[1:], 1))
    moves = words_of(corrected(text, Job(flow=1.1)))
    assert moves[-1]["E"] == pytest.approx(42949 + 1.1 * (round(e[-1], 5) - 42949), abs=1e-5)
    assert moves[-1]["E"] > 42949.67296


def test_retractions_and_the_feed_after_them_are_left_alone():
    text = HEAD + "G1 X110 E1\nG1 E-0.8\nG0 X120\nG1 E0.8\nG1 X130 E1\n"
    assert [m.get("E") for m in words_of(corrected(text, Job(flow=0.9)))[4:]] == [0.9, -0.8, None, 0.8, 0.9]  # fmt: skip


def test_g92_of_a_machine_axis_keeps_the_map_where_it_was():
    # NIST IR 6556 3.5.18: G92 makes the current point have the given coordinates
    text = HEAD + "G1 X150 Y150\nG92 X0 Y0\nG1 X10 Y10\n"
    matrix = correction_matrix((1.01, 1.01, 1))
    moves = skewed(text, matrix, centre_mm=(100, 100, 0))
    assert moves[4]["X"] == 150.5
    assert moves[6]["X"] == pytest.approx(10.1, abs=1e-4)


def test_inches_are_scaled_about_the_same_point():
    # NIST IR 6556 3.5.7: G20 inches, G21 millimetres
    text = "G28\nG90\nG20\nM83\nG1 X4 Y4 Z0.1\nG1 X5 E0.01\nG21\nG1 X127\n"
    moves = skewed(text, correction_matrix((1.01, 1, 1)), centre_mm=(25.4, 0, 0))
    assert moves[5]["X"] == pytest.approx(1 + 4 * 1.01, abs=1e-5)
    assert moves[7]["X"] == pytest.approx(25.4 + (127 - 25.4) * 1.01, abs=1e-4)


def test_letters_in_either_case_and_without_blanks():
    # NIST IR 6556 3.3: input is not case sensitive, blanks are allowed anywhere and mean nothing
    matrix = correction_matrix((1.01, 1, 1))
    for line in (
        "G1X110Y110",
        "g1 x110 y110",
        "G01 X 110 Y110",
        "G1 X+110.0 Y110",
        "G1  X110\tY110",
        "G1 X1 10 Y110",
    ):
        moves = skewed(HEAD + line + "\n", matrix)
        assert moves[4]["X"] == pytest.approx(111.1), line


def test_the_last_motion_holds_without_a_g_word():
    # NIST IR 6556 3.4, table 4: modal group 1 stays in force until another of the group is given
    moves = skewed(HEAD + "X110\nY120 E1\n", correction_matrix((1.01, 1.01, 1)), flow=0.5)
    assert moves[4] == {"X": pytest.approx(111.1)}
    assert moves[5] == {"Y": pytest.approx(121.2), "E": 0.5}


def test_several_modal_words_on_a_line_work_in_their_order():
    # NIST IR 6556 table 8: distance mode is set before the motion is carried out
    moves = skewed(HEAD + "G91 G1 X10\n", correction_matrix((1.01, 1, 1)), centre_mm=CENTRE)
    assert moves[4:] == [{"G": 91}, {"G": 1, "X": pytest.approx(10.1, abs=1.1e-4)}]


def test_a_letter_twice_is_refused():
    # NIST IR 6556 3.3.2: a line may have any letter but G and M only once
    with pytest.raises(FileError, match=r"line 5: a letter is given twice"):
        corrected(HEAD + "G1 X1 X2\n", matrix=FULL)


# -- arcs -------------------------------------------------------------------------------------


def arc_points(moves, start):
    at = list(start)
    for m in moves:
        at = [m.get("X", at[0]), m.get("Y", at[1])]
        yield tuple(at)


def test_an_arc_under_a_similarity_stays_an_arc():
    text = HEAD + "G3 X110 Y110 I0 J10 E1\nG2 X100 Y100 I0 J-10\n"
    moves = skewed(text, correction_matrix((1.01, 1.01, 1)), centre_mm=(100, 100, 0))
    assert moves[4] == {"G": 3, "X": 110.1, "Y": 110.1, "I": 0, "J": 10.1, "E": 1}


@pytest.mark.parametrize("block", [None, 40])
@pytest.mark.parametrize("g", [2, 3])
def test_an_arc_under_skew_becomes_straight_moves_on_the_mapped_arc(g, block):
    # NIST IR 6556 3.5.3: G2 clockwise, G3 counter-clockwise seen from +Z; I, J from the start to the centre
    matrix = correction_matrix((1.02, 0.99, 1), Skew(0.8))
    text = HEAD + f"G{g} X110 Y110 I0 J10 E1.5 F900\nG1 X110 Y111\n"
    moves = skewed(text, matrix, block=block)[4:-1]
    assert sum(m["E"] for m in moves) == pytest.approx(1.5, abs=1e-5)
    assert [m.get("F") for m in moves[:2]] == [900, None]
    undo = inverse(matrix)
    points = [
        (undo[0][0] * x + undo[0][1] * y + undo[0][2] * z, undo[1][1] * y + undo[1][2] * z)
        for x, y in arc_points(moves, (0, 0))
        for z in [1 / undo[2][2]]
    ]
    angles = [math.degrees(math.atan2(y - 110, x - 100)) % 360 for x, y in points]
    assert all(math.dist(p, (100, 110)) == pytest.approx(10, abs=2e-4) for p in points)
    quarter = [a if a > 1 else 360.0 for a in angles]
    if g == 3:  # from below the centre to its right: a quarter turn to the left
        assert quarter == sorted(quarter)
        assert quarter[0] > 270
    else:  # the other way round: three quarters
        quarter = [a % 360 if a < 359 else 0.0 for a in angles]
        assert quarter == sorted(quarter, reverse=True)
        assert quarter[0] < 270
    steps = math.radians(max(abs(p - q) for p, q in pairwise(quarter)))
    assert 10 * (1 - math.cos(steps / 2)) <= 0.0101  # chord height within the tolerance


def test_a_full_circle_is_a_circle():
    # NIST IR 6556 3.5.3.2: with I and J, equal start and end make a full circle
    moves = skewed(HEAD + "G2 X100 Y100 I5 J0 E1\n", correction_matrix((1.01, 1, 1)))
    assert len(moves) > 40
    assert max(m["X"] for m in moves[4:]) == pytest.approx(110 * 1.01, abs=0.02)


@pytest.mark.parametrize(("radius", "share"), [(10, 0.25), (-10, 0.75)])
def test_a_radius_takes_the_short_way_a_negative_one_the_long(radius, share):
    # NIST IR 6556 3.5.3.1: positive radius, less than 180 degrees; negative, more
    moves = skewed(HEAD + f"G3 X110 Y110 R{radius}\n", correction_matrix((1.0, 1.01, 1)))[4:]
    points = [(100, 100), *[(x, y / 1.01) for x, y in arc_points(moves, (0, 0))]]
    length = sum(math.dist(a, b) for a, b in pairwise(points))
    assert length == pytest.approx(share * 20 * math.pi, rel=0.01)


def test_an_arc_that_climbs_bends_under_xz_skew():
    matrix = correction_matrix((1, 1, 1), Skew(0, 0.5))
    flat, climbing = (skewed(HEAD + f"G3 X110 Y110 I0 J10{z}\n", matrix) for z in ("", " Z3"))
    assert len(flat) == 5
    assert flat[4]["G"] == 3
    assert len(climbing) > 10
    assert climbing[-1]["Z"] == pytest.approx(1 * 0 + 3 / math.cos(math.radians(0.5)), abs=1e-4)


@pytest.mark.parametrize("block", [None, 10])
def test_after_an_arc_turned_into_moves_a_kept_one_gets_its_g_word(block):
    job = Job(matrix=correction_matrix((1, 1, 1), Skew(0, 0.5)))
    text = HEAD + "G3 X110 Y110 I0 J10 Z3\nX100 Y100 I-10 J0\nX110 Y110 J10 Z4\nX100 Y100 I-10 J0\n"
    out = corrected(text, job, block=block)
    assert [w.get("G") for w in words_of(out)].count(3) == 2
    assert [c for c in compare(text.splitlines(), out.splitlines(), job) if not c.good] == []


def test_an_arc_whose_filament_is_open_is_not_taken_apart():
    with pytest.raises(FileError, match=r"line 6: an arc has to become straight moves.*--e-in-g91"):
        corrected(HEAD.replace("M83", "M82") + "G91\nG3 X10 Y10 J10 E1\n", matrix=FULL, flow=0.9)


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ("G18\nG2 X110 Z3 I5 K0", "plane G18"),
        ("G2 X110 Y110 I0 J50", "centre is"),
        ("G2 X110 Y110", "without I, J or R"),
        ("G2 X110 Y110 R1", "no arc of radius"),
        ("G2 X110 Y110 I0 J10 P2", "several turns"),
        ("G28\nG2 X110 Y110 I0 J10", "has not said the printer is"),
        ("G90.1", "absolute coordinates"),
        ("G5 X1 Y1", "spline"),
        ("G53 G1 X1", "machine coordinates"),
        ("G55", "another coordinate system"),
        ("/G1 X1", "may be skipped"),
        ("G1 X1,5", "use a decimal point"),
        ("G1 X", "no number"),
        ("G1 X99999999999", "no coordinate"),
        ("G28\nG91\nG1 Y5 E1", "has not said where X is"),
    ],
)
@pytest.mark.parametrize("block", [None, 40])
def test_what_cannot_be_mapped_is_refused_with_its_line(lines, message, block):
    with pytest.raises(FileError, match=message) as caught:
        corrected(HEAD + lines + "\n", matrix=FULL, block=block)
    assert caught.value.where.startswith("lamp.gcode line ")


# -- line numbers, endings, comments ----------------------------------------------------------


def checked_numbers(text):
    """Return the numbers of lines, each of which must have one and a checksum that holds."""
    numbers = []
    for line in text.splitlines():
        body, _, given = line.rpartition("*")
        total = 0
        for byte in body.encode():
            total ^= byte
        assert total == int(given), line
        numbers.append(int(body.split()[0][1:]))
    return numbers


@pytest.mark.parametrize("block", [None, 60])
def test_numbered_lines_keep_counting_and_their_checksums_hold(block):
    lines = [*HEAD.splitlines(), "G3 X110 Y110 I0 J10 E1", "G90 G1 X120"]
    text = "\n".join(number_lines(lines)) + "\n"
    numbers = checked_numbers(corrected(text, matrix=FULL, flow=1.1, block=block))
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) > len(lines)


@pytest.mark.parametrize("block", [None, 60])
def test_lines_of_a_schedule_are_counted_too_at_the_very_end_as_well(block):
    lines = [*HEAD.splitlines(), "G1 X20 E1", "G1 X30 E2", "G1 Z30 E2"]
    rows = (ScheduleRow(z_from_mm=0, z_to_mm=9, setting="speed_percent", value=50),)
    out = corrected("\n".join(number_lines(lines)) + "\n", schedule=rows, block=block)
    numbers = checked_numbers(out)
    assert numbers == list(range(1, len(lines) + 3))
    assert "M220 S50*" in out
    assert out.splitlines()[-1].startswith(f"N{len(lines) + 2} M220 S100*")


def test_numbers_begin_anew_where_the_file_says_so():
    text = "\n".join(
        [*number_lines([*HEAD.splitlines(), "G1 X20 E1"]), "N0 M110*35", "N1 G1 X30 E2*5"]
    )
    rows = (ScheduleRow(z_from_mm=0, z_to_mm=9, setting="speed_percent", value=50),)
    numbers = checked_numbers(corrected(text + "\n", schedule=rows))
    n = len(HEAD.splitlines())
    assert numbers == [*range(1, n + 3), 0, 1, 2]


@pytest.mark.parametrize(
    "line", ["N3 G1 X1*", "N3 G1 X1*5x", "N3 G1 X1*5 Y2", "G1 X1* Y2", "G1 X1*5 Y2"]
)
def test_words_behind_a_checksum_are_refused(line):
    with pytest.raises(FileError, match=r"line 3: (checksum|can't read)"):
        corrected("G28\nG1 X1 Y1 Z1\n" + line + "\n", matrix=FULL)


def test_a_wrong_checksum_is_found():
    with pytest.raises(FileError, match=r"line 2: checksum \*12 does not match"):
        corrected("N1 G28*18\nN2 G1 X1*12\n", matrix=FULL)


def test_comments_and_endings_stay():
    text = "G28\r\nG1 X10 Y10 Z1 (to; the corner) F900 ; start; here\r\nG1 X20(a)Y20\r\n;\xe9\r\n"
    out = corrected(text, matrix=correction_matrix((1.01, 1, 1)))
    assert out == text.replace("X10", "X10.1").replace("X20", "X20.2")


def test_a_marker_of_unicode_at_the_beginning_stays_at_the_beginning():
    out = io.BytesIO()
    rewrite(io.BytesIO(b"\xef\xbb\xbfG28\nG1 X10 Y1 Z1\n"), out, Job(matrix=FULL), "x")
    assert out.getvalue().startswith(b"\xef\xbb\xbf; corrected by")


def test_the_header_says_what_was_changed_and_bars_a_second_time():
    out = io.BytesIO()
    rewrite(io.BytesIO(HEAD.encode()), out, Job(matrix=FULL, flow=0.97), "lamp.gcode")
    head = out.getvalue().decode().splitlines()
    assert head[0].startswith("; corrected by truebead: coordinates mapped about X0 Y0 Z0 mm")
    assert head[1] == "; corrected by truebead: extruded filament multiplied by 0.97 (retractions are not changed)"  # fmt: skip
    assert " ".join(line.removeprefix("; corrected by truebead: ") for line in head[2:5]) == SAFETY
    with pytest.raises(FileError, match="corrected twice; start from the file as it was sliced"):
        rewrite(io.BytesIO(out.getvalue()), None, Job(flow=0.97), "lamp.gcode")
    rewrite(io.BytesIO(out.getvalue()), None, Job(flow=0.97), "lamp.gcode", again=True)


# -- limits -----------------------------------------------------------------------------------

BOX = Limits(hot_end_max_c=250, bed_max_c=100, build_x_mm=220, build_y_mm=220, build_z_mm=250)


@pytest.mark.parametrize("block", [None, 40])
@pytest.mark.parametrize(
    ("line", "message"),
    [
        (
            "G1 X219.9 E1",
            r"line 5: X 220\.999 mm is outside the build volume, 0 to 220 mm: the correction puts it 0\.999 mm"
            r" further out while it extrudes, in the layer at 1\.00 mm; move the part, or state with --build",
        ),
        ("G1 Y0.5 E1", r"line 5: Y -0\.595 mm is outside"),
        ("G0 X219.9\nG1 X100 E1", r"line 6: X 220\.999 mm is outside"),
        ("G1 Y-5 E1", r"line 5: Y -6\.150 mm .* further out .* reaches -6\.2 to 220\.0 mm"),
        ("G3 X160 Y160 I60 J0 E1", r"line 5: X 220\.\d+ mm is outside"),
        ("M104 S251", "line 5: the file sets the hot end to 251 degC; it is rated for 250 degC"),
        ("M109 R260", "hot end to 260"),
        ("M190 S101", "bed to 101"),
    ],
)
def test_limits_are_kept(line, message, block):
    job = Job(matrix=correction_matrix((1.01, 1.01, 1)), centre_mm=CENTRE, limits=BOX)
    text = HEAD + line + "\n" + "G1 X100\n" * 5
    with pytest.raises(FileError, match=message):
        corrected(text, job, block=block)


def test_nothing_is_written_when_a_limit_is_passed_at_the_very_end(tmp_path):
    source, target = tmp_path / "lamp.gcode", tmp_path / "out.gcode"
    target.write_text("what was there")
    source.write_text(HEAD + "G1 X100 Y100\nG1 X101 Y101 E1\n" * 20000 + "G1 X219.99 E2\n")
    job = Job(matrix=correction_matrix((1.01, 1, 1)), centre_mm=CENTRE, limits=BOX)
    with pytest.raises(FileError, match="line 40005: X"):
        stream.rewrite_file(source, target, job)
    assert target.read_text(encoding="utf-8") == "what was there"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lamp.gcode", "out.gcode"]


def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    source = tmp_path / "lamp.gcode"
    source.write_text(HEAD * 50)

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("calib.files.os.fsync", full)
    with pytest.raises(FileError, match=r"the disk is full; make room"):
        stream.rewrite_file(source, tmp_path / "out.gcode", Job(flow=0.98))
    assert [p.name for p in tmp_path.iterdir()] == ["lamp.gcode"]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "is empty"),
        (b"PK\x03\x04\0\0", "not plain-text"),
        ("G1 X1\n".encode("utf-16"), "not plain-text"),
        (b"G1 X1\rG1 X2\r", "carriage return"),
        (b"X" * 600_000, "no end"),
    ],
)
def test_what_is_no_gcode_is_refused(data, message):
    with pytest.raises(FileError, match=message):
        rewrite(io.BytesIO(data), None, Job(matrix=FULL), "x")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"flow": 98.0}, "9800 % is out of range"),
        ({"flow": math.nan}, "out of range"),
        ({"arc_tolerance_mm": 0.0}, "arc tolerance"),
        ({"centre_mm": (math.inf, 0, 0)}, "plausible"),
    ],
)
def test_a_job_that_makes_no_sense_is_refused(options, message):
    with pytest.raises(BadInput, match=message):
        Job(**options)
