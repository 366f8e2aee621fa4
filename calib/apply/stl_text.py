"""Text STL through a 3 x 3 map: whole blocks of facets at once, and line by line where one is unusual.

Layout, names and line endings stay; numbers are spelled with nine significant digits, which give a 32-bit number
back. A block is taken at once only where every facet has the usual 21 words on the usual 7 lines; all else, also
whatever is damaged, goes line by line, so that a message names the line.
"""

import re
from collections.abc import Iterator
from functools import cache
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from calib.apply.linear import Matrix, is_identity
from calib.apply.points import (
    F64,
    MARK,
    Moved,
    map_normals,
    map_points,
    refuse_marked,
)
from calib.errors import FileError

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]

_BLOCK = 1 << 20
_LONGEST_LINE = 4096
_LONGEST_GAP = 256  # bytes between two numbers of a block that is taken at once
_LONGEST_NUMBER = 32
_FACET = re.compile(rb"(\s*facet\s+normal\s+)(\S+)(\s+)(\S+)(\s+)(\S+)(\s*)\Z", re.IGNORECASE)
_VERTEX = re.compile(rb"(\s*vertex\s+)(\S+)(\s+)(\S+)(\s+)(\S+)(\s*)\Z", re.IGNORECASE)

#: The words of a facet that are no numbers, by their place.
_WORDS = {0: b"facet", 1: b"normal", 5: b"outer", 6: b"loop", 7: b"vertex", 11: b"vertex",
          15: b"vertex", 19: b"endloop", 20: b"endfacet"}  # fmt: skip
_WORD_AT = np.array(list(_WORDS))
_WORD_SIZE = np.array([len(w) for w in _WORDS.values()])
_WORD = np.array([int.from_bytes(w, "little") for w in _WORDS.values()], np.uint64)
_WORD_MASK = np.array([(1 << 8 * len(w)) - 1 for w in _WORDS.values()], np.uint64)
_LOWER = np.uint64(0x2020202020202020)
_PER_FACET = 21
_IS_NUMBER = np.array([i not in _WORDS for i in range(_PER_FACET)])
#: Which words of a facet begin a line.
_BEGINS_LINE = np.array([i in (0, 5, 7, 11, 15, 19, 20) for i in range(_PER_FACET)])
_IS_BLANK = bytes(n in b"\t\n\v\f\r " for n in range(256))


def map_text(stream: BinaryIO, out: BinaryIO, matrix: Matrix, name: str, *, again: bool) -> Moved:
    """Map a text STL.

    Parameters
    ----------
    again : bool
        Whether a model that says it was corrected may be corrected once more.

    Raises
    ------
    FileError
        A line can't be read, the file ends within a solid, or it has no triangles.
    """
    text = _Text(matrix, name, again=again)
    for block in _blocks(stream):
        out.write(text.block(block))
    return text.end()


def _blocks(stream: BinaryIO) -> Iterator[bytes]:
    """Yield the file in pieces that end with a facet where they can, and with a line anyhow."""
    rest = b""
    while data := stream.read(_BLOCK):
        rest += data
        at = max(rest.rfind(b"endfacet"), rest.rfind(b"ENDFACET"))
        cut = rest.find(b"\n", at) + 1 if at >= 0 else 0
        cut = cut or rest.rfind(b"\n") + 1 or len(rest)
        yield rest[:cut]
        rest = rest[cut:]
    if rest:
        yield rest


