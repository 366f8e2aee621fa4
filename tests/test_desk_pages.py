"""The desk's pages without a browser: what they take, what they answer, and that nothing is lost."""

import io
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import zipfile
from importlib.resources import files
from pathlib import Path

import httpx2 as httpx
import pytest

from calib.desk.cells import cells_of, table_of
from calib.desk.close_up import SCALE, close_ups
from calib.desk.pictures import Drawn
from calib.workshop import open_workshop
from patterns import registry
from patterns.preview import preview_mesh
from patterns.spec import PrintSetup
from tests.deskkit import FIRST, HOST, Client, app_on, begun, furnished

#: The first two features of the piece that the tests measure, and readings that can be true.
ONE, TWO = registry.get("dimensional-cube").piece({}, PrintSetup()).by_hand[:2]
TRUE = f"{ONE.nominal * 1.0015:.2f}"
TEN_TIMES_TOO_LARGE = f"{ONE.nominal * 10.015:.1f}"


@pytest.fixture
def new(tmp_path: Path) -> Client:
    """A desk on which nothing was done yet."""
    return Client(app_on(tmp_path / "store.db"))


@pytest.fixture
def client(tmp_path: Path) -> Client:
    """A desk on which the three questions are answered."""
    shutil.copy(furnished(), tmp_path / "store.db")
    return Client(app_on(tmp_path / "store.db"))


def said(client: Client, uid: str, **fields: str) -> dict[str, object]:
    answer = client.submit(f"/piece/{uid}/reading", fields, headers={"accept": "application/json"})
    return {"status": answer.status_code, **answer.json()}


def test_an_empty_desk_begins_with_the_questions(new: Client) -> None:
    assert new.get("/").headers["location"] == "/first"
    answer = new.submit("/first", {**FIRST, "size": "unknown", "printer": "", "spool": ""})
    assert answer.headers["location"].startswith("/next?")
    page = new.get(answer.headers["location"]).text
    assert "Get the files" in page or "Begin" in page


@pytest.mark.parametrize("x", ["abc", "", "-5", "1e9", "nan"])
def test_a_size_that_makes_no_sense_is_asked_for_again(new: Client, x: str) -> None:
    answer = new.get("/first", params={"step": "2", "size": "own", "x": x, "y": "200", "z": "200"})
    assert answer.status_code == 400
    assert 'role="alert"' in answer.text
    assert "Question 1 of 3" in answer.text


def test_what_was_typed_wrong_at_the_end_is_kept_in_the_form(new: Client) -> None:
    answer = new.submit("/first", {**FIRST, "hot": "very", "spool": "sea-green"})
    assert answer.status_code == 400
    assert 'value="sea-green"' in answer.text


def test_a_reading_is_kept_at_once_and_only_once(client: Client, tmp_path: Path) -> None:
    uid = begun(client)
    for _ in range(2):  # a queue that did not hear the answer sends it again
        assert said(
            client, uid, feature=ONE.id, repeat="1", text=TRUE.replace(".", ","), client_id="a1"
        )["kept"]
    with open_workshop(tmp_path / "store.db") as shop:
        assert [e.text for e in shop.read(uid).entries] == [TRUE.replace(".", ",")]


def test_a_caliper_in_inches_needs_no_unit_typed(client: Client) -> None:
    uid = begun(client)
    client.cookies.set("truebead_unit", "inch")
    assert said(client, uid, feature=ONE.id, repeat="1", text="1.1812")["text"] == "1.1812 in"


def test_a_likely_slip_is_asked_about_and_kept_all_the_same(client: Client) -> None:
    uid = begun(client)
    answer = said(client, uid, feature=ONE.id, repeat="1", text=TEN_TIMES_TOO_LARGE)
    assert answer["question"]
    assert f"{float(TEN_TIMES_TOO_LARGE) / 10:.4g}" in str(answer["question"])
    assert f'value="{TEN_TIMES_TOO_LARGE}"' in client.get(f"/piece/{uid}/list").text
    sure = said(client, uid, feature=ONE.id, repeat="1", text=TEN_TIMES_TOO_LARGE, sure="1")
    assert sure["question"] is None


