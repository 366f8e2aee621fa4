"""The desk lets in who belongs there, and nothing that comes from elsewhere does harm.

What is refused follows the OWASP cheat sheets on cross-site request forgery (token, Origin, SameSite,
fetch metadata) and on DNS rebinding (Host), from memory.
"""

import io
import re
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.routing import Route

from calib.desk import guard
from calib.desk.app import routes
from calib.desk.entrance import CODE_LASTS_S, TRIES, Entrance
from tests.deskkit import HOST, LAN, PHONE, Client, app_on, begun, furnished

GETS = ["/", "/first", "/first?step=2", "/first?step=3", "/words", "/care", "/next", "/pieces", "/values",
        "/happened", "/history", "/printer?printer=lantern", "/printer/new", "/spool?spool=lamp-white",
        "/spool/new", "/instruments", "/phone"]  # fmt: skip


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Starlette:
    """One desk with a printer and a spool, for all tests that leave it as it is."""
    store = tmp_path_factory.mktemp("desk") / "store.db"
    shutil.copy(furnished(), store)
    made = app_on(store, lan=True)
    begun(Client(made))
    return made


@pytest.fixture
def client(app: Starlette) -> Client:
    return Client(app)


@pytest.fixture(scope="module")
def uid(app: Starlette) -> str:
    return begun(Client(app))


def posts() -> list[str]:
    return [r.path for r in routes() if isinstance(r, Route) and r.methods and "POST" in r.methods]


def address(path: str) -> str:
    return re.sub(r"\{\w+\}", "0" * 32, path)


def test_a_page_of_another_name_on_this_address_gets_nothing(client: Client) -> None:
    for host in ("evil.example", f"evil.example:{HOST[-4:]}", "127.0.0.1", "127.0.0.1:1", ""):
        answer = client.get("/", headers={"host": host})
        assert answer.status_code == 421
        assert "set-cookie" not in answer.headers
        assert "lantern" not in answer.text


def test_every_change_needs_the_token_of_its_session(client: Client) -> None:
    origin = {"origin": f"http://{HOST}"}
    theirs = Client(client.app).token()  # another session's token is not this one's
    client.token()
    assert len(posts()) > 20
    for path in posts():
        if path == "/in":
            continue
        for token in ("", "0" * 64, "é", theirs):
            answer = client.post(address(path), data={"token": token}, headers=origin)
            assert answer.status_code == 403, (path, token)


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "null"},
        {"origin": "http://evil.example"},
        {"origin": f"https://{HOST}"},
        {"origin": f"http://{HOST}", "sec-fetch-site": "cross-site"},
        {"origin": f"http://{HOST}", "sec-fetch-site": "same-site"},
    ],
)
def test_a_form_of_another_site_is_refused(client: Client, headers: dict[str, str]) -> None:
    token = client.token()
    answer = client.post("/first", data={"token": token, "printer": "theirs"}, headers=headers)
    assert answer.status_code == 403
    assert "theirs" not in client.get("/").text


def test_only_reading_and_posting(client: Client) -> None:
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
        assert client.request(method, "/").status_code == 405


def test_another_site_may_link_here_but_not_read_or_frame_it(client: Client) -> None:
    link = {
        "sec-fetch-site": "cross-site",
        "sec-fetch-mode": "navigate",
        "sec-fetch-dest": "document",
    }
    assert client.get("/words", headers=link).status_code == 200
    for dest, mode in (
        ("image", "no-cors"),
        ("script", "no-cors"),
        ("empty", "cors"),
        ("iframe", "navigate"),
    ):
        taken = {"sec-fetch-site": "cross-site", "sec-fetch-mode": mode, "sec-fetch-dest": dest}
        assert client.get("/words", headers=taken).status_code == 403


def test_every_answer_carries_the_policies(client: Client) -> None:
    for path in [*GETS, "/nothing", "/static/desk.css"]:
        answer = client.get(path)
        assert answer.status_code in (200, 303, 404), path
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"


def test_no_page_needs_more_than_the_policy_allows(client: Client, uid: str) -> None:
    paths = [
        *GETS,
        f"/piece/{uid}",
        f"/piece/{uid}/measure",
        f"/piece/{uid}/list",
        f"/piece/{uid}/photo",
    ]
    for path in paths:
        page = client.get(path).text
        assert not re.search(r"<script(?![^>]*\b(src=|type=\"application/json\"))", page), path
        assert not re.search(r"<[^>]+\s(style|on\w+)=", page), path
        assert "http://" not in page.replace("http://www.w3.org/", "").replace(
            f"http://{LAN}", ""
        ), path
        assert len(page.encode()) <= 100_000, (path, len(page.encode()))


