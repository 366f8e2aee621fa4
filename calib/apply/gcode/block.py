"""A block of G-code taken apart with numpy: which lines are plain, and the words and numbers on them.

Every byte gets a class from a table; the bytes that are not digits or blanks are the tokens. On a plain line a letter
is followed by an optional minus, digits and an optional point, with single blanks between words. Whatever does not
look so is marked SLOW and left to `exact`, so nothing here has to be clever about rare spellings.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from calib.apply.gcode.numbers import SHORT, read_ahead, read_decimals

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

#: Classes of bytes, in an order that lets one comparison pick a group out.
DIGIT, POINT, MINUS, COMMENT, BLANK, G = range(6)
LETTERS = "GFXYZEIJ"
SEMICOLON = G + len(LETTERS)
LAST_LETTER, NEWLINE, BAD = SEMICOLON - 1, SEMICOLON + 1, SEMICOLON + 2

#: What a line is: nothing to do, G0 or G1, G2, G3, G92 with E alone, or anything else.
INERT, STRAIGHT, CLOCKWISE, COUNTER, SET_E, SLOW = range(6)

_PAD = b"0" * 10

#: A longer number has more digits than a plain line needs, and would not fit the cells it is rewritten in.
LONGEST = SHORT - 1


def _classes() -> bytes:
    table = bytearray([BAD] * 256)
    for c in b"0123456789":
        table[c] = DIGIT
    for c in b" \r":  # a block with a carriage return that is not before a newline is all slow
        table[c] = BLANK
    table[ord(".")], table[ord("-")] = POINT, MINUS
    table[ord(";")], table[ord("\n")] = SEMICOLON, NEWLINE
    for i, c in enumerate(LETTERS.encode()):
        table[c] = G + i
    return bytes(table)


def _meanings() -> U8:
    table = np.full(100, SLOW, np.uint8)
    table[[0, 1]], table[2], table[3], table[92] = STRAIGHT, CLOCKWISE, COUNTER, SET_E
    return table


_CLASSES = _classes()
_MEANINGS = _meanings()


@dataclass(slots=True)
class Column:
    """One letter's words, in file order: which token, on which line, and its value where it was needed."""

    word: I64
    line: I64
    value: F64 = field(default_factory=lambda: np.zeros(0))

    def cut(self, start: int, stop: int) -> "Column":
        """Return the words on lines start..stop."""
        low, high = np.searchsorted(self.line, (start, stop))
        return Column(self.word[low:high], self.line[low:high], self.value[low:high])


@dataclass(slots=True)
class Tokens:
    """Every byte of a block that is not a digit, a blank or in a comment."""

    classes: U8  # of all bytes
    at: I64
    kind: U8
    line: I64
    first: I64  # per line: its first token
    last: I64  # per line: its newline


