"""A block of G-code skimmed with numpy: which lines are plain moves, which letters they have, and how far they reach.

Every byte gets a flag from a table, and the flags of each line are joined. That numbers are spelled as they should be
is seen from bytes and their neighbours, and from the eight bytes before each point; few numbers are read.
"""

import re

import numpy as np
import numpy.typing as npt

from calib.apply.gcode.block import PAD, has_stray_return, hide_comments
from calib.apply.gcode.machine_codes import leading_code
from calib.apply.gcode.numbers import F64, I64, U64, ZEROS, Bool, first_stop, read_decimals

U8 = npt.NDArray[np.uint8]

#: Flags of bytes and lines.
FLAG_OF = {letter: 1 << k for k, letter in enumerate("XYEZFG")}
_OTHER = 64

_G0, _G1, _G92 = (int.from_bytes(code, "little") for code in (b"G0", b"G1", b"G92"))

_LETTERS_IN = np.array([k.bit_count() for k in range(2 * _OTHER)], np.uint8)

_NUMBER = re.compile(rb"-?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")

#: Multiplied by 1 in one of four bytes, this has 8 times the byte's number in its highest bits.
_EIGHTS = np.uint32(sum(8 * k << (26 - 8 * k) for k in range(4)))

#: So few numbers are read one by one.
_FEWEST_NUMBERS = 300


def _flags() -> bytes:
    table = bytearray([_OTHER] * 256)
    for c in b"0123456789.- \r\n":
        table[c] = 0
    for letter, flag in FLAG_OF.items():
        table[ord(letter)] = flag
    return bytes(table)


_FLAGS = _flags()


class Skim:
    """One block; line numbers and offsets count from its beginning.

    Parameters
    ----------
    data : bytes
        Whole lines.
    stops : set of int
        M-codes that must not be passed over.

    Attributes
    ----------
    other : list of int
        Lines that need care.
    start, end : (n,) int
        Where each line begins, and where its newline is.
    move, moving : (n,) bool
        Plain moves, and those of them that have X, Y, Z or E.
    has : (n,) int
        Flags of the letters on plain moves and on G92 E; of the letters of M-codes that are passed over, none.
    with_z, at_z, with_e, at_e : (n,) int
        The lines that have these letters, and where they are.
    feeding : (n,) int
        Moves with E and one of X and Y.
    """

    def __init__(self, data: bytes, stops: set[int]) -> None:
        self.data, self.text = data, data + PAD
        self.stray = has_stray_return(data)
        hidden = bytearray(hide_comments(data, b" ", b" "))
        source = np.frombuffer(hidden, np.uint8)
        self.end = np.flatnonzero(source == ord("\n"))
        self.start = np.concatenate([[0], self.end[:-1] + 1])
        self.flags = np.frombuffer(bytearray(hidden.translate(_FLAGS)), np.uint8)
        self.has = np.bitwise_or.reduceat(self.flags, self.start)
        known = self._known_lines()
        known[self._lines_of(_misspelled(source))] = False
        rest = np.flatnonzero(~known).tolist()
        for line in rest:
            begin, end = int(self.start[line]), int(self.end[line])
            hidden[begin:end] = b" " * (end - begin)
            self.flags[begin:end] = 0
        self.has[rest] = 0
        self.other = [line for line in rest if not self._may_pass(line, stops)]
        self.other = sorted({*self.other, *self._with_a_letter_twice()})
        self._sort_words()
        self._words: dict[str, _Words] = {}

    def _lines_of(self, offsets: I64) -> I64:
        return np.searchsorted(self.end, offsets)

    def _known_lines(self) -> Bool:
        """Tell plain moves, G92 E, and lines that say nothing; what their numbers are like is not looked at."""
        text = np.ndarray((len(self.text) - 3,), "<u4", self.text, strides=(1,))
        prefix = text[self.start]
        first_two = prefix & np.uint32(0xFFFF)
        self.move = (first_two == _G0) | (first_two == _G1)
        self.move &= ~_in_number(prefix >> np.uint32(16) & np.uint32(0xFF)) & (self.has < _OTHER)
        names_e = (prefix & np.uint32(0xFFFFFF) == _G92) & ~_in_number(prefix >> np.uint32(24))
        names_e &= self.has == FLAG_OF["G"] | FLAG_OF["E"]
        known: Bool = self.move | names_e | (self.has == 0)
        if self.stray:
            known[:] = False
        self.move &= known
        return known

    def _may_pass(self, line: int, stops: set[int]) -> bool:
        """Tell whether a line has an M-code that does not matter to a schedule."""
        code = leading_code(self.data, int(self.start[line]), int(self.end[line]))
        return code >= 0 and code not in stops and not self.stray

    def _with_a_letter_twice(self) -> list[int]:
        if np.count_nonzero(self.flags) == int(_LETTERS_IN.take(self.has).sum()):
            return []
        lines = []
        for flag in FLAG_OF.values():
            on = self._lines_of(np.flatnonzero(self.flags == flag))
            lines += on[1:][on[1:] == on[:-1]].tolist()
        return lines

    def _sort_words(self) -> None:
        e, z, sideways = FLAG_OF["E"], FLAG_OF["Z"], FLAG_OF["X"] | FLAG_OF["Y"]
        self.with_e, self.with_z = (np.flatnonzero(self.has & flag > 0) for flag in (e, z))
        self.at_e, self.at_z = (np.flatnonzero(self.flags == flag) for flag in (e, z))
        self.moving = self.move & (self.has & (e | z | sideways) > 0)
        self.feeding = self.with_e.compress(self.has.take(self.with_e) & sideways)
        self._bytes = self.flags.tobytes()

    def numbers(self, begin: I64) -> F64:
        """Return the numbers that begin at these offsets; on lines that need no care they are spelled well."""
        if len(begin) < _FEWEST_NUMBERS:
            return np.array([self._number(k) for k in begin.tolist()], np.float64)
        read = read_decimals(self.text, begin, None)
        read.value[read.wrong] = [self._number(k) for k in begin[read.wrong].tolist()]
        return read.value

    def _number(self, begin: int) -> float:
        """Return one number; anything on lines that need care."""
        found = _NUMBER.match(self.data, begin)
        return float(found[0]) if found else 0.0

    def extremes(self, letter: str, start: int, stop: int) -> list[float]:
        """Return numbers of a letter on lines start..stop, the least and the greatest among them; few if any."""
        words = self._words.get(letter) or self._words.setdefault(letter, _Words(self, letter))
        numbers = self.numbers(words.candidates(self.start[start], self.end[stop - 1]))
        return [float(v) for v in numbers]

    def last(self, letter: str, start: int, stop: int) -> float | None:
        """Return the last number of a letter on lines start..stop, or None."""
        flag = bytes([FLAG_OF[letter]])
        at = self._bytes.rfind(flag, int(self.start[start]), int(self.end[stop - 1]))
        return None if at < 0 else self._number(at + 1)

    def raw(self, line: int) -> bytes:
        """Return a line with its ending."""
        return self.data[self.start[line] : self.end[line] + 1]


