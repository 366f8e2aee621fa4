"""The printable sheet: one file, complete, escaped, and the same numbers as sheet.csv."""

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calib import interpret
from calib.cli import build_app
from calib.readings import read_sheet, sheet_csv
from calib.report.reading_methods import METHODS, method_of, methods_of
from calib.report.sheet_page import sheet_html
from patterns import registry
from patterns.body import Body, box
from patterns.drawing import draw_piece
from patterns.feature import Feature, Kind
from patterns.grid import grid_of
from patterns.piece import Advice, Piece
from patterns.preview import preview_mesh
from patterns.schedule import ScheduleRow, schedule_csv
from patterns.spec import PrintSetup, Spec

VOID = {"meta", "br", "hr", "img", "input", "link"}
DRAWING = '<svg viewBox="0 0 9 9" role="img"><title>picture</title><circle r="1"/></svg>'


class Page(HTMLParser):
    """Checks that tags are closed in order, and collects text, links and table rows."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.raw = text
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
    def boxes(self) -> list[list[int]]:
        """The numbers in the boxes of the table of bands, row by row."""
        table = self.raw.partition('<table class="bands">')[2].partition("</table>")[0]
        found = [re.findall(r'class="no small">(\d+)<', row) for row in table.split("<tr>")]
        return [[int(n) for n in row] for row in found if row]

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
    grid = grid_of(p.by_hand)
    rows = [r for r in page.rows if len(r) > 4 and r[0].strip().isdecimal() and r[1]]
    rows = rows[-len(grid.rest) :] if grid.rest else []
    assert [int(r[0]) for r in rows] == [number for number, _ in grid.rest]
    for row, (_, f) in zip(rows, grid.rest, strict=True):
        assert row[1] == f.where
        if f.unit in ("mm", "g") and f.nominal == 0:
            assert row[2] == ""  # a place, or a length that nothing is drawn for
        elif f.unit in ("mm", "g"):
            assert float(row[2].split()[0]) == pytest.approx(f.nominal, abs=5e-4)
        assert len(row) == (5 if f.kind is Kind.PASS else 8)
    boxes = [n for row in page.boxes for n in row]
    assert sorted(boxes) == [number for row in grid.rows for number, _ in row]


@pytest.mark.parametrize("name", ["temperature-tower", "string-posts", "fit-gauge"])
def test_bands_stand_in_a_table_and_the_picture_shows_one_of_each(name: str) -> None:
    p = piece(name)
    page = Page(sheet_html(p, DRAWING, "c1"))
    grid = grid_of(p.by_hand)
    assert [len(row) for row in page.boxes] == [len(grid.columns)] * len(grid.rows)
    if name != "fit-gauge":  # a tower's highest band stands on top
        assert page.boxes[-1][0] == 1
    shown = draw_piece(p, preview_mesh(p.body)).count('class="balloon"')
    assert shown == len(grid.rows) + len(grid.columns) - 1 + len(grid.rest)


@pytest.mark.parametrize(
    ("setup", "type_name", "said"),
    [
        (PrintSetup(), "PETG", "235 °C"),
        (PrintSetup(hot_end_max_c=230.0), "PETG", "230 °C"),
        (PrintSetup(hot_end_max_c=200.0), "PETG", "none: PETG needs 220 °C"),
        (PrintSetup(bed_max_c=0.0), "PLA", "unheated"),
        (PrintSetup(bed_max_c=60.0), "ABS", "60 °C, its rating"),
        (PrintSetup(), "", "PLA (say yours: --spool)"),
    ],
)
def test_the_print_box_starts_within_the_rating(
    setup: PrintSetup, type_name: str, said: str
) -> None:
    p = registry.get("wall-box").piece({}, setup)
    assert said in Page(sheet_html(p, "", "c1", filament=type_name)).text


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
    assert len(pictures) == 5
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
    text = Page(sheet_html(piece(), DRAWING, "c1", repeats=3)).text
    for words in (
        "Hot end and bed burn; moving parts pinch.", "harmful fumes: ventilate",
        "Do not leave a printer unattended", "let a qualified person do mains wiring",
        "Read each place 3 times.", "More than three buy little", "Print as it lies",
        "Outside jaws", "Inside jaws", "Depth rod", "Numbers 7, 14, 18-19",
        "Do sizes come out true", "truebead read sheet.csv",
    ):  # fmt: skip
        assert words in text
    assert "Balance" not in text


def test_judgements_have_words_to_circle_and_settings_that_change_are_listed() -> None:
    page = Page(sheet_html(judged(), "", "c1"))
    assert "circle one: yes · no" in page.text
    assert "circle one: stuck · press · slide · loose" in page.text
    assert "score 0-10" in page.text
    assert ["0", "5", "hot-end temperature, °C", "210"] in page.rows
    assert "Balance" in page.text
    assert "Outside jaws" not in page.text
    assert "Judge each place once." in page.text
    assert "Where to measure" not in page.text


def test_nominal_values_in_inches() -> None:
    page = Page(sheet_html(piece(), DRAWING, "c1", unit="inch"))
    row = next(r for r in page.rows if r[0].strip() == "1" and len(r) > 3)
    assert row[2] == "1.1811 in"  # 30 mm / 25.4
    assert "Readings, lengths in inches" in page.text


# How to read each thing, checked against what a user can and cannot do with it.


def ways(name: str) -> dict[str, str]:
    """Name of each way -> all its words and numbers."""
    return {
        way.name: " ".join((*way.rules, numbers))
        for way, _, numbers in methods_of(piece(name).features)
    }


def test_the_lowest_millimetre_is_spoken_of_only_where_there_is_one() -> None:
    for name in registry.all_patterns() | registry.all_checks():
        for f in piece(name).features:
            words = " ".join(METHODS[method_of(f)].rules)
            if "lowest millimetre" in words:
                assert min(f.start[2], f.end[2]) > 1.0, (name, f.id)
    assert "lowest millimetre" in ways("dimensional-cube")["Outside jaws"]


def test_no_piece_no_temperature_of_a_piece() -> None:
    for name in registry.all_checks():
        page = Page(sheet_html(piece(name), "", "c1"))
        assert "temperature of the piece" not in page.text
        assert "part_c" not in sheet_csv(piece(name), "c1", "2026-03-12")
    assert "part_c" in sheet_csv(piece(), "c1", "2026-03-12")


def test_commands_stay_within_the_axes() -> None:
    """RS-274 words (NIST IR 6556): G1 with X, Y, Z and F; no target beyond the build volume."""
    setup = PrintSetup(build_x_mm=60.0, build_y_mm=60.0, build_z_mm=60.0)
    for name in registry.all_checks():
        drawn = registry.get(name).piece({}, setup)
        text = " ".join((*drawn.advice.notes, *(f.where for f in drawn.features)))
        targets = [float(t) for t in re.findall(r"G1 [XYZ]([\d.]+)", text)]
        assert all(0 <= t <= 60 for t in targets)
        assert targets or name == "filament-diameter"


def test_what_is_tried_by_hand_is_no_matter_of_yes_or_no() -> None:
    assert set(ways("fit-gauge")) == {"By hand", "Outside jaws"}
    text = sheet_csv(piece("fit-gauge"), "c1", "2026-03-12")
    assert "yes or no" not in text
    assert "stuck, press, slide, loose" in text
    assert "yes or no" in sheet_csv(piece("bridge-ladder"), "c1", "2026-03-12")


@pytest.mark.parametrize("name", sorted(registry.all_patterns() | registry.all_checks()))
def test_lines_that_help_stand_empty_on_the_sheet_and_are_explained(name: str) -> None:
    lines = piece(name).head_lines
    text = sheet_csv(piece(name), "c1", "2026-03-12")
    page = Page(sheet_html(piece(name), "", "c1"))
    for line in lines:
        assert f"\n# {line.key}:\n" in text
        assert f"## {line.key}: " in text
        assert line.meaning in page.text
        filled = text.replace(f"\n# {line.key}:\n", f"\n# {line.key}: {line.example}\n")
        assert read_sheet(filled.encode()).keys[line.key] == line.example
    assert bool(lines) == ("Worth writing down" in page.text)


def test_every_line_that_the_fits_understand_is_declared_by_some_pattern() -> None:
    """The keys asked for in `calib/interpret` are found in its source, not listed by hand."""
    folder = Path(interpret.__file__).parent
    source = " ".join(p.read_text(encoding="utf-8") for p in folder.glob("*.py"))
    asked = set(re.findall(r'(?:key_numbers?\(sheet, |sheet\.keys\.get\()"(\w+)"', source))
    declared = {
        line.key
        for name in registry.all_patterns() | registry.all_checks()
        for line in piece(name).head_lines
    }
    assert {"jaws_closed_mm", "screws_mm"} <= asked
    by_photo = {
        "photo_scale_u",
        "photo_edge_u_mm",
    }  # the photo command writes them, with their meaning
    assert asked <= declared | by_photo
    weights = {key.removeprefix("weight_") for key in declared if key.startswith("weight_")}
    towers = ("temperature-tower", "string-posts", "setting-ladder")
    groups = {f.group for name in towers for f in piece(name).features}
    assert weights == groups


def test_legend_and_table_call_a_thickness_a_thickness() -> None:
    for name, word in (("bridge-ladder", "thickness"), ("bed-patches", "thickness")):
        drawn = piece(name)
        svg = draw_piece(drawn, preview_mesh(drawn.body))
        page = Page(sheet_html(drawn, svg, "c1"))
        assert f">{word}</text>" in svg
        assert "between two upper faces" not in svg
        assert "to an upper face" not in svg
        assert any(row[3].strip().startswith(word) for row in page.rows[1:] if len(row) > 3)


def test_how_a_schedule_gets_into_the_print(tmp_path: Path) -> None:
    """The command on the page is run on a small file."""
    drawn = piece("temperature-tower")
    page = Page(sheet_html(drawn, "", "c1")).text
    command = re.search(
        r"truebead (apply FILE\.gcode --schedule schedule\.csv --hot-end-max \d+)", page
    )
    assert command
    (tmp_path / "schedule.csv").write_text(schedule_csv(drawn.schedule, ""), encoding="utf-8")
    layers = "".join(
        f"G1 Z{0.2 * (n + 1):.1f} F300\nG1 X50 Y50 F3000\nG1 X70 Y50 E1 F1200\n" for n in range(321)
    )
    sliced = tmp_path / "FILE.gcode"
    sliced.write_text(f"M104 S205\nG21\nG90\nM83\nG28\n{layers}", encoding="utf-8")
    words = [str(tmp_path / w) if "." in w else w for w in command[1].split()]
    result = CliRunner().invoke(build_app(), [*words, "--build", "220x220x250"])
    assert result.exit_code == 0, result.output
    written = next(p for p in tmp_path.glob("*.gcode") if p != sliced).read_text(encoding="utf-8")
    assert [float(t) for t in re.findall(r"M104 S([\d.]+)", written)][-9:] == [
        row.value for row in drawn.schedule
    ]
    posts = Page(sheet_html(piece("string-posts"), "", "c1")).text
    assert "truebead apply FILE.gcode --schedule schedule.csv" in posts  # retraction goes in, too


def test_what_an_empty_line_means_is_what_the_fits_then_take() -> None:
    from calib.interpret.bed import _USUAL_THREAD
    from calib.interpret.limits import ALLOWED_SAG_MM

    meanings = {
        line.key: line.meaning
        for name in registry.all_patterns()
        for line in piece(name).head_lines
    }
    assert meanings["screw_thread"].endswith(f"empty: {_USUAL_THREAD}")
    assert meanings["allowed_sag_mm"].endswith(f"empty: {ALLOWED_SAG_MM:g}")


def test_bed_and_screws_are_drawn_round_the_patches() -> None:
    drawn = piece("bed-patches")
    svg = draw_piece(drawn, preview_mesh(drawn.body))
    assert "front of the printer" in svg
    assert "levelling screws" in svg
    assert len(drawn.screws_mm) == 4
    cube = piece()
    assert "front of the printer" not in draw_piece(cube, preview_mesh(cube.body))


def test_the_page_says_what_a_photo_gives() -> None:
    tower = Page(sheet_html(piece("temperature-tower"), "", "c1")).text
    assert "strings in mm²" in tower
    assert "truebead photo sheet.csv PHOTO --write" in tower
    assert "thickness with its sag" in Page(sheet_html(piece("bridge-ladder"), "", "c1")).text
    assert "truebead photo" not in Page(sheet_html(piece("wall-box"), "", "c1")).text