@dataclass(slots=True)
class Block:
    """The parts of a block; line numbers and offsets count from its beginning."""

    data: bytes
    tokens: Tokens
    line_start: I64
    kind: U8
    columns: dict[str, Column]
    number_end: I64  # per token: where the number behind a letter ends, once it is read

    def read(self, columns: list[Column]) -> I64:
        """Read the numbers of some columns; return the lines that have one too long to be read here."""
        text = _PAD + self.data + _PAD
        lines = [np.zeros(0, np.int64)]
        for column in columns:  # one at a time, so that all in between stays in the cache
            start = self.tokens.at[column.word] + 1
            column.value, size, unfit = read_ahead(text, start + len(_PAD))
            self.number_end[column.word] = start + size
            more = np.flatnonzero(unfit)
            if len(more):
                column.value[more], bad = self._read_long(text, column.word[more])
                lines.append(column.line[more[bad]])
        return np.concatenate(lines)

    def _read_long(self, text: bytes, word: I64) -> tuple[F64, Bool]:
        """Read numbers of more than eight bytes; tell which are too long even so, or none at all."""
        at, kind = self.tokens.at, self.tokens.kind
        after = word + 1
        minus = kind[after] == MINUS
        after += minus
        point = kind[after] == POINT
        whole_end = at[after]
        after += point
        end = at[after]
        end -= self.tokens.classes[end - 1] == BLANK
        digits = end - at[word] - 1 - minus
        places = np.where(point, end - whole_end, 0) - 1
        bad = (digits <= point) | (digits > LONGEST) | (places > 8) | (digits - places > 9)
        digits[bad], places[bad] = 1, -1
        value = read_decimals(text, end + len(_PAD) - 8, digits, places)
        np.negative(value, out=value, where=minus)
        self.number_end[word] = end
        return value, bad

    def raw(self, line: int) -> bytes:
        """Return a line with its ending."""
        start, newline = self.line_start[line], self.tokens.at[self.tokens.last[line]]
        return self.data[start : newline + 1]

    def code_end(self, line: I64) -> I64:
        """Return where the code of plain lines ends, before a blank, comment or newline."""
        t = self.tokens
        last = t.last[line]
        comment = (last > t.first[line]) & (t.kind[last - 1] == SEMICOLON)
        end: I64 = t.at[last - comment]
        end -= t.classes[end - 1] == BLANK
        return end

    def machine_codes(self, line: I64) -> I64:
        """Return the number of the M-code a line begins with; -1 where it has none, or a G-code besides."""
        source = np.frombuffer(self.data + _PAD, np.uint8)
        start = self.line_start[line]
        code = np.where(source[start] == ord("M"), 0, -1)
        going = code == 0
        for k in range(1, 6):
            digit = source[start + k].astype(np.int64) - 0x30
            going &= (digit >= 0) & (digit <= 9)
            code = np.where(going, 10 * code + digit, code)
        code[source[start + 1] - np.uint8(0x30) > 9] = -1
        other = np.zeros(len(self.kind), np.bool_)
        other[self.tokens.line[self.tokens.kind == G]] = True
        code[other[line]] = -1
        if _has_stray_return(self.data):
            code[:] = -1
        return code


def parse_block(data: bytes) -> Block:
    """Take a block apart; every line must end with a newline."""
    tokens = _tokens(data)
    slow = np.zeros(len(tokens.first), np.bool_)
    slow[tokens.line[tokens.kind == BAD]] = True
    if _has_stray_return(data):
        slow[:] = True
    wrong = _malformed(tokens)
    if len(wrong):
        slow[np.searchsorted(tokens.at[tokens.last], wrong)] = True
    columns = _columns(tokens, slow)
    needed = "XYZE"
    if len(columns["I"].word) or len(columns["J"].word):
        needed = LETTERS[1:]
    starts, ends = np.zeros(len(slow), np.int64), np.zeros(len(tokens.at), np.int64)
    block = Block(data, tokens, starts, slow.view(np.uint8), columns, ends)
    slow[block.read([columns[letter] for letter in needed])] = True
    starts[1:] = tokens.at[tokens.last[:-1]] + 1
    block.kind = _line_kinds(data, tokens, slow)
    _keep_plain(block.kind, columns)
    _drop_words_of_slow_lines(columns, block.kind == SLOW)
    return block


def _has_stray_return(data: bytes) -> bool:
    """Tell whether a carriage return stands anywhere but before a newline."""
    return b"\r" in data and data.count(b"\r") != data.count(b"\r\n")