# --- other devices ---------------------------------------------------------------------------------


def phone(client: Client) -> Client:
    return Client(client.app, PHONE, LAN)


def code_of(client: Client) -> str:
    found = re.search(r"code <strong class=\"num\">([a-z2-9 ]+)<", client.get("/phone").text)
    assert found is not None
    return found[1]


def enter(device: Client, code: str):  # type: ignore[no-untyped-def]
    return device.post("/in", data={"code": code}, headers={"origin": f"http://{LAN}"})


def test_a_phone_without_the_code_sees_only_the_door(client: Client) -> None:
    device = phone(client)
    for path in GETS:
        answer = device.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/in")
        assert "lantern" not in answer.text
    assert device.get("/in").status_code == 200


def test_a_code_lets_one_device_in_once(client: Client) -> None:
    code = code_of(client)
    first, second = phone(client), phone(client)
    assert enter(first, code).status_code == 303
    assert "lamp-white" in first.get("/").text
    assert enter(second, code).status_code == 403
    assert second.get("/").headers["location"] == "/in"
    assert code_of(client) != code


def test_the_session_is_out_of_reach_of_scripts_and_other_sites(client: Client) -> None:
    answer = enter(phone(client), code_of(client))
    flags = answer.headers["set-cookie"].lower()
    assert "httponly" in flags
    assert "samesite=strict" in flags


def test_a_session_of_this_machine_is_no_good_from_the_network(client: Client) -> None:
    client.get("/words")
    device = phone(client)
    device.cookies.set(guard.COOKIE, client.cookies[guard.COOKIE])
    assert device.get("/").headers["location"] == "/in"


def test_a_phone_is_not_told_the_code(client: Client) -> None:
    device = phone(client)
    enter(device, code_of(client))
    assert "code <strong" not in device.get("/phone").text


def test_codes_grow_old_and_guessing_is_slow() -> None:
    now = [0.0]
    entrance = Entrance(clock=lambda: now[0])
    code = entrance.code()
    now[0] = CODE_LASTS_S + 1
    assert not entrance.use_code(code)
    code = entrance.code()
    for _ in range(TRIES):
        assert not entrance.use_code("aaaaaaaa")
    assert not entrance.use_code(code)  # even the right one, for a minute
    now[0] += 61
    assert entrance.use_code(f" {code[:4].upper()}-{code[4:]} ")  # as people copy it


def test_sessions_end_and_are_bounded() -> None:
    now = [0.0]
    entrance = Entrance(clock=lambda: now[0])
    first = entrance.new_session(local=False)
    assert entrance.knows(first, local=False)
    now[0] = 31 * 86400.0
    assert not entrance.knows(first, local=False)
    sessions = [entrance.new_session(local=False) for _ in range(1100)]
    assert sum(entrance.knows(s, local=False) for s in sessions) == 1000