@pytest.mark.parametrize("text", ["", "seven", "1/2/2026", "40..1"])
def test_what_is_no_reading_is_refused_with_a_reason(client: Client, text: str) -> None:
    uid = begun(client)
    answer = said(client, uid, feature=ONE.id, repeat="1", text=text)
    assert answer["status"] == 400
    assert answer["error"]


def test_without_a_script_the_same_form_goes_on_to_the_next(client: Client) -> None:
    uid = begun(client)
    answer = client.submit(
        f"/piece/{uid}/reading", {"feature": ONE.id, "repeat": "1", "text": TRUE}
    )
    assert answer.headers["location"] == f"/piece/{uid}/measure?at={TWO.id}"
    page = client.submit(
        f"/piece/{uid}/reading",
        {"feature": TWO.id, "repeat": "1", "text": f"{TWO.nominal / 10:.3f}"},
    ).text
    assert "is right</button>" in page


def test_a_result_needs_readings_and_is_kept_once(client: Client) -> None:
    uid = begun(client)
    assert client.get(f"/piece/{uid}/result").headers["location"] == f"/piece/{uid}/measure"
    m = close_to_drawn(uid, client)
    assert "to change" in client.get(f"/piece/{uid}/result").text
    for _ in range(2):
        assert client.submit(f"/piece/{uid}/keep", {"done": "keep"}).status_code == 303
    history = client.get("/history").text
    assert history.count("Take it back</summary>") == 1
    assert said(client, uid, feature=m, repeat="1", text="41")["status"] == 400  # closed


def close_to_drawn(uid: str, client: Client) -> str:
    piece = registry.get("dimensional-cube").piece({}, PrintSetup())
    for f in piece.by_hand:
        client.submit(
            f"/piece/{uid}/reading",
            {"feature": f.id, "repeat": "1", "text": f"{f.nominal * 1.004:.2f}"},
        )
    return piece.by_hand[0].id


def test_screws_that_are_turned_leave_the_bed_to_be_measured_again(client: Client) -> None:
    uid = begun(client, "bed-patches")
    piece = registry.get("bed-patches").piece({}, PrintSetup())
    for i, f in enumerate(piece.by_hand):  # higher and higher to the right and the back
        client.submit(
            f"/piece/{uid}/reading",
            {"feature": f.id, "repeat": "1", "text": f"{f.nominal - 0.02 * i:.2f}", "sure": "1"},
        )
    page = client.get(f"/piece/{uid}/result").text
    assert "tighten" in page
    assert page.count("I have turned them") == 1  # all screws at once
    client.submit(f"/piece/{uid}/keep", {"done": "keep"})
    assert "First turn the screws" in client.get("/next?goal=size").text
    client.submit(f"/piece/{uid}/keep", {"done": "turned"})
    assert "You have turned them" in client.get(f"/piece/{uid}/result").text
    following = client.get("/next?goal=size").text
    assert "First turn the screws" not in following
    assert 'value="bed-patches"' in following  # to be measured once more
    assert "The bed was levelled" in client.get("/history").text


def test_steps_that_are_not_known_are_asked_for_where_they_are_needed(client: Client) -> None:
    """Travel of 1.002 times what was told wants 80 / 1.002 = 79.84 steps/mm."""
    uid = begun(client, "carriage-travel")
    for f in registry.get("carriage-travel").piece({}, PrintSetup()).by_hand:
        fields = {"feature": f.id, "repeat": "1", "text": f"{f.nominal * 1.002:.3f}"}
        client.submit(f"/piece/{uid}/reading", fields)
    page = client.get(f"/piece/{uid}/result").text
    assert "What is set in the printer now?" in page
    assert "Keep this result" not in page
    given = {"steps.X": "80", "steps.Y": "80", "steps.Z": "400"}
    client.submit(f"/piece/{uid}/now", given)
    assert "79.84" in client.get(f"/piece/{uid}/result").text
    assert client.submit(f"/piece/{uid}/keep", {"done": "keep"}).status_code == 303
    assert "to change" in client.get(f"/piece/{uid}/result").text  # though no spool took part


