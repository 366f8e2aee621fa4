"""Decimal numbers in bytes, many at once: exact reading and writing without a loop over numbers."""

from functools import cache

import numpy as np
import numpy.typing as npt

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]

#: Cells of a written number: a sign, 12 digits and a point.
WIDTH = 14

#: Units this large have more digits than there are cells.
TOO_MANY = 10**12

_POWERS = 10.0 ** np.arange(20)
_BYTE_MASKS = np.array(
    [(0x0F0F0F0F0F0F0F0F << (8 * (8 - n))) & 0x0F0F0F0F0F0F0F0F for n in range(9)],
    dtype=np.uint64,
)


def read_digits(padded: bytes, end: I64, count: I64) -> I64:
    """Return the whole numbers written in the `count` (0 to 8) digits before each `end`.

    All eight bytes before `end` are taken as one 64-bit word with the last digit in its highest byte; those that
    are not wanted are masked off, then neighbours are joined: pairs to hundreds, fours, eights. `padded` needs eight
    bytes before the first digit; `end` counts from after them.
    """
    words = np.ndarray((len(padded) - 7,), "<u8", padded, strides=(1,))
    v = words[end].astype(np.uint64, copy=False) & _BYTE_MASKS[count]
    v = (v * np.uint64(10 * 2**8 + 1)) >> np.uint64(8)
    v = ((v & np.uint64(0x00FF00FF00FF00FF)) * np.uint64(100 * 2**16 + 1)) >> np.uint64(16)
    v = ((v & np.uint64(0x0000FFFF0000FFFF)) * np.uint64(10000 * 2**32 + 1)) >> np.uint64(32)
    return v.astype(np.int64)


def read_decimals(padded: bytes, whole_end: I64, whole: I64, end: I64, places: I64) -> F64:
    """Return whole + fraction digits as a float; exact to the last bit, as digits fit in 53 bits."""
    value = read_digits(padded, whole_end, whole).astype(np.float64)
    if places.any():
        power = _POWERS[places]
        value = (value * power + read_digits(padded, end, places)) / power
    return value


@cache
def _four_digits() -> npt.NDArray[np.uint32]:
    """Return 0..9999 as four characters each, seen as one 32-bit word."""
    n = np.arange(10000)
    chars = np.stack([n // 1000, n // 100 % 10, n // 10 % 10, n % 10], axis=1) + 0x30
    packed: npt.NDArray[np.uint32] = np.ascontiguousarray(chars.astype(np.uint8)).view(np.uint32)
    return packed.ravel()


def write_decimals(units: I64, places: int) -> U8:
    """Return (n, WIDTH) cells that spell units / 10**places; a cell that is not needed is 0.

    Zeros before the number and at the end of its fraction are left out; zero has no sign.
    """
    n = len(units)
    size = np.abs(units)
    table = _four_digits()
    digits = np.zeros((n, 3), np.uint32)
    high = size // 10000
    digits[:, 2] = table[size - high * 10000]
    top = high // 10000
    digits[:, 1] = table[high - top * 10000]
    digits[:, 0] = table[top]
    chars = digits.view(np.uint8)
    cells = np.zeros((n, WIDTH), np.uint8)
    cells[:, 0] = np.where(units < 0, 0x2D, 0)
    point = WIDTH - 1 - places
    cells[:, 1:point] = chars[:, : 12 - places]
    cells[:, point] = 0x2E
    cells[:, point + 1 :] = chars[:, 12 - places :]
    _blank_front(cells, size, places, point)
    _blank_end(cells, places, point)
    return cells


def _blank_front(cells: U8, size: I64, places: int, point: int) -> None:
    limit = 10**places
    for k in range(point - 2, 0, -1):  # the digit before the point always stays
        limit *= 10
        needed = size >= limit
        if not needed.any():
            cells[:, 1 : k + 1] = 0
            return
        cells[:, k] *= needed


def _blank_end(cells: U8, places: int, point: int) -> None:
    zeros = np.ones(len(cells), np.bool_)
    for k in range(point + places, point, -1):
        zeros &= cells[:, k] == 0x30
        cells[:, k] *= ~zeros
    cells[:, point] *= ~zeros


def write_decimal(units: int, places: int) -> str:
    """Return one number, spelled as `write_decimals` does."""
    sign = "-" if units < 0 else ""
    whole, fraction = divmod(abs(units), 10**places)
    text = f"{sign}{whole}.{fraction:0{places}d}".rstrip("0")
    return text.removesuffix(".")
