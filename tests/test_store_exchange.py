"""Export, import, merge, back-up, restore, check: nothing lost, nothing twice."""

import copy
import json
import re
import sqlite3
from contextlib import closing
from dataclasses import replace

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.errors import BadInput, FileError, StoreError
from calib.model.instrument import DEFAULTS
from calib.model.place import Place
from calib.store import open_store
from calib.store.exchange_file import problem, read_records, schema, write_records
from calib.store.records import Spool
from calib.store.restore import restore
from tests.storekit import DATABASES, correction, fresh_url, keep, printer, workshop


@pytest.fixture(params=DATABASES)
def two(request, tmp_path):
    with (
        fresh_url(request.param, tmp_path) as a,
        fresh_url("sqlite", tmp_path) as b,
        open_store(a) as first,
        open_store(b) as second,
    ):
        yield first, second


@pytest.fixture
def store(tmp_path):
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as opened:
        yield workshop(opened)


def fill(store):
    workshop(store, spools=("white-1", "white-2"))
    store.add_instrument(replace(DEFAULTS["caliper"], name="bench"))
    keep(store, "a", corrections=[correction(), correction("hot_end_c", 210.0, 200.0)])
    keep(store, "b", spool="white-2")
    store.undo(why="seam")
    store.add_event("moved", "lantern", note="to the attic")
    store.add_event("stored-damp", spool="white-2")
    store.say_place({"flow_percent": 97.0}, Place.GCODE, spool="white-1")
    store.say_place({"hot_end_c": 210.0}, Place.PRINTER, spool="white-1")
    return store


def content(store):
    """What a store holds, without when it was exported."""
    return sorted(json.dumps(r, sort_keys=True) for r in store.records() if r["record"] != "export")


def test_export_and_import_is_identity(two, tmp_path):
    first, second = two
    fill(first)
    path = tmp_path / "x.json"
    count = write_records(path, first.records())
    taken = second.take_in(read_records(path))
    assert taken.differing == []
    assert content(second) == content(first)
    names = ("lantern", "brass", "white-1")
    assert second.in_force(*names) == first.in_force(*names)
    assert second.places() == first.places()
    assert {v.setting: v.place for v in second.in_force(*names)}["flow_percent"] == Place.GCODE
    assert count == len(json.loads(path.read_text(encoding="utf-8")))
    again = second.take_in(read_records(path))
    assert not any(again.new.values())
    assert content(second) == content(first)
    assert second.check() == []


def test_merging_both_ways_makes_both_the_same(two):
    first, second = two
    fill(first)
    second.take_in(first.records())
    keep(first, "only-first")
    second.add_spool(Spool(name="green", material="PETG"))
    keep(second, "only-second", spool="green")
    second.undo(first.history()[-1].uid)
    second.take_in(first.records())
    first.take_in(second.records())
    assert content(first) == content(second)
    assert [k.piece_id for k in first.history()].count("only-second") == 1


def test_stores_that_were_filled_apart_meet_by_name(two):
    first, second = two
    workshop(first)
    workshop(second)
    keep(first, "same")
    keep(second, "same")  # the very same sheet, kept in both
    keep(second, "other")
    taken = first.take_in(second.records())
    assert taken.differing == []
    assert sorted(k.piece_id for k in first.history()) == ["other", "same"]
    assert first.check() == []


def test_an_export_of_the_first_version_is_taken_in(store, tmp_path):
    fill_one = [r for r in keep_and_list(store) if r["record"] != "place"]
    assert fill_one[0]["schema_version"] == 3
    fill_one[0]["schema_version"] = 1
    for kept in (c for r in fill_one for c in r.get("corrections", ())):
        del kept["requests"]
        kept["reason"] = "too uncertain: truebead make weigh-block"
    path = tmp_path / "old.json"
    path.write_text(json.dumps(fill_one), encoding="utf-8")
    with open_store(str(tmp_path / "other.sqlite")) as other:
        assert other.take_in(read_records(path)).new["corrections"] == 1
        assert [v.place for v in other.in_force()] == [Place.PRINTER]  # the usual one for flow
        (kept,) = other.history()
        assert kept.correction.reason == "too uncertain"
        assert [r.pattern for r in kept.correction.requests] == ["weigh-block"]


def keep_and_list(store):
    keep(store)
    return list(store.records())


def test_what_one_printers_export_names_is_in_it(store, tmp_path):
    """A spool without a sheet, named by an event or by where a setting takes effect."""
    store.add_spool(Spool(name="loaded", material="PETG"))
    store.add_spool(Spool(name="scaled", material="PETG"))
    store.add_event("filament-type-changed", "lantern", spool="loaded")
    store.say_place({"scale_x_percent": 99.7}, Place.PRINTER, spool="scaled")
    with open_store(str(tmp_path / "other.sqlite")) as other:
        other.take_in(store.records("lantern"))
        assert [s.name for s in other.spools()] == ["loaded", "scaled"]
        assert [p.spool for p in other.places()] == ["scaled"]


