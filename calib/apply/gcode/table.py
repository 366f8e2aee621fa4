"""A block of G-code as a table: its words with their numbers, and one row per line saying what the line is.

The tokens of a block are its letters, semicolons, stars and line ends. A line is plain if it is one command, every
letter on it has a number, and nothing but blanks stands between a number and the next token. Lines that are not plain
and may matter are `ODD`; `calib.apply.gcode.spelling` turns them into plain ones, and the table is made once more.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calib.apply.decimals import F64, I64, U8, WINDOW, Bool, eights, read_decimals
from calib.apply.gcode import codes
from calib.apply.gcode.codes import EVENT, INERT, MODE, ODD, RESET_E
from calib.apply.gcode.spelling import COMMENT, blank_comments

_NEWLINE, _SEMICOLON, _STAR, _G, _M, _N = (ord(c) for c in "\n;*GMN")

#: Letters of words that matter on a move.
_LETTERS = "XYZEFIJRP"

#: What is put behind a block, so that every window lies inside of it.
PAD = b"\n" * WINDOW

_CHECKSUM = re.compile(rb"\*[0-9]+[ \t\r]*[;(\n]")

#: The number of a line that is put between numbered ones, until it gets its own.
NEW = b"N.5 "

#: Of more odd lines in a block all are looked at at once first.
MANY = 100

#: Bytes of a line made of a move's words; of blanks.
_IN_WORDS, _BLANK = (
    np.isin(np.arange(256), list(some)) for some in (b"GXYZEFIJR0123456789.-+ \t\r", b" \t")
)

Judge = Callable[[bytes, int], list[bytes] | None]


@dataclass(slots=True)
class Column:
    """One letter's words on lines that are moves or name E: which word, on which line, and its number."""

    word: I64
    line: I64
    value: F64

    def cut(self, start: int, stop: int) -> "Column":
        """Return the words on lines start..stop."""
        low, high = np.searchsorted(self.line, (start, stop))
        return Column(self.word[low:high], self.line[low:high], self.value[low:high])


@dataclass(slots=True)
class Table:
    """Words and lines of a block; offsets count from its beginning. A lead such as ``G1`` is no word of the table."""

    data: bytes
    text: bytes | bytearray  # what is visible of it, `WINDOW` bytes more
    letter: U8  # of each word; a line number is one, too
    at: I64
    end: I64  # behind its number
    value: F64
    line: I64
    start: I64  # of each line
    stop: I64  # its newline
    begin: I64  # where its command is, behind a line number
    tail: I64  # where its words end: a checksum, a comment or the newline
    first: I64  # its first word; one entry more
    code: I64  # ten times its G-number, or `codes.M` more; -1 without one
    numbered: Bool
    origin: I64  # which line of the source it came from
    kind: U8
    columns: dict[str, Column]

    def raw(self, line: int) -> bytes:
        """Return the words of a line as they are written, without line number, checksum and comment."""
        begin = self.end[self.first[line]] if self.numbered[line] else self.start[line]
        return self.data[begin : self.tail[line]]

    @property
    def starred(self) -> Bool:
        """Which lines have a number and a checksum."""
        marks: Bool = np.frombuffer(self.data, np.uint8).take(self.tail) == _STAR
        return self.numbered & marks

    def dress(self, line: int) -> tuple[bytes, bytes]:
        """Return what goes before and behind a new line that is put in at this one."""
        star = self.data[self.tail[line]] == _STAR
        return (NEW, b"*0" * star) if self.numbered[line] else (b"", b"")


def read_table(
    data: bytes, judge: Judge, look: Callable[["Table"], None] = lambda _: None
) -> Table:
    """Take a block apart; every line must end with a newline.

    Parameters
    ----------
    judge : function
        Given the words and the number of a line that is not plain, returns plain lines to put in its place, or None
        if it is to be copied as it is.
    look : function
        Is given the table of the block as it came.
    """
    table = _Reader(data).table
    look(table)
    odd = np.flatnonzero(table.kind == ODD)
    if len(odd) > MANY and b"(" not in data:
        again = _without_blanks(table, odd)
        table, odd = again or table, np.flatnonzero((again or table).kind == ODD)
    if len(odd):
        answers = {line: judge(blank_comments(table.raw(line)), line) for line in odd.tolist()}
        table = _put_in_place(table, answers)
    _keep_moves(table)
    return table


