"""A layer of a sliced file before and after it was corrected: what is drawn, and where it moved most."""

import math
import re
import shutil
from pathlib import Path

import pytest

from calib.apply.gcode.job import Job
from calib.apply.gcode.layer import first_layer
from calib.apply.gcode.stream import rewrite_file
from calib.apply.linear import IDENTITY, Matrix, correction_matrix
from calib.desk.layers import SIZE, most_shifted, pictures
from tests.deskkit import Client, app_on, begun, furnished

#: A line beside the piece, then a square of 80 by 60 mm with a full circle in it, three layers high.
PURGE = "G1 Z0.3 F600\nG0 X5 Y5\nG1 Y60 E8\n"
SQUARE = "G0 X70 Y80\nG1 X150 E1\nG1 Y140 E1\nG1 X70 E1\nG1 Y80 E1\n"
CIRCLE = "G0 X125 Y110\nG3 X125 Y110 I-15 J0 E2\n"
SLICED = "G21\nG90\nM83\nG28\n" + PURGE + "".join(
    f"G1 Z{z:g}\n{SQUARE}{CIRCLE}" for z in (0.2, 0.4, 0.6)
)  # fmt: skip
CENTRE = (110.0, 110.0, 0.0)


def corrected(folder: Path, matrix: Matrix, flow: float = 1.0) -> tuple[Path, Path]:
    before, after = folder / "a.gcode", folder / "b.gcode"
    before.write_text(SLICED)
    rewrite_file(before, after, Job(matrix=matrix, centre_mm=CENTRE, flow=flow))
    return before, after


def test_the_layer_of_which_most_is_laid_is_found_and_not_the_line_beside_it() -> None:
    layer = first_layer(SLICED.splitlines())
    assert layer is not None
    assert layer.z_mm == pytest.approx(0.2)
    # the outline of a square, and the circumference of a circle
    assert layer.length_mm == pytest.approx(2 * (80 + 60) + 2 * math.pi * 15, rel=2e-3)
    assert len(layer.lines) == 2


@pytest.mark.parametrize(
    "text", ["", "G28\nM104 S0\n", "G1 X5\nG1 X9\n", "M83\nG28\nG1 X5 E1\n", "G2 X1 Y1 R0\n;"]
)
def test_a_file_that_lays_nothing_has_no_layer(text: str) -> None:
    assert first_layer(text.splitlines()) is None


def test_no_more_of_a_large_file_is_read_than_is_drawn() -> None:
    def endless():  # type: ignore[no-untyped-def]
        yield from SLICED.splitlines()
        z = 0.8
        while z < 3:
            yield f"G1 Z{z:g}"
            yield from SQUARE.splitlines()
            z += 0.2
        raise AssertionError("it is read to the end")

    assert first_layer(endless()) is not None


def test_what_moved_most_is_a_corner_by_as_much_as_the_map_says(tmp_path: Path) -> None:
    was, now = (
        first_layer(p.read_text().splitlines())
        for p in corrected(tmp_path, correction_matrix((0.995, 0.99, 1.0)))
    )
    assert was is not None
    assert now is not None
    shift = most_shifted(was, now)
    # 40 and 30 mm from the centre: 0.5 % and 1 % of these, and nothing else
    assert shift.mm == pytest.approx(math.hypot(0.005 * 40, 0.01 * 30), abs=2e-3)
    assert {abs(shift.at[0] - 110), abs(shift.at[1] - 110)} == {40.0, 30.0}


def test_both_are_drawn_and_the_place_is_magnified(tmp_path: Path) -> None:
    whole, near = pictures(*corrected(tmp_path, correction_matrix((0.99, 0.99, 1.0))))
    for drawn in (whole, near):
        paths = re.findall(r'class="(was|is)"[^>]* d="([^"]+)"', drawn.svg)
        assert [name for name, d in paths] == ["was", "is"]
        assert paths[0][1] != paths[1][1]
        assert max(map(float, re.findall(r'width="([\d.]+)" height', drawn.svg))) <= SIZE + 1
    assert "0.2" in whole.says
    assert "moved most: by 0.50 mm" in near.says  # 1 % of the 50 mm to a corner


def test_a_file_with_another_flow_alone_shows_that_no_line_moved(tmp_path: Path) -> None:
    (only,) = pictures(*corrected(tmp_path, IDENTITY, flow=0.97))
    assert "No line moved" in only.says


def test_a_corrected_sliced_file_comes_back_with_its_layer(tmp_path: Path) -> None:
    shutil.copy(furnished(), tmp_path / "store.db")
    client = Client(app_on(tmp_path / "store.db"))
    uid = begun(client)
    m = client.app.state.desk.workshop.read(uid)  # type: ignore[attr-defined]
    for f in m.piece.by_hand:
        if f.unit == "mm":
            fields = {"feature": f.id, "text": f"{f.nominal * 1.004:.2f}", "sure": "1"}
            client.submit(f"/piece/{uid}/reading", fields)
    client.submit(f"/piece/{uid}/keep", {"done": "keep"})
    answer = client.submit("/correct", files={"file": ("house.gcode", SLICED.encode())})
    place = answer.headers["location"]
    list(client.get(f"{place}/events").iter_lines())
    page = client.get(place).text
    assert "house.corrected.gcode" in page
    assert page.count("<figure") == 2, page[page.index("<main") :]
    picture = client.get(f"{place}/picture/0")
    assert picture.headers["content-type"].startswith("image/svg+xml")
    assert picture.text.count("<path") == 3
    for odd in ("2", "-1", "x"):
        assert client.get(f"{place}/picture/{odd}").status_code == 400
