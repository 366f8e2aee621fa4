"""The 3 x 3 map a printer puts on a part, and its inverse, which is put on the model or the G-code.

Convention: the columns of the skew matrix are the directions of the machine's axes. X is the reference; Y leans
toward +X by `xy_deg`; `xz_deg` and `yz_deg` say by how much less than 90 degrees the angles between Z and X, and Z and
Y, are, which is what the diagonals of a printed parallelogram give. For XY alone this reads: true x = u + v sin g,
true y = v cos g, for machine coordinates (u, v).
"""

import math
from dataclasses import dataclass

from calib.errors import BadInput

Row = tuple[float, float, float]
Matrix = tuple[Row, Row, Row]

IDENTITY: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))

#: A correction outside these is a wrong number, not a printer: nothing prints 20 % too small or 5 degrees askew.
SCALE_RANGE = (0.8, 1.25)
SKEW_MAX_DEG = 5.0


@dataclass(frozen=True, slots=True)
class Skew:
    """How far the angles between the axes fall short of 90 degrees, in degrees."""

    xy_deg: float = 0.0
    xz_deg: float = 0.0
    yz_deg: float = 0.0

    def __post_init__(self) -> None:
        for name in ("xy_deg", "xz_deg", "yz_deg"):
            value = getattr(self, name)
            if not (math.isfinite(value) and abs(value) <= SKEW_MAX_DEG):
                raise BadInput(
                    f"skew {name[:2].upper()} of {value:g} degrees is out of range",
                    mend=f"give degrees between -{SKEW_MAX_DEG:g} and {SKEW_MAX_DEG:g}",
                )


def transform_matrix(scale: Row = (1.0, 1.0, 1.0), skew: Skew | None = None) -> Matrix:
    """Return the map from drawn to printed coordinates: skew after scale.

    Parameters
    ----------
    scale : (3,) float
        Printed size over drawn size along X, Y, Z.
    skew : Skew, optional
        Square axes if left out.

    Returns
    -------
    Matrix
        Upper triangular; printed = matrix times drawn (column vectors).

    Raises
    ------
    BadInput
        A scale is outside 0.8 to 1.25, so the number is wrong.
    """
    for axis, value in zip("XYZ", scale, strict=True):
        if not (math.isfinite(value) and SCALE_RANGE[0] <= value <= SCALE_RANGE[1]):
            raise BadInput(
                f"scale {axis} of {100 * value:g} % is out of range",
                mend=f"give {100 * SCALE_RANGE[0]:g} to {100 * SCALE_RANGE[1]:g} %",
            )
    (_, yx, zx), (_, yy, zy), (_, _, zz) = skew_matrix(skew or Skew())
    sx, sy, sz = scale
    return ((sx, yx * sy, zx * sz), (0.0, yy * sy, zy * sz), (0.0, 0.0, zz * sz))


def skew_matrix(skew: Skew) -> Matrix:
    """Return the matrix whose columns are unit vectors along the machine's axes."""
    xy, xz, yz = (math.radians(d) for d in (skew.xy_deg, skew.xz_deg, skew.yz_deg))
    zx = math.sin(xz)
    zy = (math.sin(yz) - math.sin(xz) * math.sin(xy)) / math.cos(xy)
    zz = math.sqrt(1.0 - zx * zx - zy * zy)
    return ((1.0, math.sin(xy), zx), (0.0, math.cos(xy), zy), (0.0, 0.0, zz))


def correction_matrix(size_factor: Row = (1.0, 1.0, 1.0), skew: Skew | None = None) -> Matrix:
    """Return the map to put on a model: square the axes, then multiply each axis by `size_factor`.

    `size_factor` is the reciprocal of printed over drawn size, so this is the inverse of
    ``transform_matrix(1 / size_factor, skew)``.

    Raises
    ------
    BadInput
        A factor is beyond what any printer needs.
    """
    for axis, value in zip("XYZ", size_factor, strict=True):
        if not (math.isfinite(value) and SCALE_RANGE[0] <= value <= SCALE_RANGE[1]):
            raise BadInput(
                f"scaling the model's {axis} to {100 * value:g} % is out of range",
                mend=f"give {100 * SCALE_RANGE[0]:g} to {100 * SCALE_RANGE[1]:g} %",
            )
    (_, xy, xz), (_, yy, yz), (_, _, zz) = inverse(skew_matrix(skew or Skew()))
    fx, fy, fz = size_factor
    return ((fx, fx * xy, fx * xz), (0.0, fy * yy, fy * yz), (0.0, 0.0, fz * zz))


def inverse(matrix: Matrix) -> Matrix:
    """Invert an upper triangular matrix by back substitution.

    Raises
    ------
    ValueError
        It is of another form, or has no inverse.
    """
    (a, b, c), (_, d, e), (_, _, f) = matrix
    if matrix[1][0] or matrix[2][0] or matrix[2][1] or not a * d * f:
        msg = "the matrix must be upper triangular and invertible"
        raise ValueError(msg)
    return (
        (1 / a, 0.0 - b / (a * d), (b * e - c * d) / (a * d * f)),
        (0.0, 1 / d, 0.0 - e / (d * f)),
        (0.0, 0.0, 1 / f),
    )  # 0 - x, so that nothing is minus zero


def is_identity(matrix: Matrix) -> bool:
    """Tell whether the map changes nothing."""
    return matrix == IDENTITY


def describe(matrix: Matrix) -> str:
    """Return the rows of the matrix, for the record."""
    return "; ".join(" ".join(f"{v:.6f}" for v in row) for row in matrix)