def read_again(data: bytes, origin: I64) -> Table:
    """Take lines apart of which it is known that those which are not plain are to be copied."""
    table = _Reader(data).table
    table.origin = origin
    table.kind[table.kind == ODD] = INERT
    _keep_moves(table)
    return table


def _keep_moves(table: Table) -> None:
    """Leave the words of other lines than moves out of the columns."""
    aside = bool((table.kind > RESET_E).any())
    for letter, column in table.columns.items():
        keep = table.kind.take(column.line) <= RESET_E
        if aside and not keep.all():
            table.columns[letter] = Column(column.word[keep], column.line[keep], column.value[keep])


def _without_blanks(table: Table, odd: I64) -> Table | None:
    """Read odd lines of nothing but words without the blanks before digits; None if that does not make moves of all."""
    source = np.frombuffer(table.text, np.uint8)[: len(table.data)]
    foreign = np.concatenate([[0], np.cumsum(~_IN_WORDS[source])])
    glued = (source[1:] == ord("E")) & (source[:-1] <= ord("9")) & (source[:-1] > ord(" "))
    foreign[2:] += np.cumsum(glued)  # may be an exponent
    line = odd[foreign[table.tail[odd]] == foreign[table.begin[odd]]]
    begin, size = table.begin[line], (table.tail - table.begin)[line]
    at = np.arange(size.sum()) + (begin - np.cumsum(size) + size).repeat(size)
    drop = at[_BLANK[source[at]] & (source[at + 1] < ord("A"))]
    again = _Reader(np.delete(np.frombuffer(table.data, np.uint8), drop).tobytes()).table
    return again if (again.kind[line] <= codes.MODAL).all() else None


def _put_in_place(table: Table, answers: dict[int, list[bytes] | None]) -> Table:
    """Put the plain spellings in the place of odd lines, and leave alone the ones to be copied."""
    if all(new is None for new in answers.values()):
        table.kind[list(answers)] = INERT
        return table
    parts, done = [], 0
    counts = np.ones(len(table.kind), np.int64)
    for line, new in answers.items():
        if new is None:
            continue
        old, end = table.raw(line), int(table.tail[line])
        notes = [b" " + note for note in COMMENT.findall(old)]
        blanks = old[len(old.rstrip()) :]
        parts += [table.data[done : end - len(old)], _joined(table, line, new), *notes, blanks]
        done = end
        counts[line] = len(new)
    again = _Reader(b"".join([*parts, table.data[done:]])).table
    again.origin = np.repeat(np.arange(len(counts)), counts)
    copied = np.isin(again.origin, [line for line, new in answers.items() if new is None])
    again.kind[copied & (again.kind == ODD)] = INERT
    return again


def _joined(table: Table, line: int, new: list[bytes]) -> bytes:
    """Join lines that take the place of one; where that has a line number and a checksum, all do."""
    before, behind = table.dress(line)
    return b" " * len(before) + (behind + b"\n" + before).join(new)


