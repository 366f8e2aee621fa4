"""Broken sheets: each gives one line that says what, where and how to mend it."""

import math
import re
import struct
import zipfile
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.errors import BadInput, SheetError
from calib.readings import read_sheet, sheet_csv
from patterns import registry
from patterns.spec import PrintSetup

GOOD = sheet_csv(
    registry.get("dimensional-cube").piece({"size_mm": "40"}, PrintSetup()),
    "c1",
    "2026-03-12T14:30",
    repeats=3,
)
LINE = next(k for k, line in enumerate(GOOD.splitlines(), 1) if line.startswith("1,x_outside_low"))
CELL = f"sheet.csv line {LINE}, column 'reading 2' (feature x_outside_low): "


def with_cell(text: str) -> str:
    """Put text into reading 2 of x_outside_low."""
    return re.sub(r"(1,x_outside_low,.*,mm,),,", lambda m: f"{m[1]}39.97,{text},", GOOD)


def changed(old: str, new: str) -> str:
    assert old in GOOD
    return GOOD.replace(old, new)


CELLS = [
    ("forty", "'forty' is not a number; write a number such as 39.97, or leave it empty"),
    ("nan", "'nan' is not a number"),
    ("inf", "'inf' is not a number"),
    ("-inf", "'-inf' is not a number"),
    ("39.9.7", "can be read in more than one way; write one number"),
    ('"1.234,5"', "'1.234,5' can be read in more than one way"),
    ('"1,234.5"', "can be read in more than one way"),
    ("1 234.5", "can be read in more than one way"),
    ("1'234.5", "can be read in more than one way"),
    ("39.97 39.98", "can be read in more than one way"),
    ("39.97; 39.98", "is not a number with a unit that is known here"),
    ("12. Mar", "'12. Mar' is a date, probably made out of a number by a spreadsheet"),
    ("2026-03-12", "is a date"),
    ("12.03.2026", "is a date"),
    ("12.03.", "is a date"),
    ("Mrz 12", "is a date"),
    ("12-Mär-26", "is a date"),
    ("3/12/26", "is a date"),
    ("39:97", "is a date"),
    ("#DIV/0!", "'#DIV/0!' is an error of the spreadsheet, not a reading"),
    ("#WERT!", "is an error of the spreadsheet"),
    ("########", "is an error of the spreadsheet"),
    ("=B2+1", "is a formula; write the reading itself"),
    ("-39.97", "is negative, a length is not"),
    ("\N{MINUS SIGN}39.97", "is negative, a length is not"),
    ("0", "a length of 0 is not a reading; leave the cell empty"),
    ("0.00 mm", "a length of 0 is not a reading"),
    ("39970000", "is far too large for a length; check the decimal point"),
    ("1e9", "is far too large for a length"),
    ("39.97 g", "is in g, but this is read in mm; check that the reading stands in the right row"),
    ("39.97 ft", "is not a number with a unit that is known here; write the number alone"),
    ("39.97 +-", "is not a number"),
    ("39.97 ± 0", "no uncertainty"),
    ("40 %", "is not a number with a unit that is known"),
    ("٣٩", "is not a number"),
    ("\x07", "is not a number"),
]


@pytest.mark.parametrize(("text", "words"), CELLS)
def test_a_cell_that_makes_no_sense(text: str, words: str) -> None:
    with pytest.raises(SheetError) as caught:
        read_sheet(with_cell(text))
    assert caught.value.line.startswith(CELL)
    assert words in caught.value.line
    assert "\n" not in caught.value.line


