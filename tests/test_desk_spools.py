"""One of many spools is meant: part of its name is typed, with or without the page's script."""

import re
import shutil
from pathlib import Path

import pytest

from calib.workshop import Workshop
from tests.deskkit import Client, app_on, furnished, press


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Client:
    """A desk with more spools than a list can show."""
    store = tmp_path_factory.mktemp("desk") / "store.db"
    shutil.copy(furnished(), store)
    client = Client(app_on(store))
    for n in range(40):
        shop_of(client).add_spool(f"roll-{n:02}", "PETG", colour="amber" if n == 7 else "white")
    return client


def shop_of(client: Client) -> Workshop:
    shop: Workshop = client.app.state.desk.workshop  # type: ignore[attr-defined]
    return shop


@pytest.mark.parametrize(
    ("typed", "meant"), [("ROLL-23", "roll-23"), ("amber petg", "roll-07"), ("roll-11", "roll-11")]
)
def test_a_spool_is_typed_where_something_happened(client: Client, typed: str, meant: str) -> None:
    page = client.get("/happened").text
    assert page.count("roll-") <= 12
    noted = press(client, page, "Note it", kind="stored-damp", spool=typed)
    assert "Noted" in noted.text
    assert [e.spool for e in shop_of(client).events(None, meant)] == [meant]
    assert f">{meant}</p>" in client.get("/history").text


def test_words_that_fit_several_spools_leave_those_to_choose(client: Client) -> None:
    page = client.get("/happened").text
    asked = press(client, page, "Note it", kind="stored-damp", spool="roll-3")
    assert asked.status_code == 400
    assert "Several spools" in asked.text
    found = re.findall(r"<option>(roll-\d\d)</option>", asked.text)
    assert sorted(found) == [f"roll-3{n}" for n in range(10)]
    assert 'value="stored-damp" required checked' in asked.text  # it need not be said again
    assert "Noted" in press(client, asked.text, "Note it", kind="stored-damp", spool="roll-35").text


def test_a_spool_that_is_not_there_is_told(client: Client) -> None:
    page = client.get("/happened").text
    none = press(client, page, "Note it", kind="stored-damp", spool="nobody's")
    assert none.status_code == 400
    assert "There is no spool" in none.text


def test_a_page_about_one_of_many_spools_asks_for_part_of_its_name(client: Client) -> None:
    page = client.get("/values").text
    assert "Which spool?" in page
    assert "29 more" in page
    several = press(client, page, "Find it", spool="roll-1")
    assert several.text.count('class="choice"') == 10
    one = press(client, page, "Find it", spool="roll-15").text
    assert "Which spool?" not in one
    assert "<b>roll-15</b>" in one


def test_spools_are_suggested_while_a_name_is_typed(client: Client) -> None:
    two = client.get("/spools", params={"find": "roll-2"}).json()
    assert sorted(two) == [f"roll-2{n}" for n in range(10)]
    assert client.get("/spools", params={"find": "amber"}).json() == ["roll-07"]
    assert len(client.get("/spools").json()) == 12


def test_the_page_of_a_spool_shows_the_printers_it_was_not_measured_on_in_a_line_each(
    tmp_path: Path,
) -> None:
    shutil.copy(furnished(), tmp_path / "store.db")
    client = Client(app_on(tmp_path / "store.db"))
    shop_of(client).add_printer("beacon", (200, 200, 200))
    shop_of(client).add_nozzle("0.4 mm", "beacon", 0.4)
    page = client.get("/spool?spool=lamp-white").text
    assert page.count("<h2>On ") == 2
    assert "On the other printers" in page
    assert re.search(r'href="/next\?[^"]*lantern[^"]*">lantern</a>', page) is not None
