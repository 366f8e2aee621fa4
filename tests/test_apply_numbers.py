"""Decimal numbers in bytes: many at once against one at a time, to the last bit and the last digit."""

from decimal import Decimal

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from calib.apply.gcode.numbers import (
    AHEAD,
    BEHIND,
    ONE,
    PART,
    read_counts,
    write_count,
    write_counts,
)


def written(units, before=b""):
    text, start, size = write_counts(np.array(units, np.int64), before)
    return [text[a : a + n].decode() for a, n in zip(start, size, strict=True)]


@given(units=st.lists(st.integers(-(10**13) + 1, 10**13 - 1), min_size=1))
def test_numbers_are_spelled_exactly_and_as_short_as_can_be(units):
    for n, text in zip(units, written(units), strict=True):
        assert Decimal(text) * ONE == n
        assert text == write_count(n)
        assert not text.startswith("-0") or text.startswith("-0.")
        assert "." not in text or text[-1] not in "0."


@given(st.lists(st.integers(-(10**13) + 1, 10**13 - 1), min_size=1))
def test_what_goes_before_a_number_is_right_before_it(units):
    assert written(units, b" X") == [f" X{text}" for text in written(units)]


def test_all_fours_of_digits_are_right_wherever_they_stand():
    near = [k * 10**4 + j for k in range(10000) for j in (0, 5, 1230)]
    for units in (
        near,
        [-n for n in near],
        [n + 10**8 for n in near[::7]],
        [n * 10**4 for n in near[::5]],
        [n * 10**5 for n in near[::5]],
    ):
        assert written(units) == [write_count(n) for n in units]


DIGITS = st.tuples(st.from_regex(r"[0-9]{0,7}", fullmatch=True), st.from_regex(r"[0-9]{0,9}", fullmatch=True))  # fmt: skip


@given(st.lists(DIGITS, min_size=1), st.sampled_from(" \nY;0"))
def test_numbers_are_read_exactly_to_the_eighth_place(parts, mark):
    data, points = b"7" * AHEAD, []
    for whole, behind in parts:
        data += mark.encode() + whole.encode()
        points.append(len(data))
        data += b"." + behind.encode()
    sizes = [np.array([len(part) for part in some]) for some in zip(*parts, strict=True)]
    found = read_counts(data + b"7" * BEHIND, np.array(points), *sizes)
    for (whole, behind), count in zip(parts, found, strict=True):
        assert count == int(Decimal(f"{whole or 0}.{behind[:8]}") * PART)
