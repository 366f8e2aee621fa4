"""A block of G-code skimmed with numpy: which lines are plain moves, which letters they have, and how far they reach.

Every byte gets a class from a table, of as few classes as go into half a byte, so that two neighbours are one byte
again and a second table tells which of them damage a number. Letters, points and line ends are the tokens; flags of
the letters are joined line by line. Few numbers are read.
"""

import re
from collections.abc import Iterator
from functools import cached_property

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


#: Classes of bytes, as far as a number's spelling goes; `_LETTERS` are those below `_DIGIT`. Tokens come first.
_NEWLINE, _POINT, _DIGIT, _MINUS, _BLANK = 0, 1, 9, 10, 11
_LETTERS = range(2, _DIGIT)

#: What a pair of neighbouring bytes is, if anything.
_WRONG, _DIGITS, _OPENING_POINT = 1, 2, 4


def _classes() -> bytes:
    """Return the class of each byte; what has no place on a plain line is taken for an unknown letter."""
    table = bytearray([_LETTERS[-1]] * 256)
    for letter, at in zip(FLAG_OF, _LETTERS, strict=False):
        table[ord(letter)] = at
    for c in b"0123456789":
        table[c] = _DIGIT
    for c, at in zip(b"\n.- \r", (_NEWLINE, _POINT, _MINUS, _BLANK, _BLANK), strict=True):
        table[c] = at
    return bytes(table)


def _flags() -> bytes:
    """Return the flag of each class."""
    table = bytearray(256)
    table[_LETTERS.start : _LETTERS.stop] = bytes([*FLAG_OF.values(), _OTHER])
    return bytes(table)


def _pairs() -> bytes:
    """Tell what 16 times the class of a byte, plus that of the next one, means for the spelling of numbers.

    A number begins behind each letter, and nowhere else; a minus may be before it.
    """
    table = bytearray(256)
    for before in range(16):
        for after in range(16):
            starts = before == _MINUS or before in _LETTERS
            inside = before in (_DIGIT, _POINT)
            match after:
                case 9:
                    meaning = _DIGITS if before == _DIGIT else 0 if starts or inside else _WRONG
                case 1:
                    meaning = _OPENING_POINT if starts else 0 if before == _DIGIT else _WRONG
                case 10:
                    meaning = 0 if before in _LETTERS else _WRONG
                case _:
                    meaning = _WRONG if starts else 0
            table[16 * before + after] = meaning
    return bytes(table)


