"""Thirty-odd bad pictures: each gives one clear line and exit code 2, and memory stays small."""

import io
import resource
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest
import typer
from PIL import Image, ImageDraw, ImageFilter
from typer.testing import CliRunner

from calib.cli import _Root
from calib.commands import photo as photo_commands
from calib.photo.lying import lay
from calib.photo.mat import Mat
from calib.readings import read_sheet, sheet_csv
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.photo_render import Placed, Scene, decoded, look, render

SIZE = (1350, 1800)
MAT = Mat("a4", "dark", 427)
PIECE = get("dimensional-cube").piece({}, PrintSetup())


@lru_cache(maxsize=1)
def good() -> Image.Image:
    placed = Placed(lay(PIECE.body, "bottom"), 3, 20, 25, "orange")
    camera = look(SIZE, tilt_deg=10, azimuth_deg=200, roll_deg=4)
    return Image.fromarray(decoded(render(Scene(MAT, camera, SIZE, (placed,), oversample=2))))


def app() -> typer.Typer:
    application = typer.Typer(cls=_Root)
    photo_commands.register(application)
    return application


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("TRUEBEAD_MATS", str(tmp_path / "mats.json"))
    text = sheet_csv(PIECE, "cube-1", "2026-03-01T10:00:00")
    (tmp_path / "sheet.csv").write_text(text, encoding="utf-8")
    return tmp_path


def jpeg(image: Image.Image, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=90, **options)  # type: ignore[arg-type]
    return out.getvalue()


def saved(image: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)  # type: ignore[arg-type]
    return out.getvalue()


def pixels(change: Callable[[np.ndarray], np.ndarray]) -> bytes:
    return jpeg(Image.fromarray(change(np.asarray(good())).astype(np.uint8)))


def png_header(width: int, height: int) -> bytes:
    """Return a PNG that claims a size and holds one row of it, well compressed."""
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)

    def chunk(name: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        )

    rows = zlib.compress(b"\0" * (3 * width + 1))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def text_bomb() -> bytes:
    body = b"note\0\0" + zlib.compress(b"0" * 80_000_000)
    chunk = (
        struct.pack(">I", len(body))
        + b"zTXt"
        + body
        + struct.pack(">I", zlib.crc32(b"zTXt" + body))
    )
    whole = saved(good().resize((1300, 1733)), "PNG")
    return whole[:33] + chunk + whole[33:]


def painted(box: tuple[int, int, int, int], colour: str) -> bytes:
    image = good().copy()
    ImageDraw.Draw(image).rectangle(box, fill=colour)
    return jpeg(image)


def oblique() -> bytes:
    camera = look(SIZE, tilt_deg=45, azimuth_deg=90)
    return jpeg(Image.fromarray(render(Scene(MAT, camera, SIZE))))


def crumpled(rgb: np.ndarray) -> np.ndarray:
    y, x = np.mgrid[0 : rgb.shape[0], 0 : rgb.shape[1]].astype(np.float32)
    return cv2.remap(rgb, x + 9 * np.sin(y / 90), y + 9 * np.sin(x / 70), cv2.INTER_LINEAR)


def other_board() -> bytes:
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    sheet = np.full((1400, 1400), 255, np.uint8)
    for n in range(36):
        i, j = n % 6, n // 6
        mark = cv2.aruco.generateImageMarker(words, 500 + n, 150)
        sheet[60 + 220 * j : 210 + 220 * j, 60 + 220 * i : 210 + 220 * i] = mark
    return jpeg(Image.fromarray(sheet))


def second_piece() -> bytes:
    image = good().copy()
    part = image.crop((520, 520, 830, 830)).resize((240, 240))
    image.paste(part, (330, 1180))
    return jpeg(image)


def without_piece() -> bytes:
    image = good().copy()
    empty = image.getpixel((500, 1150))
    ImageDraw.Draw(image).rectangle((440, 440, 920, 960), fill=empty)
    return jpeg(image)