SHEETS = [
    ("", "sheet.csv: the file is empty; give the piece's sheet.csv"),
    (" \n\n", "the file is empty"),
    ("one,two\n1,2\n", "there is no row with the names of the columns"),
    ("feature,reading 1\nx_outside_low,40\n", "the line '# pattern: ...' is missing"),
    (changed("sheet: 1", "sheet: 2"), "line 1, '# truebead sheet': the sheet is of version 2, made by a later Truebead; this one reads 1; bring Truebead up to date"),
    (changed("sheet: 1", "sheet: one"), "the version 'one' is not a whole number"),
    (changed("dimensional-cube", "dimensional-cub"), "line 2, '# pattern': there is no pattern 'dimensional-cub'; did you mean dimensional-cube?"),
    (changed("dimensional-cube", ""), "the line '# pattern: ...' is missing"),
    (changed("size_mm: 40.0", "size_mm: forty"), "'# spec.size_mm': size_mm: 'forty' is not a number; try 0.0"),
    (changed("size_mm: 40.0", "size_mm: 400"), "'# spec.size_mm': size_mm must be 0 to 150 mm (got 400.0)"),
    (changed("spec.size_mm", "spec.length_mm"), "there is no parameter 'length_mm'; the parameters are size_mm"),
    (changed("size_mm: 40.0", "size_mm: 50"), "the nominal value is 40 here, but 50 on the piece that the head describes"),
    (changed("# spec.size_mm: 40.0\n", "# spec.size_mm: 40.0\n# spec.size_mm: 41\n"), "'# spec.size_mm' is '41' here but '40.0' on line"),
    (changed("nozzle_mm: 0.4", "nozzle_mm: 0"), "'# setup.nozzle_mm': nozzle_mm must be 0.1 to 2 mm"),
    (changed("layer_mm: 0.2", "layer_mm: 0.39"), "'# setup.layer_mm': layer_mm 0.39 is more than 0.8 x the nozzle"),
    (changed("size_mm: 40.0", "size_mm: 60").replace("build_x_mm: 220.0", "build_x_mm: 50"), "line 2, '# pattern': dimensional-cube is 60.0 mm along X, the printer builds 50.0 mm; give a smaller size_mm"),
    (changed("unit: mm", "unit: feet"), "line 5, '# unit': the unit 'feet' is neither mm nor inch"),
    (changed("made: 2026-03-12T14:30", "made: last week"), "'# made': the date 'last week' can't be read; write it like 2026-03-12T14:30"),
    (changed("caliper_mpe_mm: 0.03", "caliper_mpe_mm: good"), "'# caliper_mpe_mm': 'good' is not a number that fits here"),
    (changed("caliper_resolution_mm: 0.01", "caliper_resolution_mm: 0"), "'# caliper_resolution_mm': 0 is too small"),
    (changed("caliper_mpe_mm: 0.03", "caliper_mpe_mm: -1"), "-1 is too small"),
    (changed("part_c:", "part_c: warm"), "'# part_c': 'warm' is not a number"),
    (changed("part_c:", "part_c: 73 F"), "'73 F' is not a number that fits here; write a number alone"),
    (changed("x_outside_mid", "x_outside_mit"), "column 'feature': the piece has no feature 'x_outside_mit'; did you mean x_outside_mid?"),
    (changed("x_outside_mid", "x_outside_low"), "the feature x_outside_low stands on line"),
    (changed("x_outside_mid", "zzzzzz"), "the piece has no feature 'zzzzzz'; put the name back"),
    (re.sub(r"1,x_outside_low,(.*,mm,),,", r"1,,\g<1>39.97,,", GOOD), "the feature's name is missing"),
    (changed("outside,X,40,mm", "outside,X,41,mm"), "column 'nominal' (feature x_outside_low): the nominal value is 41 here, but 40 on the piece"),
    (changed("outside,X,40,mm", "outside,X,4O,mm"), "the nominal value '4o' is not a number; empty the cell"),
    (changed("outside,X,40,mm", "outside,X,40,ft"), "column 'unit': the unit 'ft' is neither mm nor in"),
    (changed("outside,X,40,mm,,,", "outside,X,40,mm,39,97,,"), "39,97 stands in two cells: a decimal comma in a file separated by commas"),
    (changed("outside,X,40,mm,,,", "outside,X,40,mm,39,97,39,98,40,01"), "39,97 stands in two cells"),
    (changed("outside,X,40,mm,,,", 'outside,X,40,mm,"39.97,,'), "a quotation mark is opened here and not closed"),
    (changed("number,feature", "number,thing"), "there is no row with the names of the columns"),
    (GOOD + "\n" + GOOD, "column 'feature': the names of the columns stand here a second time; keep one sheet"),
    (b"solid cube\n facet normal 0 0 1\n", "this is an STL model, not a measurement sheet; give the piece's sheet.csv"),
    (b"\0" * 80 + struct.pack("<I", 2) + b"\1" * 100, "this is an STL model"),
    (b"\x89PNG\r\n\x1a\n" + bytes(50), "this is a PNG picture"),
    (b"\xff\xd8\xff\xe0" + bytes(50), "this is a JPEG picture"),
    (b"%PDF-1.7\n", "this is a PDF document"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(50), "this is a spreadsheet or office file, not a measurement sheet; save it as CSV"),
    (b"PK\x03\x04 truncated", "this is a zip archive"),
    (b"{\"piece\": 1}", "this is a JSON file"),
    (b"<!DOCTYPE html><html></html>", "this is an HTML page"),
    (b"ISO-10303-21;\nHEADER;", "this is a STEP model"),
    (bytes(range(256)) * 4, "this is a binary file"),
    (GOOD + "7,\n" * 20_001, "has more than 20000 lines, too many for a sheet"),
    (b"a" * 4_000_001, "is larger than 4 MB"),
]  # fmt: skip