@pytest.mark.slow
def test_the_pieces_of_one_print_come_on_one_plate(client: Client) -> None:
    begun(client)
    started = client.submit("/start", {
        "pattern": ["bridge-ladder", "overhang-ladder"], "set.overhang-ladder.to_deg": "60",
    })  # fmt: skip
    place = started.headers["location"]
    uids = re.findall(r"piece=([0-9a-f]{32})", place)
    assert len(uids) == 2
    page = client.get(place).text
    link = re.findall(r'href="(/plate/1\.3mf[^"]*)"', page)[0].replace("&amp;", "&")
    with zipfile.ZipFile(io.BytesIO(client.get(link).content)) as archive:
        model = archive.read("3D/3dmodel.model").decode()
    assert model.count("<item ") == 2
    printed = client.submit("/plate/printed", {"piece": uids})
    assert printed.headers["location"] == f"/piece/{uids[0]}/judge"
    f = registry.get("bridge-ladder").piece({}, PrintSetup()).by_hand
    judged = {f"j.{g.id}": "yes" if n < 5 else "no" for n, g in enumerate(f) if g.kind == "pass"}
    client.submit(f"/piece/{uids[0]}/judge", judged)
    client.submit(f"/piece/{uids[0]}/keep", {"done": "keep"})
    assert f"/piece/{uids[1]}/judge" in client.get(f"/piece/{uids[0]}/result").text


def test_what_a_value_rests_on_is_told_sheet_by_sheet(client: Client) -> None:
    uid = begun(client)
    close_to_drawn(uid, client)
    client.submit(f"/piece/{uid}/keep", {"done": "models", "setting": "scale_x_percent"})
    link = re.findall(r'href="(/why[^"]*scale_x_percent)"', client.get("/values").text)[0]
    page = client.get(link.replace("&amp;", "&")).text
    assert " of 1 sheet " in page
    assert "What is off" in page or "sizes" in page
    assert "lamp-white" in page
    assert client.get("/why?setting=nothing").status_code == 400


def test_a_corrected_model_comes_back(client: Client) -> None:
    uid = begun(client)
    close_to_drawn(uid, client)
    client.submit(f"/piece/{uid}/keep", {"done": "models", "setting": "scale_x_percent"})
    piece = client.get(f"/piece/{uid}/piece.stl").content
    answer = client.submit("/correct", files={"file": ("piece.stl", piece)})
    list(client.get(f"{answer.headers['location']}/events").iter_lines())
    refused = client.get(answer.headers["location"]).text
    assert "printed as it was made" in refused  # a calibration piece is not corrected
    assert "--again" not in refused
    model = (files("demo") / "ring-segment.stl").read_bytes()
    answer = client.submit("/correct", files={"file": ("lamp house.stl", model)})
    place = answer.headers["location"]
    list(client.get(f"{place}/events").iter_lines())
    page = client.get(place).text
    assert "lamp house.corrected.stl" in page, page[page.index("<main") :]
    assert "scale_x_percent" not in page
    assert "size along X" in page
    back = client.get(f"{place}/file")
    assert back.content != model
    assert len(back.content) == len(model)
    assert "lamp%20house.corrected.stl" in back.headers["content-disposition"]


