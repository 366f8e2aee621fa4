"""Decimal numbers in bytes, many at once: exact reading and writing without a loop over numbers."""

from functools import cache

import numpy as np
import numpy.typing as npt

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]

#: Numbers are written with this many digits at most.
MOST_DIGITS = 12

#: A number up to 8 digits takes 12 cells (three blank or sign, five with the point, four), a longer one 20.
SHORT, LONG = 12, 20

_POWERS = 10.0 ** np.arange(20)
_ALL = 0x0F0F0F0F0F0F0F0F
_LAST_BYTES = np.array([(_ALL << (8 * (8 - n))) & _ALL for n in range(9)], dtype=np.uint64)


def _join(v: npt.NDArray[np.uint64]) -> I64:
    """Join the eight decimal digits in the bytes of each word: to pairs, to fours, to eights."""
    v = (v * np.uint64(10 * 2**8 + 1)) >> np.uint64(8)
    v = ((v & np.uint64(0x00FF00FF00FF00FF)) * np.uint64(100 * 2**16 + 1)) >> np.uint64(16)
    v = ((v & np.uint64(0x0000FFFF0000FFFF)) * np.uint64(10000 * 2**32 + 1)) >> np.uint64(32)
    return v.view(np.int64)


def read_decimals(data: bytes, end: I64, size: I64, places: I64) -> F64:
    """Return the numbers written before each `end`.

    Parameters
    ----------
    data : bytes
        Text with eight bytes in front that are not counted in `end`.
    end, size, places : (n,) int
        Where each number ends; its length with the point and without a sign, 1 to 16; its digits behind the point,
        -1 where it has no point. At most 8 digits stand before the point and 8 behind.

    Returns
    -------
    (n,) float
        Exact to the last bit: digits and powers of ten both fit in 53 bits.
    """
    words = np.ndarray((len(data) - 7,), "<u8", data, strides=(1,))
    # eight bytes at once, the last digit in the highest; what is before the point moves over it
    v = words[end] & _LAST_BYTES[np.minimum(size, 8)]
    behind = _LAST_BYTES[np.maximum(places, 0)]
    before = np.where(places < 0, v, (v & ~(behind >> np.uint64(8))) << np.uint64(8))
    before &= ~behind
    value = _join((v & behind) | before).astype(np.float64)
    long = np.flatnonzero(size > 8)
    if len(long):
        point = np.maximum(places[long], 0)
        front = end[long] - np.where(places[long] < 0, 0, point + 1)
        digits = np.minimum(size[long] - (end[long] - front), 8)
        whole = _join(words[front] & _LAST_BYTES[digits]).astype(np.float64)
        rest = _join(words[end[long]] & _LAST_BYTES[point]).astype(np.float64)
        value[long] = whole * _POWERS[point] + rest
    return value / _POWERS[np.maximum(places, 0)]


#: Bytes less the digit 0 that are no digits get a flag, 0x80; a product turns one flag into the number of its byte.
_ZEROS, _PAST_NINE, _FLAG = (np.uint64(c * 0x0101010101010101) for c in (0x30, 0x76, 0x80))
_NIBBLES = np.uint64(0x0010203040506070)
_1, _3, _7, _8, _60, _64, _MINUS, _BYTE = (np.uint64(n) for n in (1, 3, 7, 8, 60, 64, 0x1D, 0xFF))


def read_ahead(data: bytes, start: I64) -> tuple[F64, I64, npt.NDArray[np.bool_]]:
    """Return the numbers that begin at each `start`, where they are found to end within eight bytes.

    Parameters
    ----------
    data : bytes
        ASCII text and at least ten bytes more, the first of them no part of a number.
    start : (n,) int
        Where a sign, digit or point should stand.

    Returns
    -------
    (n,) float
        Exact to the last bit.
    (n,) int
        Bytes of each number.
    (n,) bool
        Where the number is longer, or is no number; its value and bytes are of no use.
    """
    words = np.ndarray((len(data) - 7,), "<u8", data, strides=(1,))
    v = words[start]
    minus = (v & _BYTE) == 0x2D
    if minus.any():
        v = words[start + minus]
    v = v ^ _ZEROS
    stops = (v + _PAST_NINE) & _FLAG
    first = stops & (~stops + _1)
    whole = ((first >> _7) * _NIBBLES) >> _60
    is_point = ((v >> (whole << _3)) & _BYTE) == 0x1E
    stops ^= first
    end = np.where(is_point, stops & (~stops + _1), first)
    size = ((end >> _7) * _NIBBLES) >> _60
    filled = np.flatnonzero(is_point & (end == 0))
    if len(filled):  # eight bytes hold the number if the ninth is no part of it
        after = np.frombuffer(data, np.uint8)[start[filled] + minus[filled] + 8]
        filled = filled[((after - np.uint8(0x30)) > 9) & ((after - np.uint8(0x2D)) > 1)]
        size[filled] = 8
    bits = size << _3
    unfit = (size == is_point) | (size == 0)
    unfit |= ((v >> bits) & _BYTE) - _MINUS < 2  # a second point, or a minus behind the number
    v &= (end >> _7) - _1  # all bits where no end was found
    before = v & ((first >> _7) - _1)
    v &= ~((first << _1) - _1)
    v |= before << _8
    v = np.where(is_point, v, before) << (_64 - bits)
    places = np.where(is_point, size - whole - _1, 0)
    places[unfit] = 0
    value = _join(v).astype(np.float64)
    value /= _POWERS[places]
    np.negative(value, out=value, where=minus)
    return value, size.view(np.int64) + minus, unfit


