"""Decimal numbers in bytes, many at once: read exactly by arithmetic, written from tables of four and five digits.

Eight bytes of text are one unsigned integer whose lowest byte comes first, so a shift by 8 bits drops a character and
one product joins neighbouring digits of all numbers. A shift by 64 bits or more gives 0 in numpy, which is relied upon.
"""

from functools import cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

U8 = npt.NDArray[np.uint8]
U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

#: Numbers are written in units of the last of so many decimal places, with so many digits at most.
PLACES, MOST_DIGITS = 6, 13
ONE = 10**PLACES

#: Bytes that must stand behind the last start of a number.
WINDOW = 32

#: Bytes written for each number that is put in.
_PIECE = 24
_Piece = np.dtype((np.void, _PIECE))

_POWERS = 10.0 ** np.arange(20)
#: Bytes less the digit 0 that are no digits get a flag, 0x80; a product turns one flag into 8 times its byte's number.
_ZEROS, _PAST_NINE, _FLAG = (np.uint64(c * 0x0101010101010101) for c in (0x30, 0x76, 0x80))
_EIGHTS = np.uint64(sum(8 * k << (58 - 8 * k) for k in range(8)))
_POINT, _POINT_LESS_ZERO, _MINUS, _BYTE = (np.uint64(n) for n in (0x2E, 0x1E, 0x2D, 0xFF))
_TEXT = np.uint64((1 << 56) - 1)
_1, _3, _7, _8, _16, _32, _56, _58, _64 = (np.uint64(n) for n in (1, 3, 7, 8, 16, 32, 56, 58, 64))


class Read(NamedTuple):
    """Numbers as they were read, one entry each."""

    value: F64  # exact to the last bit
    end: I64  # where each ends
    good: Bool  # whether it could be read; the rest is of no use where not


class Spelled(NamedTuple):
    """Numbers as text of up to 16 bytes; what stands behind their size is of no use."""

    low: U64
    high: U64
    size: I64


def eights(text: bytes | bytearray | memoryview) -> U64:
    """Return a view of the eight bytes from each offset of a text."""
    return np.ndarray((len(text) - 7,), "<u8", text, strides=(1,))


def read_decimals(text: bytes | bytearray, start: I64) -> Read:
    """Read numbers: an optional minus, digits, and an optional point, no exponent.

    Up to eight digits are read wherever the point is, or else up to seven on each side of it.

    Parameters
    ----------
    text : bytes
        With `WINDOW` bytes or more behind the last start.
    start : (n,) int
        Where each number begins.
    """
    at = eights(text)
    first = at[start]
    minus = np.flatnonzero((first & _BYTE) == _MINUS)
    if len(minus):
        start = start.copy()
        start[minus] += 1
        first[minus] = at[start[minus]]
    value, size, good = _read_short(first, at[start + 8])
    # what is longer than eight digits ends in a digit, or was cut short by one
    end = start + size
    behind = np.frombuffer(text, np.uint8).take(end)
    more = (behind - np.uint8(ord("0")) < 10) | (behind == ord("."))
    again = np.flatnonzero(more | ~good)
    if len(again):
        value[again], size, good[again] = _read_long(at, start[again])
        end[again] = start[again] + size
    value[minus] *= -1.0
    return Read(value, end, good)


def _read_short(first: U64, second: U64) -> tuple[F64, I64, Bool]:
    """Read numbers of up to eight digits; return also how many bytes each takes, and whether there is one."""
    v = first ^ _ZEROS
    stop = _first_stop(v)
    whole = _bits_before(stop)
    point = (((v >> whole) & _BYTE) == _POINT_LESS_ZERO) * _8
    behind = whole + point
    digits = v & (stop - _1)  # and behind them what follows the point
    digits |= (v >> behind | (second ^ _ZEROS) << (_64 - behind)) << whole
    end = _first_stop(digits)
    count = _bits_before(end)
    count |= (end == 0) * _64
    value = _join(digits << (_64 - count)).astype(np.float64)
    value /= _POWERS.take((count - whole >> _3).view(np.int64))
    return value, (count + point >> _3).view(np.int64), (count > 0) & (stop > 0)