class _Text:
    """The state of a file that is being mapped."""

    def __init__(self, matrix: Matrix, name: str, *, again: bool) -> None:
        self.matrix, self.name, self.again = matrix, name, again
        self.moved = Moved()
        self.corners = 0
        self.line = 0
        self.open_solid = False

    def block(self, block: bytes) -> bytes:
        """Return a mapped block."""
        begin = _first_facet(block)
        head = self._by_line(block[:begin])
        facets = block[begin:]
        done = self._at_once(facets) if self.corners == 3 * self.moved.parts else None
        return head + (self._by_line(facets) if done is None else done)

    def end(self) -> Moved:
        """Return what was done, once the file has come to its end."""
        if self.open_solid or self.corners != 3 * self.moved.parts:
            raise FileError(
                "the file ends inside a solid",
                where=self.name,
                mend="it is cut short; export it again",
            )
        if self.moved.parts == 0:
            raise FileError("the model has no triangles", where=self.name)
        return self.moved

    # -- many facets at once ------------------------------------------------------------------

    def _at_once(self, block: bytes) -> bytes | None:
        """Return a mapped block of whole facets; None where anything in it is unusual."""
        data = np.frombuffer(block + bytes(_LONGEST_GAP), np.uint8)  # windows may reach beyond
        found = _numbers_of(block, data)
        if found is None:
            return None
        start, end, lines = found
        size = end - start
        values = _windows(data, start, int(size.max()), size)
        try:
            numbers = values.view(f"S{values.shape[1]}").ravel().astype(np.float64)
        except ValueError:
            return None
        facets: F64 = numbers.reshape(-1, 4, 3)
        normals, points = facets[:, 0], facets[:, 1:]
        if not (np.abs(points) < 1e30).all():  # also false for what is no number
            return None
        sound = (np.abs(normals) < 1e30).all(axis=1, keepdims=True)
        new = map_points(points, self.matrix)
        new_normals = map_normals(np.where(sound, normals, 0.0), self.matrix)
        cells = spell_many(np.concatenate([new_normals[:, None], new], axis=1).reshape(-1, 12))
        written = _woven(data, start, end, cells)
        if written is None:
            return None
        written += block[int(end[-1]) :]
        self.moved.before.take(points.reshape(-1, 3))
        self.moved.after.take(new.reshape(-1, 3))
        self.moved.parts += len(facets)
        self.corners += 3 * len(facets)
        self.line += lines
        return written

    # -- line by line -------------------------------------------------------------------------

    def _by_line(self, block: bytes) -> bytes:
        """Return a mapped block; numbers are mapped and spelled as they are in whole blocks."""
        taken: list[tuple[bytes, ...]] = []  # what stands between the numbers, as found
        numbers: list[tuple[float, float, float]] = []
        is_normal: list[bool] = []
        for line in _lines(block):
            self.line += 1
            where = f"{self.name} line {self.line}"
            if len(line) >= _LONGEST_LINE:
                raise FileError("a line has no end; this is no STL", where=self.name)
            word = line.lstrip()[:8].lower()
            if word.startswith((b"vertex", b"facet")):
                normal = word.startswith(b"facet")
                parts = _parts(_FACET if normal else _VERTEX, line, where)
                numbers.append(_numbers(parts, where, finite=not normal))
                is_normal.append(normal)
                taken.append(parts)
                self.moved.parts += normal
                self.corners += not normal
            else:
                taken.append((self._other(line, word, where),))
        texts = self._mapped(np.array(numbers).reshape(-1, 3), np.array(is_normal, bool))
        return b"".join(_filled(parts, texts) for parts in taken)

    def _mapped(self, numbers: F64, is_normal: npt.NDArray[np.bool_]) -> Iterator[bytes]:
        """Return the mapped numbers as they are to be written."""
        points = numbers[~is_normal]
        new = map_points(points, self.matrix)
        self.moved.before.take(points)
        self.moved.after.take(new)
        out = np.empty_like(numbers)
        out[~is_normal] = new
        out[is_normal] = map_normals(numbers[is_normal], self.matrix)
        return (cells.tobytes().replace(b"\0", b"") for cells in spell_many(out.ravel()))

    def _other(self, line: bytes, word: bytes, where: str) -> bytes:
        """Return a line without numbers."""
        if word.startswith(b"endfacet") and self.corners != 3 * self.moved.parts:
            raise FileError("a facet has not exactly three corners", where=where)
        if word.startswith((b"solid", b"endsolid")):
            self.open_solid = word.startswith(b"solid")
            return line if is_identity(self.matrix) else self._marked(line, where)
        return line

    def _marked(self, line: bytes, where: str) -> bytes:
        """Return the line of a solid's name with the word that it was corrected."""
        refuse_marked(line, where, again=self.again)
        text = line.rstrip()
        if MARK in line or (text.lstrip().lower() == b"endsolid"):
            return line
        return text + b" " + MARK + line[len(text) :]


