"""From the bytes of a file to text, refusing kindly what can't be a measurement sheet."""

import io
import struct
import zipfile
from pathlib import Path

from calib.errors import SheetError

#: A sheet of a thousand readings is some 60 kB; what is much larger is another file.
LARGEST_BYTES = 4_000_000
MOST_LINES = 20_000

_CSV = "save it as CSV there and give that file"
_GIVE = "give the piece's sheet.csv"
_STARTS = (
    (b"\xd0\xcf\x11\xe0", "a spreadsheet or office file", _CSV),
    (b"\x89PNG", "a PNG picture", _GIVE),
    (b"\xff\xd8\xff", "a JPEG picture", _GIVE),
    (b"GIF8", "a GIF picture", _GIVE),
    (b"%PDF", "a PDF document", _GIVE),
    (b"\x1f\x8b", "a compressed (gzip) file", "unpack it first"),
    (b"{\\rtf", "a text document with formatting", "save it as plain CSV"),
    (b"ISO-10303-21", "a STEP model", _GIVE),
    (b"SQLite format 3", "a database", _GIVE),
)
_TEXT_STARTS = (
    ("<!doctype html", "an HTML page", _GIVE),
    ("<html", "an HTML page", _GIVE),
    ("<?xml", "an XML file", _CSV),
    ("<svg", "an SVG drawing", _GIVE),
    ("solid ", "an STL model", _GIVE),
    ("{", "a JSON file", _GIVE),
)


def read_bytes(path: Path) -> tuple[bytes, Path]:
    """Read a sheet file, or the ``sheet.csv`` of a piece's folder; return its bytes and path."""
    try:
        file = path / "sheet.csv" if path.is_dir() else path
        with file.open("rb") as stream:
            return stream.read(LARGEST_BYTES + 1), file
    except FileNotFoundError:
        raise SheetError(
            "there is no such file",
            where=str(file),
            mend="check the name; `truebead make` writes it",
        ) from None
    except (OSError, ValueError) as err:
        raise SheetError(f"can't be read ({err})", where=str(path), mend=_GIVE) from None


def text_of(data: bytes, name: str) -> str:
    """Decode UTF-8, UTF-16 or Windows-1252; line ends become plain newlines.

    Raises
    ------
    SheetError
        The file is too large, or is recognised as something else than a sheet.
    """
    if len(data) > LARGEST_BYTES:
        raise SheetError(
            f"is larger than {LARGEST_BYTES // 1_000_000} MB, too large for a sheet",
            where=name,
            mend=_GIVE,
        )
    found = _recognised(data)
    if found:
        raise SheetError(f"this is {found[0]}, not a measurement sheet", where=name, mend=found[1])
    text = _decoded(data)
    if "\0" in text:
        raise SheetError("this is a binary file, not a measurement sheet", where=name, mend=_GIVE)
    return checked_text(text, name)


def checked_text(text: str, name: str) -> str:
    """Refuse text of another sort; make line ends plain newlines."""
    if not text.strip():
        raise SheetError("the file is empty", where=name, mend=_GIVE)
    start = text[:400].lstrip().lower()
    for beginning, what, mend in _TEXT_STARTS:
        if start.startswith(beginning):
            raise SheetError(f"this is {what}, not a measurement sheet", where=name, mend=mend)
    text = _without_empty_end(text.replace("\r\n", "\n").replace("\r", "\n"))
    if text.count("\n") > MOST_LINES:
        raise SheetError(
            f"has more than {MOST_LINES} lines, too many for a sheet", where=name, mend=_GIVE
        )
    return text


def _without_empty_end(text: str) -> str:
    """Drop the empty rows at the end: some spreadsheets save a million of them."""
    end = text.find("\n", len(text.rstrip(",;\t| \n")))
    return text if end < 0 else text[: end + 1]


def _recognised(data: bytes) -> tuple[str, str] | None:
    for beginning, what, mend in _STARTS:
        if data.startswith(beginning):
            return what, mend
    if data.startswith(b"PK"):
        return _zip_contents(data)
    if len(data) >= 84 and len(data) == 84 + 50 * int(struct.unpack_from("<I", data, 80)[0]):
        return "an STL model", _GIVE
    return None


def _zip_contents(data: bytes) -> tuple[str, str]:
    try:
        names = zipfile.ZipFile(io.BytesIO(data)).namelist()
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError):
        return "a zip archive", "unpack it and give the sheet.csv in it"
    if any(n.lower().endswith(".model") for n in names):
        return "a 3MF model", _GIVE
    if any(n.startswith("xl/") or n == "content.xml" for n in names):
        return "a spreadsheet file", _CSV
    return "a zip archive", "unpack it and give the sheet.csv in it"


def _decoded(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace").removeprefix("\ufeff")
    head = data[:200]
    if len(head) >= 4 and head[1::2].count(0) > 0.8 * len(head[1::2]):
        return data.decode("utf-16-le", errors="replace")
    if len(head) >= 4 and head[0::2].count(0) > 0.8 * len(head[0::2]):
        return data.decode("utf-16-be", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")
