"""Decimal numbers in bytes: many at once against one at a time, to the last bit and the last digit."""

import re
from decimal import Decimal

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from calib.apply.decimals import (
    ONE,
    WINDOW,
    read_decimals,
    write_decimal,
    write_decimals,
)


def written(units):
    low, high, size = write_decimals(np.array(units, np.int64))
    texts = np.stack([low, high], axis=1).astype("<u8").tobytes()
    return [texts[16 * i : 16 * i + int(n)].decode() for i, n in enumerate(size)]


@given(units=st.lists(st.integers(-(10**13) + 1, 10**13 - 1), min_size=1))
def test_numbers_are_spelled_exactly_and_as_short_as_can_be(units):
    for n, text in zip(units, written(units), strict=True):
        assert Decimal(text) * ONE == n
        assert text == write_decimal(n)
        assert not text.startswith("-0") or text.startswith("-0.")
        assert "." not in text or text[-1] not in "0."


def test_all_fours_of_digits_are_right_wherever_they_stand():
    near = [k * 10**4 + j for k in range(10000) for j in (0, 5, 1230)]
    for units in (
        near,
        [-n for n in near],
        [n + 10**8 for n in near[::7]],
        [n * 10**4 for n in near[::5]],
        [n * 10**5 for n in near[::5]],
    ):
        assert written(units) == [write_decimal(n) for n in units]


NUMBERS = st.from_regex(r"-?[0-9]{0,9}(\.[0-9]{0,9})?", fullmatch=True) | st.text("0.-")


@given(st.lists(NUMBERS), st.sampled_from(" \nY;"))
def test_numbers_are_read_to_the_last_bit_or_not_at_all(texts, mark):
    data = "".join(t + mark for t in texts).encode() + b"\0" * WINDOW
    starts = np.cumsum([0, *(len(t) + 1 for t in texts)])
    read = read_decimals(data, starts[:-1])
    for i, text in enumerate(texts):
        found = re.match(r"-?([0-9]*)(?:\.([0-9]*))?", text)
        whole, behind = (len(part or "") for part in found.groups())
        plain = (whole <= 7 and behind <= 7) or whole + behind <= 8
        assert read.good[i] == (whole + behind > 0 and whole <= 7 and plain)
        if read.good[i]:
            end = int(starts[i]) + found.end()
            assert (read.value[i], read.end[i]) == (float(found[0]), end)
