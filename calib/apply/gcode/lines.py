"""A block of G-code as a table: one row per line, with its command and the words of a move.

Numpy finds the tokens of a block (whatever is no digit and no blank) and the numbers between them at once. A line is
plain if it is one command, every letter has a number right behind it, and no letter comes twice. Others are odd:
`calib.apply.gcode.spelling` writes them plainly, or has them copied, before the table is made.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calib.apply.gcode.codes import COPIED, EVENT, KINDS, MODAL, MODE, UNREAD, M
from calib.apply.gcode.numbers import AHEAD, BEHIND, I64, PART, U8, Bool, read_counts
from calib.apply.gcode.spelling import COMMENT, blank_comments

_NEWLINE, _SEMICOLON, _STAR, _BLANK, _POINT, _G, _M, _N, _E, _T = (ord(c) for c in "\n;* .GMNET")

#: Letters of words on a move that are followed; others are copied.
LETTERS = "XYZIJREF"

#: What stands before and behind a block: one line end that begins the first line, and digits, which are no tokens.
_BEFORE, _AFTER = b"0" * (AHEAD - 1) + b"\n", b"0" * BEHIND

_TABS = bytes.maketrans(b"\t\r", b"  ")
_NUMBER = re.compile(rb"\s*[Nn]\s*([0-9]+)")
_LEAD = re.compile(rb"(\s*[Nn]\s*[0-9]+)?\s*[GMgm][ \t]*[0-9]+(\.[0-9])?")
_CHECKSUM = re.compile(rb"(\*[ \t]*[0-9]+[ \t\r]*)?(;|$)")

#: Given a line without its number, comment and checksum, says how to write it plainly; None copies it.
Judge = Callable[[bytes, int], list[bytes] | None]


@dataclass(slots=True)
class Lines:
    """Rows of a block; places count from the beginning of `raw`, which has `AHEAD` bytes before the first row."""

    data: bytes  # the block as it came
    raw: bytes  # the block with the plain spelling of odd lines, and behind that as it came
    source: I64  # the line as it came, the first row of several has it
    source_end: I64
    start: I64
    body: I64  # where the command is, behind a line number
    end: I64  # of the last word
    stop: I64  # the line end
    star: I64  # where a checksum begins, 0 without one
    given: I64  # the checksum
    rest: I64  # what is copied behind the words: a comment and the line end
    number: I64  # line number, -1 without one
    code: I64  # ten times the G-number, or `codes.M` more; -1 without one
    kind: U8
    origin: I64  # which line of the source a row came from
    word: dict[str, I64]  # which word has a letter, 0 for none
    words: "Words"
    other: I64  # words with a letter that is not followed

    def value(self, letter: str) -> I64:
        """Return a letter's numbers, 0 where it is not."""
        return self.words.value.take(self.word[letter])

    def text(self, row: int) -> bytes:
        """Return the words of a row."""
        return self.raw[self.body[row] : self.end[row]]


@dataclass(slots=True)
class Words:
    """Letters, line ends, semicolons and stars with the number behind them; the first begins the block."""

    letter: U8
    at: I64
    end: I64  # of its number
    value: I64
    row: I64
    odd: Bool


@dataclass(slots=True)
class _Shape:
    """Where the rows of a table are among its words."""

    first: I64  # the first word of each row
    lead: I64  # the one behind a line number
    close: I64  # a comment, a checksum or the line end, whichever comes first
    last: I64  # the line end
    letters: dict[str, I64]  # the words with each letter


def read_lines(data: bytes, judge: Judge, check: Callable[[Lines], None] = lambda _: None) -> Lines:
    """Take a block apart; it must end with a newline.

    Parameters
    ----------
    judge : function
        Given a line that is not plain and its number, returns plain ones, or None to have it copied.
    check : function
        Is given the table of the block as it came.
    """
    raw = _BEFORE + data + _AFTER
    text = _blanked(raw)
    words = _words(text)
    shape = _shape(words)
    table = _table(data, raw, words, shape, np.arange(len(shape.first)))
    if b"*" in data:
        check(table)
    odd = _odd_rows(raw, text, words, shape, table.kind)
    spans = [
        words.at[at].tolist() for at in (shape.first[odd] - 1, shape.close[odd], shape.last[odd])
    ]
    plain = {
        k: _plainly(raw, (a, b, c), judge, k)
        for k, a, b, c in zip(odd.tolist(), *spans, strict=True)
    }
    if all(new is None for new in plain.values()):
        table.kind[odd[table.kind[odd] != EVENT]] = COPIED
        return table
    came = words.at.take(shape.first - 1) + 1, words.at.take(shape.last) + 1
    new, text, origin = _respelled(raw, text, len(shape.first), plain, spans)
    words = _words(text)
    shape = _shape(words)
    table = _table(data, new + raw, words, shape, origin)
    table.source, table.source_end = (len(new) + place.take(origin) for place in came)
    more = np.flatnonzero(np.diff(origin) == 0) + 1
    table.source_end[more] = table.source[more]
    table.kind[(table.kind == MODE) & (shape.close - shape.lead > 1)] = UNREAD
    unread = words.row[words.odd & (words.letter != _NEWLINE)]
    table.kind[unread[table.kind[unread] < EVENT]] = UNREAD
    return table


