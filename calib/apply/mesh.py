"""STL files through a 3 x 3 map, a stretch at a time, so that a file of any size takes the same memory."""

import os
import struct
from pathlib import Path
from typing import BinaryIO, Protocol

import numpy as np

from calib.apply.linear import Matrix, is_identity
from calib.apply.points import MARK, Moved, map_normals, map_points, refuse_marked
from calib.apply.stl_text import map_text
from calib.errors import FileError
from calib.files import Around, replacing

#: One triangle of a binary STL: normal, three corners, two bytes that some programs use for colour.
TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])

_CHUNK = 32768


def map_stl(
    source: Path, target: Path, matrix: Matrix, *, again: bool = False, around: Around = None
) -> Moved:
    """Write a mapped copy of an STL file, binary or text as it was.

    Parameters
    ----------
    matrix : Matrix
        New point = matrix times old point (column vectors), about the origin of the file.
    again : bool
        Whether a model that says it was corrected before may be corrected once more.
    around : function, optional
        See `calib.files.replacing`.

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
        with replacing(target, force=True, around=around) as out:
            return convert(stream, out, matrix, source.name, again=again)


class _Convert(Protocol):
    def __call__(
        self, stream: BinaryIO, out: BinaryIO, matrix: Matrix, name: str, *, again: bool
    ) -> Moved: ...


def _kind(stream: BinaryIO, size: int, name: str) -> _Convert:
    """Tell a binary from a text STL by its length first, as the word `solid` proves nothing."""
    head = stream.read(1024)
    stream.seek(0)
    count = struct.unpack("<I", head[80:84])[0] if len(head) >= 84 else 0
    if len(head) >= 84 and size == 84 and count == 0:
        raise FileError("the model has no triangles", where=name)
    if len(head) >= 84 and count and size >= 84 + 50 * count:
        return _map_binary
    if head.lstrip()[:5].lower() == b"solid" and (b"facet" in head.lower() or size < 84):
        return map_text
    if size < 84:
        raise FileError(f"{size} bytes are too few for an STL", where=name)
    raise FileError(
        f"the file says it has {count} triangles, which takes {84 + 50 * count} bytes, but has {size}",
        where=name,
        mend="it is cut short or no STL; export it again",
    )


def _map_binary(
    stream: BinaryIO, out: BinaryIO, matrix: Matrix, name: str, *, again: bool
) -> Moved:
    head = stream.read(84)
    if not is_identity(matrix):
        refuse_marked(head[:80], name, again=again)
        head = _marked(head[:80]) + head[80:]
    out.write(head)
    moved = Moved(parts=int(struct.unpack("<I", head[80:])[0]))
    done = 0
    while done < moved.parts:
        data = stream.read(min(_CHUNK, moved.parts - done) * TRIANGLE.itemsize)
        if not data or len(data) % TRIANGLE.itemsize:
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
        new = map_points(corners, matrix)
        moved.before.take(corners.reshape(-1, 3))
        moved.after.take(new.reshape(-1, 3))
        triangles["corners"] = new
        normals = triangles["normal"].astype(np.float64)
        triangles["normal"] = map_normals(np.nan_to_num(normals, posinf=0, neginf=0), matrix)
        out.write(triangles.tobytes())
        done += len(triangles)
    if stream.read(1):
        moved.notes.append("bytes behind the last triangle were left out")
    return moved


def _marked(head: bytes) -> bytes:
    """Return the 80 bytes before the count with the word that the model was corrected, where it fits."""
    begin = len(head) - len(MARK)
    return head if head[begin - 1 :].strip(b"\0 ") else head[:begin] + MARK
