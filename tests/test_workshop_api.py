"""The workshop as a script calls it: who is meant, what counts, readings one by one, all in one store."""

import threading

import pytest

from calib import Assumed, __version__, open_workshop
from calib.errors import BadInput, StoreError
from calib.store.base import ChangedMeanwhile
from calib.store.engine import NoStore


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with open_workshop(tmp_path / "s.sqlite", by="Ada") as workshop:
        workshop.add_printer("lantern", (120, 120, 120), hot_end_max_c=240)
        workshop.add_nozzle("brass", bore_mm=0.4)
        workshop.add_spool("white-1", "PLA")
        yield workshop


def fill(shop, source, scale=1.003, skip=()):
    """Enter a reading for every length of a sheet."""
    m = shop.read(source)
    for q in m.questions:
        feature = q.cell.feature
        if feature.unit == "mm" and q.feature not in skip:
            shop.enter(source, q.feature, f"{feature.nominal * scale:.2f}", q.repeat)
    return shop.read(source)


def test_a_mended_sheet_counts_once_and_the_piece_printed_anew_counts_beside_it(shop):
    (piece,) = shop.make("step-gauge", solid=False).pieces
    m = fill(shop, piece.sheet)
    shop.enter(piece.sheet, m.questions[0].feature, "11.11")
    shop.keep(piece.sheet)
    shop.enter(
        piece.sheet, m.questions[0].feature, f"{m.questions[0].cell.feature.nominal * 1.003:.2f}"
    )
    mended = shop.keep(piece.sheet)
    assert len(mended.replaced) == 1
    scale = {v.setting: v for v in mended.in_force}["scale_x_percent"]
    own = {c.setting: c for c in mended.solved.solution.corrections}["scale_x_percent"]
    assert scale.u > 0.95 * own.u_new  # two sheets would halve the variance
    assert len([k for k in shop.history() if k.correction.setting == "scale_x_percent"]) == 2

    fill(shop, piece.sheet, scale=1.00341)
    anew = shop.keep(piece.sheet)
    assert anew.replaced == ()
    assert {v.setting: v for v in anew.in_force}[
        "scale_x_percent"
    ].u < 0.95 * scale.u  # the caliper is shared


def test_the_version_is_public():
    assert __version__[0].isdigit()