@pytest.mark.parametrize(("source", "words"), SHEETS)
def test_a_sheet_that_makes_no_sense(source: str | bytes, words: str) -> None:
    with pytest.raises(SheetError) as caught:
        read_sheet(source)
    assert words in caught.value.line
    assert caught.value.line.startswith("sheet.csv")
    assert "\n" not in caught.value.line


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ("xl/workbook.xml", "this is a spreadsheet file, not a measurement sheet; save it as CSV"),
        ("content.xml", "this is a spreadsheet file"),
        ("3D/3dmodel.model", "this is a 3MF model"),
        ("notes.txt", "this is a zip archive"),
    ],
)
def test_zip_files_are_told_apart(tmp_path: Path, entry: str, words: str) -> None:
    packed = BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr(entry, "x")
    path = tmp_path / "sheet.xlsx"
    path.write_bytes(packed.getvalue())
    with pytest.raises(SheetError, match=words):
        read_sheet(path)


def test_files_that_can_not_be_read(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"lost\.csv: there is no such file; check the name"):
        read_sheet(tmp_path / "lost.csv")
    with pytest.raises(SheetError, match=r"sheet\.csv: there is no such file"):
        read_sheet(tmp_path)
    with pytest.raises(SheetError, match="can't be read"):
        read_sheet(Path("a\0b"))


def test_a_step_next_to_nothing_is_refused_like_any_other() -> None:
    piece = registry.get("string-posts").piece({}, PrintSetup())
    text = sheet_csv(piece, "c1", "2026-03-12")
    old = next(line for line in text.splitlines() if line.startswith("# spec.step_value"))
    with pytest.raises(SheetError, match="values, at most 60"):
        read_sheet(text.replace(old, "# spec.step_value: 5e-324"))


def test_several_bad_cells_give_one_line_that_counts_them() -> None:
    text = with_cell("forty").replace("outside,X,30,mm,,,", "outside,X,30,mm,bad,worse,30")
    with pytest.raises(SheetError) as caught:
        read_sheet(text)
    assert (
        f"(2 more to mend: line {LINE + 1}, column 'reading 1', {LINE + 1}, column 'reading 2')"
        in (caught.value.line)
    )


def line_of(source: str | bytes) -> str:
    """Return the message, empty where the sheet can be read."""
    try:
        sheet = read_sheet(source)
    except BadInput as err:
        return err.line
    assert all(math.isfinite(r.value) for r in sheet.readings)
    return ""


@given(st.binary(max_size=600))
def test_random_bytes_raise_nothing_but_bad_input(data: bytes) -> None:
    with pytest.raises(BadInput):
        read_sheet(data)


@given(st.data())
def test_a_damaged_sheet_is_read_or_raises_bad_input(data: st.DataObject) -> None:
    whole = bytearray(with_cell("39.98").encode(data.draw(st.sampled_from(["utf-8", "utf-16"]))))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(whole) - 1))
        piece = data.draw(
            st.sampled_from([b'"', b",", b";", b"\n", b"\0", b"\xff", b"#", b":", b"9"])
        )
        whole[at : at + data.draw(st.integers(0, 30))] = piece
    assert "\n" not in line_of(bytes(whole))


@given(st.text(max_size=30))
def test_any_text_in_a_cell_is_read_or_raises_bad_input(text: str) -> None:
    quoted = text.replace('"', '""')
    assert "\n" not in line_of(with_cell(f'"{quoted}"'))