def _malformed(tokens: Tokens) -> I64:
    """Return offsets of bytes that cannot stand where they do on a plain line.

    A number begins right behind each letter and nowhere else; a blank stands before no other blank.
    """
    now, after = tokens.classes[:-1], tokens.classes[1:]
    number = tokens.classes <= MINUS
    begins = number[1:] & ~number[:-1]
    letter = (now - np.uint8(G)) < np.uint8(SEMICOLON - G)
    wrong = begins != letter
    wrong |= (now == BLANK) & (after == BLANK)
    found = np.flatnonzero(wrong)
    kind = tokens.kind
    inside = (kind[:-1] == POINT) & (kind[1:] <= MINUS)  # a second point, or a sign behind it
    if inside.any():
        found = np.concatenate([found, tokens.at[1:][inside]])
    sign = np.flatnonzero(kind == MINUS)
    if len(sign):  # a sign stands right behind a letter
        before = tokens.classes[tokens.at[sign] - 1]
        found = np.concatenate([found, tokens.at[sign[(before < G) | (before > LAST_LETTER)]]])
    return found


def _tokens(data: bytes) -> Tokens:
    classes = np.frombuffer(data.translate(_CLASSES), np.uint8)
    begin = data.find(b";")
    if begin >= 0:
        classes = classes.copy()
    while begin >= 0:
        end = data.find(b"\n", begin)
        classes[begin + 1 : end] = COMMENT
        begin = data.find(b";", end)
    at = np.flatnonzero((classes - np.uint8(POINT) < 2) | (classes > BLANK))
    kind = classes[at]
    newline = kind == NEWLINE
    last = np.flatnonzero(newline)
    first = np.zeros(len(last), np.int64)
    first[1:] = last[:-1] + 1
    return Tokens(classes, at, kind, np.cumsum(newline) - newline, first, last)


def _columns(tokens: Tokens, slow: Bool) -> dict[str, Column]:
    """Sort the words by letter; a line that has a letter twice is slow."""
    word = np.flatnonzero((tokens.kind > G) & (tokens.kind < SEMICOLON))
    letter = tokens.kind[word] - G
    order = np.argsort(letter, kind="stable")  # by counting, as letters are bytes
    ends = np.cumsum(np.bincount(letter, minlength=len(LETTERS)))
    columns = {}
    for name, index in zip(LETTERS, np.split(word[order], ends[:-1]), strict=True):
        on = tokens.line[index]
        twice = on[1:] == on[:-1]
        if twice.any():
            slow[on[1:][twice]] = True
        columns[name] = Column(index, on)
    return columns


def _line_kinds(data: bytes, tokens: Tokens, slow: Bool) -> U8:
    """Tell what each line is from the G-code it begins with."""
    lead = tokens.kind[tokens.first]
    kind = np.full(len(lead), SLOW, np.uint8)
    kind[lead >= SEMICOLON] = INERT  # BAD is among these, and slow
    begins = np.flatnonzero(lead == G)
    if len(begins) != np.count_nonzero(tokens.kind == G):
        g = np.flatnonzero(tokens.kind == G)
        slow[tokens.line[g[tokens.first[tokens.line[g]] != g]]] = True
    first = tokens.first[begins]
    at = tokens.at[first]
    source = np.frombuffer(data + _PAD, np.uint8)
    one, two, three = (source[at + k] - np.uint8(0x30) for k in (1, 2, 3))  # not a digit: above 9
    code = np.where(two > 9, one, 10 * one + two)
    odd = (one > 9) | ((two <= 9) & (three <= 9)) | (tokens.kind[first + 1] <= MINUS)
    code[odd] = 99
    kind[begins] = _MEANINGS[code]
    kind[slow] = SLOW
    return kind


def _drop_words_of_slow_lines(columns: dict[str, Column], slow: Bool) -> None:
    """Leave words of other commands out, such as the accelerations of each axis; they are no places."""
    for column in columns.values():
        keep = ~slow[column.line]
        if not keep.all():
            column.word, column.line = column.word[keep], column.line[keep]
            column.value = column.value[keep] if len(column.value) else column.value


def _keep_plain(kind: U8, columns: dict[str, Column]) -> None:
    """Mark as slow the lines whose letters do not go with their G-code."""

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
    if (kind == SET_E).any():
        kind[(kind == SET_E) & (has("XYZIJ") | ~has("E"))] = SLOW