def test_importing_the_api_loads_nothing_heavy():
    import subprocess
    import sys

    code = (
        "import sys, calib; calib.open_workshop();"
        "print([m for m in ('numpy', 'scipy', 'sqlalchemy', 'OCP', 'cv2') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


# --- who is meant -----------------------------------------------------------------------------


def test_the_stores_only_printer_is_meant_where_none_is_named(shop):
    made = shop.make("dimensional-cube", solid=False)
    assert made.who.words == "lantern / brass / white-1"
    sheet = made.pieces[0].sheet.read_text(encoding="utf-8")
    assert "# printer: lantern" in sheet
    assert "# setup.build_x_mm: 120" in sheet
    assert "# now.scale_x_percent: 100.0" in sheet


def test_a_schedule_keeps_below_the_rating_of_the_only_printer(shop):
    piece = shop.make("temperature-tower", solid=False).pieces[0].piece
    assert max(row.value for row in piece.schedule) <= 240


def test_where_there_are_several_the_message_lists_them(shop):
    shop.add_printer("beacon", (300, 300, 300))
    with pytest.raises(StoreError, match="beacon, lantern"):
        shop.make("dimensional-cube", solid=False)


def test_a_sheets_own_head_says_who_is_meant(shop):
    made = shop.make("dimensional-cube", solid=False)
    shop.add_printer("beacon", (300, 300, 300))
    shop.add_nozzle("b06", "lantern", 0.6)
    shop.add_spool("white-2", "PLA")
    fill(shop, made.pieces[0].folder)
    assert shop.solve(made.pieces[0].folder).who == made.who
    assert shop.keep(made.pieces[0].folder).who == made.who


def test_a_rating_that_is_given_only_tightens(shop):
    loose = shop.make("temperature-tower", solid=False, setup={"hot_end_max_c": 300}).pieces[0]
    assert loose.piece.setup.hot_end_max_c == 240
    tight = shop.make(
        "temperature-tower", solid=False, setup={"hot_end_max_c": 225}, out="tight"
    ).pieces[0]
    assert tight.piece.setup.hot_end_max_c == 225


def test_without_any_store_a_sheet_is_made_and_solved(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with open_workshop(tmp_path / "none.sqlite") as shop:
        made = shop.make("dimensional-cube", solid=False)
        assert "No printer is in the store" in made.notes[0]
        fill(shop, made.pieces[0].folder)
        assert shop.solve(made.pieces[0].folder).solution.corrections
        with pytest.raises(NoStore):
            shop.keep(made.pieces[0].folder)
        with pytest.raises(NoStore):
            shop.solve(made.pieces[0].folder, printer="lantern")
    assert not (tmp_path / "none.sqlite").exists()


# --- what counts ------------------------------------------------------------------------------


def test_solve_and_keep_use_the_same_instrument(shop):
    made = shop.make("dimensional-cube", solid=False)  # before the caliper is told
    fill(shop, made.pieces[0].folder, scale=1.0008)
    shop.add_instrument("coarse", "caliper", resolution=0.1, mpe=0.15, repeatability=0.08)
    solved = shop.solve(made.pieces[0].folder)
    kept = shop.keep(made.pieces[0].folder)
    assert solved.context.instruments["caliper"].mpe == 0.15
    assert [(c.setting, c.new, c.u_new, c.verdict) for c in solved.solution.corrections] == [
        (k.correction.setting, k.correction.new, k.correction.u_new, k.correction.verdict)
        for k in kept.corrections
    ]


def test_what_the_sheet_says_of_the_instrument_counts_before_the_users_own(shop):
    shop.add_instrument("coarse", "caliper", resolution=0.1, mpe=0.15)
    made = shop.make("dimensional-cube", solid=False)
    sheet = made.pieces[0].sheet
    assert "# caliper_mpe_mm: 0.15" in sheet.read_text(encoding="utf-8")
    fill(shop, sheet)
    shop.set_head(sheet, "caliper_mpe_mm", 0.02)
    caliper = shop.solve(sheet).context.instruments["caliper"]
    assert (caliper.mpe, caliper.resolution) == (0.02, 0.1)


def test_an_instrument_that_is_named_counts_before_all(shop):
    for name, mpe in (("coarse", 0.15), ("fine", 0.01)):
        shop.add_instrument(name, "caliper", mpe=mpe)
    made = shop.make("dimensional-cube", solid=False)
    fill(shop, made.pieces[0].folder)
    solved = shop.solve(made.pieces[0].folder, assumed=Assumed(instruments=["fine"]))
    assert solved.context.instruments["caliper"].mpe == 0.01


# --- readings one by one ----------------------------------------------------------------------


@pytest.fixture(params=["folder", "store"])
def piece(request, shop):
    if request.param == "folder":
        return str(shop.make("dimensional-cube", solid=False, repeats=2).pieces[0].folder)
    return shop.start("dimensional-cube", repeats=2).source


def test_a_reading_is_checked_and_kept_at_once(shop, piece):
    feature = shop.read(piece).questions[0].cell.feature
    taken = shop.enter(piece, feature.id, f"{feature.nominal:.2f}".replace(".", ","))
    assert (taken.value, taken.suspicious, taken.repeat) == (feature.nominal, False, 1)
    assert shop.read(piece).question(feature.id, 1).text
    assert taken.measuring.empty == shop.read(piece).empty


def test_a_likely_slip_is_proposed_and_nothing_is_lost(shop, piece):
    # A tenth of an outside length may be the wall beside the well; of the well it is nothing else.
    feature = shop.read(piece).question("x_inside_well").cell.feature
    slip = f"{feature.nominal / 10:.3f}"
    assert shop.check(piece, feature.id, slip).suspicious
    assert not shop.read(piece).question(feature.id, 1).text
    taken = shop.enter(piece, feature.id, slip)
    assert taken.suspicious
    assert taken.proposed == pytest.approx(feature.nominal)
    assert shop.read(piece).question(feature.id, 1).text == slip


def test_readings_of_one_feature_that_are_far_apart_are_asked_about(shop, piece):
    feature = shop.read(piece).questions[0].cell.feature
    shop.enter(piece, feature.id, f"{feature.nominal:.2f}")
    second = shop.check(piece, feature.id, f"{feature.nominal + 0.9:.2f}", 2)
    assert second.suspicious
    assert "before" in second.doubts[0]


def test_what_is_no_reading_is_refused_with_what_to_write(shop, piece):
    feature = shop.read(piece).questions[0].feature
    before = shop.read(piece).text
    with pytest.raises(BadInput):
        shop.enter(piece, feature, "about forty")
    assert shop.read(piece).text == before


def test_a_cell_that_somebody_else_filled_is_not_overwritten(shop, piece):
    q = shop.read(piece).questions[0]
    value = q.cell.feature.nominal
    shop.enter(piece, q.feature, f"{value:.2f}", 1, seen="")
    with pytest.raises(ChangedMeanwhile):
        shop.enter(piece, q.feature, f"{value + 0.02:.2f}", 1, seen="")
    again = shop.enter(piece, q.feature, f"{value + 0.02:.2f}", 1, seen=f"{value:.2f}")
    assert again.before == f"{value:.2f}"


def test_a_reading_is_taken_back(shop, piece):
    q = shop.read(piece).questions[0]
    taken = shop.enter(piece, q.feature, f"{q.cell.feature.nominal:.2f}")
    assert shop.take_back(piece, taken).empty == taken.measuring.empty + 1


def test_the_result_so_far(shop, piece):
    fill(shop, piece, skip=[shop.read(piece).questions[0].feature])
    found = {c.setting: c for c in shop.solve(piece).solution.corrections}
    assert found["scale_x_percent"].new == pytest.approx(100 / 1.003, abs=0.05)


def test_two_who_type_at_once_lose_nothing(shop, piece):
    questions = shop.read(piece).questions[:12]

    def typing(mine):
        for q in mine:
            shop.enter(piece, q.feature, f"{q.cell.feature.nominal:.2f}", q.repeat)

    threads = [threading.Thread(target=typing, args=(questions[k::2],)) for k in (0, 1)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    now = shop.read(piece)
    assert all(now.question(q.feature, q.repeat).text for q in questions)


def test_a_queue_that_sends_twice_enters_once(shop):
    uid = shop.start("dimensional-cube").source
    q = shop.read(uid).questions[0]
    for text in ("40.01", "40.02"):
        shop.enter(uid, q.feature, text, 1, client_id="phone-7")
    assert shop.read(uid).question(q.feature, 1).text == "40.01"


def test_undo_goes_back_step_by_step(shop):
    uid = shop.start("dimensional-cube").source
    a, b = shop.read(uid).questions[:2]
    shop.enter(uid, a.feature, "40.01")
    shop.enter(uid, b.feature, "40.02")
    shop.set_head(uid, "part_c", 22)
    assert shop.take_back(uid).sheet.part_c is None
    shop.take_back(uid)
    now = shop.take_back(uid)
    assert [q.text for q in now.questions[:2]] == ["", ""]
    with pytest.raises(BadInput, match="nothing to take back"):
        shop.take_back(uid)


def test_a_piece_is_printed_measured_and_kept_in_the_store(shop):
    uid = shop.start("dimensional-cube").source
    assert shop.say_printed(uid).record.state == "printed"
    fill(shop, uid)
    assert [p.uid for p in shop.pieces("lantern")] == [uid]
    kept = shop.keep(uid)
    assert shop.pieces() == []
    assert shop.store().sheet(kept.corrections[0].sheet_uid).by_version
    with pytest.raises(ChangedMeanwhile, match="kept"):
        shop.enter(uid, shop.read(uid).questions[0].feature, "40.00")


def test_who_typed_what_is_known(shop):
    from calib.workshop.measuring import standing

    uid = shop.start("dimensional-cube").source
    q = shop.read(uid).questions[0]
    shop.signing("Ben").enter(uid, q.feature, "41.9", sure=True)
    (reading,) = standing(shop.read(uid))
    assert (reading.by, reading.text, reading.suspicious) == ("Ben", "41.9", False)


# --- things -----------------------------------------------------------------------------------


def test_a_renamed_spool_keeps_its_history_and_its_sheets(shop):
    made = shop.make("dimensional-cube", solid=False)
    fill(shop, made.pieces[0].folder)
    shop.keep(made.pieces[0].folder)
    shop.rename("spool", "white-1", "snow")
    assert {k.spool for k in shop.history()} == {"snow"}
    assert shop.solve(made.pieces[0].folder).who.spool == "snow"
    change = shop.changes()[0]
    assert (change.action, change.old_name, change.name, change.by) == (
        "renamed", "white-1", "snow", "Ada",
    )  # fmt: skip


def test_a_retired_spool_is_no_longer_offered_and_can_come_back(shop):
    shop.add_spool("white-2", "PLA")
    shop.retire("spool", "white-1")
    assert [s.name for s in shop.spools()] == ["white-2"]
    assert shop.make("dimensional-cube", solid=False).who.spool == "white-2"
    assert shop.store().spool("white-1").material == "PLA"
    shop.retire("spool", "white-1", back=True)
    assert len(shop.spools()) == 2


def test_a_copied_printer_has_the_nozzles_but_not_the_findings(shop):
    shop.copy("printer", "lantern", "beacon")
    assert [n.name for n in shop.nozzles("beacon")] == ["brass"]
    assert shop.store().printer("beacon").hot_end_max_c == 240
    assert shop.profile(printer="beacon").settings == ()


def test_overview_says_what_each_spool_is_good_for(shop):
    shop.add_spool("white-2", "PLA", colour="white")
    shop.add_spool("rail", "PETG", colour="black")
    made = shop.make("dimensional-cube", spool="white-1", solid=False)
    fill(shop, made.pieces[0].folder)
    shop.keep(made.pieces[0].folder)
    states = {r.spool: r.cells[0].state for r in shop.overview().rows}
    assert states == {"white-1": "good", "white-2": "inherited", "rail": "unknown"}
    shop.event("drive-changed", axis="X")
    found = shop.overview("stale")
    assert [r.spool for r in found.rows] == ["white-1"]
    assert "drive-changed" in found.rows[0].cells[0].why
    assert [r.spool for r in shop.overview("petg black").rows] == ["rail"]


def test_who_did_it_is_kept(shop):
    made = shop.make("dimensional-cube", solid=False)
    fill(shop, made.pieces[0].folder)
    shop.signing("Ben").keep(made.pieces[0].folder)
    with shop.store().engine.connect() as raw:
        assert raw.exec_driver_sql("SELECT by FROM sheets").scalar() == "Ben"


def test_undo_without_names_asks_whose_newest_sheet_is_meant(shop):
    made = shop.make("dimensional-cube", solid=False)
    fill(shop, made.pieces[0].folder)
    shop.keep(made.pieces[0].folder)
    shop.add_printer("beacon", (300, 300, 300))
    with pytest.raises(StoreError, match="which printer"):
        shop.undo()
    assert shop.undo(printer="lantern").corrections


def test_plate_refuses_a_piece_with_a_schedule_beside_others(shop):
    with pytest.raises(BadInput, match="changes settings with height"):
        shop.make("temperature-tower", "dimensional-cube", plate=True, out="both")