class _Reader:
    """Reads one block; tokens are indexed by `token`, words by `word`."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.text = visible(data)
        self.source = np.frombuffer(self.text, np.uint8)
        source = self.source[: len(data)]
        is_token = source > ord("9")
        is_token |= source == _NEWLINE
        is_token |= source == _STAR
        self.at = np.flatnonzero(is_token)
        self.letter = source.take(self.at)
        last = np.flatnonzero(self.letter == _NEWLINE)
        self.stop = self.at.take(last)
        self.lead = np.concatenate([[0], last[:-1] + 1])  # first token of each line
        self.start = np.concatenate([[0], self.stop[:-1] + 1])
        self.odd = np.zeros(len(last), np.bool_)
        self._mark_beginnings()
        self.numbered = self.letter.take(self.lead) == _N
        self.lead += self.numbered
        words, first = self._words(last)
        self.table = Table(
            data, self.text, *words, self.start, self.stop, self.at.take(self.lead), self._tails(last), first,
            self._codes(words, first), self.numbered, np.arange(len(last)),
            np.zeros(0, np.uint8), _columns(*words),
        )  # fmt: skip
        self.table.kind = self._kinds(self.table)

    def _mark_beginnings(self) -> None:
        """Mark lines on which something other than blanks stands before the first token."""
        begin = self.at.take(self.lead)
        for k in np.flatnonzero(begin != self.start).tolist():
            self.odd[k] = bool(self.text[self.start[k] : begin[k]].strip(b" \t\r"))

    def _words(self, last: I64) -> tuple[tuple[U8, I64, I64, F64, I64], I64]:
        """Read the number behind each letter but a lead of one digit, and mark the lines where that fails.

        Returns the words and which is the first of each line, given the last token of each.
        """
        source, letter, at = self.source, self.letter, self.at
        is_word = letter - np.uint8(ord("A")) < 26
        other = ~is_word & (letter != _NEWLINE) & (letter != _SEMICOLON) & (letter != _STAR)
        self.odd[np.searchsorted(last, np.flatnonzero(other))] = True
        begin = at.take(self.lead)
        self.digit = source.take(begin + 1) - np.uint8(ord("0"))
        behind = source.take(begin + 2)
        self.quick = (letter.take(self.lead) == _G) & (self.digit < 10)
        after = at.take(np.minimum(self.lead + 1, len(at) - 1)) - begin
        self.quick &= ((behind == ord(" ")) & (after == 3)) | (behind == _NEWLINE)
        is_word[self.lead[self.quick]] = False
        first = np.concatenate([[0], np.cumsum(is_word).take(last)])
        line = np.repeat(np.arange(len(last)), np.diff(first))
        token = np.flatnonzero(is_word)
        at = at[token]
        value, end, good = read_decimals(self.text, at + 1)
        good &= self._only_blanks(end, self.at[token + 1])
        self.odd[line[~good]] = True
        return (letter[token], at, end, value, line), first

    def _only_blanks(self, end: I64, following: I64) -> Bool:
        """Tell behind which numbers nothing but blanks stands before the next token."""
        gap = following - end
        behind = self.source.take(end)
        fine: Bool = (gap == 0) | ((gap == 1) & ((behind == 32) | (behind == 13) | (behind == 9)))
        more = np.flatnonzero(~fine & (gap > 0) & (gap < 8))
        apart = eights(self.text)[end[more]] ^ np.uint64(0x2020202020202020)
        apart &= (np.uint64(1) << (8 * gap[more]).view(np.uint64)) - np.uint64(1)
        fine[more] = apart == 0
        for k in np.flatnonzero(~fine).tolist():
            fine[k] = not self.text[end[k] : following[k]].strip(b" \t\r")
        return fine

    def _tails(self, last: I64) -> I64:
        tail = self.stop.copy()
        for mark in (_SEMICOLON, _STAR):
            token = np.flatnonzero(self.letter == mark)
            on = np.searchsorted(last, token)
            tail[on] = np.minimum(tail[on], self.at[token])
        for line, at in zip(on.tolist(), self.at[token].tolist(), strict=True):
            if not (self.numbered[line] or _CHECKSUM.match(self.data, at)):
                self.odd[line] = True
        return tail

    def _codes(self, words: tuple[U8, I64, I64, F64, I64], first: I64) -> I64:
        """Return ten times the number of the command each line begins with."""
        letter, value = words[0], words[3]
        code = np.where(self.quick, 10 * self.digit.astype(np.int64), -1)
        rest = np.flatnonzero(~self.quick)
        word = first[rest] + self.numbered[rest]
        rest, word = rest[word < first[rest + 1]], word[word < first[rest + 1]]
        is_m = letter[word] == _M
        number = value[word]
        has = (is_m | (letter[word] == _G)) & (number >= 0) & (number < codes.M / 10)
        code[rest[has]] = np.rint(number[has] * 10).astype(np.int64) + codes.M * is_m[has]
        return code

    # -- kinds of lines ---------------------------------------------------------------------

    def _kinds(self, table: Table) -> U8:
        """Tell what each line is."""
        kind: U8 = codes.KINDS.take(np.minimum(table.code, len(codes.KINDS) - 1))
        bare = np.flatnonzero(table.code < 0)
        kind[bare] = _BARE.take(self.letter.take(self.lead[bare]))
        commands = np.flatnonzero((table.letter == _G) | (table.letter == _M))
        count = self.quick.astype(np.int64)
        np.add.at(count, table.line[commands], 1)
        several = count > 1
        if several.any():  # free text may look like commands
            kind[several & ~np.isin(table.code, [codes.M + 10 * m for m in codes.TEXT_M])] = ODD
        odd = self.odd
        self._mark_exponents(table)
        self._mark_letters(table, kind)
        if odd.any():
            kind[odd & (kind == RESET_E)] = EVENT
            # a code that changes nothing or is followed apart may have anything behind it, if its number ends there
            lead_end = np.where(self.quick, table.begin + 2, table.begin)
            slow = np.flatnonzero(~self.quick & (table.code >= 0))
            lead_end[slow] = table.end[table.first[slow] + self.numbered[slow]]
            ends = np.isin(self.source.take(lead_end), np.frombuffer(b" \t\r\n;*", np.uint8))
            kind[odd & ((kind < EVENT) | (table.code < 0) | ~ends)] = ODD
        return kind

    def _mark_exponents(self, table: Table) -> None:
        """Mark lines where E stands right behind a digit, unless the line has no blanks and is all in one case."""
        at = table.columns["E"].word
        before = self.source.take(table.at[at] - 1)
        glued = at[(before - np.uint8(ord("0")) < 10) | (before == ord("."))]
        if not len(glued):
            return
        lines = table.line[glued]
        raw = np.frombuffer(table.data, np.uint8)
        cases = (raw[table.at[glued]] ^ raw[table.begin[lines]]) & 0x20
        follows = np.flatnonzero(np.diff(table.line) == 0) + 1
        gap = follows[table.end[follows - 1] != table.at[follows]]
        apart = self.quick.copy()
        apart[table.line[gap[table.letter[gap - 1] != _N]]] = True
        self.odd[lines[(cases != 0) | apart.take(lines)]] = True

    def _mark_letters(self, table: Table, kind: U8) -> None:
        """Mark moves that have a letter twice, and words that do not go with their command."""
        for column in table.columns.values():
            again = column.line[1:] == column.line[:-1]
            if again.any():
                twice = column.line[1:][again]
                self.odd[twice[kind[twice] <= RESET_E]] = True
        resets = np.flatnonzero(kind == RESET_E)
        if len(resets):  # with E alone, and perhaps F
            has = np.zeros((2, len(kind)), np.bool_)
            for c in "XYZE":
                has[int(c == "E"), table.columns[c].line] = True
            kind[resets[has[0, resets] | ~has[1, resets]]] = EVENT
        modes = np.flatnonzero(kind == MODE)  # which may come with the words of a move
        word = table.first[modes] + self.numbered[modes] + 1
        self.odd[modes[word < table.first[modes + 1]]] = True


def visible(block: bytes) -> bytes | bytearray:
    """Return a block in upper case, with `WINDOW` bytes more, in which comments and checksums are no tokens.

    Behind the first semicolon or star of a line there are zero bytes.
    """
    text = blank_comments(block.upper()) + PAD
    if b";" not in text and b"*" not in text:
        return text
    hidden = bytearray(text)
    source = np.frombuffer(hidden, np.uint8)
    marks = np.flatnonzero((source == _SEMICOLON) | (source == _STAR))
    ends = np.flatnonzero(source == _NEWLINE)
    end = ends[np.searchsorted(ends, marks)]
    first = np.flatnonzero(np.diff(end, prepend=-1))
    begin, size = marks[first] + 1, (end - marks)[first] - 1
    source[np.arange(size.sum()) + (begin - np.cumsum(size) + size).repeat(size)] = 0
    return hidden


def _columns(letter: U8, at: I64, end: I64, value: F64, line: I64) -> dict[str, Column]:
    there, none = letter.tobytes(), np.zeros(0, np.int64)
    columns = {}
    for c in _LETTERS:
        word = np.flatnonzero(letter == ord(c)) if c.encode() in there else none
        columns[c] = Column(word, line.take(word), value.take(word)) if len(word) else Column(none, none, np.zeros(0))  # fmt: skip
    return columns


def _bare_kinds() -> U8:
    """Return what a line without a command is by its first letter."""
    table = np.full(256, ODD, np.uint8)
    table[list(b"\n;*")] = INERT
    table[list(b"XYZEIJRF")] = codes.MODAL
    table[ord("T")] = EVENT
    return table


_BARE = _bare_kinds()
