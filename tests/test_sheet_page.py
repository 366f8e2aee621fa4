"""The printable sheet: one file, complete, escaped, and the same numbers as sheet.csv."""

import re
from html.parser import HTMLParser

import pytest

from calib.report.sheet_page import sheet_html
from patterns import registry
from patterns.body import Body, box
from patterns.feature import Feature, Kind
from patterns.piece import Advice, Piece
from patterns.schedule import ScheduleRow
from patterns.spec import PrintSetup, Spec

VOID = {"meta", "br", "hr", "img", "input", "link"}
DRAWING = '<svg viewBox="0 0 9 9" role="img"><title>picture</title><circle r="1"/></svg>'


class Page(HTMLParser):
    """Checks that tags are closed in order, and collects text, links and table rows."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.references: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.rows: list[list[str]] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.references += [v or "" for k, v in attrs if k in ("src", "href", "xlink:href", "data")]
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)
        if {"td", "th"} & set(self.open):
            self.rows[-1][-1] += data

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def piece(name: str = "dimensional-cube") -> Piece:
    return registry.get(name).piece({}, PrintSetup())


def judged() -> Piece:
    """A piece with every sort of feature that no caliper reads."""

    def feature(id: str, kind: Kind, grades: tuple[str, ...] = ()) -> Feature:
        return Feature(
            id=id, kind=kind, axis="", nominal=10.0, where=f"the {id} & more", start=(0, 0, 0),
            end=(0, 0, 0), view="iso", jaws="", grades=grades,
        )  # fmt: skip

    return Piece(
        pattern="dimensional-cube", spec=Spec(), setup=PrintSetup(),
        body=Body(add=(box(0, 0, 0, 10, 10, 10),)),
        features=(
            feature("whole", Kind.MASS), feature("band", Kind.SCORE), feature("span", Kind.PASS),
            feature("peg", Kind.PASS, ("stuck", "press", "slide", "loose")),
        ),
        schedule=(ScheduleRow(z_from_mm=0, z_to_mm=5, setting="hot_end_c", value=210),),
        advice=Advice(notes=("Lay it <flat>.",)),
    )  # fmt: skip


@pytest.mark.parametrize("name", sorted(registry.all_patterns() | registry.all_checks()))
def test_every_feature_has_its_row_with_number_place_and_boxes(name: str) -> None:
    p = piece(name)
    page = Page(sheet_html(p, DRAWING, "c1", repeats=4))
    rows = [r for r in page.rows if len(r) > 4 and r[0].strip().isdecimal()]
    assert [int(r[0]) for r in rows] == list(range(1, len(p.features) + 1))
    for row, f in zip(rows, p.features, strict=True):
        assert row[1] == f.where
        if f.unit in ("mm", "g"):
            assert float(row[2].split()[0]) == pytest.approx(f.nominal, abs=5e-4)
        assert len(row) == (5 if f.kind is Kind.PASS else 8)


def test_the_page_needs_nothing_from_outside() -> None:
    text = sheet_html(piece(), DRAWING, "c1")
    page = Page(text)
    assert page.references == []
    assert not re.search(r"url\(|@import|<script|https?://", text)
    assert ("html", {"lang": "en"}) in page.tags
    assert DRAWING in text


def test_every_picture_has_words_for_who_can_not_see_it() -> None:
    page = Page(sheet_html(piece(), DRAWING, "c1"))
    pictures = [attributes for tag, attributes in page.tags if tag == "svg"]
    assert len(pictures) == 4
    assert len([t for t, _ in page.tags if t == "title"]) == 1 + len(pictures)
    assert all(attributes["role"] == "img" for attributes in pictures)


def test_what_is_shown_is_escaped() -> None:
    text = sheet_html(
        judged(), "", "<script>alert(1)</script>", made="<i>", keys={"a<b": '"><img src=x>'}
    )
    page = Page(text)
    assert "<script" not in text
    assert not {"img", "i", "flat", "b"} & {tag for tag, _ in page.tags}
    assert "<script>alert(1)</script>" in page.text
    assert "the whole & more" in page.text
    assert "Lay it <flat>." in page.text


def test_cautions_advice_and_why_three_repeats() -> None:
    text = Page(sheet_html(piece(), DRAWING, "c1")).text
    for words in (
        "Hot end and bed burn; moving parts pinch.", "harmful fumes: ventilate",
        "Do not leave a printer unattended", "let a qualified person do mains wiring",
        "Read each place 3 times.", "More than three buy little", "Print as it lies",
        "Outside jaws", "Inside jaws", "Depth rod", "Numbers 6-7, 13-14, 18-19",
        "Do sizes come out true", "truebead read sheet.csv",
    ):  # fmt: skip
        assert words in text
    assert "Balance" not in text


def test_judgements_have_words_to_circle_and_settings_that_change_are_listed() -> None:
    page = Page(sheet_html(judged(), "", "c1"))
    assert "circle one: yes · no" in page.text
    assert "circle one: stuck · press · slide · loose" in page.text
    assert "score 0-10" in page.text
    assert ["0", "5", "hot_end_c", "210"] in page.rows
    assert "Balance" in page.text
    assert "Outside jaws" not in page.text
    assert "Judge by eye once." in page.text
    assert "Where to measure" not in page.text


def test_nominal_values_in_inches() -> None:
    page = Page(sheet_html(piece(), DRAWING, "c1", unit="inch"))
    assert page.rows[1][2] == "1.5748 in"  # 40 mm / 25.4
    assert "Readings, lengths in inches" in page.text
