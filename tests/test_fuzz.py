"""A part of the fuzzers of `bench.fuzz`, with another seed than there: results or one line, never a traceback."""

import random

import pytest

from bench.fuzz import FUZZERS

COUNTS = {"arguments": 60, "imports": 60, "sheets": 300, "gcode": 150}


@pytest.mark.parametrize("kind", sorted(FUZZERS))
def test_odd_input_ends_in_a_result_or_one_line(kind):
    ends = FUZZERS[kind](COUNTS[kind], random.Random(77))
    assert sum(ends.values()) == COUNTS[kind]
    assert len(ends) > 1  # some are refused, some are not: the fuzzer reaches both