def test_a_filled_in_sheet_is_taken(client: Client) -> None:
    uid, other = begun(client), begun(client, "wall-box")
    text = client.get(f"/piece/{uid}/sheet.csv").text
    line = next(row for row in text.splitlines() if f",{ONE.id}," in row)
    filled = text.replace(line, line.replace(",mm,", f",mm,{TRUE}", 1))
    assert (
        client.submit(
            f"/piece/{uid}/filled", files={"file": ("s.csv", filled.encode())}
        ).status_code
        == 303
    )
    assert f'value="{TRUE}"' in client.get(f"/piece/{uid}/list").text
    wrong = client.submit(f"/piece/{other}/filled", files={"file": ("s.csv", filled.encode())})
    assert wrong.status_code == 400


def test_an_event_is_noted_and_taken_back(client: Client) -> None:
    begun(client)
    page = client.submit("/happened", {"kind": "moved", "printer": "lantern"}).text
    assert "To be measured again" in page
    uid = page.split('name="uid" value="')[1].split('"')[0]
    client.submit("/happened/undo", {"uid": uid})
    assert "Taken back" in client.get("/history").text


def test_a_spool_is_renamed_and_taken_out_of_use(client: Client) -> None:
    begun(client)
    given = {"what": "spool", "name": "lamp-white"}
    assert client.submit("/rename", {**given, "new": "lamp-white 2"}).status_code == 303
    assert "lamp-white 2" in client.get("/").text
    client.submit("/retire", {**given, "name": "lamp-white 2"})
    assert client.get("/").headers["location"] == "/spool/new"
    assert client.submit("/rename", {"what": "store", "name": "x", "new": "y"}).status_code == 400


def test_where_there_are_several_the_page_asks(client: Client) -> None:
    begun(client)
    client.submit("/spool/new", {"name": "sand", "type": "PETG"})
    page = client.get("/next").text
    assert "Which spool?" in page
    assert "/next?spool=sand" in page


def test_two_who_change_the_same_printer_are_told(client: Client) -> None:
    begun(client)
    fields = {"printer": "lantern", "version": "1", "build_x_mm": "200", "build_y_mm": "220", "build_z_mm": "250",
              "hot_end_max_c": "260", "bed_max_c": "100", "layer_mm": "0.2", "drive.X": "belt20"}  # fmt: skip
    assert client.submit("/printer", fields).status_code == 303
    page = client.submit("/printer", {**fields, "build_x_mm": "210"})
    assert page.status_code == 400
    assert "changed by someone else" in page.text


@pytest.mark.parametrize("name", [*registry.all_patterns(), *registry.all_checks()])
def test_every_pattern_can_be_measured_on_the_pages(name: str) -> None:
    piece = registry.get(name).piece({}, PrintSetup())
    drawn = close_ups(piece, preview_mesh(piece.body)) if piece.printed else {}
    cells = cells_of(piece, Drawn({}, {}, drawn), [])
    columns, bands = table_of(piece)
    tapped = [f for b in bands for f in b.features.values()]
    assert {c.id for c in cells} | {f.id for f in tapped} == {f.id for f in piece.by_hand}
    assert all(c.where and c.how for c in cells)
    assert all(len(c.choices) >= 2 for c in columns)
    for shown in drawn.values():
        _, _, w, h = shown.window
        assert w / h == pytest.approx(1.5)
        assert w >= 34 * SCALE - 1e-6  # never so near that one does not know where it is


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Client:
    """One desk for tests that only add to it."""
    store = tmp_path_factory.mktemp("shared") / "store.db"
    shutil.copy(furnished(), store)
    return Client(app_on(store))


