"""Points and normals through a 3 x 3 map, the box around them, and how a file says it was corrected."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from calib.apply.linear import Matrix, inverse
from calib.errors import FileError
from patterns.export import PIECE_MARK

F64 = npt.NDArray[np.float64]

#: What a corrected model says of itself, where its format has room for words.
MARK = b"corrected by truebead"


@dataclass(slots=True)
class Extent:
    """The box around points, in mm."""

    low: F64 = field(default_factory=lambda: np.full(3, np.inf))
    high: F64 = field(default_factory=lambda: np.full(3, -np.inf))

    def take(self, points: F64) -> None:
        """Widen the box to hold (n, 3) points."""
        if len(points):
            # column by column: along the first axis of three columns it takes ten times as long
            columns = [points[:, i] for i in range(3)]
            self.low = np.minimum(self.low, [c.min() for c in columns])
            self.high = np.maximum(self.high, [c.max() for c in columns])

    @property
    def size_mm(self) -> tuple[float, float, float]:
        """Its edges along X, Y, Z."""
        x, y, z = (float(v) for v in self.high - self.low)
        return x, y, z


@dataclass(slots=True)
class Moved:
    """What came of mapping a model."""

    before: Extent = field(default_factory=Extent)
    after: Extent = field(default_factory=Extent)
    parts: int = 0  # triangles of an STL, build items of a 3MF
    notes: list[str] = field(default_factory=list)


def map_points(points: F64, matrix: Matrix) -> F64:
    """Map (..., 3) points; written out, as a product of small matrices is slower."""
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    out = np.empty_like(points)
    for i, (a, b, c) in enumerate(matrix):
        out[..., i] = a * x + b * y + c * z
    return out


def map_normals(normals: F64, matrix: Matrix) -> F64:
    """Map normals by the inverse transposed; one that is zero, which is allowed, stays zero."""
    turned = map_points(normals, transposed(inverse(matrix)))
    length = np.sqrt((turned * turned).sum(axis=-1, keepdims=True))
    unit: F64 = np.divide(turned, length, out=np.zeros_like(turned), where=length > 0)
    return unit


def transposed(m: Matrix) -> Matrix:
    """Return the matrix with rows and columns exchanged."""
    a, b, c = zip(*m, strict=True)
    return (a, b, c)


def refuse_marked(words: bytes, name: str, *, again: bool) -> None:
    """Refuse a model that says it was corrected before, or is a calibration piece, whatever its file is called.

    Raises
    ------
    FileError
        It says so, and `again` is not set.
    """
    if PIECE_MARK.encode() in words and not again:
        raise FileError(
            "this is a calibration piece, and its sheet takes it to be printed as it was made",
            where=name,
            mend="print it as it is, or insist with --again",
        )
    if MARK in words and not again:
        raise FileError(
            "the model says that it was corrected before, and would be corrected twice",
            where=name,
            mend="start from the original, or insist with --again",
        )
