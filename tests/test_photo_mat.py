"""The mat on paper: sizes against ISO 216, ANSI and ISO/IEC 7810, and the PDF rasterised."""

import io

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from calib.photo.mat import (
    BAR_MM,
    CARD_MM,
    CENTRES,
    PAPERS,
    SQUARE_MM,
    Mat,
    bars_mm,
    mat_from_codes,
    serial_of,
)
from calib.photo.mat_draw import mat_pdf, mat_png
from calib.photo.mats import keep_bars, scale_of
from patterns.errors import BadInput

ALL = [Mat(paper, centre, 427) for paper in ("a4", "letter") for centre in CENTRES]


def page_at(mat: Mat, dpi: int) -> np.ndarray:
    page = pypdfium2.PdfDocument(mat_pdf(mat))[0]
    return np.asarray(page.render(scale=dpi / 72, grayscale=True).to_numpy()).squeeze()


def run_length_px(line: np.ndarray) -> float:
    """Length of the dark run in a row or column of grey levels, its ends by their coverage."""
    return float((1 - line / 255.0).sum())


@pytest.mark.parametrize("mat", ALL, ids=lambda m: m.name)
def test_pdf_bars_are_true_to_two_hundredths_at_600_dpi(mat: Mat) -> None:
    picture = page_at(mat, 600)
    height_mm = mat.page_mm[1]
    px_per_mm = picture.shape[1] / mat.page_mm[0]  # the library fits the page to whole pixels
    assert px_per_mm == pytest.approx(600 / 25.4, rel=2e-4)
    x_bar, y_bar = bars_mm(mat)
    row = picture[round((height_mm - (x_bar.y0 + x_bar.y1) / 2) * px_per_mm)]
    part = row[round((x_bar.x0 - 3) * px_per_mm) : round((x_bar.x1 + 3) * px_per_mm)]
    assert run_length_px(part) / px_per_mm == pytest.approx(BAR_MM, abs=0.02)
    px_per_mm = picture.shape[0] / height_mm
    column = picture[:, round((y_bar.x0 + y_bar.x1) / 2 * px_per_mm)]
    part = column[
        round((height_mm - y_bar.y1 - 3) * px_per_mm) : round(
            (height_mm - y_bar.y0 + 3) * px_per_mm
        )
    ]
    assert run_length_px(part) / px_per_mm == pytest.approx(BAR_MM, abs=0.02)


def test_pages_are_iso_216_a4_and_ansi_letter() -> None:
    assert PAPERS["a4"] == (210.0, 297.0)  # ISO 216
    assert PAPERS["letter"] == pytest.approx((8.5 * 25.4, 11 * 25.4))  # ANSI/ASME Y14.1 size A
    for mat in ALL:
        width, height = pypdfium2.PdfDocument(mat_pdf(mat))[0].get_size()
        assert width / 72 * 25.4 == pytest.approx(mat.page_mm[0], abs=0.001)
        assert height / 72 * 25.4 == pytest.approx(mat.page_mm[1], abs=0.001)


def test_card_place_is_id_1_and_inside_the_empty_centre() -> None:
    assert CARD_MM == (85.60, 53.98)  # ISO/IEC 7810
    for mat in ALL:
        x0, y0, x1, y1 = mat.card_mm
        assert (x1 - x0, y1 - y0) == pytest.approx(CARD_MM)
        a, b, c, d = mat.empty_mm
        assert a < x0 < x1 < c
        assert b < y0 < y1 < d


def test_everything_printed_lies_on_the_page_clear_of_the_margin() -> None:
    for mat in ALL:
        dark = np.argwhere(page_at(mat, 100) < 128) / (100 / 25.4)
        low, high = dark.min(axis=0), dark.max(axis=0)
        assert (low > 4.2).all()  # most office printers leave 4.23 mm (common practice, no source)
        assert (np.array(mat.page_mm[::-1]) - high > 4.2).all()


def test_png_carries_its_resolution_and_the_same_bars() -> None:
    mat = Mat("a4", "dark", 3)
    image = Image.open(io.BytesIO(mat_png(mat)))
    assert image.info["dpi"] == pytest.approx((600, 600), abs=0.01)
    assert image.size == (round(210 / 25.4 * 600), round(297 / 25.4 * 600))
    x_bar = bars_mm(mat)[0]
    row = np.asarray(image.convert("L"))[round((297 - x_bar.y0 - 1.5) * 600 / 25.4)]
    part = row[round((x_bar.x0 - 3) * 600 / 25.4) : round((x_bar.x1 + 3) * 600 / 25.4)]
    assert run_length_px(part) / (600 / 25.4) == pytest.approx(BAR_MM, abs=0.02)


def test_saddles_are_whole_squares_from_the_middle() -> None:
    for mat in ALL:
        steps = mat.saddles_mm / SQUARE_MM * 2
        assert np.allclose(steps, np.round(steps))
        assert np.abs(mat.saddles_mm.mean(axis=0)).max() < 1e-9


def test_every_mat_is_told_from_its_codes_and_its_number_from_any_pair_that_spells_it() -> None:
    for mat in [*ALL, Mat("a4", "white", 9999), Mat("letter", "dark", 0)]:
        codes, spelling = mat.marker_codes, mat.spelling
        own = [c for n, c in enumerate(codes) if n not in spelling]
        assert len(set(own)) == len(own)
        kind, places = mat_from_codes(codes)
        assert (kind.paper, kind.centre) == (mat.paper, mat.centre)
        assert all(codes[places[c]] == c for c in own)
        assert len(spelling) >= 16
        for a, b in zip(spelling[::2], spelling[1::2], strict=True):
            assert serial_of([codes[a], codes[b]]) == mat.serial
            assert serial_of([codes[a]]) is None
        assert serial_of([*(codes[n] for n in spelling), 800 + (codes[0] - 799) % 100]) is None
        assert Mat.from_name(mat.name) == mat


def test_measured_bars_are_kept_for_one_mat_and_nonsense_is_refused(tmp_path) -> None:
    path = tmp_path / "mats.json"
    assert scale_of(path, "A4-W-0427") is None
    keep_bars(path, "A4-W-0427", 139.3, 138.6)
    keep_bars(path, "A4-D-0001", 140.0, 140.0)
    scale = scale_of(path, "A4-W-0427")
    assert scale is not None
    assert scale.factors == pytest.approx(
        [139.3 / 140, 138.6 / 140], abs=0.5 * 0.1 / 140
    )  # what is usual pulls a little, less than half of what 0.1 mm on a bar means
    assert scale.sd_along(np.array([1.0, 0.0])) == pytest.approx(0.1 / 140, rel=0.05)
    assert scale_of(path, "A4-W-0428") is None
    with pytest.raises(BadInput, match="inches"):
        keep_bars(path, "A4-W-0427", 5.51, 5.51)
    path.write_text("{nonsense")
    with pytest.raises(BadInput, match="can't be read"):
        scale_of(path, "A4-W-0427")
