"""Readings of a part of the user's own: what they tell, what is refused, history and undo."""

import math

import pytest

from calib.errors import BadInput
from calib.model.correction import Verdict
from calib.plan.steps import plan
from calib.store import open_store
from calib.store.records import Spool
from calib.workshop import open_workshop
from calib.workshop.own_part import OwnLength
from patterns.errors import SpecError
from patterns.own import DrawnLength, piece_of_lengths
from patterns.spec import PrintSetup
from tests.storekit import fresh_url, workshop
from tests.test_plan import settled


@pytest.fixture
def store(tmp_path):
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as opened:
        yield workshop(opened)


@pytest.fixture
def shop(store):
    return open_workshop(store)


def x(*readings, drawn=150.0):
    return [OwnLength(axis="x", drawn_mm=drawn, readings=readings)]


def scale(store, axis="x", spool="white-1"):
    name = f"scale_{axis}_percent"
    return next((v for v in store.in_force(spool=spool) if v.setting == name), None)


def test_one_length_tells_the_size_with_all_else_that_is_known(store, shop):
    settled(store, but=("scale",))
    kept = shop.keep_part("ring segment", x("149.55"))
    (c,) = [k.correction for k in kept.corrections if k.correction.setting == "scale_x_percent"]
    assert c.verdict is Verdict.LEAVE or c.verdict is Verdict.APPLY
    assert c.requests == ()
    v = scale(store)
    # By hand: both walls stand off by 2 x 0.05 mm, which nobody had set yet.
    assert v.estimate.value == pytest.approx(100 * 150 / (149.55 - 0.1), abs=0.03)
    # The outline is known from other pieces, so this is surer than the sheet by itself.
    assert v.u < 0.6 * c.u_new
    (why,) = shop.why("scale_x_percent")
    assert (why.block.pattern, why.block.readings) == ("own-ring-segment", 1)


def test_it_is_in_the_history_and_taken_back_like_any_other(store, shop):
    settled(store, but=("scale",))
    before = scale(store)
    kept = shop.keep_part("ring segment", x("149.55"))
    assert store.history()[0].pattern == "own-ring-segment"
    with pytest.raises(BadInput, match="kept already"):
        shop.keep_part("ring segment", x("149.55"), corrected=False)
    shop.undo(kept.corrections[0].sheet_uid)
    assert scale(store) == before
    shop.keep_part("ring segment", x("149.55"))


def test_inches_and_commas_are_read_and_slips_are_asked_about(store, shop):
    shop.keep_part("a", [OwnLength(axis="Y", drawn_mm=80.0, readings=("80,02", "3.1500 in"))])
    with pytest.raises(BadInput, match=r"14\.98 can hardly be right: centimetres"):
        shop.keep_part("b", x("14.98"))
    with pytest.raises(BadInput, match="no reading"):
        shop.keep_part("b", x())
    assert {k.pattern for k in store.history()} == {"own-a"}


@pytest.mark.parametrize(
    ("length", "words"),
    [
        (DrawnLength("Q", 100.0), "no axis"),
        (DrawnLength("X", math.nan), "can't be measured"),
        (DrawnLength("X", 0.2), "can't be measured"),
        (DrawnLength("X", 100.0, "wall"), "not 'wall'"),
    ],
)
def test_a_length_that_makes_no_sense_is_refused(length, words):
    with pytest.raises(SpecError, match=words):
        piece_of_lengths("a", [length], PrintSetup())


def test_a_corrected_file_counts_as_corrected_and_must_be_said(store, shop):
    settled(store, but=("scale",))
    shop.keep_part("first", x("149.25"))
    wanted = scale(store).value
    with pytest.raises(BadInput, match="it matters whether"):
        shop.keep_part("second", x("150.00"))
    shop.keep_part("second", x("150.00"), corrected=True)
    assert scale(store).value == pytest.approx(wanted, abs=0.03)
    shop.keep_part("third", x("149.25"), corrected=False)
    assert scale(store).value == pytest.approx(wanted, abs=0.03)


def test_next_asks_for_a_part_of_ones_own_where_that_spares_a_print(store, shop):
    settled(store)
    found = plan(store.known(), "size", within_mm=0.23, part_mm=200.0)
    own = found.own_part
    assert own.length_mm == 150.0  # what the caliper reaches
    assert set(own.spares) == {s.piece for s in found.steps} != set()
    # What it promises it keeps.
    for a in own.axes:
        shop.keep_part(
            "part", [OwnLength(axis=a, drawn_mm=150.0, readings=("150.0",))], corrected=True
        )
    after = plan(store.known(), "size", within_mm=0.23, part_mm=200.0)
    assert after.steps == ()
    assert after.own_part is None


def test_a_new_printer_is_not_told_to_measure_parts(store):
    store.add_spool(Spool(name="other", material="PETG"))
    assert plan(store.known(spool="other")).own_part is None