@pytest.mark.parametrize(
    "name",
    ["reversal", "setting-ladder", "ripple-wall", "lag-line", "filament-diameter", "fit-gauge"],
)
def test_what_is_measured_in_other_ways_gets_a_result_too(shared: Client, name: str) -> None:
    uid = begun(shared, name)
    place = shared.submit(f"/piece/{uid}/printed").headers["location"]
    assert shared.get(place).status_code == 200
    piece = registry.get(name).piece({}, PrintSetup())
    with open_workshop(shared.app.state.desk.workshop.store().engine.url.database) as shop:  # type: ignore[attr-defined]
        for i, f in enumerate(piece.by_hand):
            third = 3 * i // len(piece.by_hand)
            if f.kind == "score":
                text = ("4", "9", "6")[third]
            elif f.kind == "pass":
                text = f.grades[-1 if third else 0] if f.grades else ("no" if third else "yes")
            else:
                text = f"{(f.nominal or 1.75) * 1.002:.3f}"
            shop.enter(uid, f.id, text, 1, sure=True)
    for _ in range(2):  # as it is worked out, and as it is kept
        page = shared.get(f"/piece/{uid}/result")
        assert page.status_code == 200
        assert not re.search(
            r"truebead [a-z]+|[a-z]_(mm|percent|deg|c)\b", re.sub("<[^>]*>", " ", page.text)
        )
        assert shared.submit(f"/piece/{uid}/keep", {"done": "keep"}).status_code == 303


# --- killed in mid-reading ---------------------------------------------------------------------------


@pytest.mark.slow
def test_a_desk_that_is_killed_loses_no_reading_that_it_acknowledged(tmp_path: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    store = tmp_path / "store.db"
    uid = begun(Client(app_on(store)))
    command = [
        sys.executable,
        "-m",
        "calib",
        "desk",
        "--no-open",
        "--port",
        str(port),
        "--store",
        str(store),
    ]
    running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    base = f"http://127.0.0.1:{port}"
    features = [f.id for f in registry.get("dimensional-cube").piece({}, PrintSetup()).by_hand]
    acknowledged = []
    try:
        with httpx.Client(
            base_url=base, headers={"origin": base, "accept": "application/json"}, timeout=60
        ) as http:
            token = _token(http)
            for feature in features[:6]:
                fields = {
                    "token": token,
                    "feature": feature,
                    "repeat": "1",
                    "text": "20.02",
                    "sure": "1",
                }
                assert http.post(f"/piece/{uid}/reading", data=fields).json()["kept"]
                acknowledged.append(feature)
            os.kill(running.pid, signal.SIGKILL)
    finally:
        running.kill()
        running.wait()
    with open_workshop(store) as shop:
        there = {q.feature for q in shop.read(uid).questions if q.text}
    assert there >= set(acknowledged)


def _token(http: httpx.Client) -> str:
    for _ in range(300):
        try:
            return http.get("/first?step=3").text.split('name="token" value="')[1].split('"')[0]
        except httpx.TransportError:
            time.sleep(0.1)
    raise AssertionError("the desk never answered")


def test_the_port_that_is_taken_is_named(tmp_path: Path) -> None:
    from calib.desk.serve import listen
    from calib.errors import BadInput

    with listen("127.0.0.1", 0) as taken, pytest.raises(BadInput, match="taken by another program"):
        listen("127.0.0.1", taken.getsockname()[1])


def test_this_machine_is_reached_by_its_own_names_alone() -> None:
    from calib.desk.serve import local_hosts

    assert HOST in local_hosts(8642)
    assert all(
        h.rsplit(":", 1)[0] in ("127.0.0.1", "localhost", "[::1]") for h in local_hosts(8642)
    )


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("the scale is not known; measure the bars, or give one reading with --known.", "The scale is not known; measure the bars."),
        ("print a taller piece", "Print a taller piece."),
        ("not settled: truebead make cube --set size_mm=40", "Not settled."),
        ("Is it 4 mm? Look again.", "Is it 4 mm? Look again."),
        ("give --spool", ""),
        ("too uncertain; write it as # jaws_closed_mm: 0.00, which helps", "Too uncertain; write it as “what the closed jaws show”, which helps."),
    ],
)  # fmt: skip
def test_advice_for_the_command_line_is_left_out(text: str, shown: str) -> None:
    from calib.desk.says import advice

    assert advice(text) == shown