def test_only_one_printer_can_be_exported(store):
    store.add_printer(printer("second"))
    store.add_spool(Spool(name="green", material="PETG"))
    keep(store)
    kinds = [(r["record"], r.get("name")) for r in store.records("lantern")]
    assert ("printer", "second") not in kinds
    assert ("spool", "green") not in kinds
    assert ("spool", "white-1") in kinds


def test_an_import_that_fails_leaves_nothing(store, tmp_path):
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as other:
        keep(store)
        good = list(store.records())
        with pytest.raises(FileError, match="did not come before it"):
            other.take_in([r for r in good if r["record"] != "spool"])
        assert content(other) == []
        hot = [{**r, "hot_end_max_c": 900.0} if r["record"] == "printer" else r for r in good]
        with pytest.raises(BadInput, match="hot_end_max_c must be"):
            other.take_in(hot)
        assert content(other) == []


# --- the file and its schema ------------------------------------------------------------------


def test_exports_keep_the_published_schema(store, tmp_path):
    fill_more = correction(old=None, u=0.02)
    keep(store, corrections=[replace(fill_more, error=replace(fill_more.error, dof=float("inf")))])
    store.undo()
    store.add_event("assembled", "lantern")
    path = tmp_path / "x.json"
    write_records(path, store.records())
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.validate(json.loads(path.read_text(encoding="utf-8")), schema())


def export_records():
    """One of each sort of record, by hand."""
    text, number, nothing = "x", 1.5, None
    reading = {"feature": ["f"], "kind": ["outside"], "axis": ["X"], "nominal": [nothing], "value": [1], "u": [0.1]}  # fmt: skip
    error = {"name": text, "value": 1, "u": 0.1, "dof": nothing, "unit": "", "from_data": 1}
    fixed = {
        "uid": "c", "scope": "spool", "setting": "flow_percent", "unit": text, "old": nothing, "new": number,
        "u_new": number, "error": error, "verdict": "apply", "evidence": text, "reason": text,
        "instead_of": "", "chosen": True, "kept_at": "2026-01-02T03:04:05Z", "by_version": text,
        "undone": {"uid": "u", "at": "2026-01-02T03:04:05Z", "why": ""},
    }  # fmt: skip
    sheet = {
        "record": "sheet", "uid": "s", "pattern": text, "piece_id": text, "sheet_text": text,
        "parameters": {}, "keys": {}, "printer": "p", "nozzle": nothing, "spool": "r", "fit": {},
        "kept_at": "2026-01-02T03:04:05Z", "by_version": text, "readings": reading, "corrections": [fixed],
    }  # fmt: skip
    head = {"record": "export", "schema_version": 1, "made_at": text, "by_version": text}
    axis = {"axis": "X", "steps_per_mm": 80, "motor_steps": 200, "microsteps": nothing, "belt_pitch_mm": 2, "pulley_teeth": 20, "screw_lead_mm": nothing}  # fmt: skip
    machine = {"record": "printer", "uid": "p", "name": text, "build_x_mm": 1, "build_y_mm": 1, "build_z_mm": 1, "hot_end_max_c": 1, "bed_max_c": 1, "layer_mm": 1, "filament_mm": 1, "axes": [axis]}  # fmt: skip
    return [head, machine, sheet]


def places(value, path=()):
    yield path
    items = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    for key, inner in items:
        yield from places(inner, (*path, key))


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_our_reading_of_the_schema_agrees_with_a_reference_library(data):
    record = copy.deepcopy(data.draw(st.sampled_from(export_records())))
    path = data.draw(st.sampled_from([p for p in places(record) if p]))
    target = record
    for key in path[:-1]:
        target = target[key]
    values = st.sampled_from([None, True, 0, 1, 1.0, 2.5, "x", "spool", [], {}, [None], "DROP"])
    value = data.draw(values)
    if value == "DROP":
        del target[path[-1]]
    else:
        target[path[-1]] = value
    reference = jsonschema.Draft202012Validator(schema()).is_valid([record])
    assert (problem(record) == "") == reference, problem(record)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.text(max_size=40), min_size=1, max_size=20),
    st.sampled_from([None, 1, 2]),
    st.integers(1, 50),
)
def test_files_are_read_however_they_are_laid_out(tmp_path_factory, notes, indent, chunk):
    path = tmp_path_factory.mktemp("x") / "x.json"
    records = [export_records()[0]] + [
        {"record": "event", "uid": str(i), "kind": "moved", "at": "", "printer": None,
         "nozzle": None, "spool": None, "axis": "", "note": note} for i, note in enumerate(notes)
    ]  # fmt: skip
    path.write_text(json.dumps(records, indent=indent), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("calib.store.exchange_file._CHUNK", chunk)
        assert list(read_records(path)) == records


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "found 'the end'"),
        ("[]", "the export is empty"),
        ("{}", "expected '\\['"),
        ("[1]", "record 1: is not a record"),
        ('[{"record": "export", "schema_version": 4, "made_at": "", "by_version": ""}]', "update Truebead"),
        ('[{"record": "export", "schema_version": 0, "made_at": "", "by_version": ""}]', "must be one of 1, 2"),
        ('[{"record": "bird"}]', "no sort of record 'bird'"),
        ('[{"record": "event"}]', "event lacks uid"),
        ('[{"record": "export", "schema_version": 1, "made_at": ""', "damaged"),
        ('[{"record": "export", "schema_version": NaN}]', "NaN is not JSON"),
        ('[{"record": "export", "schema_version": 1, "made_at": "", "by_version": ""} 5]', "expected ','"),
        ("\x89PNG", "expected '\\['"),
    ],
)  # fmt: skip
def test_broken_exports_are_one_clear_line(store, tmp_path, text, message):
    path = tmp_path / "x.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileError, match=message) as caught:
        store.take_in(read_records(path))
    assert "x.json" in caught.value.line


