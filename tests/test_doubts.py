"""Sheets that do not go with the others: how likely one is wrong, and what is left open of it."""

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from calib.profile.blocks import Block, Coordinate
from calib.profile.doubts import WRONG, judgement_from_json, judgement_json, robust
from calib.profile.knowledge import World
from calib.profile.spreads import posterior

AT = datetime(2026, 3, 1, tzinfo=UTC)
WORLD = World(materials={f"r{k}": "PLA" for k in range(9)})
SKEW = Coordinate("skew_xy", "printer", "p")
NOW = SKEW._replace(epoch=WORLD.epoch(SKEW, AT))
MANY = 10**9  # readings: the scatter is then known, and all laws are normal
#: How far a skew goes that something made (radians): as the table of reasons has it.
SLAB = 0.005


def skews(values, u=0.001):
    """Sheets that tell a skew alone, each with the standard uncertainty u."""
    return [
        Block(uid=f"s{k}", at=AT + timedelta(days=k), coordinates=(SKEW,), r=np.array([[1 / u]]),
              z=np.array([v / u]), readings=MANY, pattern="frame")
        for k, v in enumerate(values)
    ]  # fmt: skip


def told(found):
    return found.posterior.joint([NOW]).estimate({NOW: 1.0}, "skew")


def test_how_likely_a_sheet_is_wrong_is_what_bayes_says():
    values, u = [0.0] * 8 + [0.0038], 0.001
    blocks = skews(values, u)
    rest = posterior(blocks[:-1], WORLD).joint([NOW]).estimate({NOW: 1.0}, "skew")
    sd = math.hypot(rest.u, u)
    # The slab integrated numerically, with scipy's own densities.
    wrong, _ = integrate.quad(
        lambda g: stats.norm.pdf(values[-1], rest.value + g, sd) * stats.norm.pdf(g, 0, SLAB),
        -0.05, 0.05, points=(0.0, values[-1]),
    )  # fmt: skip
    right = stats.norm.pdf(values[-1], rest.value, sd)
    by_hand = WRONG * wrong / (WRONG * wrong + (1 - WRONG) * right)
    judged = robust(blocks, WORLD).judged["s8"]
    assert 0.1 < by_hand < 0.9
    assert judged.wrong == pytest.approx(by_hand, rel=1e-4)
    assert "square" in judged.reason


def test_what_is_left_open_is_what_the_two_answers_together_leave():
    values, u = [0.0] * 8 + [0.0038], 0.001
    blocks = skews(values, u)
    found = robust(blocks, WORLD)
    p = found.judged["s8"].wrong
    assert 0.1 < p < 0.9
    right = posterior(blocks, WORLD).joint([NOW]).estimate({NOW: 1.0}, "")
    # Where something was off, the sheet reads its value with that on top of its noise.
    off = skews(values[-1:], math.hypot(u, SLAB))[0]
    wrong = posterior([*blocks[:-1], off], WORLD).joint([NOW]).estimate({NOW: 1.0}, "")
    mean = (1 - p) * right.value + p * wrong.value
    second = (1 - p) * (right.u**2 + right.value**2) + p * (wrong.u**2 + wrong.value**2)
    assert told(found).value == pytest.approx(mean, rel=1e-9)
    assert told(found).u == pytest.approx(math.sqrt(second - mean**2), rel=1e-9)


def test_a_sheet_that_is_clearly_wrong_tells_nothing_of_that():
    found = robust(skews([0.0] * 6 + [0.009]), WORLD)
    without = robust(skews([0.0] * 6), WORLD)
    assert found.judged["s6"].wrong > 0.999
    assert told(found).value == pytest.approx(told(without).value, abs=0.2 * told(without).u)
    assert told(found).u == pytest.approx(told(without).u, rel=0.02)


def test_it_drags_no_others_along():
    judged = robust(skews([0.0003, -0.0004, 0.0, 0.02, 0.0002]), WORLD).judged
    assert [j.uid for j in judged.values() if j.disagrees] == ["s3"]


def test_two_sheets_that_contradict_one_another_leave_both_answers_open():
    found = robust(skews([0.0, 0.012]), WORLD)
    e = told(found)
    assert abs(e.value - 0.0) < e.expanded()
    assert abs(e.value - 0.012) < e.expanded()


def test_sheets_that_agree_are_all_counted_fully():
    rng = np.random.default_rng(4)
    blocks = skews(rng.normal(0, 0.001, 40))
    found = robust(blocks, WORLD)
    plain = posterior(blocks, WORLD).joint([NOW]).estimate({NOW: 1.0}, "")
    assert told(found).u < 1.02 * plain.u


def test_the_first_sheet_contradicts_none_however_far_from_what_is_usual():
    assert robust(skews([0.05]), WORLD).judged == {}  # 2.9 degrees; usual is 0.4


def test_a_change_that_frees_what_was_known_makes_the_next_sheet_the_first():
    from dataclasses import replace

    from calib.profile.events import Happened

    event = Happened(kind="assembled", at=AT + timedelta(days=5.5), printer="p")
    blocks = skews([0.0] * 6 + [0.02])
    assert robust(blocks, replace(WORLD, events=[event])).judged == {}


@settings(max_examples=15, deadline=None)
@given(order=st.permutations(range(9)))
def test_the_order_of_keeping_does_not_matter(order):
    blocks = skews([0.0] * 4 + [0.0045, 0.0, 0.0, 0.02, 0.001])
    one, other = robust(blocks, WORLD), robust([blocks[i] for i in order], WORLD)
    assert told(one).value == pytest.approx(told(other).value, abs=1e-9 * told(one).u)
    assert told(one).u == pytest.approx(told(other).u, rel=1e-9)


def test_a_judgement_comes_back_from_its_stored_form():
    import json

    for j in robust(skews([0.0] * 6 + [0.004, 0.02]), WORLD).judged.values():
        assert judgement_from_json(json.loads(json.dumps(judgement_json(j), allow_nan=False))) == j
