"""A block of G-code skimmed with numpy: which lines are plain moves, which letters they have, and how far they reach.

Every byte gets a flag from a table, and the flags of each line are joined. That numbers are spelled as they should be
is seen from bytes and their neighbours, and from the eight bytes before each point; few numbers are read.
"""

import re

import numpy as np
import numpy.typing as npt

from calib.apply.gcode.block import PAD, hide_comments
from calib.apply.gcode.machine_codes import leading_code
from calib.apply.gcode.numbers import F64, I64, Bool, read_before_points, read_decimals

U8 = npt.NDArray[np.uint8]

#: Flags of bytes and lines.
FLAG_OF = {letter: 1 << k for k, letter in enumerate("XYEZFG")}
_OTHER = 64

_G0, _G1, _G92 = (int.from_bytes(code, "little") for code in (b"G0", b"G1", b"G92"))

_NUMBER = re.compile(rb"-?[0-9]*\.?[0-9]*")

#: So few numbers are read one by one.
_FEWEST_NUMBERS = 50


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
        damaged = {*self._with_a_letter_twice(), *self._read_points(bytes(hidden))}
        self.other = sorted(damaged | {line for line in rest if not self._may_pass(line, stops)})
        self._sort_words()

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
        if b"\r" in self.data and self.data.count(b"\r") != self.data.count(b"\r\n"):
            known[:] = False
        self.move &= known
        return known

    def _may_pass(self, line: int, stops: set[int]) -> bool:
        """Tell whether a line has an M-code that does not matter to a schedule."""
        code = leading_code(self.data, int(self.start[line]), int(self.end[line]))
        return code >= 0 and code not in stops

    def _with_a_letter_twice(self) -> list[int]:
        lines = []
        for flag in FLAG_OF.values():
            is_letter = self.flags == flag
            if np.count_nonzero(is_letter) != np.count_nonzero(self.has & flag):
                on = self._lines_of(np.flatnonzero(is_letter))
                lines += on[1:][on[1:] == on[:-1]].tolist()
        return lines

    def _read_points(self, hidden: bytes) -> list[int]:
        """Read what stands before each point; return the lines where it is nothing, or another point."""
        source = np.frombuffer(hidden, np.uint8)
        point = np.flatnonzero(source == ord("."))
        letter, self._whole, self._begin = read_before_points(b"\n" * 8 + hidden, point)
        self._letter = letter.astype(np.uint8)
        near = np.flatnonzero(point - self._begin <= 1)
        at = point[near]
        alone = ~(_is_digit(source[at - 1]) | _is_digit(source[at + 1]))
        damaged = np.concatenate([at[alone], point[self._letter == ord(".")]])
        return [int(line) for line in self._lines_of(damaged)]

    def _sort_words(self) -> None:
        e, z, sideways = FLAG_OF["E"], FLAG_OF["Z"], FLAG_OF["X"] | FLAG_OF["Y"]
        self.with_e, self.with_z = (np.flatnonzero(self.has & flag) for flag in (e, z))
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
        found = _NUMBER.match(self.data, begin)
        return (
            float(found[0]) if found and found[0].strip(b"-.") else 0.0
        )  # 0.0 on lines that need care

    def extremes(self, letter: str, start: int, stop: int) -> list[float]:
        """Return the least and the greatest number of a letter on lines start..stop; nothing if there is none."""
        begin, whole = self._words(letter)
        span = slice(*np.searchsorted(begin, (self.start[start], self.end[stop - 1])))
        begin, whole = begin[span], whole[span]
        if not len(begin):
            return []
        # a number is less than 1 away from its whole part
        near = (whole <= whole.min() + 1) | (whole >= whole.max() - 1)
        value = self.numbers(begin[near])
        return [float(value.min()), float(value.max())]

    def _words(self, letter: str) -> tuple[I64, I64]:
        """Return where the numbers of a letter begin, in order, and their whole parts."""
        mine = np.flatnonzero(self._letter == ord(letter))
        begin, whole = self._begin.take(mine), self._whole.take(mine)
        is_letter = self.flags == FLAG_OF[letter]
        if np.count_nonzero(is_letter) != len(begin):  # some have no point
            begin, pointed = np.flatnonzero(is_letter) + 1, begin
            place = np.searchsorted(begin, pointed)
            without = np.delete(np.arange(len(begin)), place)
            all_whole = np.empty(len(begin), np.int64)
            all_whole[place] = whole
            all_whole[without] = self.numbers(begin[without]).astype(np.int64)
            whole = all_whole
        return begin, whole

    def last(self, letter: str, start: int, stop: int) -> float | None:
        """Return the last number of a letter on lines start..stop, or None."""
        flag = bytes([FLAG_OF[letter]])
        at = self._bytes.rfind(flag, int(self.start[start]), int(self.end[stop - 1]))
        return None if at < 0 else self._number(at + 1)

    def raw(self, line: int) -> bytes:
        """Return a line with its ending."""
        return self.data[self.start[line] : self.end[line] + 1]


def _misspelled(source: U8) -> I64:
    """Return offsets where a letter has no number or a number no letter, a sign is astray, or digits are too many."""
    number = (
        source - np.uint8(ord("-"))
    ) < 13  # minus, point, slash and digits; a slash has a flag
    letter = source > ord("9")
    minus = source == ord("-")
    wrong = (number[1:] > number[:-1]) != letter[:-1]
    wrong |= minus[1:] & ~letter[:-1]
    wrong |= minus[:-1] & ~number[1:]
    digit = _is_digit(source)
    two = digit[1:] & digit[:-1]
    four = two[2:] & two[:-2]
    seven = four[3:] & four[:-3]
    found = [np.flatnonzero(number[:1])]
    for flags, shift in ((wrong, 1), (seven, 0)):
        if flags.any():
            found.append(np.flatnonzero(flags) + shift)
    return np.concatenate(found)


def _is_digit(c: U8) -> Bool:
    digit: Bool = (c - np.uint8(ord("0"))) < 10
    return digit


def _in_number(c: npt.NDArray[np.uint32]) -> Bool:
    """Tell points, slashes and digits."""
    inside: Bool = (c - np.uint32(ord("."))) < 12
    return inside