@cache
def _tables(
    places: int,
) -> tuple[npt.NDArray[np.uint64], npt.NDArray[np.uint32], npt.NDArray[np.uint64]]:
    """Return cells for the upper and lower four of eight digits, and for the four above them.

    The upper table has one part each for: no sign or a sign, digits following or only zeros, and leading zeros left
    out or kept; its index is 10000 * (1 * minus + 2 * ends + 4 * full) + digits.
    """
    upper = np.concatenate([_upper(places, part & 1, part & 2, part & 4) for part in range(8)])
    four = _digits(np.arange(10000), 4)
    lower = np.where(_is_needed_after(np.arange(10000), 4), four, 0).astype(np.uint8)
    top = np.zeros((2, 10000, 8), np.uint8)
    top[:, :, 1:5] = np.where(_is_needed_before(np.arange(10000), 4), four, 0)
    top[1, 1:, 0] = 0x2D
    return upper.view(np.uint64).ravel(), lower.view(np.uint32).ravel(), top.view(np.uint64).ravel()


def _upper(places: int, minus: int, ends: int, full: int) -> U8:
    """Return (10000, 8) cells: sign, digits before the point, point, digits behind it."""
    behind = places - 4
    whole, fraction = np.divmod(np.arange(10000), 10**behind)
    cells = np.zeros((10000, 8), np.uint8)
    cells[:, 0] = 0x2D if minus else 0
    needed = _is_needed_before(whole, 4 - behind) | bool(full)
    needed[:, -1] = True
    cells[:, 1 : 5 - behind] = np.where(needed, _digits(whole, 4 - behind), 0)
    cells[:, 5 - behind] = np.where((fraction > 0) | (not ends), 0x2E, 0)
    kept = _is_needed_after(fraction, behind) | (not ends)
    cells[:, 6 - behind : 6] = np.where(kept, _digits(fraction, behind), 0)
    return cells


def _digits(n: I64, count: int) -> U8:
    powers = 10 ** np.arange(count)[::-1]
    return (n[:, None] // powers % 10 + 0x30).astype(np.uint8)


def _is_needed_before(n: I64, count: int) -> npt.NDArray[np.bool_]:
    """Tell which digits are no leading zeros."""
    return n[:, None] >= 10 ** np.arange(count)[::-1]


def _is_needed_after(n: I64, count: int) -> npt.NDArray[np.bool_]:
    """Tell which digits are no trailing zeros."""
    return n[:, None] % 10 ** (count - np.arange(count)) > 0


def write_decimals(units: I64, places: int) -> U8:
    """Return (n, SHORT or LONG) cells that spell units / 10**places; a cell that is not needed is 0.

    Zeros before the number and at the end of its fraction are left out; zero has no sign. `places` is 5 or 6.
    """
    upper, lower, top = _tables(places)
    minus = units < 0
    size = np.abs(units)
    high = size // 10000
    low = size - high * 10000
    long = bool(len(size)) and int(size.max()) >= 10**8
    row = np.dtype(
        [("top", "<u8"), ("upper", "<u8"), ("lower", "<u4")]
        if long
        else [("upper", "<u8"), ("lower", "<u4")]
    )
    cells = np.empty(len(units), row)
    cells["lower"] = lower[low]
    part = minus * 10000 + (low == 0) * 20000
    if long:
        above = high // 10000
        high = high - above * 10000
        has = above > 0
        cells["top"] = top[above + minus * 10000]
        part = np.where(has, (low == 0) * 20000 + 40000, part)
    cells["upper"] = upper[high + part]
    return cells.view(np.uint8).reshape(len(units), row.itemsize)


def write_decimal(units: int, places: int) -> str:
    """Return one number, spelled as `write_decimals` does."""
    sign = "-" if units < 0 else ""
    whole, fraction = divmod(abs(units), 10**places)
    text = f"{sign}{whole}.{fraction:0{places}d}".rstrip("0")
    return text.removesuffix(".")