def frames(kind: str) -> bytes:
    few = [good().resize((1300, 1733)), good().resize((1300, 1733)).rotate(1)]
    return saved(few[0], kind, save_all=True, append_images=few[1:])


NOISE = np.random.default_rng(1)
BAD: dict[str, tuple[Callable[[], bytes], str]] = {
    "empty.jpg": (lambda: b"", "not a picture"),
    "text.jpg": (lambda: b"feature,reading\n" * 99, "not a picture"),
    "document.jpg": (lambda: b"%PDF-1.4\n" + b"0" * 500, "not a picture"),
    "phone.heic": (lambda: b"\0\0\0\x18ftypheic" + b"\0" * 200, "HEIC"),
    "cut.jpg": (lambda: jpeg(good())[:60_000], "damaged picture"),
    "cut.png": (lambda: saved(good(), "PNG", compress_level=1)[:200_000], "damaged picture"),
    "scrambled.png": (lambda: saved(good(), "PNG", compress_level=1)[:90] + b"\xaa" * 9000, "picture"),
    "moving.gif": (lambda: frames("GIF"), "not a picture"),
    "moving.png": (lambda: frames("PNG"), "animation or several"),
    "moving.webp": (lambda: frames("WEBP"), "animation or several"),
    "pages.tif": (lambda: frames("TIFF"), "animation or several"),
    "print.jpg": (lambda: jpeg(good().convert("CMYK")), "CMYK"),
    "deep.png": (lambda: saved(Image.fromarray(np.full((1800, 1350), 40_000, np.uint16)), "PNG"), "16-bit"),
    "floats.tif": (lambda: saved(good().convert("F"), "TIFF"), "pixel type F"),
    "bomb.png": (lambda: png_header(60_000, 60_000), "pixels"),
    "large.png": (lambda: png_header(9_000, 8_000), "9000 x 8000"),
    "short.png": (lambda: png_header(3_000, 2_000), "no mat found"),
    "textbomb.png": (text_bomb, "damaged picture"),
    "small.jpg": (lambda: jpeg(good().resize((300, 400))), "only 300 x 400"),
    "white.jpg": (lambda: jpeg(Image.new("RGB", SIZE, "white")), "no mat found"),
    "black.jpg": (lambda: jpeg(Image.new("RGB", SIZE, "black")), "no mat found"),
    "noise.jpg": (lambda: jpeg(Image.fromarray(NOISE.integers(0, 255, (1500, 1300, 3), np.uint8))), "no mat found"),
    "board.jpg": (other_board, "not a Truebead mat"),
    "half.jpg": (lambda: jpeg(good().crop((0, 0, 1350, 950)).resize((2700, 1900))), "side can't be seen"),
    "left.jpg": (lambda: jpeg(good().crop((500, 0, 1350, 1800)).resize((1275, 2700))), "left side can't"),
    "hand.jpg": (lambda: painted((0, 0, 330, 1800), "peru"), "side can't be seen"),
    "covered.jpg": (lambda: painted((0, 0, 1350, 1500), "peru"), "side can't be seen"),
    "blurred.jpg": (lambda: jpeg(good().filter(ImageFilter.GaussianBlur(2.6))), "blurred"),
    "fog.jpg": (lambda: jpeg(good().filter(ImageFilter.GaussianBlur(12))), "no mat found"),
    "mirrored.jpg": (lambda: pixels(lambda rgb: rgb[:, ::-1]), "mirrored"),
    "bright.jpg": (lambda: pixels(lambda rgb: np.clip(rgb * 1.9, 0, 255)), "overexposed"),
    "dark.jpg": (lambda: pixels(lambda rgb: rgb * 0.18), "too dark"),
    "aslant.jpg": (oblique, "too oblique"),
    "crumpled.jpg": (lambda: pixels(crumpled), "flat mat"),
    "nothing.jpg": (without_piece, "no piece can be told from the paper"),
    "two.jpg": (second_piece, "something else lies"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_picture_gives_one_line_and_exit_2(name: str, folder: Path) -> None:
    make, words = BAD[name]
    (folder / name).write_bytes(make())
    before = (folder / "sheet.csv").read_bytes()
    run = CliRunner().invoke(
        app(), ["photo", str(folder), str(folder / name), "--side", "bottom", "--write"]
    )
    assert run.exit_code == 2, run.output
    assert run.stderr.startswith("truebead: ")
    assert run.stderr.count("\n") == 1
    assert words in run.stderr
    assert name in run.stderr
    assert ";" in run.stderr  # how to mend it
    assert (folder / "sheet.csv").read_bytes() == before
    assert not (folder / "photo.csv").exists()


def test_missing_photo_and_folder_given_as_photo(folder: Path) -> None:
    for given, words in (("nowhere.jpg", "no such file"), (".", "picture")):
        run = CliRunner().invoke(app(), ["photo", str(folder), str(folder / given)])
        assert run.exit_code == 2
        assert words in run.stderr
        assert run.stderr.count("\n") == 1


def test_the_same_picture_under_two_names_is_refused(folder: Path) -> None:
    for name in ("a.jpg", "b.jpg"):
        (folder / name).write_bytes(jpeg(good()))
    run = CliRunner().invoke(
        app(), ["photo", str(folder), *(str(folder / n) for n in ("a.jpg", "b.jpg"))]
    )
    assert run.exit_code == 2
    assert "b.jpg: the same picture as a.jpg" in run.stderr


def test_nothing_clear_ends_with_1_and_says_why(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from calib.photo.scale import PaperScale
    from calib.photo.session import Outcome
    from calib.workshop import photographing

    empty = Outcome((), (), (), PaperScale(), ("not measured, for no paper is seen beside it",))
    monkeypatch.setattr(photographing, "measure", lambda *_: empty)
    monkeypatch.setattr(photographing, "pictures", lambda _: (b"picture",))
    run = CliRunner().invoke(app(), ["photo", str(folder), "a.jpg", "--out", str(folder / "new")])
    assert run.exit_code == 1, run.output
    assert "Note: not measured" in run.output
    assert (folder / "new" / "photo.csv").exists()


def test_the_folder_for_results_is_asked_for_before_anything_is_measured(folder: Path) -> None:
    (folder / "photo.csv").write_text("kept")
    for more, words in (([], "--force"), (["--out", str(folder / "sheet.csv")], "no folder")):
        run = CliRunner().invoke(app(), ["photo", str(folder), str(folder / "nowhere.jpg"), *more])
        assert run.exit_code == 2
        assert words in run.stderr
    assert (folder / "photo.csv").read_text() == "kept"


def test_wrong_piece(folder: Path) -> None:
    other = get("hole-plate").piece({}, PrintSetup())
    (folder / "sheet.csv").write_text(sheet_csv(other, "plate-1", "2026-03-01"), encoding="utf-8")
    (folder / "a.jpg").write_bytes(jpeg(good()))
    run = CliRunner().invoke(app(), ["photo", str(folder), str(folder / "a.jpg")])
    assert run.exit_code == 2
    assert "can't be found" in run.stderr


def test_bad_scale_options(folder: Path) -> None:
    (folder / "a.jpg").write_bytes(jpeg(good()))
    for options, words in (
        (["--bar-x", "140"], "both --bar-x and --bar-y"),
        (["--bar-x", "5.51", "--bar-y", "5.51"], "inches"),
        (["--known", "nothing=40"], "no feature"),
        (["--known", "x_outside_low=2"], "far from its nominal"),
        (["--side", "under"], "no side"),
    ):
        run = CliRunner().invoke(app(), ["photo", str(folder), str(folder / "a.jpg"), *options])
        assert run.exit_code == 2
        assert words in run.stderr


@pytest.mark.parametrize("turn", [6])
def test_exif_turn_is_undone_and_readings_reach_the_sheet(turn: int, folder: Path) -> None:
    ways = {3: 180, 6: 90}  # counter-clockwise turns that the tag undoes (EXIF 2.3)
    stored = good().rotate(ways[turn], expand=True)
    exif = Image.Exif()
    exif[0x0112] = turn
    exif.get_ifd(0x8769)[0xA405] = 28
    (folder / "a.jpg").write_bytes(jpeg(stored, exif=exif))
    options = ["--side", "bottom", "--bar-x", "140", "--bar-y", "140", "--write"]
    run = CliRunner().invoke(app(), ["photo", str(folder), str(folder / "a.jpg"), *options])
    assert run.exit_code == 0, run.output
    sheet = read_sheet(folder / "sheet.csv")
    assert len(sheet.readings) >= 2  # over its outside: the rest has no paper beside it
    for reading in sheet.readings:
        assert reading.u
        off = abs(reading.value - PIECE.feature(reading.feature).nominal)
        assert off < max(0.2, 2 * reading.u)
    assert (folder / "a-measured.jpg").stat().st_size > 20_000
    rows = (folder / "photo.csv").read_text(encoding="utf-8")
    assert "feature,quantity,rung,value,u,unit,nominal,flags,photo" in rows
    again = CliRunner().invoke(app(), ["photo", str(folder), str(folder / "a.jpg"), *options])
    assert again.exit_code == 2
    assert "--force" in again.stderr


def test_grey_picture_is_measured_and_said_to_be_grey(folder: Path) -> None:
    (folder / "g.jpg").write_bytes(jpeg(good().convert("L")))
    run = CliRunner().invoke(
        app(), ["photo", str(folder), str(folder / "g.jpg"), "--side", "bottom", "--json"]
    )
    assert run.exit_code == 0, run.output
    assert "no colour in it" in run.stdout


def test_mat_command_writes_keeps_and_refuses(folder: Path) -> None:
    runner = CliRunner()
    out = folder / "m.pdf"
    made = runner.invoke(app(), ["mat", "--paper", "letter", "--number", "7", "--out", str(out)])
    assert made.exit_code == 0
    assert out.read_bytes()[:5] == b"%PDF-"
    assert "LETTER-G-0007" in made.stdout
    kept = runner.invoke(
        app(), ["mat", "--name", "letter-w-0007", "--bar-x", "139.5", "--bar-y", "140.2"]
    )
    assert kept.exit_code == 0
    assert "printed -0.33 % in X and +0.12 % in Y" in kept.stdout  # 139.5 and 140.2 of 140
    for options, words in (
        (["--out", str(out)], "--force"),
        (["--out", str(folder / "m.svg")], "neither .pdf nor .png"),
        (["--paper", "a0"], "no paper"),
        (["--name", "A4-W-0001"], "--bar-x"),
        (["--name", "Z9", "--bar-x", "140", "--bar-y", "140"], "no mat's name"),
        (["--number", "10000", "--out", str(folder / "n.pdf")], "not 0 to 9999"),
    ):
        run = runner.invoke(app(), ["mat", *options])
        assert run.exit_code == 2, options
        assert words in run.stderr


def test_memory_stayed_small() -> None:
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    assert peak_mib < 1024 + 600  # whatever ran before in this process, the renderer included


def test_help_loads_neither_numpy_nor_opencv() -> None:
    words = (
        "import sys, typer; from calib.commands import photo; photo.register(typer.Typer());"
        " print(sorted({'numpy', 'cv2', 'scipy', 'PIL'} & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_piece_that_no_photo_can_measure_is_refused(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(sheet_csv(get("wall-box").piece({}, PrintSetup()), "w", "2026-03-01"), "utf-8")
    picture = tmp_path / "a.jpg"
    Image.new("RGB", (1200, 1600), "white").save(picture)
    result = CliRunner().invoke(app(), ["photo", str(sheet), str(picture)])
    assert result.exit_code == 2
    assert "nothing on this piece can be measured in a photo" in result.output