# --- the story of a makerspace --------------------------------------------------------


@pytest.mark.slow
def test_a_scan_fills_the_sheet_too(client: Client, tmp_path: Path) -> None:
    from tests.test_photo_scan import ASKEW, CARD, files, gauge_on_glass

    uid = begun(client, "corner-gauge")
    (path,) = files(tmp_path, [gauge_on_glass(), CARD], ASKEW)
    sent = {"photo": ("scan.jpg", path.read_bytes(), "image/jpeg")}
    place = client.submit(f"/piece/{uid}/photo", {"scanned": "1"}, files=sent).headers["location"]
    list(client.get(f"{place}/events").iter_lines())
    page = client.get(place).text
    assert "from the scan" in page, page
    assert "again, turned by 90 degrees" in page  # how a second scan helps
    assert int(re.findall(r"<h1>(\d+) readings", page)[0]) >= 10


def test_readings_that_only_a_photo_gives_are_enough_for_a_result(
    client: Client, tmp_path: Path
) -> None:
    from calib.photo.rows import fill_sheet
    from calib.readings.data import Reading
    from calib.workshop.entering import fill_store

    uid = begun(client, "corner-gauge")
    with open_workshop(tmp_path / "store.db") as shop:
        only = [f for f in shop.read(uid).piece.features if f.instrument == "photo"]
        seen = [
            Reading(
                feature=f.id, value=f.nominal, where="photo", text=f"{f.nominal * 1.004:.3f} ± 0.02"
            )
            for f in only
        ]
        assert len(only) >= 2
        assert fill_store(shop.store(), uid, lambda m: fill_sheet(m.table, m.piece, seen)) == len(
            only
        )
    assert "Size along X" in client.get(f"/piece/{uid}/result").text


def test_fourteen_spools_one_measured(client: Client) -> None:
    """The others of its type start from what the one gave; those of another type don't."""
    uid = begun(client)
    for i in range(10):
        client.submit("/spool/new", {"name": f"white {i}", "type": "PLA"})
    for i in range(3):
        client.submit("/spool/new", {"name": f"sand {i}", "type": "PETG"})
    close_to_drawn(uid, client)
    client.submit(f"/piece/{uid}/keep", {"done": "keep"})
    page = client.get("/").text
    assert page.count('class="state good"') == 2  # the spool, and the key below
    assert page.count('class="state inherited"') == 11
    assert page.count('class="state unknown"') == 4
    assert client.get("/?find=sand").text.count('class="state inherited"') == 1  # the key alone
    assert "white 3" in client.get("/next?spool=white+3").text


def test_a_setting_of_ones_own_goes_into_a_sliced_file_by_its_line(client: Client) -> None:
    begun(client)
    own = {
        "setting": "own_jolt",
        "from_value": "4",
        "to_value": "10",
        "step_value": "2",
        "before": "8",
    }
    refused = client.submit("/start", {"pattern": "setting-ladder", "set.setting": "own_jolt"})
    assert "give from_value" in refused.text or "not known" in refused.text
    made = client.submit("/start", {"pattern": "setting-ladder", "set.band_mm": "", **{f"set.{k}": v for k, v in own.items()}})  # fmt: skip
    uid = made.headers["location"].split("/")[2]
    assert 'name="line"' in client.get(f"/piece/{uid}").text
    layers = [f"G0 X50 Y50 Z{0.2 * k:.2f} F9000\nG1 X90 E1 F1800" for k in range(1, 101)]
    sliced = "G28\nG90\nM83\n" + "\n".join(layers) + "\n"
    answer = client.submit(
        f"/correct/{uid}",
        {"line": "SET JOLT={value}"},
        files={"file": ("a.gcode", sliced.encode())},
    )
    place = answer.headers["location"]
    list(client.get(f"{place}/events").iter_lines())
    page = client.get(place).text
    assert "SET JOLT=4" in page
    assert "SET JOLT=8" in page
