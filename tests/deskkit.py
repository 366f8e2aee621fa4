"""What the tests of the desk share: an application on a store of its own, a server, and a browser."""

import contextlib
import os
import re
import shutil
import tempfile
import threading
import time
from collections.abc import Iterator
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.testclient import TestClient

from calib.desk.app import build
from calib.desk.serve import listen, local_hosts
from calib.workshop import Workshop, open_workshop
from tests.storekit import empty_store

HOST = "127.0.0.1:8642"
LAN = "192.168.7.20:8642"
PHONE = ("192.168.7.33", 40000)
CHROMIUM = "/usr/bin/chromium"


def app_on(store: Path | str, *, lan: bool = False) -> Starlette:
    """Return the application on a store that may not exist yet."""
    return build(
        open_workshop(store, by="tester"), hosts=[HOST], others=[LAN] if lan else [], warm=False
    )


@cache
def furnished() -> Path:
    """Make one store with a printer, a nozzle and a spool to copy from: each test has its own."""
    path = Path(tempfile.mkdtemp()) / "furnished.sqlite"
    shutil.copy(empty_store(), path)
    client = Client(app_on(path))
    assert client.submit("/first", FIRST).status_code == 303
    shop: Workshop = client.app.state.desk.workshop  # type: ignore[attr-defined]
    with shop.store().engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    shop.close()
    return path


class Client(TestClient):
    """A browser without a screen: it sends the headers that browsers send, and the form's token."""

    def __init__(
        self, app: Starlette, peer: tuple[str, int] = ("127.0.0.1", 40000), host: str = HOST
    ) -> None:
        super().__init__(app, base_url=f"http://{host}", client=peer, follow_redirects=False)

    def token(self) -> str:
        """Return what the forms of this session carry."""
        found = re.search(r'name="token" value="([0-9a-f]+)"', self.get("/first?step=3").text)
        assert found is not None
        return found[1]

    def submit(self, path: str, fields: dict[str, Any] | None = None, **more: object):  # type: ignore[no-untyped-def]
        """Post a form as the desk's own page would."""
        given = {"token": self.token(), **(fields or {})}
        headers = {"origin": str(self.base_url).rstrip("/"), **more.pop("headers", {})}  # type: ignore[dict-item]
        return self.post(path, data=given, headers=headers, **more)  # type: ignore[arg-type]


FIRST = {
    "size": "220x220x250",
    "type": "PLA",
    "goal": "size",
    "printer": "lantern",
    "spool": "lamp-white",
}


def begun(client: Client, pattern: str = "dimensional-cube") -> str:
    """Answer the three questions, make a piece, and return its id."""
    if client.get("/").headers.get("location") == "/first":
        assert client.submit("/first", FIRST).status_code == 303
    made = client.submit("/start", {"pattern": pattern})
    assert made.status_code == 303, made.text
    return made.headers["location"].split("/")[2]


@contextlib.contextmanager
def served(store: Path, port: int = 0) -> Iterator[str]:
    """Serve the desk on a port, a free one where none is given; yield its address."""
    listening = listen("127.0.0.1", port)
    port = listening.getsockname()[1]
    shop: Workshop = open_workshop(store, by="tester")
    app = build(shop, hosts=local_hosts(port), warm=False)
    server = uvicorn.Server(
        uvicorn.Config(app, log_level="error", lifespan="on", timeout_graceful_shutdown=1)
    )
    running = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    running.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        running.join(10)
        listening.close()
        shop.close()


def need_browser() -> None:
    """Skip where there is no Chromium; fail where continuous integration asks for it."""
    if Path(CHROMIUM).exists():
        return
    if os.environ.get("TRUEBEAD_REQUIRE_AXE"):
        pytest.fail("TRUEBEAD_REQUIRE_AXE is set, but /usr/bin/chromium is missing")
    pytest.skip("Chromium is missing; on Debian: apt-get install chromium")


def axe_source() -> str:
    """Return axe-core's script, or skip: the package registry has it."""
    path = Path(os.environ.get("TRUEBEAD_AXE", "node_modules/axe-core/axe.min.js"))
    if path.exists():
        return path.read_text(encoding="utf-8")
    if os.environ.get("TRUEBEAD_REQUIRE_AXE"):
        pytest.fail("TRUEBEAD_REQUIRE_AXE is set, but axe-core is missing; see .ci/with-axe")
    pytest.skip("axe-core is missing; see .ci/with-axe")


class _Forms(HTMLParser):
    """The forms of a page as a browser without a script sees them."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[dict[str, Any]] = []
        self._button: dict[str, str] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {k: v or "" for k, v in attrs}
        if tag == "form":
            self.forms.append({**given, "fields": [], "buttons": []})
        elif not self.forms:
            return
        elif tag == "input" and given.get("name") and given.get("type") != "file":
            chosen = given.get("type") not in ("radio", "checkbox") or "checked" in given
            if chosen:
                self.forms[-1]["fields"].append((given["name"], given.get("value", "")))
        elif tag == "button":
            self._button = {**given, "words": ""}
            self.forms[-1]["buttons"].append(self._button)

    def handle_data(self, data: str) -> None:
        if self._button is not None:
            self._button["words"] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "button":
            self._button = None


def press(client: Client, page: str, words: str, **typed: str):  # type: ignore[no-untyped-def]
    """Press a button of a page as a browser without a script does; follow to where it leads."""
    read = _Forms()
    read.feed(page)
    for form in read.forms:
        button = next((b for b in form["buttons"] if words in b["words"]), None)
        if button is None or button.get("type") == "button":
            continue
        fields: dict[str, list[str]] = {}
        for name, value in form["fields"]:
            fields.setdefault(name, []).append(value)
        fields |= {name: [value] for name, value in typed.items()}
        if button.get("name"):
            fields[button["name"]] = [button.get("value", "")]
        if form.get("method") == "post":
            origin = {"origin": str(client.base_url).rstrip("/")}
            answer = client.post(form["action"], data=fields, headers=origin)
        else:
            answer = client.get(form["action"], params=fields)
        return client.get(answer.headers["location"]) if answer.status_code == 303 else answer
    raise AssertionError(f"there is no button {words!r}: {page[-3000:]}")
