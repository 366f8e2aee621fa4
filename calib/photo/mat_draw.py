"""Write a mat as PDF (vector) or PNG (600 dpi), true to scale."""

import io
import itertools
import zlib

import numpy as np
from numpy.typing import NDArray

from calib.photo.mat import BLACK, Ink, Mat, Rect, Text, shapes

MM_PER_INCH = 25.4
POINTS_PER_MM = 72.0 / MM_PER_INCH
PNG_DPI = 600


def mat_pdf(mat: Mat) -> bytes:
    """Return the page as PDF 1.4: filled rectangles and Helvetica, one unit of 1/72 inch."""
    width, height = (round(v * POINTS_PER_MM, 4) for v in mat.page_mm)
    scale = f"{POINTS_PER_MM:.8f} 0 0 {POINTS_PER_MM:.8f} 0 0 cm"
    content = "\n".join([scale, *_pdf_content(shapes(mat))])
    stream = zlib.compress(content.encode("latin-1"))
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width} {height}] /Contents 4 0 R "
        f"/Resources << /Font << /F1 5 0 R >> >> >>".encode(),
        b"<< /Length %d /Filter /FlateDecode >>\nstream\n" % len(stream) + stream + b"\nendstream",
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
        f"<< /Title (Truebead mat {mat.name}) >>".encode(),
    ]
    return _pdf_file(objects)


def _pdf_file(objects: list[bytes]) -> bytes:
    out = io.BytesIO()
    out.write(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
    offsets = []
    for number, body in enumerate(objects, start=1):
        offsets.append(out.tell())
        out.write(b"%d 0 obj\n" % number + body + b"\nendobj\n")
    start = out.tell()
    out.write(b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1))
    out.writelines(b"%010d 00000 n \n" % offset for offset in offsets)
    out.write(
        b"trailer\n<< /Size %d /Root 1 0 R /Info %d 0 R >>\nstartxref\n%d\n%%%%EOF\n"
        % (len(objects) + 1, len(objects), start)
    )
    return out.getvalue()


def _pdf_content(painted: list[Rect | Text]) -> list[str]:
    """Rectangles of one ink in a row become one path, so that no seams show between them."""
    out = []
    for (is_rect, ink), run in itertools.groupby(painted, lambda s: (isinstance(s, Rect), s.ink)):
        if is_rect:
            out += [_pdf_ink(ink), *(_pdf_rect(s) for s in run if isinstance(s, Rect)), "f"]
        else:
            out += [_pdf_text(s) for s in run if isinstance(s, Text)]
    return out


def _pdf_ink(ink: Ink) -> str:
    """Black and greys as such: a printer then takes its black ink alone, and edges stay sharp."""
    return f"{ink[0]:g} g" if len(set(ink)) == 1 else f"{ink[0]:g} {ink[1]:g} {ink[2]:g} rg"


def _pdf_rect(r: Rect) -> str:
    return f"{r.x0:.5f} {r.y0:.5f} {r.x1 - r.x0:.5f} {r.y1 - r.y0:.5f} re"


def _pdf_text(t: Text) -> str:
    words = t.words.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
    turn = "0 1 -1 0" if t.turn_deg == 90 else "1 0 0 1"
    return (
        f"BT {_pdf_ink(t.ink)} /F1 {t.size_mm:g} Tf {turn} {t.x:.4f} {t.y:.4f} Tm ({words}) Tj ET"
    )


def raster(mat: Mat, px_per_mm: float) -> NDArray[np.uint8]:
    """Return the page as (h, w, 3) sRGB levels, 0 to 255, edges weighted by the area they cover.

    Row 0 is the top of the page; pixel (i, j) covers x from i to i + 1 pixels.
    """
    width, height = mat.page_mm
    size = (round(height * px_per_mm), round(width * px_per_mm), 3)
    page = np.full(size, 1.0, dtype=np.float32)
    for shape in shapes(mat):
        if isinstance(shape, Rect):
            _fill(page, shape, height, px_per_mm)
    picture = np.rint(np.clip(page, 0, 1) * 255).astype(np.uint8)
    texts = [s for s in shapes(mat) if isinstance(s, Text)]
    return _write_words(picture, texts, height, px_per_mm)


def _fill(page: NDArray[np.float32], r: Rect, height_mm: float, px_per_mm: float) -> None:
    i0, cover_x = _cover(r.x0 * px_per_mm, r.x1 * px_per_mm)
    j0, cover_y = _cover((height_mm - r.y1) * px_per_mm, (height_mm - r.y0) * px_per_mm)
    part = page[j0 : j0 + len(cover_y), i0 : i0 + len(cover_x)]
    cover = np.outer(cover_y, cover_x)[:, :, None]
    if r.ink == BLACK:
        part -= cover  # black shapes touch but never overlap: their shares add up, no seams
    else:
        part += cover * (np.array(r.ink, dtype=np.float32) - part)


def _cover(a: float, b: float) -> tuple[int, NDArray[np.float32]]:
    """First pixel and the share of each pixel that the interval a..b covers."""
    first, last = int(np.floor(a)), int(np.ceil(b))
    pixels = np.arange(first, last)
    share = np.minimum(pixels + 1, b) - np.maximum(pixels, a)
    return first, np.clip(share, 0, 1).astype(np.float32)


def _write_words(
    picture: NDArray[np.uint8], texts: list[Text], height_mm: float, px_per_mm: float
) -> NDArray[np.uint8]:
    from PIL import Image, ImageDraw, ImageFont

    image = Image.fromarray(picture)
    for t in texts:
        font = ImageFont.load_default(size=max(1.0, t.size_mm * px_per_mm))
        left, top, right, bottom = font.getbbox(t.words, anchor="ls")
        ink = Image.new("L", (int(right - left) + 2, int(bottom - top) + 2), 0)
        ImageDraw.Draw(ink).text((-left, -top), t.words, fill=255, font=font, anchor="ls")
        x, y = t.x * px_per_mm, (height_mm - t.y) * px_per_mm
        at = (round(x + left), round(y + top))
        if t.turn_deg == 90:
            ink = ink.transpose(Image.Transpose.ROTATE_90)
            at = (round(x + top), round(y - right))
        red, green, blue = (round(255 * v) for v in t.ink)
        image.paste((red, green, blue), at, ink)
    return np.asarray(image)


def mat_png(mat: Mat, dpi: int = PNG_DPI) -> bytes:
    """Return the page as a PNG that carries its resolution."""
    from PIL import Image

    out = io.BytesIO()
    picture = raster(mat, dpi / MM_PER_INCH)
    Image.fromarray(picture).save(out, "PNG", dpi=(dpi, dpi))
    return out.getvalue()