# --- paths and sizes ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py", "/static/..%2fapp.py", "/static/%2e%2e/app.py", "/static//etc/passwd",
        "/static/..%5c..%5capp.py", "/piece/..%2f..%2f/view/iso.svg", "/picture/..%2f..%2fx.svg",
        "/work/..%2f..%2fetc/file", "/%2e%2e/%2e%2e/etc/passwd", "/piece/%00/measure",
    ],
)  # fmt: skip
def test_no_path_names_a_file(client: Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code in (400, 404)
    assert "root:" not in answer.text
    assert "import " not in answer.text


def test_two_gigabytes_are_refused_before_they_arrive(client: Client) -> None:
    for path in ("/correct", "/first", "/piece/x/photo"):
        headers = {"origin": f"http://{HOST}", "content-length": str(2 << 30)}
        assert client.post(path, content=b"", headers=headers).status_code == 413


def test_an_upload_of_unknown_length_is_cut_off(client: Client) -> None:

    def endless() -> Iterator[bytes]:
        yield b"--x\r\ncontent-disposition: form-data; name=token\r\n\r\n"
        for _ in range(64):
            yield b"a" * 65536

    headers = {"origin": f"http://{HOST}", "content-type": "multipart/form-data; boundary=x"}
    assert client.post("/first", content=endless(), headers=headers).status_code in (400, 413)


# --- hostile content -----------------------------------------------------------------------------------

EVIL = "<script>alert(1)</script>\"'&{{7*7}}"


def test_names_are_shown_as_they_are_written(tmp_path: Path) -> None:
    client = Client(app_on(tmp_path / "store.db"))
    fields = {
        "size": "220x220x250",
        "type": "PLA",
        "goal": "size",
        "printer": EVIL,
        "spool": f"{EVIL} 2",
    }
    assert client.submit("/first", fields).status_code == 303
    uid = begun(client)
    client.submit("/happened", {"kind": "moved", "note": EVIL, "printer": EVIL})
    for path in [*GETS, f"/piece/{uid}", f"/piece/{uid}/measure", "/history", f"/?find={EVIL}"]:
        page = client.get(path).text
        assert "<script>alert" not in page, path
        assert "49" not in re.findall(r"\{\{|49\}", page), path
    assert "&lt;script&gt;alert(1)" in client.get("/").text


def test_a_message_can_not_be_put_into_the_address(client: Client) -> None:
    page = client.get("/?told=Your+printer+is+broken").text
    assert "broken" not in page


def upload(client: Client, path: str, name: str, content: bytes, field: str = "file"):  # type: ignore[no-untyped-def]
    return client.submit(path, files={field: (name, content)})


def outcome(client: Client, answer) -> str:  # type: ignore[no-untyped-def]
    """Wait for the work to end, and return the page that says how it ended."""
    assert answer.status_code == 303, answer.text
    place = answer.headers["location"]
    list(client.get(f"{place}/events").iter_lines())
    return str(client.get(place).text)


def bomb() -> bytes:
    """Return a 3MF whose model is a gigabyte of spaces."""
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("[Content_Types].xml", "<Types/>")
        with z.open("3D/3dmodel.model", "w") as model:
            for _ in range(64):
                model.write(b" " * (1 << 24))
    return data.getvalue()


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("part.stl", b""),
        ("part.stl", b"solid x\nfacet normal nan"),
        ("part.stl", b"\0" * 80 + b"\xff\xff\xff\xff" + b"\0" * 50),
        ("part.3mf", b"PK\x03\x04 not a zip"),
        ("../../../etc/cron.d/part.3mf", b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY b 'c'>]>"),
    ],
)
def test_a_hostile_model_is_named_and_nothing_else(
    client: Client, name: str, content: bytes
) -> None:
    answer = upload(client, "/correct", name, content)
    page = outcome(client, answer)
    assert "That did not work" in page
    assert "Traceback" not in page
    assert "/tmp" not in page
    assert client.get("/words").status_code == 200


@pytest.mark.slow
def test_a_model_that_unpacks_to_a_gigabyte_is_refused(client: Client) -> None:
    assert "That did not work" in outcome(client, upload(client, "/correct", "part.3mf", bomb()))


@pytest.mark.parametrize("name", ["part.exe", "part", "part.stl.html", "..", "part.svg"])
def test_other_files_are_not_taken(client: Client, name: str) -> None:
    assert upload(client, "/correct", name, b"x").status_code == 400


@pytest.mark.parametrize(
    "content",
    [b"", b"GIF89a", b"\xff\xd8\xff\xe0 broken", b"\x89PNG\r\n\x1a\n", b"<svg onload='x'/>"],
)
def test_a_picture_that_is_none_is_named(client: Client, uid: str, content: bytes) -> None:
    page = outcome(client, upload(client, f"/piece/{uid}/photo", "photo.jpg", content, "photo"))
    assert "That did not work" in page
    assert "/tmp" not in page


@pytest.mark.parametrize(
    "content", [b"", b"a;b;c", b"\0" * 1000, b"=cmd|' /C calc'!A0", EVIL.encode(), b"\xff" * 5000]
)
def test_a_sheet_that_is_none_is_named(client: Client, uid: str, content: bytes) -> None:
    answer = upload(client, f"/piece/{uid}/filled", "sheet.csv", content)
    assert answer.status_code == 400
    assert "<script>alert" not in answer.text


def test_work_is_seen_by_who_asked_for_it_alone(client: Client) -> None:
    answer = upload(client, "/correct", "part.stl", b"solid x")
    outcome(client, answer)
    other = Client(client.app)
    for end in ("", "/file", "/events"):
        assert other.get(answer.headers["location"] + end).status_code in (400, 404)
