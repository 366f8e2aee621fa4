"""What has to change in a block, gathered first and then put in all at once.

The new block is a row of pieces: in turns what is copied and what is put in. Each piece is written as 24 bytes where it
begins, and what is written beyond its end is overwritten by the next one; longer ones are copied again as a whole.
"""

from dataclasses import dataclass, field

import numpy as np

from calib.apply.gcode.numbers import I64, Bool, Spelled, eights, put_before, write_decimals
from calib.apply.gcode.table import Table

_PIECE = 24
_Piece = np.dtype((np.void, _PIECE))


@dataclass(slots=True)
class Text:
    """Lines put in the place of a stretch of a line of the table."""

    line: int
    begin: int
    end: int
    codes: list[bytes]
    before: bool  # whether they go before the line, or else in its place

    def joined(self, newline: bytes) -> bytes:
        """Return what is to be written."""
        text = newline.join(self.codes)
        return text + newline if self.before else text


@dataclass(slots=True)
class Edits:
    """What has to change in one block: numbers of words, words, and stretches of text."""

    table: Table
    newline: bytes
    units: I64 = field(init=False)  # new value of each word, in last places
    chosen: Bool = field(init=False)  # words that get it
    added: list[tuple[I64, int, I64]] = field(default_factory=list)  # before word, letter, value
    texts: list[Text] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.units = np.zeros(len(self.table.at), np.int64)
        self.chosen = np.zeros(len(self.table.at), np.bool_)

    def set(self, word: I64, units: I64) -> None:
        """Give words a new number."""
        self.units[word] = units
        self.chosen[word] = True

    def add(self, word: I64, letter: str, units: I64) -> None:
        """Put another word before each of these words."""
        if len(word):
            self.added.append((word, ord(letter), units))

    def insert(self, line: int, codes: list[bytes]) -> None:
        """Put lines before one."""
        at = int(self.table.start[line])
        self.texts.append(Text(line, at, at, codes, before=True))

    def lead(self, line: int, word: bytes) -> None:
        """Put a word before the first one of a line."""
        at = int(self.table.begin[line])
        self.texts.append(Text(-1, at, at, [word + b" "], before=False))

    def replace(self, line: int, codes: list[bytes]) -> None:
        """Put lines in the place of the words of one; its comment goes behind the last."""
        table = self.table
        begin, end = int(table.begin[line]), table.words_end(line)
        self.chosen[table.first[line] + table.numbered[line] : table.first[line + 1]] = False
        self.texts.append(Text(line, begin, end, codes, before=False))

    def lines(self) -> I64:
        """Return the lines that come out changed, or with others before them."""
        on = [self.table.line[self.chosen], *(self.table.line[t] for t, _, _ in self.added)]
        return np.unique(np.concatenate([*on, np.array([t.line for t in self.texts if t.line >= 0], np.int64)]))  # fmt: skip

    def assemble(self) -> bytes:
        """Return the block with its edits made."""
        table = self.table
        word = np.flatnonzero(self.chosen)
        begin, end = table.at[word] + 1, table.end[word]
        number = write_decimals(self.units[word])
        texts = sorted(self.texts, key=lambda t: (t.begin, not t.before))
        new = [t.joined(self.newline) for t in texts]
        if self.added or texts:
            begin, end, number, where = self._with_more(begin, end, number, texts, new)
        if not len(begin):
            return table.data
        out, stop = put_in(table.data, table.text, begin, end, number)
        if not new:
            return out
        result = bytearray(out)
        for text, to in zip(new, stop[where].tolist(), strict=True):
            result[to - len(text) : to] = text
        return bytes(result)

    def _with_more(
        self, begin: I64, end: I64, number: Spelled, texts: list[Text], new: list[bytes]
    ) -> tuple[I64, I64, Spelled, I64]:
        """Merge the added words and texts with the numbers; return also where the texts are among them."""
        table = self.table
        none = np.zeros(len(new), np.uint64)
        places = [np.array([t.begin for t in texts], np.int64)]
        ends = [np.array([t.end for t in texts], np.int64)]
        added = [Spelled(none, none, np.array([len(t) for t in new], np.int64))]
        for before, letter, units in self.added:
            place = table.at[before]
            apart = np.frombuffer(table.data, np.uint8).take(place - 1) == ord(" ")
            place = place - apart
            for some, lead in ((apart, ord(" ") | letter << 8), (~apart, letter)):
                places.append(place[some])
                ends.append(place[some])
                size = 2 if lead > 255 else 1
                added.append(put_before(write_decimals(units[some]), lead, size))
        place = np.concatenate(places)
        order = np.argsort(place, kind="stable")  # of the same place texts come first
        at = np.searchsorted(begin, place[order])
        begin = np.insert(begin, at, place[order])
        end = np.insert(end, at, np.concatenate(ends)[order])
        parts = (
            np.insert(old, at, np.concatenate(more)[order])
            for old, more in zip(number, zip(*added, strict=True), strict=True)
        )
        where = (at + np.arange(len(at)))[np.argsort(order)][: len(new)]
        return begin, end, Spelled(*parts), where


def put_in(
    data: bytes, text: bytes | bytearray, begin: I64, end: I64, new: Spelled
) -> tuple[bytes, I64]:
    """Put numbers in the place of stretches of a text, all in file order; return where each ends, too.

    Parameters
    ----------
    data, text : bytes
        The text, and one of the same length with 24 bytes more whose content is not used.
    """
    source = data + text[len(data) :]
    start = np.concatenate([[0], end[:-1]])
    gap = begin - start
    bits = (gap << 3).view(np.uint64)
    long = np.flatnonzero(
        gap > 8
    )  # copied in pieces of their own; the others go with the number behind them
    bits[long] = 0
    ahead, rest = eights(source)[start], np.uint64(64) - bits
    ahead &= (np.uint64(1) << bits) - np.uint64(1)
    rows = np.empty((len(gap), 3), "<u8")
    rows[:, 0] = ahead | new.low << bits
    rows[:, 1] = new.low >> rest | new.high << bits
    rows[:, 2] = new.high >> rest
    pieces, size = rows.view(_Piece).ravel(), new.size + gap
    last = np.arange(len(gap))  # the piece with each number
    if len(long):
        size[long] = new.size[long]
        count = -(-gap[long] // _PIECE)
        owner = np.repeat(long, count)
        k = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
        windows = np.ndarray((len(source) - _PIECE + 1,), _Piece, source, strides=(1,))
        pieces = np.insert(pieces, owner, windows[start[owner] + _PIECE * k])
        size = np.insert(size, owner, np.minimum(gap[owner] - _PIECE * k, _PIECE))
        before = np.zeros(len(gap), np.int64)
        before[long] = count
        last += np.cumsum(before)
    stop = np.cumsum(size)
    total = int(stop[-1])
    out = np.empty(total + _PIECE, np.uint8)
    np.ndarray((total + 1,), _Piece, out.data, strides=(1,))[stop - size] = pieces
    return out[:total].tobytes() + data[end[-1] :], stop[last]