def _read_long(at: U64, start: I64) -> tuple[F64, I64, Bool]:
    """Read the digits before and behind a point apart."""
    v = at[start] ^ _ZEROS
    stop = _first_stop(v)
    whole = _bits_before(stop)
    behind = start + (whole >> _3).view(np.int64)
    has_point = (at[behind] & _BYTE) == _POINT
    rest = at[behind + 1] ^ _ZEROS
    end = _first_stop(rest)
    places = _bits_before(end)
    places[~has_point] = 0
    value = _join(v << (_64 - whole)).astype(np.float64)
    power = _POWERS.take((places >> _3).view(np.int64))
    value = (value * power + _join(rest << (_64 - places))) / power
    size = ((whole + places + has_point * _8) >> _3).view(np.int64)
    return value, size, (stop > 0) & ((end > 0) | ~has_point) & (whole + places > 0)


def _first_stop(v: U64) -> U64:
    """Flag the first byte that is no digit, as 1 in it, given bytes less the digit 0; 0 if all are digits."""
    flags = v + _PAST_NINE
    flags &= _FLAG
    lowest = ~flags
    lowest += _1
    flags &= lowest
    flags >>= _7
    return flags


def _bits_before(flag: U64) -> U64:
    """Return eight times the number of the byte that holds the only 1; 0 for none."""
    bits = flag * _EIGHTS
    bits >>= _58
    return bits


def _join(v: U64) -> I64:
    """Join the eight decimal digits in the bytes of each word, which is overwritten: to pairs, to fours, to eights."""
    v *= np.uint64(10 * 2**8 + 1)
    v >>= _8
    v &= np.uint64(0x00FF00FF00FF00FF)
    v *= np.uint64(100 * 2**16 + 1)
    v >>= _16
    v &= np.uint64(0x0000FFFF0000FFFF)
    v *= np.uint64(10000 * 2**32 + 1)
    v >>= _32
    return v.view(np.int64)


def whole(values: F64, step: int) -> I64:
    """Return numbers in units of the last place written, each a multiple of `step`."""
    units: I64 = step * np.rint(values * (ONE / step)).astype(np.int64)
    return units


def write_decimals(units: I64) -> Spelled:
    """Spell units / 10**PLACES, of up to `MOST_DIGITS` digits.

    Zeros before the number and at the end of its fraction are left out; zero has no sign.
    """
    size = np.abs(units).view(np.uint64)
    whole = size // np.uint64(ONE)
    size -= whole * np.uint64(ONE)
    head, tail = _whole(whole.view(np.int64)), _fraction(size.astype(np.uint32))
    bits = head >> _56 << _3
    count = (head >> _56) + (tail >> _56)
    head &= _TEXT
    tail &= _TEXT
    low, high = head | tail << bits, tail >> (_64 - bits)
    minus = np.flatnonzero(units < 0)
    if len(minus):
        high[minus] = high[minus] << _8 | low[minus] >> _56
        low[minus] = low[minus] << _8 | _MINUS
        count[minus] += _1
    return Spelled(low, high, count.view(np.int64))


def put_before(number: Spelled, text: int, size: int) -> Spelled:
    """Return numbers with another `size` bytes before each; together they may have 16."""
    bits = np.uint64(8 * size)
    low = number.low << bits | np.uint64(text)
    return Spelled(low, number.high << bits | number.low >> (_64 - bits), number.size + size)


