"""Decimal numbers in bytes: many at once against one at a time, to the last bit and the last digit."""

import re
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.apply.gcode.numbers import (
    WINDOW,
    read_decimals,
    write_decimal,
    write_decimals,
)


def written(units, places):
    low, high, size = write_decimals(np.array(units, np.int64), places)
    texts = np.stack([low, high], axis=1).astype("<u8").tobytes()
    return [texts[16 * i : 16 * i + int(n)].decode() for i, n in enumerate(size)]


@pytest.mark.parametrize("places", [5, 6])
@given(units=st.lists(st.integers(-(10**12) + 1, 10**12 - 1), min_size=1))
def test_numbers_are_spelled_exactly_and_as_short_as_can_be(places, units):
    spelled = written(units, places)
    for n, text in zip(units, spelled, strict=True):
        assert Decimal(text) * 10**places == n
        assert text == write_decimal(n, places)
        assert not text.startswith("-0") or text.startswith("-0.")
        assert "." not in text or text[-1] not in "0."


@pytest.mark.parametrize("places", [5, 6])
def test_all_fours_of_digits_are_right_wherever_they_stand(places):
    near = [k * 10**4 + j for k in range(10000) for j in (0, 5, 1230)]
    for units in (
        near,
        [-n for n in near],
        [n + 10**8 for n in near[::7]],
        [n * 10**4 for n in near[::5]],
    ):
        assert written(units, places) == [write_decimal(n, places) for n in units]


NUMBERS = st.from_regex(r"-?[0-9]{0,9}(\.[0-9]{0,9})?", fullmatch=True) | st.text("0.-")


@given(st.lists(NUMBERS), st.sampled_from(" \nY;"))
def test_numbers_are_read_to_the_last_bit_or_not_at_all(texts, mark):
    data = "".join(t + mark for t in texts).encode() + b"\0" * WINDOW
    starts = np.cumsum([0, *(len(t) + 1 for t in texts)])
    read = read_decimals(data, starts[:-1], starts[1:] - (mark != " "))
    for i, text in enumerate(texts):
        found = re.fullmatch(r"-?([0-9]*)\.?([0-9]*)", text)
        whole, behind = (len(part) for part in found.groups()) if found else (0, 0)
        plain = (whole <= 7 and behind <= 7) or whole + behind <= 8
        assert (i in read.wrong) == (whole + behind == 0 or whole > 7 or not plain)
        if i not in read.wrong:
            end = int(starts[i]) + len(text)
            assert (read.value[i], read.end[i]) == (float(text), end)
            assert int(read.after[i]).to_bytes(8, "little") == data[end : end + 8]
