"""What goes wrong in a hurry: the way back, double taps, wrong files in wrong places, words of the program's own."""

import shutil
from pathlib import Path

import pytest

from calib.workshop import Workshop
from patterns import registry
from patterns.spec import PrintSetup
from tests.deskkit import Client, app_on, begun, furnished

CUBE = registry.get("dimensional-cube").piece({}, PrintSetup()).by_hand
#: Names that no page may show: they are the program's own, not its users'.
INSIDE = (
    "build_x_mm",
    "hot_end_max_c",
    "--replace",
    "degC",
    "mpe of",
    "x_outside",
    "z_height",
    "z_step",
)


@pytest.fixture
def client(tmp_path: Path) -> Client:
    shutil.copy(furnished(), tmp_path / "store.db")
    return Client(app_on(tmp_path / "store.db"))


def shop_of(client: Client) -> Workshop:
    shop: Workshop = client.app.state.desk.workshop  # type: ignore[attr-defined]
    return shop


def kept(client: Client) -> str:
    """Measure a piece and keep its result; return its id."""
    uid = begun(client)
    for f in CUBE:
        fields = {"feature": f.id, "text": f"{f.nominal * 1.004:.2f}", "sure": "1"}
        client.submit(f"/piece/{uid}/reading", fields)
    assert client.submit(f"/piece/{uid}/keep", {"done": "keep"}).status_code == 303
    return uid


def test_a_kept_piece_stays_kept_whatever_the_way_back_brings_up_again(client: Client) -> None:
    uid = kept(client)
    assert client.submit(f"/piece/{uid}/printed").headers["location"] == f"/piece/{uid}/result"
    assert "is closed: its result is kept" in client.submit(f"/piece/{uid}/drop").text
    again = client.submit(f"/piece/{uid}/reading", {"feature": CUBE[0].id, "text": "30.4"}, headers={"accept": "application/json"})  # fmt: skip
    assert "its result is kept" in again.json()["error"]
    client.submit(f"/piece/{uid}/keep", {"done": "keep"})  # a second tap
    assert shop_of(client).pieces() == []
    assert len({k.sheet_uid for k in shop_of(client).history()}) == 1


def test_a_piece_put_aside_by_mistake_is_taken_up_again_when_it_is_printed(client: Client) -> None:
    uid = begun(client)
    client.submit(f"/piece/{uid}/drop")
    refused = client.submit(f"/piece/{uid}/reading", {"feature": CUBE[0].id, "text": "30.1"})
    assert "put aside" in refused.text
    assert client.submit(f"/piece/{uid}/printed").headers["location"].endswith("/measure")
    taken = client.submit(f"/piece/{uid}/reading", {"feature": CUBE[0].id, "text": "30.1"})
    assert taken.status_code == 303


@pytest.mark.parametrize(
    ("path", "fields", "said"),
    [
        ("/printer/new", {"name": "p", "x": "1e9", "y": "200", "z": "200"}, "Left to right must be"),
        ("/printer/new", {"name": "p", "x": "22 cm", "y": "200", "z": "200"}, "is not a number"),
        ("/printer/new", {"name": "p", "x": "220,5", "y": "200", "z": "200"}, ""),
        ("/spool/new", {"name": "lamp-white", "type": "PLA"}, "Give another name."),
        ("/instruments", {"kind": "caliper", "mpe": "-1"}, "How far it may be wrong"),
        ("/printer", {"printer": "lantern", "build_x_mm": "200", "build_y_mm": "200", "build_z_mm": "200", "hot_end_max_c": "5000", "bed_max_c": "80", "layer_mm": "0,2"}, "hot end&#39;s highest temperature must be"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_the_words_of_the_page(
    client: Client, path: str, fields: dict[str, str], said: str
) -> None:
    answer = client.submit(path, fields)
    assert answer.status_code == (400 if said else 303)
    if said:
        alert = answer.text.split('role="alert"')[1].split("</div>")[0]
        assert said.lower() in alert.lower()
        assert not [w for w in INSIDE if w in alert], alert


def test_a_doubt_names_another_place_by_its_number_in_the_picture(client: Client) -> None:
    uid = begun(client)
    fields = {"feature": CUBE[0].id, "text": "10"}
    asked = client.submit(f"/piece/{uid}/reading", fields, headers={"accept": "application/json"})
    words = asked.json()["question"]["words"]
    assert "the reading of number " in words
    assert not [w for w in INSIDE if w in words]


@pytest.mark.parametrize(
    ("path", "field", "name", "content"),
    [
        ("/correct", "file", "a.stl", b""),
        ("/correct", "file", "a.gcode", b""),
        ("/correct", "file", "a.gcode", b"solid x\nfacet normal 0 0 1\n"),
        ("/correct", "file", "a.3mf", b"G28\nG1 X1\n"),
        ("/correct", "file", "a.stl", b"\xff\xd8\xff\xe0" + b"x" * 500),
        ("/piece/UID/photo", "photo", "p.jpg", b""),
        ("/piece/UID/photo", "photo", "p.jpg", b"solid x"),
        ("/piece/UID/filled", "file", "s.csv", b""),
        ("/piece/UID/filled", "file", "s.csv", b"\xff\xd8\xff"),
    ],
)
def test_an_empty_file_or_one_in_the_wrong_place_is_told_apart(
    client: Client, path: str, field: str, name: str, content: bytes
) -> None:
    uid = begun(client)
    answer = client.submit(path.replace("UID", uid), files={field: (name, content)})
    if answer.status_code == 303:
        place = answer.headers["location"]
        list(client.get(f"{place}/events").iter_lines())
        answer = client.get(place)
    assert "That did not work" in answer.text
    assert "given." not in answer.text  # what the file is called in our own folder