_CLASSES, _FLAGS, _PAIRS = _classes(), _flags(), _pairs()


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
    with_z : (n,) int
        Lines with Z.
    feeding : (n,) int
        Moves with E and one of X and Y.
    """

    def __init__(self, data: bytes, stops: set[int]) -> None:
        self.data, self.text = data, data + PAD
        self.stray = has_stray_return(data)
        classes = np.frombuffer(hide_comments(data, b" ", b" ").translate(_CLASSES), np.uint8)
        self._tokens = np.flatnonzero(classes < _DIGIT)
        kind = classes[self._tokens]
        self._last = np.flatnonzero(kind == _NEWLINE)
        self._first = np.concatenate([[0], self._last[:-1] + 1])
        self.end = self._tokens[self._last]
        self.start = np.concatenate([[0], self.end[:-1] + 1])
        self.flags = np.frombuffer(bytearray(kind.tobytes().translate(_FLAGS)), np.uint8)
        self.has = np.bitwise_or.reduceat(self.flags, self._first)
        known = self._known_lines()
        second = (kind[1:] == _POINT) & (kind[:-1] == _POINT)  # of one number
        for wrong in (self._tokens[1:][second], *_misspelled(classes)):
            known[self._lines_of(wrong)] = False
        rest = np.flatnonzero(~known).tolist()
        for line in rest:
            self.flags[self._first[line] : self._last[line]] = 0
        self.has[rest] = 0
        self.other = [line for line in rest if not self._may_pass(line, stops)]
        self.other = sorted({*self.other, *self._with_a_letter_twice()})
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
        for letter in FLAG_OF:
            on = self._lines_of(self.offsets(letter))
            lines += on[1:][on[1:] == on[:-1]].tolist()
        return lines

    def _sort_words(self) -> None:
        e, z, sideways = FLAG_OF["E"], FLAG_OF["Z"], FLAG_OF["X"] | FLAG_OF["Y"]
        has_e, goes = self.has & e > 0, self.has & sideways > 0
        self.with_z = np.flatnonzero(self.has & z)
        self.moving = self.move & (self.has & (e | z | sideways) > 0)
        self.feeding = np.flatnonzero(has_e & goes)
        self._bytes = self.flags.tobytes()
        self._words: dict[str, Words] = {}

    def offsets(self, letter: str) -> I64:
        """Return where a letter is on the lines that have it; on lines that need care, anything."""
        return self._tokens[np.flatnonzero(self.flags == FLAG_OF[letter])]

    @cached_property
    def at_z(self) -> I64:
        """Where the letters of the lines `with_z` are."""
        return self.offsets("Z")

    def filament(self, lines: I64, start: int) -> tuple[F64, F64]:
        """Return the E numbers of lines that have one, and the ones before them; NaN for none from `start` on."""
        first = self._first[lines]
        if len(lines) < _FEWEST_NUMBERS:
            e, low = bytes([FLAG_OF["E"]]), int(self._first[start])
            now = np.array([self._bytes.find(e, k) for k in first.tolist()], np.int64)
            before = np.array([self._bytes.rfind(e, low, k) for k in first.tolist()], np.int64)
        else:
            every = np.flatnonzero(self.flags == FLAG_OF["E"])
            k = np.searchsorted(every, first)
            now, before = every[k], np.where(k > 0, every[k - 1], -1)
            before[before < self._first[start]] = -1
        was = self.numbers(self._tokens[before] + 1)
        was[before < 0] = np.nan
        return self.numbers(self._tokens[now] + 1), was

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

    def extremes(self, letter: str, start: int, stop: int, low: float, high: float) -> list[float]:
        """Return numbers of a letter on lines start..stop, any beyond low..high and its extremes among them; few."""
        words = self._words.get(letter) or self._words.setdefault(letter, Words(self, letter))
        begin = words.candidates(self.start[start], self.end[stop - 1], low, high)
        return [float(v) for v in self.numbers(begin)]

    def last(self, letter: str, start: int, stop: int) -> float | None:
        """Return the last number of a letter on lines start..stop, or None."""
        flag = bytes([FLAG_OF[letter]])
        at = self._bytes.rfind(flag, int(self._first[start]), int(self._last[stop - 1]))
        return None if at < 0 else self._number(int(self._tokens[at]) + 1)

    def raw(self, line: int) -> bytes:
        """Return a line with its ending."""
        return self.data[self.start[line] : self.end[line] + 1]


class Words:
    """The words of one letter, to be compared by their digits; of use on lines that need no care."""

    def __init__(self, skim: Skim, letter: str) -> None:
        self.text = skim.text
        at = skim.at_z if letter == "Z" else skim.offsets(letter)
        self.begin = at + 1
        four = np.ndarray((len(self.text) - 3,), "<u4", self.text, strides=(1,))[self.begin]
        digits = four ^ np.uint32(0x30303030)
        stop = (digits + np.uint32(0x76767676)) & np.uint32(0x80808080)
        stop &= ~stop + np.uint32(1)  # flags the first byte that is no digit
        bits = (stop >> np.uint32(7)) * _EIGHTS >> np.uint32(26)
        # the last digit before the point in the lowest byte, these compare as the numbers do
        self.whole = digits.byteswap() >> (np.uint32(32) - bits)
        self.bits = bits
        self.odd = bits == 0  # no digits, a sign before them, or too many

    def candidates(self, first: int, last: int, low: float, high: float) -> I64:
        """Return where numbers between two offsets begin: all odd ones, and the least and the greatest of the others.

        The least is left out if its whole part shows that it is not below `low`, likewise the greatest.
        """
        begin, stop = np.searchsorted(self.begin, (first, last))
        odd = self.odd[begin:stop]
        found = [self.begin[begin:stop][odd]]
        words = np.flatnonzero(~odd) + begin if odd.any() else slice(begin, stop)
        whole = self.whole[words]
        if len(whole):
            least, most = whole.min(), whole.max()
            beyond = _whole_number(least) < low, _whole_number(most) + 1 > high
            for best, pick, wanted in zip(
                (least, most), (np.argmin, np.argmax), beyond, strict=True
            ):
                if wanted:
                    same = np.flatnonzero(whole == best)
                    same = same + begin if isinstance(words, slice) else words[same]
                    k = same[pick(self._fractions(same))]
                    found.append(self.begin[k : k + 1])
        return np.concatenate(found)

    def _fractions(self, words: I64) -> U64:
        """Return the point and the digits behind it, the first in the highest byte; these compare as they do."""
        end = self.begin[words] + (self.bits[words] >> np.uint32(3))
        eight = np.ndarray((len(self.text) - 7,), "<u8", self.text, strides=(1,))[end]
        digits = (eight ^ ZEROS) & ~np.uint64(0xFF)
        eight &= first_stop(digits) - np.uint64(1)
        eight *= (eight & np.uint64(0xFF)) == ord(".")
        return eight.byteswap()


def _whole_number(digits: np.uint32) -> int:
    """Return the number whose digits are in the bytes of a word."""
    return int("".join(map(str, int(digits).to_bytes(4, "big"))))


def _misspelled(classes: U8) -> Iterator[I64]:
    """Yield offsets where a letter has no number or a number no letter, or where one is damaged or very long.

    That a number has two points is not seen here.
    """
    pairs = (classes[:-1] * 16 + classes[1:]).tobytes().translate(_PAIRS)
    found = np.frombuffer(pairs, np.uint8)
    if _WRONG in pairs:
        yield np.flatnonzero(found == _WRONG) + 1
    if classes[0] in (_DIGIT, _POINT, _MINUS):
        yield np.zeros(1, np.int64)
    if _OPENING_POINT in pairs:  # digits have to be behind it
        at = np.flatnonzero(found == _OPENING_POINT) + 1
        yield at[classes[at + 1] != _DIGIT]
    four = found[2:] & found[:-2]
    seven = four[3:] & four[:-3]
    if seven.any():
        yield np.flatnonzero(seven)


def _in_number(c: npt.NDArray[np.uint32]) -> Bool:
    """Tell points, slashes and digits."""
    inside: Bool = (c - np.uint32(ord("."))) < 12
    return inside
