"""Decimal numbers in bytes, many at once: read as whole counts of a smallest part, written from tables of digits.

Eight bytes of text are one unsigned integer whose lowest byte comes first, so a shift by 8 bits drops a character and
one product joins neighbouring digits of all numbers. A shift by 64 bits or more gives 0 in numpy, which is relied upon.
"""

from functools import cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

U8 = npt.NDArray[np.uint8]
U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

#: Numbers are read as counts of 1e-8, so that sums are exact in whatever order they are made.
PART = 10**8

#: Numbers are written in counts of 1e-6, with up to seven digits before the point.
ONE = 10**6

#: Bytes that must stand before the first number of a text, and behind the last.
AHEAD, BEHIND = 8, 16

_DIGITS = np.uint64(0x0F0F0F0F0F0F0F0F)


class Spelled(NamedTuple):
    """Numbers as text: where each is in `text`, and how long."""

    text: bytes
    start: I64
    size: I64


def read_counts(text: bytes | bytearray, point: I64, whole: I64, fraction: I64) -> I64:
    """Read numbers without their signs, in counts of 1 / `PART`; digits beyond the eighth place are dropped.

    Parameters
    ----------
    text : bytes
        With `AHEAD` bytes before the first number and `BEHIND` after the last.
    point, whole, fraction : (n,) int
        Where the point is or would be, how many digits stand before it (up to seven) and behind it.
    """
    eights = np.ndarray((len(text) - 7,), "<u8", text, strides=(1,))
    bits = (64 - 8 * whole).view(np.uint64)
    before = eights[point - 8] >> bits << bits
    bits = (64 - 8 * np.minimum(fraction, 8)).view(np.uint64)
    behind = eights[point + 1] << bits >> bits
    return _joined(before) * PART + _joined(behind)


def _joined(v: U64) -> I64:
    """Join eight decimal digits, one in each byte; blanks and zero bytes count as 0. Overwrites what it is given."""
    v &= _DIGITS
    for count, bits, keep in ((10, 8, 0x00FF00FF00FF00FF), (100, 16, 0x0000FFFF0000FFFF), (10**4, 32, -1)):  # fmt: skip
        v *= np.uint64(count * 2**bits + 1)
        v >>= np.uint64(bits)
        if keep > 0:
            v &= np.uint64(keep)
    return v.view(np.int64)


def write_counts(counts: I64, before: bytes = b"") -> Spelled:
    """Spell counts of 1 / `ONE`, as short as can be: no zeros in front or at the end, no sign of zero.

    Parameters
    ----------
    before : bytes
        What goes before each number, up to three bytes.
    """
    whole_text, whole_size, fraction_text, fraction_size = _tables()
    whole, left = _divided(np.abs(counts), ONE)
    thousands, rest = _divided(left, 1000)
    large = bool(len(whole)) and int(whole.max()) >= 10**4
    cells = np.empty((len(counts), 3 if large else 2), "<u8")
    high, low = _divided(whole, 10**4) if large else (whole, whole)
    digits = whole_size.take(low)
    text = whole_text.take(low) << np.uint64(32)
    if large:
        digits = np.where(high > 0, 4 + whole_size.take(high), digits)
        text |= whole_text.take(high)
    cells[:, -2] = text
    cells[:, -1] = fraction_text.take(thousands) << np.uint64(8) | fraction_text.take(rest) << np.uint64(32) | np.uint64(ord("."))  # fmt: skip
    behind = 1 + fraction_size.take(thousands)
    behind *= thousands > 0
    fine = np.flatnonzero(rest)
    behind[fine] = 4 + fraction_size.take(rest[fine])
    spelled = cells.view(np.uint8).ravel()
    width = 8 * cells.shape[1]
    point = np.arange(width - 8, width - 8 + width * len(counts), width)
    start = point - digits
    minus = np.flatnonzero(counts < 0)
    start[minus] -= 1
    spelled[start[minus]] = ord("-")
    for byte in reversed(before):
        start -= 1
        spelled[start] = byte
    return Spelled(cells.tobytes(), start, point - start + behind)


def _divided(n: I64, by: int) -> tuple[I64, I64]:
    """Return quotients and remainders; numpy divides unsigned numbers by one other the fastest."""
    quotient = (n.view(np.uint64) // np.uint64(by)).view(np.int64)
    return quotient, n - quotient * by


@cache
def _tables() -> tuple[U64, I64, U64, I64]:
    """Return four digits of a whole number as text, how many count, and the same for three digits of a fraction."""
    four, three = np.arange(10**4), np.arange(10**3)
    powers = 10 ** np.array([[1], [2], [3]])
    whole_size = 1 + (four >= powers).sum(axis=0)
    fraction_size = 3 - (three % powers == 0).sum(axis=0)
    return _texts(four, 4), whole_size, _texts(three, 3), fraction_size


def _texts(n: I64, count: int) -> U64:
    """Return numbers as text of so many digits, the first in the lowest byte."""
    text = np.zeros((len(n), 8), np.uint8)
    text[:, :count] = n[:, None] // 10 ** np.arange(count)[::-1] % 10 + ord("0")
    return text.view("<u8").ravel().astype(np.uint64)


def write_count(count: int) -> str:
    """Return one number, spelled as `write_counts` does."""
    sign = "-" if count < 0 else ""
    whole, fraction = divmod(abs(count), ONE)
    return f"{sign}{whole}.{fraction:06d}".rstrip("0").removesuffix(".")


def carried(initial: Any, at: I64 | list[int], values: Any, count: int) -> Any:
    """Return a value in force at each of `count` places, given those that set it."""
    if not len(at):
        return np.full(count, initial)
    index = np.zeros(count, np.int64)
    index[at] = np.arange(1, len(at) + 1)
    return np.concatenate([[initial], values]).take(np.maximum.accumulate(index))


def shifted(initial: Any, values: Any) -> Any:
    """Return what was in force before each place."""
    return np.concatenate([[initial], values[:-1]])