def test_an_export_is_written_whole_or_not_at_all(store, tmp_path):
    path = tmp_path / "x.json"
    path.write_text("precious", encoding="utf-8")
    with pytest.raises(FileError, match="there already"):
        write_records(path, store.records())

    def breaks():
        yield {"a": 1}
        raise OSError(28, "No space left on device")

    with pytest.raises(FileError, match="disk is full"):
        write_records(path, breaks(), force=True)
    assert path.read_text(encoding="utf-8") == "precious"
    assert list(tmp_path.glob(".*")) == []
    with pytest.raises(FileError, match="folder does not exist"):
        write_records(tmp_path / "no" / "x.json", store.records())


# --- back-up, restore, check ------------------------------------------------------------------


def test_backup_and_restore(tmp_path):
    path, saved = tmp_path / "s.sqlite", tmp_path / "b.sqlite"
    with open_store(str(path)) as store:
        fill(store)
        before = content(store)
        store.backup(saved)
        with pytest.raises(FileError, match="there already"):
            store.backup(saved)
        keep(store, "later")
    assert (
        saved.read_bytes()[18:20] == b"\1\1"
    )  # one file: no log beside it, by SQLite's file format, 1.3.1
    aside = restore(str(path), saved)
    with open_store(str(path)) as store:
        assert content(store) == before
    with open_store(str(aside)) as store:
        assert "later" in [k.piece_id for k in store.history()]


def test_restore_mends_a_damaged_store(tmp_path):
    path, saved = tmp_path / "s.sqlite", tmp_path / "b.sqlite"
    with open_store(str(path)) as store:
        fill(store)
        store.backup(saved)
    damaged = bytearray(path.read_bytes())
    damaged[100:4000] = b"\0" * 3900
    path.write_bytes(damaged)
    with pytest.raises(StoreError):
        open_store(str(path))
    restore(str(path), saved)
    with open_store(str(path)) as store:
        assert store.check() == []


@pytest.mark.parametrize("what", ["missing", "text", "newer", "other"])
def test_restore_refuses_what_is_no_backup(tmp_path, what):
    path, saved = tmp_path / "s.sqlite", tmp_path / "b.sqlite"
    with open_store(str(path)) as store:
        fill(store)
    before = path.read_bytes()
    if what == "text":
        saved.write_text("hello" * 500)
    elif what in ("newer", "other"):
        with closing(sqlite3.connect(saved)) as raw:
            raw.execute("CREATE TABLE alembic_version (version_num TEXT)")
            if what == "newer":
                raw.execute("INSERT INTO alembic_version VALUES ('9999')")
            raw.commit()
    with pytest.raises(StoreError, match=r"no such file|no back-up|newer|damaged"):
        restore(str(path), saved)
    assert path.read_bytes() == before


def test_check_finds_what_was_tampered_with(tmp_path):
    path = tmp_path / "s.sqlite"
    with open_store(str(path)) as store:
        fill(store)
        assert store.check() == []
        assert store.counts() == {
            "sheets": 2,
            "readings": 6,
            "corrections": 3,
            "taken back": 1,
            "events": 2,
            "places where a setting takes effect": 2,
        }
        with closing(sqlite3.connect(path)) as raw:
            raw.execute("UPDATE sheets SET sheet_text = sheet_text || 'x' WHERE piece_id = 'a'")
            raw.execute("UPDATE sheets SET spool_id = 1 WHERE piece_id = 'b'")
            raw.execute("DELETE FROM nozzles")
            raw.commit()
        said = " ".join(store.check())
    assert re.search("text was changed", said)
    assert re.search("names a row of nozzles that is not there", said)


def test_a_clock_that_went_backwards_is_found_and_nothing_is_lost(store, tmp_path):
    keep(store)
    store.add_event("moved", printer="lantern")
    assert store.check() == []
    with store.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE sheets SET kept_at = '2190-05-01 10:00:00'")
        connection.exec_driver_sql("UPDATE events SET at = '1970-01-01 00:00:07'")
    (wrong,) = store.check()
    assert ": dated 2190-05-01, which is yet to come" in wrong
    write_records(tmp_path / "e.json", store.records())
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as other:
        assert other.take_in(read_records(tmp_path / "e.json")).new["events"] == 1


def test_a_store_on_a_server_is_not_copied_here(tmp_path):
    with fresh_url("postgresql", tmp_path) as url, open_store(url) as store:
        with pytest.raises(StoreError, match="pg_dump"):
            store.backup(tmp_path / "x")
        assert store.check() == []
