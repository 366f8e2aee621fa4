"""The split over a whole store: sheets kept through the command line, answers by name."""

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from calib.errors import StoreError
from calib.interpret.solve import solve_sheet
from calib.store import open_store
from calib.store.records import Spool
from patterns.registry import get
from patterns.spec import PrintSetup
from tests import storekit
from tests.readkit import sheet

TRUE_MACHINE = {"X": 0.0012, "Y": -0.0008, "Z": 0.0}
TRUE_SHRINK = {"white-1": 0.0020, "grey-1": 0.0060}


@pytest.fixture
def store(tmp_path):
    with storekit.fresh_url("sqlite", tmp_path) as url, open_store(url) as opened:
        storekit.workshop(opened)
        opened.add_spool(Spool(name="grey-1", material="ABS"))
        yield opened


def keep_size(store, spool, rng, name):
    piece = get("step-gauge").piece({}, PrintSetup())
    shrink = TRUE_SHRINK[spool]
    made = sheet(
        piece, lambda f: f.nominal * (1 + TRUE_MACHINE[f.axis] - shrink) + rng.normal(0, 0.015)
    )
    context = store.context_for("lantern", "brass", spool)
    solution = solve_sheet(made, context)
    store.keep(
        f"# {name}\n", made, solution.corrections, solution.to_json(), printer="lantern",
        nozzle="brass", spool=spool,
    )  # fmt: skip


def keep_travel(store, rng):
    piece = get("carriage-travel").piece({}, PrintSetup())
    made = sheet(
        piece, lambda f: f.nominal * (1 + TRUE_MACHINE[f.axis]) + rng.normal(0, 0.01), repeats=3
    )
    solution = solve_sheet(made, store.context_for("lantern", printed=False))
    store.keep("# travel\n", made, solution.corrections, solution.to_json(), printer="lantern")


def test_nothing_kept_is_said_with_what_to_do(store):
    with pytest.raises(StoreError, match="no sheet with sizes"):
        store.split()


def test_machine_and_materials_of_a_store(store):
    rng = np.random.default_rng(1)
    for k, spool in enumerate(TRUE_SHRINK):
        keep_size(store, spool, rng, f"first {k}")
    before = {row[:2]: row[2] for row in store.split()}
    keep_travel(store, rng)
    after = {row[:2]: row[2] for row in store.split()}
    for axis in "XY":
        e = after[f"lantern {axis}", "machine scale"]
        assert abs(e.value - TRUE_MACHINE[axis]) < 3 * e.u
        assert e.u < 0.7 * before[f"lantern {axis}", "machine scale"].u
    for spool, truth in TRUE_SHRINK.items():
        e = after[spool, "shrinkage XY"]
        assert abs(e.value - truth) < 3 * e.u
        assert e.from_data > 0.8


def test_the_command(store, tmp_path):
    rng = np.random.default_rng(2)
    for k, spool in enumerate(TRUE_SHRINK):
        keep_size(store, spool, rng, f"sheet {k}")
    url = store.engine.url.render_as_string(hide_password=False)
    plain = CliRunner().invoke(
        build_app(), ["profile", "split", "--printer", "lantern", "--store", url]
    )
    assert plain.exit_code == 0
    assert "lantern X" in plain.output
    assert "carriage travel" in plain.output
    answer = CliRunner().invoke(build_app(), ["profile", "split", "--store", url, "--json"])
    rows = json.loads(answer.output)
    assert {r["of"] for r in rows} == {"lantern X", "lantern Y", "white-1", "grey-1"}
    size = {r["of"]: r["percent"] for r in rows if r["what"] in ("machine scale", "shrinkage XY")}
    assert size["lantern X"] - size["grey-1"] == pytest.approx(100 * (0.0012 - 0.006), abs=0.06)