def _lines(block: bytes) -> Iterator[bytes]:
    """Yield lines that end with a line feed; a carriage return alone ends none."""
    begin = 0
    while begin < len(block):
        end = block.find(b"\n", begin) + 1 or len(block)
        yield block[begin:end]
        begin = end


def _first_facet(block: bytes) -> int:
    """Return where the first line begins that is a facet's; the end where none is."""
    begin = 0
    while begin < len(block):
        if block[begin : begin + _LONGEST_LINE].lstrip(b" \t")[:5].lower() == b"facet":
            return begin
        begin = block.find(b"\n", begin) + 1 or len(block)
    return len(block)


def _numbers_of(block: bytes, data: U8) -> tuple[I64, I64, int] | None:
    """Return where the numbers of usual facets begin and end, and how many lines there are."""
    if not block or b"\0" in block:
        return None
    blank = np.frombuffer(block.translate(_IS_BLANK), bool)
    edges = np.flatnonzero(blank[1:] != blank[:-1]) + 1
    if not blank[0]:
        edges = np.concatenate([[0], edges])
    if not blank[-1]:
        edges = np.concatenate([edges, [len(block)]])
    start, end = edges[::2], edges[1::2]
    if not len(start) or len(start) % _PER_FACET:
        return None
    line_ends = np.flatnonzero(data == 10)
    begins = np.zeros(len(start) + 1, bool)
    begins[np.searchsorted(start, line_ends)] = True
    begins[0] = True
    if (begins[:-1].reshape(-1, _PER_FACET) != _BEGINS_LINE).any() or not begins[-1]:
        return None
    start, end = start.reshape(-1, _PER_FACET), end.reshape(-1, _PER_FACET)
    at = start[:, _WORD_AT]
    if (end[:, _WORD_AT] - at != _WORD_SIZE).any():
        return None
    letters = np.ndarray((len(data) - 7,), "<u8", data, strides=(1,))[at]
    if ((letters | _LOWER) & _WORD_MASK != _WORD).any():
        return None
    start, end = start[:, _IS_NUMBER].ravel(), end[:, _IS_NUMBER].ravel()
    if (end - start).max() > _LONGEST_NUMBER:
        return None
    return start, end, len(line_ends)


def _windows(data: U8, start: I64, width: int, size: I64 | None = None) -> U8:
    """Return (n, width) bytes from each start on; those beyond a size are 0."""
    cells = np.asarray(np.lib.stride_tricks.sliding_window_view(data, width)[start], np.uint8)
    if size is not None and len(size) and int(size.min()) < width:
        cells *= np.arange(width) < size[:, None]
    return cells


def _woven(data: U8, start: I64, end: I64, cells: U8) -> bytes | None:
    """Return the text up to the last number with other numbers in it; None for a very wide layout."""
    begin = np.concatenate([[0], end[:-1]]).reshape(-1, 12)
    size = start.reshape(-1, 12) - begin
    if size.max() > _LONGEST_GAP:
        return None
    widths = size.max(axis=0)
    woven = np.empty((len(size), int(widths.sum()) + 12 * _CELLS), np.uint8)
    at = 0
    for i, width in enumerate(map(int, widths)):
        woven[:, at : at + width] = _windows(data, begin[:, i], width, size[:, i])
        at += width
        woven[:, at : at + _CELLS] = cells[:, i]
        at += _CELLS
    return woven.tobytes().translate(None, b"\0")


# -- numbers ----------------------------------------------------------------------------------

_CELLS = 16
_DIGITS = 9
_LOWEST, _HIGHEST = -14, 22  # powers of ten within which one multiplication is exact enough

U32 = npt.NDArray[np.uint32]


