"""What the tests of the store share: a workshop with a printer, and corrections made by hand."""

import csv
import io
import os
import random
import shutil
import tempfile
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from uuid import uuid4

import pytest

from calib.model.correction import Correction, Scope, Verdict
from calib.model.drive import Drive
from calib.model.estimate import Estimate
from calib.readings import Reading, Sheet, sheet_csv
from calib.store import open_store
from calib.store.records import Axis, Nozzle, Printer, Spool
from patterns import registry
from patterns.spec import PrintSetup

BELT = Drive(motor_steps=200, microsteps=16, belt_pitch_mm=2.0, pulley_teeth=20)
SCREW = Drive(motor_steps=200, microsteps=16, screw_lead_mm=8.0)


#: Both kinds of database; `.ci/with-postgresql` gives the tests a server.
DATABASES = ("sqlite", "postgresql")


@cache
def empty_store():
    """Make one migrated store to copy from: migrating anew for each test takes too long."""
    path = Path(tempfile.mkdtemp()) / "empty.sqlite"
    with open_store(str(path)) as store, store.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


@contextmanager
def fresh_url(database, folder):
    """Give the path or URL of an empty store, and take it away afterwards."""
    if database == "sqlite":
        path = folder / f"{uuid4().hex}.sqlite"
        shutil.copy(empty_store(), path)
        yield str(path)
        return
    server = os.environ.get("TRUEBEAD_TEST_POSTGRESQL")
    if not server:
        if os.environ.get("TRUEBEAD_REQUIRE_POSTGRESQL"):
            pytest.fail("no PostgreSQL server, though these tests must run here")
        pytest.skip("no PostgreSQL server; run: .ci/with-postgresql make test")
    psycopg = pytest.importorskip("psycopg")
    template, name = _postgresql_template(server), f"t{uuid4().hex}"
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
        try:
            yield f"{server.rpartition('/')[0]}/{name}"
        finally:
            admin.execute(f"DROP DATABASE {name} WITH (FORCE)")


@cache
def _postgresql_template(server):
    import psycopg

    name = f"template_{uuid4().hex}"
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"CREATE DATABASE {name}")
    open_store(f"{server.rpartition('/')[0]}/{name}").close()
    return name


def printer(name="lantern", **change):
    values = {
        "build_x_mm": 220.0, "build_y_mm": 220.0, "build_z_mm": 250.0, "hot_end_max_c": 260.0,
        "bed_max_c": 100.0,
        "axes": (Axis(axis="X", drive=BELT), Axis(axis="Y", drive=BELT), Axis(axis="Z", drive=SCREW),
                 Axis(axis="E", steps_per_mm=93.0)),
    }  # fmt: skip
    return Printer(name=name, **{**values, **change})


def workshop(store, spools=("white-1",), material="PLA"):
    store.add_printer(printer())
    store.add_nozzle(Nozzle(name="brass", printer="lantern", bore_mm=0.4))
    for name in spools:
        store.add_spool(Spool(name=name, material=material, colour="white", grams=1000.0))
    return store


def sheet(piece_id="cube-1", value=40.02, pattern="dimensional-cube"):
    size = {"size_mm": "40"} if pattern == "dimensional-cube" else {}
    piece = registry.get(pattern).piece(size, PrintSetup())
    first = piece.features[0]
    readings = tuple(Reading(feature=first.id, value=value + 0.01 * i) for i in range(3))
    return Sheet(piece=piece, piece_id=piece_id, readings=readings, keys={"made": "2026-01-02"})


def sheet_text(piece_id="cube-1"):
    head = f"# pattern: dimensional-cube\n# spec.size_mm: 40\n# piece: {piece_id}\n"
    return f"{head}feature,reading 1\nx_outside_low,40.02\n"


def correction(setting="flow_percent", new=97.0, old=100.0, **change):
    u = change.pop("u", 1.0)
    values = {
        "setting": setting, "old": old, "new": new, "u_new": u, "unit": "",
        "error": Estimate(name=setting, value=new - (old or 0.0), u=u, dof=8.0, unit=""),
        "verdict": Verdict.APPLY, "scope": Scope.SPOOL, "evidence": "6 readings of 4 walls",
        "reason": "more than the uncertainty",
    }  # fmt: skip
    return Correction(**{**values, **change})


def keep(store, piece_id="cube-1", spool="white-1", corrections=None, nozzle="brass", **names):
    return store.keep(
        sheet_text(piece_id), sheet(piece_id), corrections or [correction()], {"topic": "size"},
        printer=names.pop("printer", "lantern"), nozzle=nozzle, spool=spool, **names,
    )  # fmt: skip


def filled_sheet(folder, scale=1.003, grown_mm=0.1, piece_id="cube-1", seed=1):
    """Write the filled-in sheet of a cube printed too large and with walls too thick."""
    rng = random.Random(seed)
    piece = registry.get("dimensional-cube").piece({}, PrintSetup())
    known = {f.id: f for f in piece.features}
    lines = []
    for line in sheet_csv(
        piece, piece_id, datetime(2026, 1, 2, tzinfo=UTC), repeats=3
    ).splitlines():
        row = next(csv.reader([line])) or [""]
        feature = known.get(row[1]) if len(row) > 1 else None
        if feature is not None:
            side = {"outside": 1, "inside": -1}.get(str(feature.kind), 0)
            true = feature.nominal * scale + side * grown_mm
            row[-3:] = [f"{true + rng.gauss(0, 0.01):.2f}" for _ in range(3)]
            out = io.StringIO()
            csv.writer(out, lineterminator="").writerow(row)
            line = out.getvalue()
        lines.append(line)
    path = folder / f"{piece_id}.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
