"""A block of G-code taken apart with numpy: which lines are plain, and the words and numbers on them.

The tokens of a block are its letters, semicolons and line ends. A line is plain if its first token is a G-code known
here and every other letter is one of `LETTERS`, with a number behind it that reaches to the next token; between them
may be one blank. Whatever does not look so is marked SLOW and left to `exact`, so nothing here has to be clever about
rare spellings.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.apply.gcode.machine_codes import leading_code
from calib.apply.gcode.numbers import F64, I64, U64, WINDOW, Bool, read_decimals

U8 = npt.NDArray[np.uint8]

#: Letters of the words that may follow a G-code on a plain line.
LETTERS = "EFXYZIJ"

#: What a line is: nothing to do, G0 or G1, G2, G3, G92 with E alone, or anything else.
INERT, STRAIGHT, CLOCKWISE, COUNTER, SET_E, SLOW = range(6)

NEWLINE, SEMICOLON = ord("\n"), ord(";")
_G0, _G1 = (int.from_bytes(code, "little") for code in (b"G0 ", b"G1 "))
#: What is put behind a block, so that every window lies inside of it.
PAD = b"\n" * WINDOW


def _meanings() -> U8:
    table = np.full(100, SLOW, np.uint8)
    table[[0, 1]], table[2], table[3], table[92] = STRAIGHT, CLOCKWISE, COUNTER, SET_E
    return table


_MEANINGS = _meanings()


@dataclass(slots=True)
class Column:
    """One letter's words, in file order: which word of the block, on which line, and its number."""

    word: I64
    line: I64
    value: F64

    def cut(self, start: int, stop: int) -> "Column":
        """Return the words on lines start..stop."""
        low, high = np.searchsorted(self.line, (start, stop))
        return Column(self.word[low:high], self.line[low:high], self.value[low:high])


@dataclass(slots=True)
class Words:
    """The words of plain lines, but for their G-codes: one entry each."""

    letter: U8
    line: I64
    at: I64  # of the letter
    end: I64  # behind the number
    value: F64
    after: U64  # the eight bytes behind the number


@dataclass(slots=True)
class Block:
    """The parts of a block; line numbers and offsets count from its beginning."""

    data: bytes
    text: bytes  # the same with `WINDOW` bytes more
    has_stray_return: bool  # a carriage return not before a newline; all lines are slow then
    line_start: I64
    line_end: I64  # where the newline is
    kind: U8  # of each line
    words: Words
    columns: dict[str, Column]

    def raw(self, line: int) -> bytes:
        """Return a line with its ending."""
        return self.data[self.line_start[line] : self.line_end[line] + 1]

    def machine_code(self, line: int) -> int:
        """Return the number of the M-code that is all there is on a line, or -1."""
        return leading_code(self.data, int(self.line_start[line]), int(self.line_end[line]))


def parse_block(data: bytes) -> Block:
    """Take a block apart; every line must end with a newline."""
    text = data + PAD
    source = np.frombuffer(hide_comments(text, b";", b"0"), np.uint8)
    at = np.flatnonzero((source > ord("9")) | (source == NEWLINE))
    kind = source.take(at[: -len(PAD)])
    newline = kind == NEWLINE
    last = np.flatnonzero(newline)
    first = np.concatenate([[0], last[:-1] + 1])  # token of each line
    line = np.repeat(np.arange(len(last)), np.diff(last, prepend=-1))
    end = at.take(last)
    start = np.concatenate([[0], end[:-1] + 1])
    kinds = _line_kinds(source, start, at.take(first), at.take(first + 1))
    stray = has_stray_return(data)
    if stray:
        kinds[:] = SLOW
    has_place = _has_place(kind, newline)
    kinds[line.take(np.flatnonzero(~has_place))] = SLOW
    token = np.flatnonzero(has_place & (kind > SEMICOLON) & (kind != ord("G")))
    letter_at, on = at.take(token), line.take(token)
    read = read_decimals(text, letter_at + 1, at.take(token + 1))
    kinds[on[read.wrong]] = SLOW
    words = Words(kind.take(token), on, letter_at, read.end, read.value, read.after)
    columns = _columns(words)
    _mark_unmatched(kinds, words, columns)
    slow = np.flatnonzero(kinds == SLOW)
    if (np.searchsorted(on, slow) < np.searchsorted(on, slow + 1)).any():
        keep = np.flatnonzero(kinds.take(on) != SLOW)
        words = Words(*(getattr(words, name).take(keep) for name in Words.__slots__))
        columns = _columns(words)
    return Block(data, text, stray, start, end, kinds, words, columns)