def put_in(
    data: bytes, text: bytes | bytearray, begin: I64, end: I64, new: Spelled
) -> tuple[bytes, I64]:
    """Put numbers in the place of stretches of a text, all in file order; return where each ends, too.

    The new text is a row of pieces, in turns what is copied and a number. Each is written as 24 bytes where it begins,
    and what is written beyond its end is overwritten by the next one.

    Parameters
    ----------
    data, text : bytes
        The text, and one of the same length with 24 bytes more whose content is not used.
    """
    source = eights(data + text[len(data) :])
    start = np.concatenate([[0], end[:-1]])
    gap = begin - start
    bits = (gap << 3).view(np.uint64)
    long = np.flatnonzero(gap > 8)  # copied apart; the others go with the number behind them
    bits[long] = 0
    ahead, rest = source[start], np.uint64(64) - bits
    ahead &= (np.uint64(1) << bits) - np.uint64(1)
    rows = np.empty((len(gap), 3), "<u8")
    rows[:, 0] = ahead | new.low << bits
    rows[:, 1] = new.low >> rest | new.high << bits
    rows[:, 2] = new.high >> rest
    stop = np.cumsum(new.size + gap)
    total = int(stop[-1])
    out = np.empty(total + _PIECE, np.uint8)
    at = stop - new.size - (bits >> np.uint64(3)).view(np.int64)
    np.ndarray((total + 1,), _Piece, out.data, strides=(1,))[at] = rows.view(_Piece).ravel()
    # what is copied apart goes in eights, of which the last may overlap the one before
    count = gap[long] + 7 >> 3
    step = np.arange(count.sum()) - (np.cumsum(count) - count).repeat(count) << 3
    step = np.minimum(step, (gap[long] - 8).repeat(count))
    to = (at - gap)[long].repeat(count) + step
    eights(out.data)[to] = source[start[long].repeat(count) + step]
    return out[:total].tobytes() + data[end[-1] :], stop


def _whole(n: I64) -> U64:
    """Spell whole numbers of up to seven digits; the size is in the highest byte."""
    short, padded, _, _ = _tables()
    long = np.flatnonzero(n >= 10**4)
    text = short.take(n, mode="clip")
    if len(long):
        upper, lower = np.divmod(n[long], 10**4)
        head, rest = short.take(upper), padded.take(lower)
        text[long] = head + (rest << (head >> _56 << _3)) + (np.uint64(4) << _56)
    return text


def _fraction(n: npt.NDArray[np.uint32]) -> U64:
    """Spell n / 10**6, less than 1, from its point on; the size is in the highest byte."""
    _, _, upper, lower = _tables()
    thousands = n // np.uint32(1000)
    rest = n - thousands * np.uint32(1000)
    spelled: U64 = upper.take(thousands + np.uint32(1000) * (rest == 0)) + lower.take(rest)
    return spelled


@cache
def _tables() -> tuple[U64, U64, U64, U64]:
    """Return texts of whole numbers below 10,000, short and padded, and of fractions.

    The first byte of a text is the lowest one, the highest byte is its size; the padded whole numbers have no size.
    Of fractions the first three digits are there with the point, full and, from 1,000 on, as short as can be; then
    the last three, as short as can be, where they go behind the others.
    """
    padded = _texts(4)
    size = 1 + sum((np.arange(10**4) >= 10**k).astype(np.uint64) for k in (1, 2, 3))
    short = padded >> (_8 * (4 - size)) | size << _56
    three = _texts(3)
    n = np.arange(1000)
    size = 3 - sum((n % 10**k == 0).astype(np.uint64) for k in (1, 2, 3))
    tail: U64 = three & ((_1 << (_8 * size)) - _1)
    upper = _POINT | three << _8 | np.uint64(4) << _56
    brief = (_POINT | tail << _8 | (size + _1) << _56) * (size > 0)
    return short, padded, np.concatenate([upper, brief]), tail << _32 | size << _56


def _texts(count: int) -> U64:
    """Return all numbers of so many digits as text."""
    text = np.zeros((10**count, 8), np.uint8)
    n = np.arange(10**count)
    text[:, :count] = n[:, None] // 10 ** np.arange(count)[::-1] % 10 + ord("0")
    words: U64 = text.view("<u8").ravel().astype(np.uint64)
    return words


def write_decimal(units: int) -> str:
    """Return one number, spelled as `write_decimals` does."""
    sign = "-" if units < 0 else ""
    whole, fraction = divmod(abs(units), ONE)
    return f"{sign}{whole}.{fraction:0{PLACES}d}".rstrip("0").removesuffix(".")
