"""STL files through a 3 x 3 map, a stretch at a time, so that a file of any size takes the same memory."""

import os
import re
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from calib.apply.files import replaced
from calib.apply.linear import Matrix, inverse
from calib.errors import FileError

F64 = npt.NDArray[np.float64]

#: One triangle of a binary STL: normal, three corners, two bytes that some programs use for colour.
TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])

_CHUNK = 32768
_LONGEST_LINE = 4096
_FACET = re.compile(rb"(\s*facet\s+normal\s+)(\S+)(\s+)(\S+)(\s+)(\S+)(\s*)\Z", re.IGNORECASE)
_VERTEX = re.compile(rb"(\s*vertex\s+)(\S+)(\s+)(\S+)(\s+)(\S+)(\s*)\Z", re.IGNORECASE)


@dataclass(slots=True)
class Extent:
    """The box around points, in mm."""

    low: F64 = field(default_factory=lambda: np.full(3, np.inf))
    high: F64 = field(default_factory=lambda: np.full(3, -np.inf))

    def take(self, points: F64) -> None:
        """Widen the box to hold (n, 3) points."""
        if len(points):
            self.low = np.minimum(self.low, points.min(axis=0))
            self.high = np.maximum(self.high, points.max(axis=0))

    @property
    def size_mm(self) -> tuple[float, float, float]:
        """Its edges along X, Y, Z."""
        x, y, z = (float(v) for v in self.high - self.low)
        return x, y, z


@dataclass(slots=True)
class Moved:
    """What came of mapping a model."""

    before: Extent
    after: Extent
    parts: int  # triangles of an STL, build items of a 3MF
    notes: list[str] = field(default_factory=list)


def map_stl(source: Path, target: Path, matrix: Matrix) -> Moved:
    """Write a mapped copy of an STL file, binary or text as it was.

    Parameters
    ----------
    matrix : Matrix
        New point = matrix times old point (column vectors), about the origin of the file.

    Returns
    -------
    Moved
        The box before and after, in the file's numbers, which are taken as mm.

    Raises
    ------
    FileError
        The file is no STL, is cut short, or has a number that is not finite.
    """
    try:
        stream = source.open("rb")
    except OSError as err:
        raise FileError(f"can't read it ({err.strerror})", where=str(source)) from err
    with stream:
        size = os.fstat(stream.fileno()).st_size
        convert = _kind(stream, size, source.name)
        with replaced(target) as out:
            return convert(stream, out, matrix, source.name)


def _kind(
    stream: BinaryIO, size: int, name: str
) -> Callable[[BinaryIO, BinaryIO, Matrix, str], Moved]:
    """Tell a binary from a text STL by its length first, as the word `solid` proves nothing."""
    head = stream.read(1024)
    stream.seek(0)
    count = struct.unpack("<I", head[80:84])[0] if len(head) >= 84 else 0
    if len(head) >= 84 and size == 84 + 50 * count:
        if count == 0:
            raise FileError("the model has no triangles", where=name)
        return _map_binary
    if head.lstrip()[:5].lower() == b"solid" and (b"facet" in head.lower() or size < 84):
        return _map_text
    if size < 84:
        raise FileError(f"{size} bytes are too few for an STL", where=name)
    raise FileError(
        f"the file says it has {count} triangles, which takes {84 + 50 * count} bytes, but has {size}",
        where=name,
        mend="it is cut short or no STL; export it again",
    )


def _map_points(points: F64, matrix: Matrix) -> F64:
    """Map (..., 3) points; written out, as a product of small matrices is slower."""
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    out = np.empty_like(points)
    for i, (a, b, c) in enumerate(matrix):
        out[..., i] = a * x + b * y + c * z
    return out


def _map_normals(normals: F64, matrix: Matrix) -> F64:
    """Map normals by the inverse transposed; one that is zero, which is allowed, stays zero."""
    turned = _map_points(normals, _transposed(inverse(matrix)))
    length = np.sqrt((turned * turned).sum(axis=-1, keepdims=True))
    unit: F64 = np.divide(turned, length, out=np.zeros_like(turned), where=length > 0)
    return unit