def has_stray_return(data: bytes) -> bool:
    """Tell whether a carriage return stands anywhere but before a newline; such lines are refused by `exact`."""
    return b"\r" in data and data.count(b"\r") != data.count(b"\r\n")


def hide_comments(data: bytes, mark: bytes, fill: bytes) -> bytes | bytearray:
    """Return the block with other bytes in place of semicolons and what follows; lines must end with a newline."""
    begin = data.find(b";")
    if begin < 0:
        return data
    out = bytearray(data)
    while begin >= 0:
        end = data.find(b"\n", begin)
        out[begin:end] = mark + fill * (end - begin - 1)
        begin = data.find(b";", end)
    return out


def _has_place(kind: U8, newline: Bool) -> Bool:
    """Tell which tokens have a place on a plain line."""
    known: Bool = newline | (kind == SEMICOLON)
    for low, count in (("E", 2), ("I", 2), ("X", 3)):  # E F, I J, X Y Z
        known |= (kind - np.uint8(ord(low))) < count
    g = kind == ord("G")
    known[:1] |= g[:1]
    known[1:] |= g[1:] & newline[:-1]  # the first word
    return known


def _line_kinds(source: U8, start: I64, token: I64, following: I64) -> U8:
    """Tell what each line is, given where it starts, and where its first two tokens are."""
    prefix = np.ndarray((len(source) - 3,), "<u4", source.data, strides=(1,))[start]
    prefix &= np.uint32(0xFFFFFF)
    straight = (prefix == _G1) | (prefix == _G0)
    straight &= following == start + 3
    kinds = np.where(straight, np.uint8(STRAIGHT), np.uint8(SLOW))
    rest = np.flatnonzero(~straight)
    kinds[rest] = _unusual_kinds(source, start[rest], token[rest], following[rest])
    return kinds


def _unusual_kinds(source: U8, start: I64, token: I64, following: I64) -> U8:
    """Tell the same of the lines that are not spelled as most are."""
    lead = source.take(token)
    one, two = (source.take(start + k) - np.uint8(ord("0")) for k in (1, 2))
    longer = two < 10
    code = np.where(longer, 10 * one + two, one)
    end = start + 2 + longer
    fits = (end + _is_blank(source.take(end))) == following
    fits &= (one < 10) & (lead == ord("G")) & (token == start)
    kinds = _MEANINGS.take(np.where(fits, code, 99))
    empty = (lead == NEWLINE) | (lead == SEMICOLON)
    kinds[empty & (token == start + _is_blank(source.take(start)))] = INERT
    return kinds


def _is_blank(c: U8) -> Bool:
    """Tell blanks and carriage returns; a block where these are not before a newline is all slow."""
    blank: Bool = (c == ord(" ")) | (c == ord("\r"))
    return blank


def _columns(words: Words) -> dict[str, Column]:
    columns = {}
    for letter in LETTERS:
        word = np.flatnonzero(words.letter == ord(letter))
        columns[letter] = Column(word, words.line.take(word), words.value.take(word))
    return columns


def _mark_unmatched(kind: U8, words: Words, columns: dict[str, Column]) -> None:
    """Mark as slow the lines that have a letter twice, or letters that do not go with their G-code."""
    for column in columns.values():
        twice = column.line[1:] == column.line[:-1]
        if twice.any():
            kind[column.line[1:][twice]] = SLOW

    def has(letters: str) -> Bool:
        flags = np.zeros(len(kind), np.bool_)
        for c in letters:
            flags[columns[c].line] = True
        return flags

    arc = (kind == CLOCKWISE) | (kind == COUNTER)
    if arc.any() or len(columns["I"].line) or len(columns["J"].line):
        centre = has("IJ")
        kind[arc & ~centre] = SLOW
        kind[(kind == STRAIGHT) & centre] = SLOW
    set_e = np.flatnonzero(kind == SET_E)
    low, high = np.searchsorted(words.line, (set_e, set_e + 1)).tolist()
    for k, begin, end in zip(set_e.tolist(), low, high, strict=True):
        if words.letter[begin:end].tobytes() not in (b"E", b"EF", b"FE"):
            kind[k] = SLOW
