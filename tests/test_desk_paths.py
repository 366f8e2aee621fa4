"""Whole ways through the desk without a browser: no script at all, and two desks on one store."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from patterns import registry
from patterns.spec import PrintSetup
from tests.deskkit import Client, app_on, begun, press
from tests.storekit import DATABASES, fresh_url

#: Feature -> what it was drawn as, of the pieces that a first calibration may begin with.
NOMINAL = {
    f.id: f.nominal
    for name in ("dimensional-cube", "corner-gauge", "step-gauge")
    for f in registry.get(name).piece({}, PrintSetup()).by_hand
}
CUBE = registry.get("dimensional-cube").piece({}, PrintSetup())


def test_the_first_calibration_without_a_script(tmp_path: Path) -> None:
    """Every step is a form that a browser sends by itself: three questions, a reading each, the values."""
    client = Client(app_on(tmp_path / "store.db"))
    page = client.get(client.get("/").headers["location"])
    for button in ("Go on", "Go on", "Show me the first print"):
        page = press(client, page.text, button)
        assert page.status_code == 200
    assert "Get the file" in page.text
    page = press(client, client.get("/pieces").text, "Begin with this: What is off")
    page = press(client, page.text, "It is printed")
    asked = 0
    while 'name="text"' in page.text:
        asked += 1
        assert asked <= 30
        feature = re.search(r'name="feature" value="([^"]*)"', page.text)
        assert feature is not None
        measured = NOMINAL[feature[1]] * 1.004
        page = press(client, page.text, "Keep", text=f"{measured:.2f}".replace(".", ","))
    assert "to change" in page.text
    page = press(client, page.text, "Put them into my models")
    assert "Goes into your models" in page.text
    page = client.get("/values")
    assert "Size along X" in page.text
    assert "99.6" in page.text


@pytest.fixture(params=DATABASES)
def desks(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Client, Client]]:
    """Two desks, such as on two computers, on one store that is still empty."""
    with fresh_url(request.param, tmp_path) as url:
        apps = [app_on(url), app_on(url)]
        yield Client(apps[0]), Client(apps[1])
        for app in apps:
            app.state.desk.workshop.close()


def test_two_desks_on_one_store_see_each_other(desks: tuple[Client, Client]) -> None:
    one, other = desks
    uid = begun(one)
    for at, f in enumerate(CUBE.by_hand):  # they take turns
        fields = {"feature": f.id, "repeat": "1", "text": f"{f.nominal * 1.004:.2f}"}
        answer = (one, other)[at % 2].submit(
            f"/piece/{uid}/reading", fields, headers={"accept": "application/json"}
        )
        assert answer.json()["kept"]
    seen = one.get(f"/piece/{uid}/readings?since=x").json()["readings"]
    assert {r["feature"] for r in seen} == {f.id for f in CUBE.by_hand}
    assert "Nothing is known yet" in other.get("/values").text  # remembered, and yet ...
    assert one.submit(f"/piece/{uid}/keep", {"done": "keep"}).status_code == 303
    assert "Size along X" in other.get("/values").text  # ... what the other keeps is seen at once
    late = {"feature": CUBE.by_hand[0].id, "repeat": "1", "text": "41"}
    refused = other.submit(f"/piece/{uid}/reading", late, headers={"accept": "application/json"})
    assert refused.status_code == 400  # closed by the other
    fields = {"printer": "lantern", "version": "1", "build_x_mm": "200", "build_y_mm": "220", "build_z_mm": "250",
              "hot_end_max_c": "260", "bed_max_c": "100", "layer_mm": "0.2"}  # fmt: skip
    assert one.submit("/printer", fields).status_code == 303
    assert "changed by someone else" in other.submit("/printer", fields).text
    assert 'value="200"' in other.get("/printer?printer=lantern").text
