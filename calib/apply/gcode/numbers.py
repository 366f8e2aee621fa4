"""Decimal numbers in bytes, many at once: exact reading and writing with nothing but arithmetic.

Eight bytes of text are one unsigned integer whose lowest byte comes first, so a shift by 8 bits drops a character and
one product joins neighbouring digits of all numbers. A shift by 64 bits or more gives 0 in numpy, which is relied upon.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

#: Numbers are written with this many digits at most.
MOST_DIGITS = 12

#: Bytes of text that are looked at for one number and what follows it.
WINDOW = 24

_POWERS = 10.0 ** np.arange(20)
#: Bytes less the digit 0 that are no digits get a flag, 0x80; a product turns one flag into 8 times its byte's number.
_ZEROS, _PAST_NINE, _FLAG = (np.uint64(c * 0x0101010101010101) for c in (0x30, 0x76, 0x80))
_EIGHTS = np.uint64(sum(8 * k << (58 - 8 * k) for k in range(8)))
_POINT, _POINT_LESS_ZERO, _MINUS, _BYTE = (np.uint64(n) for n in (0x2E, 0x1E, 0x2D, 0xFF))
_0, _1, _3, _7, _8, _16, _32, _52, _58, _63, _64, _128 = (
    np.uint64(n) for n in (0, 1, 3, 7, 8, 16, 32, 52, 58, 63, 64, 128)
)
_EXPONENT_OF_1 = np.uint64(1023)


class Read(NamedTuple):
    """Numbers as they were read; one entry each."""

    value: F64  # exact to the last bit
    size: I64  # bytes, with sign and point
    after: U64  # the eight bytes that follow
    bad: Bool  # no number, or one of more digits than are read here: nothing else is of use then


class Spelled(NamedTuple):
    """Numbers as text of up to 16 bytes; what stands behind their size is of no use."""

    low: U64
    high: U64
    size: U64


def windows(data: bytes, start: I64) -> tuple[U64, U64, U64]:
    """Return the `WINDOW` bytes from each start, eight by eight; all must lie inside of `data`."""
    row = np.dtype((np.void, WINDOW))
    rows = np.ndarray((len(data) - WINDOW + 1,), row, data, strides=(1,))[start]
    first, second, third = rows.view("<u8").reshape(-1, 3).T.copy()
    return first, second, third


def read_decimals(first: U64, second: U64, third: U64) -> Read:
    """Read the number that each window begins with: an optional minus, digits and an optional point.

    Up to eight digits are read wherever the point is; up to seven on each side of it if there are more. The windows
    may be overwritten.
    """
    minus = np.flatnonzero((first & _BYTE) == _MINUS)
    if len(minus):
        first[minus] = first[minus] >> _8 | second[minus] << np.uint64(56)
        second[minus] = second[minus] >> _8 | third[minus] << np.uint64(56)
        third[minus] >>= _8
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
    size = count + point
    after = _bytes_from(first, second, third, size)
    bad = (count == 0) | (stop == 0)
    more = np.flatnonzero((after ^ _ZEROS) & _BYTE < np.uint64(10))
    if len(more):
        long = _read_long(first[more], second[more], third[more])
        value[more], size[more], after[more], bad[more] = long
    if len(minus):
        value[minus] *= -1.0
        size[minus] += _8
    return Read(value, (size >> _3).view(np.int64), after, bad)


def _read_long(first: U64, second: U64, third: U64) -> tuple[F64, U64, U64, Bool]:
    """Read the digits before and behind the point apart; sizes are in bits."""
    stop = _first_stop(first ^ _ZEROS)
    whole = _bits_before(stop)
    rest = _bytes_from(first, second, third, whole + _8) ^ _ZEROS
    end = _first_stop(rest)
    places = _bits_before(end)
    value = _join((first ^ _ZEROS) << (_64 - whole)).astype(np.float64)
    power = _POWERS.take((places >> _3).view(np.int64))
    value = (value * power + _join(rest << (_64 - places))) / power
    size = whole + places + _8
    has_point = ((first >> whole) & _BYTE) == _POINT
    bad = (stop == 0) | (end == 0) | ~has_point
    return value, size, _bytes_from(first, second, third, size), bad


def _bytes_from(first: U64, second: U64, third: U64, bits: U64) -> U64:
    """Return eight bytes of each window, beginning so many bits after its start."""
    found = first >> bits
    found |= second << (_64 - bits)
    found |= second >> (bits - _64)
    found |= third << (_128 - bits)
    return found


def _first_stop(v: U64) -> U64:
    """Flag the first byte that is no digit, as 1 in it, given bytes less the digit 0; 0 if all are digits."""
    flags = v + _PAST_NINE
    flags &= _FLAG
    return (flags & (~flags + _1)) >> _7


def _bits_before(flag: U64) -> U64:
    """Return eight times the number of the byte that holds the only 1; 0 for none."""
    return flag * _EIGHTS >> _58


def _join(v: U64) -> I64:
    """Join the eight decimal digits in the bytes of each word: to pairs, to fours, to eights."""
    v = (v * np.uint64(10 * 2**8 + 1)) >> _8
    v = ((v & np.uint64(0x00FF00FF00FF00FF)) * np.uint64(100 * 2**16 + 1)) >> _16
    v = ((v & np.uint64(0x0000FFFF0000FFFF)) * np.uint64(10000 * 2**32 + 1)) >> _32
    return v.view(np.int64)


def _part(n: U64) -> U64:
    """Write numbers below 10**8 as eight digits in eight bytes: the reverse of `_join`."""
    high = n // np.uint64(10000)
    v = high | (n - high * np.uint64(10000)) << _32
    high = v * np.uint64(10486) >> np.uint64(20) & np.uint64(0x0000007F0000007F)
    v = high | (v - high * np.uint64(100)) << _16
    high = v * np.uint64(103) >> np.uint64(10) & np.uint64(0x000F000F000F000F)
    return high | (v - high * np.uint64(10)) << _8


def _highest_bit(v: U64) -> U64:
    """Return the number of the highest bit that is set."""
    return (v.astype(np.float64).view(np.uint64) >> _52) - _EXPONENT_OF_1


def write_decimals(units: I64, places: int) -> Spelled:
    """Spell units / 10**places; `places` is 1 to 7.

    Zeros before the number and at the end of its fraction are left out; zero has no sign. Numbers may have up to
    `MOST_DIGITS` digits and 7 before the point.
    """
    size = np.abs(units).view(np.uint64)
    before = np.uint64(8 * (8 - places))
    digits = _part(size)
    spelled = _put_point(digits & ((_1 << before) - _1), before, digits >> before)
    long = np.flatnonzero(size >= np.uint64(10**8))
    if len(long):
        whole, rest = np.divmod(size[long], np.uint64(10**places))
        longer = _put_point(_part(whole), _64, _part(rest * np.uint64(10 ** (8 - places))))
        for some, values in zip(spelled, longer, strict=True):
            some[long] = values
    minus = np.flatnonzero(units < 0)
    if len(minus):
        low, high, size = spelled
        high[minus] = high[minus] << _8 | low[minus] >> np.uint64(56)
        low[minus] = low[minus] << _8 | _MINUS
        size[minus] += _1
    return spelled


def _put_point(whole: U64, before: np.uint64, fraction: U64) -> Spelled:
    """Join digits before the point, in so many bits, and digits behind it; leave needless zeros out."""
    lowest = whole | (_1 << (before - _8))  # a zero stands before the point
    lowest &= ~lowest + _1
    blank = _highest_bit(lowest) & ~_7
    tail = (fraction | _ZEROS) << _8 | _POINT
    behind = _highest_bit(fraction << _8 | _1) >> _3
    behind += behind > 0
    length = before - blank
    low = (whole | _ZEROS) >> blank
    low &= (_1 << length) - _1
    low |= tail << length
    return Spelled(low, tail >> (_64 - length), (length >> _3) + behind)


def write_decimal(units: int, places: int) -> str:
    """Return one number, spelled as `write_decimals` does."""
    sign = "-" if units < 0 else ""
    whole, fraction = divmod(abs(units), 10**places)
    text = f"{sign}{whole}.{fraction:0{places}d}".rstrip("0")
    return text.removesuffix(".")