def _blanked(raw: bytes) -> bytes:
    """Put blanks in the place of comments, tabs and carriage returns."""
    text = blank_comments(raw)
    if b"\r" in text or b"\t" in text:
        text = text.translate(_TABS)
    first, *rest = text.split(b";")
    ends = [(part, part.find(b"\n") % (len(part) + 1)) for part in rest]
    return b";".join([first, *(b" " * end + part[end:] for part, end in ends)])


def _words(text: bytes) -> Words:
    """Find the words of a text and read the numbers that are needed."""
    source = np.frombuffer(text, np.uint8)
    at = np.flatnonzero((source - np.uint8(ord("0")) > 9) & (source != _BLANK))
    token = source.take(at)
    mark = np.flatnonzero((token > ord("9")) | (token == _NEWLINE) | (token == _STAR))
    begin, letter = at.take(mark), token.take(mark)
    letter = letter & ~((letter > ord("_")).view(np.uint8) << np.uint8(5))  # in capitals
    end = np.append(begin[1:], begin[-1] + 1)
    end -= source.take(end - 1) == _BLANK
    wide = np.flatnonzero(source.take(end - 1) == _BLANK)
    while len(wide):
        end[wide] -= 1
        wide = wide[source.take(end[wide] - 1) == _BLANK]
    behind = source.take(begin + 1)
    minus = behind == ord("-")
    sign = minus | (behind == ord("+"))
    inner = np.diff(mark, append=len(at)) - 1 - sign  # tokens inside of the number: at most a point
    inside = np.minimum(mark + 1 + sign, len(at) - 1)
    point = np.minimum(at.take(inside), end)
    point[-1] = end[-1]
    whole, fraction = point - begin - 1 - sign, np.maximum(end - point - 1, 0)
    is_word = (letter - np.uint8(ord("A")) < 26) | (letter == _STAR)
    odd = (inner > 1) | (whole > 7) | ((inner == 1) & (token.take(inside) != _POINT))
    odd |= (whole + fraction == 0) == is_word
    odd |= ~(is_word | (letter == _NEWLINE) | (letter == _SEMICOLON))
    glued = np.flatnonzero((letter[1:] == _E) & (end[:-1] == begin[1:])) + 1
    odd[glued[source.take(begin[glued] - 1) - np.uint8(ord(".")) < 12]] = (
        True  # an exponent, or not
    )
    value = np.zeros(len(begin), np.int64)
    read = np.flatnonzero(_READ[letter] & ~odd)
    value[read] = read_counts(text, point[read], whole[read], fraction[read])
    np.negative(value, out=value, where=minus)
    return Words(letter, begin, end, value, np.cumsum(letter == _NEWLINE) - 1, odd)


_READ = np.zeros(256, np.bool_)
_READ[list(b"GMN*XYZIJRE")] = True


def _shape(words: Words) -> _Shape:
    letter = words.letter
    last = np.flatnonzero(letter == _NEWLINE)
    first, last = last[:-1] + 1, last[1:]
    close = last.copy()
    marks = np.flatnonzero((letter == _SEMICOLON) | (letter == _STAR))[::-1]
    close[words.row[marks]] = marks
    there = letter.tobytes()
    letters = {c: np.flatnonzero(letter == ord(c)) for c in LETTERS if c.encode() in there}
    return _Shape(first, first + (letter.take(first) == _N), close, last, letters)