def _transposed(m: Matrix) -> Matrix:
    a, b, c = zip(*m, strict=True)
    return (a, b, c)


def _map_binary(stream: BinaryIO, out: BinaryIO, matrix: Matrix, name: str) -> Moved:
    head = stream.read(84)
    out.write(head)
    total = int(struct.unpack("<I", head[80:])[0])
    moved = Moved(Extent(), Extent(), total)
    done = 0
    while data := stream.read(_CHUNK * TRIANGLE.itemsize):
        if len(data) % TRIANGLE.itemsize:
            raise FileError("the file grew shorter while it was read", where=name)
        triangles = np.frombuffer(data, TRIANGLE).copy()
        corners = triangles["corners"].astype(np.float64)
        if not np.isfinite(corners).all():
            bad = int(np.flatnonzero(~np.isfinite(corners).all(axis=(1, 2)))[0])
            raise FileError(
                f"triangle {done + bad + 1} has a corner that is no finite number",
                where=name,
                mend="repair or export the model again",
            )
        new = _map_points(corners, matrix)
        moved.before.take(corners.reshape(-1, 3))
        moved.after.take(new.reshape(-1, 3))
        triangles["corners"] = new
        normals = triangles["normal"].astype(np.float64)
        triangles["normal"] = _map_normals(np.nan_to_num(normals, posinf=0, neginf=0), matrix)
        out.write(triangles.tobytes())
        done += len(triangles)
    return moved


def _map_text(stream: BinaryIO, out: BinaryIO, matrix: Matrix, name: str) -> Moved:
    """Map a text STL line by line; layout, names and line endings stay."""
    moved = Moved(Extent(), Extent(), 0)
    corners = 0
    open_solid = False
    lines: list[bytes] = []
    points: list[tuple[float, float, float]] = []
    normals = _transposed(inverse(matrix))
    for number, line in enumerate(_lines(stream, name), 1):
        where = f"{name} line {number}"
        word = line.lstrip()[:8].lower()
        if word.startswith(b"vertex"):
            parts = _parts(_VERTEX, line, where)
            point = _numbers(parts, where)
            points.append(point)
            corners += 1
            line = _spell(parts, _times(matrix, point))
        elif word.startswith(b"facet"):
            parts = _parts(_FACET, line, where)
            normal = _times(normals, _numbers(parts, where, finite=False))
            length = sum(v * v for v in normal) ** 0.5
            line = _spell(parts, [v / length if length > 0 else 0.0 for v in normal])
            moved.parts += 1
        elif word.startswith(b"endfacet") and corners != 3 * moved.parts:
            raise FileError("a facet has not exactly three corners", where=where)
        elif word.startswith(b"solid"):
            open_solid = True
        elif word.startswith(b"endsolid"):
            open_solid = False
        lines.append(line)
        if len(lines) >= _CHUNK:
            _flush(lines, points, out, matrix, moved)
    _flush(lines, points, out, matrix, moved)
    if open_solid or corners != 3 * moved.parts:
        raise FileError(
            "the file ends inside a solid", where=name, mend="it is cut short; export it again"
        )
    if moved.parts == 0:
        raise FileError("the model has no triangles", where=name)
    return moved


def _lines(stream: BinaryIO, name: str) -> Iterator[bytes]:
    while line := stream.readline(_LONGEST_LINE):
        if len(line) == _LONGEST_LINE:
            raise FileError("a line has no end; this is no STL", where=name)
        yield line


def _flush(
    lines: list[bytes],
    points: list[tuple[float, float, float]],
    out: BinaryIO,
    matrix: Matrix,
    moved: Moved,
) -> None:
    out.write(b"".join(lines))
    if points:
        old = np.array(points)
        moved.before.take(old)
        moved.after.take(_map_points(old, matrix))
    lines.clear()
    points.clear()


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


def _times(m: Matrix, p: tuple[float, float, float]) -> list[float]:
    return [row[0] * p[0] + row[1] * p[1] + row[2] * p[2] for row in m]


def _spell(parts: tuple[bytes, ...], values: list[float]) -> bytes:
    x, y, z = (b"%.9g" % (v + 0.0) for v in values)
    return b"".join((parts[0], x, parts[2], y, parts[4], z, parts[6]))
