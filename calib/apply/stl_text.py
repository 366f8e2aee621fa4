"""Text STL through a 3 x 3 map, a stretch of whole facets at a time.

Words may be apart by any blanks; what is written has a line for each corner, and millionths of its unit. Stretches
of very large or very small numbers get nine significant digits instead, which give a 32-bit number back (IEEE 754).
"""

import contextlib
import itertools
import re
from collections.abc import Iterator
from typing import BinaryIO

import numpy as np

from calib.apply.decimals import ONE, PLACES, WINDOW, put_in, write_decimals
from calib.apply.linear import Matrix, is_identity
from calib.apply.points import F64, MARK, Moved, map_normals, map_points, refuse_marked
from calib.errors import FileError

_BLOCK = 1 << 19

#: The words of a facet; # stands for a number.
_FACET = (
    b"facet normal # # # outer loop vertex # # # vertex # # # vertex # # # endloop endfacet".split()
)
_NUMBERS = [i for i, word in enumerate(_FACET) if word == b"#"]
_WRITTEN = b"""facet normal %.9g %.9g %.9g
  outer loop
    vertex %.9g %.9g %.9g
    vertex %.9g %.9g %.9g
    vertex %.9g %.9g %.9g
  endloop
endfacet
"""
_PLACE = b"%.9g"
#: The line of a solid's name, at its beginning or end.
_SOLID = re.compile(rb"^([ \t]*(?:end)?solid\b[^\n]*\n?)", re.IGNORECASE | re.MULTILINE)

#: Beyond it a number is taken for damage.
_LARGEST = 1e30


def map_text(stream: BinaryIO, out: BinaryIO, matrix: Matrix, name: str, *, again: bool) -> Moved:
    """Map a text STL.

    Parameters
    ----------
    again : bool
        Whether a model that says it was corrected may be corrected once more.

    Raises
    ------
    FileError
        A facet can't be read, the file ends within a solid, or it has no triangles.
    """
    text = _Text(matrix, name, again=again)
    for block in _blocks(stream, name):
        out.write(text.block(block))
    if text.open_solid:
        raise FileError(
            "the file ends inside a solid", where=name, mend="it is cut short; export it again"
        )
    if text.moved.parts == 0:
        raise FileError("the model has no triangles", where=name)
    return text.moved


def _blocks(stream: BinaryIO, name: str) -> Iterator[bytes]:
    """Yield the file in pieces that end with a facet's line, but for the last."""
    rest = b""
    while data := stream.read(_BLOCK):
        rest += data
        at = max(rest.rfind(b"endfacet"), rest.rfind(b"ENDFACET"))
        cut = rest.find(b"\n", at) + 1 if at >= 0 else 0
        if not cut and len(rest) > 2 * _BLOCK:
            raise FileError("no facet ends where one should; this is no STL", where=name)
        yield rest[:cut]
        rest = rest[cut:]
    yield rest


class _Text:
    """The state of a file that is being mapped."""

    def __init__(self, matrix: Matrix, name: str, *, again: bool) -> None:
        self.matrix, self.name, self.again = matrix, name, again
        self.moved = Moved()
        self.line = 0  # lines before what is being read
        self.open_solid = False

    def block(self, block: bytes) -> bytes:
        """Return a mapped block: facets, and between them lines of a solid's name."""
        end = b"\r\n" if b"\r\n" in block else b"\n"
        done = []
        for i, part in enumerate(_SOLID.split(block) if b"solid" in block.lower() else [block]):
            done.append(self._solid(part) if i % 2 else self._facets(part, end))
            self.line += part.count(b"\n")
        return b"".join(done)

    def _solid(self, line: bytes) -> bytes:
        """Return the line of a solid's name with the word that it was corrected."""
        text = line.rstrip()
        self.open_solid = text.lstrip()[:5].lower() == b"solid"
        if is_identity(self.matrix):
            return line
        refuse_marked(line, f"{self.name} line {self.line + 1}", again=self.again)
        if MARK in line or text.lstrip().lower() == b"endsolid":
            return line
        return text + b" " + MARK + line[len(text) :]

    def _facets(self, block: bytes, end: bytes) -> bytes:
        """Return mapped facets."""
        words = block.lower().split()
        if not words:
            return block
        numbers = self._numbers(block, words)
        points = numbers[:, 1:]
        sound = np.abs(numbers) < _LARGEST  # false for what is no number, too
        if not sound[:, 1:].all():
            facet, corner = np.argwhere(~sound[:, 1:])[0, :2].tolist()
            word = len(_FACET) * facet + _NUMBERS[3 + 3 * corner]
            raise self._fault(block, word, "a corner is no finite number")
        normals = np.where(sound[:, 0].all(axis=1, keepdims=True), numbers[:, 0], 0.0)
        new = map_points(points, self.matrix)
        written = np.concatenate([map_normals(normals, self.matrix)[:, None], new], axis=1) + 0.0
        self.moved.before.take(points.reshape(-1, 3))
        self.moved.after.take(new.reshape(-1, 3))
        self.moved.parts += len(numbers)
        return _spelled(written, _WRITTEN.replace(b"\n", end))

    def _numbers(self, block: bytes, words: list[bytes]) -> F64:
        """Return the numbers of facets as (n, 4, 3): normals and three corners."""
        size = len(_FACET)
        count, rest = divmod(len(words), size)
        plain = all(words[i::size] == [w] * count for i, w in enumerate(_FACET) if w != b"#")
        try:
            if rest or not plain:
                raise ValueError
            columns = [np.array(words[i::size], np.float64) for i in _NUMBERS]
        except ValueError:
            raise self._first_fault(block, words) from None
        return np.stack(columns, axis=1).reshape(-1, 4, 3)

    def _first_fault(self, block: bytes, words: list[bytes]) -> FileError:
        for i, word in enumerate(words):
            expected = _FACET[i % len(_FACET)]
            if expected != b"#" and word == expected:
                continue
            if expected == b"#":
                with contextlib.suppress(ValueError):
                    float(word)
                    continue
            wanted = "a number" if expected == b"#" else repr(expected.decode())
            found = word[:40].decode("utf-8", "replace")
            return self._fault(block, i, f"{found!r} stands where {wanted} belongs")
        return self._fault(block, len(words) - 1, "the last facet is cut short")

    def _fault(self, block: bytes, word: int, what: str) -> FileError:
        """Return the message for a word of the block, with its line."""
        at = next(itertools.islice(re.finditer(rb"\S+", block), word, None)).start()
        line = self.line + block.count(b"\n", 0, at) + 1
        return FileError(what, where=f"{self.name} line {line}")


def _spelled(facets: F64, template: bytes) -> bytes:
    """Return facets as text."""
    text, values = template * len(facets), facets.ravel()
    if not 1 < np.abs(values).max() < 10**PLACES:
        return text % tuple(values.tolist())
    places = np.array([found.start() for found in re.finditer(re.escape(_PLACE), template)])
    begin = (np.arange(len(facets))[:, None] * len(template) + places).ravel()
    units = np.rint(values * ONE).astype(np.int64)
    return put_in(text, text + bytes(WINDOW), begin, begin + len(_PLACE), write_decimals(units))[0]
