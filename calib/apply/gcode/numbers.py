"""Decimal numbers in bytes, many at once: read exactly by arithmetic, written from tables of four and five digits.

Eight bytes of text are one unsigned integer whose lowest byte comes first, so a shift by 8 bits drops a character and
one product joins neighbouring digits of all numbers. A shift by 64 bits or more gives 0 in numpy, which is relied upon.
"""

from functools import cache
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
ZEROS, _PAST_NINE, _FLAG = (np.uint64(c * 0x0101010101010101) for c in (0x30, 0x76, 0x80))
_EIGHTS = np.uint64(sum(8 * k << (58 - 8 * k) for k in range(8)))
_POINT, _POINT_LESS_ZERO, _MINUS, _BYTE = (np.uint64(n) for n in (0x2E, 0x1E, 0x2D, 0xFF))
_TEXT = np.uint64((1 << 56) - 1)
_1, _3, _7, _8, _16, _32, _56, _58, _64, _128 = (
    np.uint64(n) for n in (1, 3, 7, 8, 16, 32, 56, 58, 64, 128)
)


class Read(NamedTuple):
    """Numbers as they were read; one entry each but for `wrong`."""

    value: F64  # exact to the last bit
    end: I64  # where each ends
    after: U64  # the eight bytes from there on
    wrong: I64  # which could not be read; the rest is of no use for them


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


def read_decimals(data: bytes, start: I64, following: I64 | None) -> Read:
    """Read numbers: an optional minus, digits and an optional point, and one blank at most before what follows.

    Up to eight digits are read wherever the point is, or else up to seven on each side of it.

    Parameters
    ----------
    data : bytes
        Text, with `WINDOW` bytes or more behind the last start.
    start, following : (n,) int
        Where each number begins, and where the next thing does (None: anything but a digit may stand behind it).
    """
    first, second, third = windows(data, start)
    minus = np.flatnonzero((first & _BYTE) == _MINUS)
    if len(minus):
        first[minus] = first[minus] >> _8 | second[minus] << _56
        second[minus] = second[minus] >> _8 | third[minus] << _56
        third[minus] >>= _8
        start = start.copy()
        start[minus] += 1
    value, bits, good = _read_short(first, second)
    end = start + (bits >> _3).view(np.int64)
    after = _bytes_from(first, second, third, bits)
    good &= _meets(end, after, following)
    wrong = np.flatnonzero(~good)
    if len(wrong):
        some = first[wrong], second[wrong], third[wrong]
        value[wrong], bits, good = _read_long(*some)
        end[wrong] = start[wrong] + (bits >> _3).view(np.int64)
        after[wrong] = _bytes_from(*some, bits)
        follows = None if following is None else following[wrong]
        wrong = wrong[~(good & _meets(end[wrong], after[wrong], follows))]
    value[minus] *= -1.0
    return Read(value, end, after, wrong)


def _meets(end: I64, after: U64, following: I64 | None) -> Bool:
    """Tell where nothing, or one blank or carriage return, is before what follows."""
    c = after & _BYTE
    if following is None:
        ends: Bool = c - np.uint64(0x30) > 9
        return ends
    meets: Bool = end + ((c == 0x20) | (c == 0x0D)) == following
    return meets


def _read_short(first: U64, second: U64) -> tuple[F64, U64, Bool]:
    """Read numbers of up to eight digits; return also how many bits each takes, and whether there is one."""
    v = first ^ ZEROS
    stop = first_stop(v)
    whole = _bits_before(stop)
    point = (((v >> whole) & _BYTE) == _POINT_LESS_ZERO) * _8
    behind = whole + point
    digits = v & (stop - _1)  # and behind them what follows the point
    digits |= (v >> behind | (second ^ ZEROS) << (_64 - behind)) << whole
    end = first_stop(digits)
    count = _bits_before(end)
    count |= (end == 0) * _64
    value = _join(digits << (_64 - count)).astype(np.float64)
    value /= _POWERS.take((count - whole >> _3).view(np.int64))
    return value, count + point, (count > 0) & (stop > 0)


