"""A store that keeps its posterior in parts says the same as one whose sheets are all read."""

from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy import func, select

from calib.model.correction import Scope
from calib.model.instrument import DEFAULTS
from calib.profile.answers import values
from calib.profile.doubts import counting
from calib.profile.spreads import posterior
from calib.store import large, open_store, states
from calib.store.records import Nozzle, Spool
from calib.store.tables import PosteriorPartRow, PosteriorRow
from calib.workshop import open_workshop
from calib.workshop.own_part import OwnLength
from tests.storekit import correction, fresh_url, keep, workshop

ASKED = (
    "scale_x_percent",
    "scale_z_percent",
    "flow_percent",
    "skew_xy_deg",
    "outline_offset_mm",
    "hot_end_c",
)


@pytest.fixture
def store(tmp_path, monkeypatch):
    monkeypatch.setattr(states, "MOST_SHEETS", -1)
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as opened:
        workshop(opened)
        opened.add_spool(Spool(name="white-2", material="PLA"))
        opened.add_spool(Spool(name="grey", material="PETG"))
        yield opened


def kept(store, k, spool="white-1"):
    """Keep a sheet with numbers of its own."""
    rng = np.random.default_rng(k)
    found = [
        correction("scale_x_percent", 100 + rng.normal(0, 0.3), 100.0, u=0.05),
        correction("scale_z_percent", 100 + rng.normal(0, 0.3), 100.0, u=0.08),
        correction("flow_percent", 97 + rng.normal(0, 2), 100.0, u=0.6),
        correction("skew_xy_deg", rng.normal(0, 0.2), 0.0, u=0.03, scope=Scope.PRINTER),
        correction("outline_offset_mm", rng.normal(0, 0.05), 0.0, u=0.02, scope=Scope.NOZZLE),
        correction("hot_end_c", 210 + rng.normal(0, 4), 200.0, u=3.0),
    ]
    keep(store, f"p{k}", spool=spool, corrections=found)


def agrees(store, spool="white-1", *, sheets=False):
    """Compare what a profile rests on with the posterior of all sheets, given the same spreads."""
    with store._read() as session:
        query = store._query(session, None, "brass", spool, sheets=sheets)
        where, state = query.where(), query.state
        blocks = list(states.blocks_in_use(session))
        world = states.with_first_steps(states.world_of(session), states.first_steps(blocks))
        blocks = counting(blocks, state.judged)
    direct = values(posterior(blocks, world, state.posterior.spreads), where, ASKED)
    found = values(state.posterior, where, ASKED)
    for name in ASKED:
        assert found[name].value == pytest.approx(
            direct[name].value, rel=1e-9, abs=1e-9 * direct[name].u
        )
        assert found[name].u == pytest.approx(direct[name].u, rel=1e-9)
    return state


def made_at(store):
    with store._read() as session:
        return session.scalar(select(PosteriorRow.made_at))


def test_sheets_events_and_new_rolls_are_brought_in_without_working_all_out_anew(store):
    for k in range(4):
        kept(store, k, ("white-1", "white-2", "grey")[k % 3])
    agrees(store)
    first = made_at(store)
    kept(store, 10)
    agrees(store)
    kept(store, 11, "grey")
    agrees(store)
    agrees(store, "grey")
    store.add_event("moved", "lantern")
    agrees(store)
    kept(store, 12, "white-2")
    agrees(store)
    store.add_event("nozzle-changed", "lantern", "brass")
    kept(store, 13)
    agrees(store, "white-2")
    store.add_spool(Spool(name="new", material="PLA"))
    agrees(store, "new")
    kept(store, 14, "new")
    agrees(store, "new")
    store.add_nozzle(Nozzle(name="wide", printer="lantern", bore_mm=0.6))
    agrees(store)
    store.undo()  # of a sheet since
    agrees(store, "new")
    assert made_at(store) == first


def test_what_is_taken_back_is_taken_out(store):
    for k in range(5):
        kept(store, k, ("white-1", "white-2")[k % 2])
    agrees(store)
    first = made_at(store)
    oldest = store.history()[-1].sheet_uid
    store.undo(oldest)
    agrees(store)
    agrees(store, "white-2")
    one = store.history()[0]
    store.undo(one.uid)  # one correction of a sheet
    agrees(store)
    assert made_at(store) == first


def test_readings_of_ones_own_parts_come_in(store):
    kept(store, 0)
    agrees(store)
    length = OwnLength(axis="X", drawn_mm=150.0, readings=("149.8",))
    open_workshop(store).keep_part("a", [length], spool="white-1", corrected=False)
    with_it = agrees(store)
    store.undo(store.history()[0].sheet_uid)
    assert len(agrees(store).posterior.coordinates) < len(with_it.posterior.coordinates)


@pytest.mark.parametrize("what", ["drive", "instrument", "past", "model"])
def test_it_is_worked_out_anew_where_what_it_rests_on_changed(store, what, monkeypatch):
    for k in range(3):
        kept(store, k)
    agrees(store)
    first = made_at(store)
    if what == "drive":
        printer = store.printer("lantern")
        store.change_printer(replace(printer, axes=()))
    elif what == "instrument":
        store.add_instrument(replace(DEFAULTS["caliper"], name="mine"))
    elif what == "past":
        at = store.history()[-1].kept_at
        store.add_event("moved", "lantern", at=at)
    else:
        monkeypatch.setattr(large, "MODEL", 99)
        store._states = None  # as for the next program that opens it
    agrees(store)
    assert made_at(store) > first


def test_after_very_many_sheets_it_is_worked_out_anew(store, monkeypatch):
    monkeypatch.setattr(large, "MOST_PENDING", 2)
    kept(store, 0)
    agrees(store)
    first = made_at(store)
    for k in range(1, 3):
        kept(store, k)
    agrees(store)
    assert made_at(store) == first
    kept(store, 3)
    agrees(store)
    assert made_at(store) > first


def test_one_sheet_by_itself_is_asked_about_in_a_large_store_too(store):
    for k in range(6):
        kept(store, k, ("white-1", "white-2")[k % 2])
    state = agrees(store, sheets=True)
    assert len(state.blocks) == 6
    assert {i.block.uid for i in store.why("flow_percent", spool="white-1")}
    assert store.rests(spool="white-1")["flow_percent"].sheets
    assert store.disagreeing("lantern") is not None
    assert store.split("lantern")


def test_a_small_store_keeps_no_parts(tmp_path):
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as opened:
        workshop(opened)
        kept(opened, 0)
        assert opened.in_force()
        with opened._read() as session:
            assert session.scalar(select(func.count(PosteriorPartRow.id))) == 0