class _Words:
    """The words of one letter, to be compared by their digits; of use on lines that need no care."""

    def __init__(self, skim: Skim, letter: str) -> None:
        self.text = skim.text
        self.begin = np.flatnonzero(skim.flags == FLAG_OF[letter]) + 1
        four = np.ndarray((len(self.text) - 3,), "<u4", self.text, strides=(1,))[self.begin]
        digits = four ^ np.uint32(0x30303030)
        stop = (digits + np.uint32(0x76767676)) & np.uint32(0x80808080)
        stop &= ~stop + np.uint32(1)  # flags the first byte that is no digit
        bits = (stop >> np.uint32(7)) * _EIGHTS >> np.uint32(26)
        # the last digit before the point in the lowest byte, these compare as the numbers do
        self.whole = digits.byteswap() >> (np.uint32(32) - bits)
        self.end = self.begin + (bits >> np.uint32(3))
        behind = four >> bits & np.uint32(0xFF)
        self.odd = (bits == 0) | (behind > ord("."))  # no digits, a sign before them, or too many

    def candidates(self, first: int, last: int) -> I64:
        """Return where the least and the greatest number between two offsets begin, and all odd ones."""
        low, high = np.searchsorted(self.begin, (first, last))
        odd = self.odd[low:high]
        plain = np.flatnonzero(~odd) + low
        found = [self.begin[low:high][odd]]
        if len(plain):
            whole = self.whole[plain]
            for best, pick in ((whole.min(), np.argmin), (whole.max(), np.argmax)):
                same = plain[whole == best]
                k = same[pick(self._fractions(same))]
                found.append(self.begin[k : k + 1])
        return np.concatenate(found)

    def _fractions(self, words: I64) -> U64:
        """Return the point and the digits behind it, the first in the highest byte; these compare as they do."""
        eight = np.ndarray((len(self.text) - 7,), "<u8", self.text, strides=(1,))[self.end[words]]
        digits = (eight ^ ZEROS) & ~np.uint64(0xFF)
        eight &= first_stop(digits) - np.uint64(1)
        return eight.byteswap()


def _misspelled(source: U8) -> I64:
    """Return offsets where a letter has no number or a number no letter, or where a number is damaged or very long."""
    digit = _is_digit(source)
    point, minus, letter = source == ord("."), source == ord("-"), source > ord("9")
    number = digit | point | minus
    wrong = (number[1:] > number[:-1]) != letter[
        :-1
    ]  # a number begins behind each letter, nowhere else
    wrong |= minus[1:] & ~letter[:-1]
    wrong |= minus[:-1] & ~number[1:]
    wrong[:-1] |= point[1:-1] & ~(digit[:-2] | digit[2:])
    two = digit[1:] & digit[:-1]
    four = two[2:] & two[:-2]
    wrong[:-5] |= four[3:] & four[:-3]  # seven digits
    behind = point.copy()  # points, and up to seven digits behind them
    behind[1:] |= behind[:-1] & digit[1:]
    behind[2:] |= behind[:-2] & two[1:]
    behind[4:] |= behind[:-4] & four[1:]
    wrong |= point[1:] & behind[:-1]
    found = np.flatnonzero(wrong) + 1 if wrong.any() else np.zeros(0, np.int64)
    return np.append(found, 0) if number[0] else found


def _is_digit(c: U8) -> Bool:
    digit: Bool = (c - np.uint8(ord("0"))) < 10
    return digit


def _in_number(c: npt.NDArray[np.uint32]) -> Bool:
    """Tell points, slashes and digits."""
    inside: Bool = (c - np.uint32(ord("."))) < 12
    return inside
