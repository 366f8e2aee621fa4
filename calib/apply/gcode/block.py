"""A block of G-code taken apart with numpy: which lines are plain, and the words and numbers on them.

Every byte gets a class from a table; the bytes that are not digits or blanks are the tokens. On a plain line a letter
is followed by an optional minus, digits and an optional point, with single blanks between words. Whatever does not
look so is marked SLOW and left to `exact`, so nothing here has to be clever about rare spellings.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calib.apply.gcode.numbers import read_decimals

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

DIGIT, COMMENT, BLANK, POINT, MINUS, LETTER = range(6)
LETTERS = b"GXYZEFIJ"
SEMICOLON, NEWLINE, BAD = LETTER + len(LETTERS), LETTER + len(LETTERS) + 1, LETTER + len(LETTERS) + 2

#: What a line is: nothing to do, G0 or G1, G2, G3, G92 with E alone, or anything else.
INERT, STRAIGHT, CLOCKWISE, COUNTER, SET_E, SLOW = range(6)

_CODES = {0: STRAIGHT, 1: STRAIGHT, 2: CLOCKWISE, 3: COUNTER, 92: SET_E}


def _table() -> bytes:
    table = bytearray([BAD] * 256)
    for c in b"0123456789":
        table[c] = DIGIT
    for c in b" \r":  # a block with a carriage return that is not before a newline is all slow
        table[c] = BLANK
    table[ord(".")], table[ord("-")] = POINT, MINUS
    table[ord(";")], table[ord("\n")] = SEMICOLON, NEWLINE
    for i, c in enumerate(LETTERS):
        table[c] = LETTER + i
    return bytes(table)


_CLASSES = _table()
_PAD = b"0" * 8


@dataclass(slots=True)
class Column:
    """One letter's words, in file order: which word, on which line, and its value."""

    word: I64
    line: I64
    value: F64


@dataclass(slots=True)
class Block:
    """The parts of a block; line numbers and offsets count from its beginning."""

    data: bytes
    line_start: I64
    code_end: I64  # end of the last word of a plain line
    kind: U8
    number_at: I64  # per word: where its number begins
    number_size: I64
    columns: dict[int, Column]  # by letter class - LETTER

    def column(self, letter: str) -> Column:
        """Return the words of one letter."""
        return self.columns[LETTERS.index(letter.encode())]

    def raw(self, line: int) -> bytes:
        """Return a line with its ending."""
        if line + 1 < len(self.line_start):
            return self.data[self.line_start[line] : self.line_start[line + 1]]
        return self.data[self.line_start[line] :]


def parse_block(data: bytes) -> Block:
    """Take a block apart; every line must end with a newline."""
    classes = np.frombuffer(data.translate(_CLASSES), np.uint8)
    if b";" in data:
        classes = _without_comments(classes)
    token = np.flatnonzero(classes > BLANK)
    kind = classes[token]
    newline = kind == NEWLINE
    ends = token[newline]
    first = np.concatenate([[0], np.flatnonzero(newline)[:-1] + 1])
    line_of = np.cumsum(newline) - newline
    slow = np.zeros(len(ends), np.bool_)
    slow[line_of[kind == BAD]] = True
    if data.count(b"\r") != data.count(b"\r\n"):
        slow[:] = True
    blank = classes == BLANK  # a blank must stand right before a letter, semicolon or newline
    wrong = blank[:-1] & (classes[1:] <= MINUS)
    if wrong.any():
        slow[np.searchsorted(ends, np.flatnonzero(wrong))] = True

    word = np.flatnonzero((kind >= LETTER) & (kind < SEMICOLON))
    line = line_of[word]
    letter = kind[word] - LETTER
    start, size, value, bad = _numbers(data, classes, token, kind, word)
    slow[line[bad]] = True
    columns = _columns(letter, line, value, slow)
    what = _line_kinds(kind[first], columns[0], slow, np.searchsorted(word, first))
    _keep_plain(what, columns)
    code_end = _code_ends(token, first, newline, classes)
    starts = np.concatenate([[0], ends[:-1] + 1])
    return Block(data, starts, code_end, what, start, size, columns)


