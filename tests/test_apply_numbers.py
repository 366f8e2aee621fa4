"""Decimal numbers in bytes: many at once against one at a time, to the last bit and the last digit."""

import re
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.apply.gcode.numbers import read_ahead, read_decimals, write_decimal, write_decimals


def written(units, places):
    cells = write_decimals(np.array(units, np.int64), places)
    return [bytes(row[row != 0]).decode() for row in cells]


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
def test_every_cell_of_the_tables_is_right(places):
    near = [k * 10**4 + j for k in range(10000) for j in (0, 5, 1230)]
    for units in (
        near,
        [-n for n in near],
        [n + 10**8 for n in near[::7]],
        [n * 10**4 for n in near[::5]],
    ):
        assert written(units, places) == [write_decimal(n, places) for n in units]


@given(
    st.lists(
        st.tuples(st.integers(0, 8), st.integers(-1, 8), st.integers(0, 10**16 - 1)).filter(
            lambda t: t[0] + max(t[1], 0) > 0 and t[0] + max(t[1], 0) <= 15
        ),
        min_size=1,
    )
)
def test_numbers_are_read_to_the_last_bit(specs):
    texts = []
    for whole, places, seed in specs:
        digits = f"{seed:016d}"
        texts.append(digits[:whole] + ("." + digits[8 : 8 + places] if places >= 0 else ""))
    data = b"0" * 8 + "X".join(["", *texts]).encode()
    size = np.array([len(t) for t in texts])
    end = np.cumsum(size + 1)
    places = np.array([p for _, p, _ in specs])
    found = read_decimals(data, end, size, places)
    assert found.tolist() == [float(t) for t in texts]


@given(
    st.lists(st.from_regex(r"-?[0-9]{0,9}(\.[0-9]{0,9})?", fullmatch=True) | st.text("0.-")),
    st.sampled_from(" \nY;"),
)
def test_numbers_are_read_ahead_to_the_last_bit_or_not_at_all(texts, mark):
    data = "".join(t + mark for t in texts).encode() + b"\0" * 10
    sizes = np.array([len(t) + 1 for t in texts], np.int64)
    found, length, unfit = read_ahead(data, np.cumsum(sizes) - sizes)
    rows = zip(texts, found.tolist(), length.tolist(), unfit.tolist(), strict=True)
    for text, value, count, no in rows:
        plain = re.fullmatch(r"-?([0-9]+\.?[0-9]*|\.[0-9]+)", text)
        size = len(text.removeprefix("-"))
        assert no == (not plain or size > 7 + ("." in text))
        assert no or (value, count) == (float(text), len(text))