@cache
def _tables() -> tuple[U32, U32, U32, U32]:
    """Return four letters each for: sign, digit and point; four digits; the same trimmed; the exponent."""
    heads = [
        sign + bytes([digit]) + point + b"\0"
        for point in (b".", b"\0")
        for sign in (b"\0", b"-")
        for digit in b"0123456789"
    ]
    four = [b"%04d" % n for n in range(10_000)]
    trimmed = [text.rstrip(b"0").ljust(4, b"\0") for text in four]
    exponents = [b"e%+03d" % p for p in range(_LOWEST - 1, _HIGHEST + 1)]
    a, b, c, d = (
        np.frombuffer(b"".join(texts), "<u4") for texts in (heads, four, trimmed, exponents)
    )
    return a, b, c, d


def spell_many(values: F64) -> U8:
    """Return (..., 16) cells that spell numbers as `spell` does; a cell that is not needed is 0.

    A tie in the tenth digit may go the other way, as it is rounded in 64 bits.
    """
    v = values.ravel()
    size = np.abs(v)
    zero = size == 0
    plain = (size >= 1.001 * 10.0**_LOWEST) & (size < 10.0 ** (_HIGHEST - 1))
    size[~plain] = 1.0
    power = np.floor(np.log10(size)).astype(np.int64)
    shifts = np.array([float(f"1e{_DIGITS - 1 - p}") for p in range(_LOWEST - 1, _HIGHEST + 1)])
    units = np.rint(size * shifts[power - _LOWEST + 1]).astype(np.int64)
    # the logarithm may be a hair off, and rounding may give a tenth digit
    power += units >= 10**_DIGITS
    power -= units < 10 ** (_DIGITS - 1)
    units = np.rint(size * shifts[power - _LOWEST + 1]).astype(np.int64)
    cells = _laid_out(units, power, v < 0)
    cells[zero] = np.frombuffer(b"0".ljust(_CELLS, b"\0"), np.uint8)
    for i in np.flatnonzero(~(plain | zero)):
        text = spell(float(v[i]))
        cells[i] = 0
        cells[i, : len(text)] = np.frombuffer(text, np.uint8)
    return cells.reshape(*values.shape, _CELLS)


def spell(value: float) -> bytes:
    """Return a number with nine significant digits and an exponent, without needless zeros."""
    digits, _, exponent = (b"%.8e" % value).partition(b"e")
    return digits.rstrip(b"0").rstrip(b".") + b"e" + exponent


def _laid_out(units: I64, power: I64, minus: npt.NDArray[np.bool_]) -> U8:
    """Put nine digits round a point, and the exponent behind; zeros at the end are left out."""
    heads, four, trimmed, exponents = _tables()
    high, low = np.divmod(units, 10_000)
    first, middle = np.divmod(high, 10_000)
    ends_early = low == 0
    no_point = ends_early & (middle == 0)
    cells = np.empty((len(units), 4), "<u4")
    cells[:, 0] = heads[first + 10 * minus + 20 * no_point]
    cells[:, 1] = np.where(ends_early, trimmed[middle], four[middle])
    cells[:, 2] = trimmed[low]
    cells[:, 3] = exponents[power - _LOWEST + 1]
    return cells.view(np.uint8)


def _parts(pattern: re.Pattern[bytes], line: bytes, where: str) -> tuple[bytes, ...]:
    found = pattern.match(line)
    if not found:
        text = line.strip().decode("utf-8", "replace")[:60]
        raise FileError(f"{text!r} has not three numbers", where=where)
    return found.groups()


def _numbers(
    parts: tuple[bytes, ...], where: str, *, finite: bool = True
) -> tuple[float, float, float]:
    try:
        x, y, z = float(parts[1]), float(parts[3]), float(parts[5])
    except ValueError:
        text = b" ".join(parts[1:6:2]).decode("utf-8", "replace")
        raise FileError(f"{text!r} are not three numbers", where=where) from None
    if not all(abs(v) < 1e30 for v in (x, y, z)):
        if finite:
            raise FileError("a corner is no finite number", where=where)
        return 0.0, 0.0, 0.0
    return x, y, z


def _filled(parts: tuple[bytes, ...], texts: Iterator[bytes]) -> bytes:
    """Return a line with the next three texts for its numbers, or as it is where it has none."""
    if len(parts) == 1:
        return parts[0]
    begin, _, gap, _, other_gap, _, end = parts
    return b"".join((begin, next(texts), gap, next(texts), other_gap, next(texts), end))