def _without_comments(classes: U8) -> U8:
    """Give the bytes after the first semicolon of each line the class COMMENT."""
    semicolon = np.flatnonzero(classes == SEMICOLON)
    newline = np.flatnonzero(classes == NEWLINE)
    line = np.searchsorted(newline, semicolon)
    first = np.concatenate([[True], line[1:] != line[:-1]])
    marked = classes.copy()
    begin, end = semicolon[first] + 1, newline[line[first]]
    for b, e in zip(begin.tolist(), end.tolist(), strict=True):
        marked[b:e] = COMMENT
    return marked


def _numbers(
    data: bytes, classes: U8, token: I64, kind: U8, word: I64
) -> tuple[I64, I64, F64, Bool]:
    """Return where each word's number begins, its length, its value, and whether it is not plain."""
    after = word + 1
    minus = (kind[after] == MINUS) & (token[after] == token[word] + 1)
    after = after + minus
    point = kind[after] == POINT
    following = after + point
    begin = token[word] + 1
    end = token[following]
    end = end - (classes[end - 1] == BLANK)
    whole_end = np.where(point, token[after], end)
    whole = whole_end - begin - minus
    places = np.where(point, end - whole_end - 1, 0)
    bad = (
        (kind[following] <= MINUS)
        | (whole + places < 1)
        | (whole + places > 15)
        | (whole > 8)
        | (places > 8)
    )
    whole[bad] = places[bad] = 0
    value = read_decimals(_PAD + data, whole_end, whole, end, places)
    return begin, end - begin, np.where(minus, -value, value), bad


def _columns(letter: U8, line: I64, value: F64, slow: Bool) -> dict[int, Column]:
    """Sort the words by letter; a line that has a letter twice is slow."""
    columns = {}
    for i in range(len(LETTERS)):
        word = np.flatnonzero(letter == i)
        on = line[word]
        slow[on[1:][on[1:] == on[:-1]]] = True
        columns[i] = Column(word, on, value[word])
    return columns


def _line_kinds(first_kind: U8, g: Column, slow: Bool, first_word: I64) -> U8:
    """Tell what each line is from its first token and its G word."""
    what = np.full(len(first_kind), SLOW, np.uint8)
    what[(first_kind == SEMICOLON) | (first_kind == NEWLINE)] = INERT
    leads = first_kind[g.line] == LETTER
    leads &= first_word[g.line] == g.word
    for code, meaning in _CODES.items():
        what[g.line[leads & (g.value == code)]] = meaning
    what[slow] = SLOW
    return what


def _keep_plain(what: U8, columns: dict[int, Column]) -> None:
    """Mark as slow the lines whose letters do not go with their G word."""
    has = {}
    for i, c in enumerate(LETTERS.decode()):
        has[c] = np.zeros(len(what), np.bool_)
        has[c][columns[i].line] = True
    arc = (what == CLOCKWISE) | (what == COUNTER)
    centre = has["I"] | has["J"]
    what[arc & ~centre] = SLOW
    what[(what == STRAIGHT) & centre] = SLOW
    others = has["X"] | has["Y"] | has["Z"] | has["F"] | centre
    what[(what == SET_E) & (others | ~has["E"])] = SLOW


def _code_ends(token: I64, first: I64, newline: Bool, classes: U8) -> I64:
    """Return where the code of each line ends, before the blank, comment or newline."""
    last = np.flatnonzero(newline)
    before = np.maximum(last - 1, 0)
    comment = (before >= first) & (classes[token[before]] == SEMICOLON)
    end = token[np.where(comment, before, last)]
    blank = (end > 0) & (classes[np.maximum(end - 1, 0)] == BLANK)
    return np.where(blank, end - 1, end)