def _read_long(first: U64, second: U64, third: U64) -> tuple[F64, U64, Bool]:
    """Read the digits before and behind a point apart."""
    stop = first_stop(first ^ ZEROS)
    whole = _bits_before(stop)
    rest = _bytes_from(first, second, third, whole + _8) ^ ZEROS
    end = first_stop(rest)
    places = _bits_before(end)
    value = _join((first ^ ZEROS) << (_64 - whole)).astype(np.float64)
    power = _POWERS.take((places >> _3).view(np.int64))
    value = (value * power + _join(rest << (_64 - places))) / power
    has_point = ((first >> whole) & _BYTE) == _POINT
    return value, whole + places + _8, (stop > 0) & (end > 0) & (whole + places > 0) & has_point


def _bytes_from(first: U64, second: U64, third: U64, bits: U64) -> U64:
    """Return eight bytes of each window, beginning so many bits after its start."""
    found = first >> bits
    found |= second << (_64 - bits)
    found |= second >> (bits - _64)
    found |= third << (_128 - bits)
    return found


def first_stop(v: U64) -> U64:
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


def write_decimals(units: I64, places: int) -> Spelled:
    """Spell units / 10**places; `places` is 5 or 6.

    Zeros before the number and at the end of its fraction are left out; zero has no sign. Numbers may have up to
    `MOST_DIGITS` digits.
    """
    size = np.abs(units)
    whole = size // 10**places
    size -= whole * 10**places
    head, tail = _whole(whole), _fraction(size, places)
    bits = head >> _56 << _3
    count = (head >> _56) + (tail >> _56)
    head &= _TEXT
    tail &= _TEXT
    spelled = Spelled(head | tail << bits, tail >> (_64 - bits), count)
    minus = np.flatnonzero(units < 0)
    if len(minus):
        low, high, _ = spelled
        high[minus] = high[minus] << _8 | low[minus] >> _56
        low[minus] = low[minus] << _8 | _MINUS
        count[minus] += _1
    return spelled


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


def _fraction(n: I64, places: int) -> U64:
    """Spell n / 10**places, less than 1, from its point on; the size is in the highest byte."""
    _, _, short, padded = _tables()
    if places == 5:
        return short.take(n)
    upper = n // 10
    last = n - upper * 10
    text = short.take(upper)
    more = np.flatnonzero(last)
    digit = last[more].view(np.uint64) | np.uint64(0x30)
    text[more] = padded.take(upper[more]) + (_1 << _56) + (digit << np.uint64(48))
    return text


@cache
def _tables() -> tuple[U64, U64, U64, U64]:
    """Return texts of whole numbers of up to four digits and of fractions of five, each as short as can be and padded.

    The first byte of a text is the lowest one, the highest byte is its size; the padded whole numbers have no size.
    """
    four = _digits(np.arange(10**4), 4)
    text = np.zeros((10**4, 8), np.uint8)
    text[:, :4] = four
    padded = text.view("<u8").ravel().astype(np.uint64)
    size = 1 + sum((np.arange(10**4) >= 10**k).astype(np.uint64) for k in (1, 2, 3))
    short = padded >> (_8 * (4 - size)) | size << _56
    n = np.arange(10**5)
    text = np.zeros((10**5, 8), np.uint8)
    text[:, 0], text[:, 1:6], text[:, 7] = ord("."), _digits(n, 5), 6
    full = text.view("<u8").ravel().astype(np.uint64)
    size = 6 - sum((n % 10**k == 0).astype(np.uint64) for k in (1, 2, 3, 4, 5))
    size[0] = 0
    brief = full & ((_1 << (_8 * size)) - _1) | size << _56
    return short, padded, brief, full


def _digits(n: I64, count: int) -> npt.NDArray[np.uint8]:
    return (n[:, None] // 10 ** np.arange(count)[::-1] % 10 + ord("0")).astype(np.uint8)


def write_decimal(units: int, places: int) -> str:
    """Return one number, spelled as `write_decimals` does."""
    sign = "-" if units < 0 else ""
    whole, fraction = divmod(abs(units), 10**places)
    text = f"{sign}{whole}.{fraction:0{places}d}".rstrip("0")
    return text.removesuffix(".")
