"""What has to change in a block, gathered first and then put in all at once.

The new block is a row of pieces: what stands between two words, a letter, a number. Each piece is made as three
integers of eight bytes and written where it begins; what is written beyond its end is overwritten by the next one.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from calib.apply.gcode.block import U8, Block
from calib.apply.gcode.numbers import I64, U64, WINDOW, Bool, Spelled, windows, write_decimals

#: More bytes than these between two words are copied apart from the pieces.
LONGEST_GAP = 7

_1, _3, _8, _64 = (np.uint64(n) for n in (1, 3, 8, 64))


@dataclass(slots=True)
class Edits:
    """What has to change in one block: words by number, and stretches of text."""

    block: Block
    units: I64 = field(init=False)  # new value of each word, in last places
    chosen: Bool = field(init=False)  # words that get it
    dropped: Bool = field(init=False)  # lines whose text is replaced as a whole
    extra: list[tuple[I64, U8, I64]] = field(default_factory=list)  # word, letter, new value
    texts: list[tuple[int, int, bytes]] = field(default_factory=list)  # begin, end, text

    def __post_init__(self) -> None:
        self.units = np.zeros(len(self.block.words.at), np.int64)
        self.chosen = np.zeros(len(self.block.words.at), np.bool_)
        self.dropped = np.zeros(len(self.block.kind), np.bool_)

    def set(self, word: I64, units: I64) -> None:
        """Give words a new number."""
        self.units[word] = units
        self.chosen[word] = True

    def add(self, word: I64, letter: str, units: I64) -> None:
        """Put another word before each of these."""
        if len(word):
            self.extra.append((word, np.full(len(word), ord(letter), np.uint8), units))

    def replace(self, line: int, end: int, text: bytes) -> None:
        """Put a text in place of a line as far as `end`; calls come in file order."""
        self.dropped[line] = True
        self.texts.append((int(self.block.line_start[line]), end, text))


@dataclass(slots=True)
class Pieces:
    """Words to be written one behind the other: the bytes before each, its letter, its number."""

    gap: U64
    width: I64  # bytes of the gap that count, at most `LONGEST_GAP`
    letter: U8
    number: Spelled

    def lay_out(self, room: I64 | None = None) -> tuple[U8, I64]:
        """Return the bytes, with `WINDOW` more at the end, and where each piece ends; leave room before each."""
        bits = self.width.view(np.uint64) << _3
        text = self.gap & ((_1 << bits) - _1)
        text |= self.letter.astype(np.uint64) << bits
        bits += _8
        low, high, size = self.number
        rows = np.empty((len(text), 3), "<u8")
        rows[:, 0] = text | low << bits
        rows[:, 1] = low >> (_64 - bits) | high << bits
        rows[:, 2] = high >> (_64 - bits)
        length = self.width + 1 + size.view(np.int64)
        stop = np.cumsum(length if room is None else length + room)
        out = np.empty(int(stop[-1]) + WINDOW, np.uint8)
        row = np.dtype((np.void, WINDOW))
        places = np.ndarray((len(out) - WINDOW + 1,), row, out.data, strides=(1,))
        places[stop - length] = rows.view(row).ravel()
        return out, stop


def assemble(edits: Edits, places: int) -> bytes:
    """Return the block with its edits made."""
    data = edits.block.data
    if not (edits.texts or edits.chosen.any()):
        return data
    kept = _Kept(edits)
    if not len(kept.at):
        return _between(data, [0], [len(data)], edits.texts)[0]
    begin = np.concatenate([[0], kept.end[:-1]])
    width = kept.at - begin
    far = width > LONGEST_GAP  # words with a text of any length before them
    far[0] = True
    far[np.searchsorted(kept.at, [t[0] for t in edits.texts if t[0] < kept.at[-1]])] = True
    owner = np.flatnonzero(far)
    width[owner] = 0
    begins, ends = [*begin[owner].tolist(), int(kept.end[-1])], kept.at[owner].tolist()
    *texts, rest = _between(data, begins, [*ends, len(data)], edits.texts)
    pieces, first = kept.pieces(width, places)
    owner = first[owner]
    room = np.zeros(len(pieces.width), np.int64)
    room[owner] = [len(text) for text in texts]
    out, stop = pieces.lay_out(room)
    stops = stop[owner] - 1 - pieces.number.size[owner].view(np.int64)
    for text, to in zip(texts, stops.tolist(), strict=True):
        out.data[to - len(text) : to] = text
    return out[: stop[-1]].tobytes() + rest


class _Kept:
    """The words of a block whose lines are not replaced as a whole."""

    def __init__(self, edits: Edits) -> None:
        self.edits, words = edits, edits.block.words
        self.keep = np.flatnonzero(~edits.dropped.take(words.line))
        self.at, self.end, self.after, self.letter, self.units, self.chosen = (
            v if len(self.keep) == len(v) else v.take(self.keep)
            for v in (words.at, words.end, words.after, words.letter, edits.units, edits.chosen)
        )

    def pieces(self, width: I64, places: int) -> tuple[Pieces, I64]:
        """Return these words and the added ones in file order, and which is the first that stands for each word.

        An added word takes the place of the one it is put before, which then follows after a blank.
        """
        letter, units = self.letter, self.units
        gap = np.concatenate([self.after[:1], self.after[:-1]])
        slot = first = np.arange(len(self.at))
        if self.edits.extra:
            word, added, value = self._added()
            count = np.bincount(word, minlength=len(self.at))
            slot = first + np.cumsum(count)
            first = slot - count
            of_added = word + np.arange(len(word))
            n = len(self.at) + len(word)
            letter = _merge(n, slot, letter, of_added, added)
            units = _merge(n, slot, units, of_added, value)
            gap = _merge(n, slice(None), np.uint64(ord(" ")), first, gap)
            width = _merge(n, slice(None), np.int64(1), first, width)
        number = write_decimals(units, places)
        same = np.flatnonzero(~self.chosen)
        if len(same):
            to, start = slot[same], self.at[same] + 1
            number.low[to], number.high[to], _ = windows(self.edits.block.text, start)
            number.size[to] = self.end[same] - start
        return Pieces(gap, width, letter, number), first

    def _added(self) -> tuple[I64, U8, I64]:
        """Return the added words in file order: before which of these, letter and value."""
        word, letter, units = (np.concatenate(part) for part in zip(*self.edits.extra, strict=True))
        order = np.lexsort((letter, word))
        return np.searchsorted(self.keep, word[order]), letter[order], units[order]


def _merge(n: int, *parts: Any) -> Any:
    """Return n values, given where some go, those values, where others go, and so on."""
    out = np.empty(n, parts[1].dtype)
    for index, values in zip(parts[::2], parts[1::2], strict=True):
        out[index] = values
    return out


def _between(
    data: bytes, begins: list[int], ends: list[int], texts: list[tuple[int, int, bytes]]
) -> list[bytes]:
    """Return stretches of the block with the texts in place of what they replace; all in file order."""
    found = []
    k = 0
    for begin, end in zip(begins, ends, strict=True):
        parts = []
        while k < len(texts) and texts[k][0] < end:
            at, until, text = texts[k]
            parts += [data[begin:at], text]
            begin, k = until, k + 1
        parts.append(data[begin:end])
        found.append(b"".join(parts) if len(parts) > 1 else parts[0])
    return found