def _table(data: bytes, raw: bytes, words: Words, shape: _Shape, origin: I64) -> Lines:
    letter, count = words.letter, len(shape.first)
    kind, code = _kinds(words, shape.lead)
    start = words.at.take(shape.first - 1) + 1
    end = np.where(shape.close > shape.first, words.end.take(shape.close - 1), start)
    stop = words.at.take(shape.last)
    body, rest, star, given, number = (
        start,
        end,
        np.zeros(count, np.int64),
        stop,
        np.full(count, -1),
    )
    numbered = shape.lead > shape.first
    if numbered.any():
        body = np.where(numbered, words.end.take(shape.first), start)
        number = np.where(numbered, words.value.take(shape.first) // PART, -1)
        has_star = numbered & (letter.take(shape.close) == _STAR)
        star = np.where(has_star, words.at.take(shape.close), 0)
        given = words.value.take(shape.close) // PART
        rest = np.where(has_star, words.end.take(shape.close), end)
    columns = dict.fromkeys(LETTERS, np.zeros(count, np.int64))
    for c, on in shape.letters.items():
        columns[c] = np.zeros(count, np.int64)
        columns[c][words.row.take(on)] = on
    other = np.zeros(0, np.int64)
    if letter.tobytes().translate(None, _FOLLOWED):
        other = np.flatnonzero(_OTHER[letter])
    return Lines(data, raw, start, stop + 1, start, body, end, stop, star, given, rest, number, code, kind, origin, columns, words, other)  # fmt: skip


def _kinds(words: Words, lead: I64) -> tuple[U8, I64]:
    """Return what rows are, and the codes of their commands, given their first words."""
    letter, value = words.letter.take(lead), words.value.take(lead)
    is_m = letter == _M
    coded = (is_m | (letter == _G)) & (value >= 0)
    code = np.where(coded, value // (PART // 10) + M * is_m, -1)
    kind = KINDS.take(np.minimum(code, len(KINDS) - 1))
    bare = np.flatnonzero(~coded)
    kind[bare] = _BARE[letter[bare]]
    return kind, code


_FOLLOWED = b"\n;*GMNXYZIJREF"
_OTHER = np.zeros(256, np.bool_)
_OTHER[[c for c in range(ord("A"), ord("Z") + 1) if c not in _FOLLOWED]] = True


def _bare_kinds() -> U8:
    """Return what a line without a command is by its first letter."""
    table = np.full(256, COPIED, np.uint8)
    table[list(b"XYZEIJRF")] = MODAL
    table[_T] = EVENT
    return table


_BARE = _bare_kinds()
_BEGINS = np.zeros(256, np.bool_)  # what a plain line may begin with
_BEGINS[list(b"\n;*GMTXYZEIJRF")] = True


# -- odd lines ------------------------------------------------------------------------------------


def _odd_rows(raw: bytes, text: bytes, words: Words, shape: _Shape, kind: U8) -> I64:
    """Return the rows that are not plain."""
    letter, row = words.letter, words.row
    source = np.frombuffer(text, np.uint8)
    found = [row[words.odd], row[shape.lead[~_BEGINS[letter.take(shape.lead)]]]]
    split = np.flatnonzero((source[:-1] == _BLANK) & (source[1:] - np.uint8(ord("+")) < 15))
    found.append(row[np.searchsorted(words.at, split, side="right") - 1])  # a blank inside a number
    command = (letter == _G) | (letter == _M)
    command[shape.lead] = False
    found.append(row[command])
    for on in shape.letters.values():
        rows = row.take(on)
        found.append(rows[1:][rows[1:] == rows[:-1]])
    found.append(np.flatnonzero((letter.take(shape.close) == _STAR) & (shape.last - shape.close > 1) & (letter.take(shape.close + 1 - (shape.close == shape.last)) != _SEMICOLON)))  # fmt: skip
    modes = np.flatnonzero(kind == MODE)
    found.append(modes[(shape.close - shape.lead)[modes] > 1])
    if b"(" in raw:
        at = np.array([m.start() for m in COMMENT.finditer(raw)], np.int64)
        on = row[np.searchsorted(words.at, at, side="right") - 1]
        found.append(on[at < words.end.take(shape.close[on] - 1)])
    odd = np.zeros(len(shape.last) + 1, np.bool_)
    odd[np.concatenate(found)] = True
    return np.flatnonzero(odd[:-1])


def _plainly(raw: bytes, span: tuple[int, int, int], judge: Judge, k: int) -> list[bytes] | None:
    """Return plain lines, with number, checksum and notes, for an odd one; None if it is to be copied."""
    before, end, stop = span
    line = raw[before + 1 : end]
    starred = raw[end] == _STAR
    number = _NUMBER.match(line)
    code = line[number.end() :] if number else line
    if starred and not _CHECKSUM.match(raw[end:stop]):
        code += raw[end:stop]
    plain = judge(blank_comments(code), k)
    if plain is None or not (number or b"(" in line):
        return plain
    prefix = b"N%d " % int(number[1]) if number else b""
    star = b"*0" if number and starred else b""
    plain = [prefix + one + star * (one is not plain[-1]) for one in plain]
    plain[-1] += b"".join(b" " + note for note in COMMENT.findall(line))
    return plain


def _respelled(
    raw: bytes,
    text: bytes,
    count: int,
    plain: dict[int, list[bytes] | None],
    spans: list[list[int]],
) -> tuple[bytes, bytes, I64]:
    """Put plain lines in the place of odd ones, in the block and in what is read of it."""
    raws, texts = list[bytes](), list[bytes]()
    done = 0
    counts = np.ones(count, np.int64)
    for k, before, end in zip(plain, *spans[:2], strict=True):
        begin = before + 1
        line, lines = raw[begin:end], plain[k]
        if lines is None:
            lead = _LEAD.match(line)
            new, shown = line, (lead[0] if lead else b"").ljust(len(line))
        else:
            counts[k] = len(lines)
            new = shown = b"\n".join(lines) + line[len(line.rstrip()) :]
        raws += (raw[done:begin], new)
        texts += (text[done:begin], blank_comments(shown))
        done = end
    origin = np.repeat(np.arange(len(counts)), counts)
    return b"".join([*raws, raw[done:]]), b"".join([*texts, text[done:]]).translate(_TABS), origin
