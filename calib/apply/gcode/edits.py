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
    """Words to be written one behind the other: what stands before each number, and the number."""

    text: U64  # the letter in the last of its bytes
    size: I64  # how many of its bytes count
    number: Spelled

    def lay_out(self, room: I64 | None = None) -> tuple[U8, I64]:
        """Return the bytes, with `WINDOW` more at the end, and where each piece ends; leave room before each."""
        low, high, count = self.number
        bits = self.size.view(np.uint64) << _3
        rows = np.empty((len(bits), 3), "<u8")
        rows[:, 0] = (self.text & ((_1 << bits) - _1)) | low << bits
        rows[:, 1] = low >> (_64 - bits) | high << bits
        rows[:, 2] = high >> (_64 - bits)
        length = self.size + count.view(np.int64)
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
    size = kept.at - begin
    far = size > LONGEST_GAP
    far[0] = True
    if edits.texts:
        far[np.searchsorted(kept.at, [t[0] for t in edits.texts if t[0] < kept.at[-1]])] = True
    owner = np.flatnonzero(far)  # words with a text of any length before them
    begins, ends = [*begin[owner].tolist(), int(kept.end[-1])], kept.at[owner].tolist()
    *texts, rest = _between(data, begins, [*ends, len(data)], edits.texts)
    pieces, first = kept.pieces(size + 1, owner, places)
    owner = first[owner]
    room = np.zeros(len(pieces.size), np.int64)
    room[owner] = [len(text) for text in texts]
    out, stop = pieces.lay_out(room)
    stops = stop[owner] - 1 - pieces.number.size[owner].view(np.int64)
    target = out.data
    for text, to in zip(texts, stops.tolist(), strict=True):
        target[to - len(text) : to] = text
    return out[: stop[-1]].tobytes() + rest


class _Kept:
    """The words of a block whose lines are not replaced as a whole."""

    def __init__(self, edits: Edits) -> None:
        self.edits, words = edits, edits.block.words
        self.keep = np.arange(len(words.at))
        if edits.texts:
            self.keep = np.flatnonzero(~edits.dropped.take(words.line))
        self.at, self.end, self.after = (
            self._kept(words.at),
            self._kept(words.end),
            self._kept(words.after),
        )
        self.letter, self.units, self.chosen = (
            self._kept(words.letter),
            self._kept(edits.units),
            self._kept(edits.chosen),
        )

    def _kept(self, values: Any) -> Any:
        return values if len(self.keep) == len(values) else values.take(self.keep)

    def pieces(self, size: I64, far: I64, places: int) -> tuple[Pieces, I64]:
        """Return these words and the added ones in file order, and which is the first that stands for each word.

        An added word takes the place of the one it is put before, which then follows after a blank.

        Parameters
        ----------
        size : (n,) int
            Bytes from the word before to each one's number.
        far : (m,) int
            Words of which only the letter is to be written.
        """
        text = np.concatenate([self.after[:1], self.after[:-1]])
        size[far] = 1
        text[far] = self.letter[far]
        units, count = self.units, np.arange(len(self.at))
        slot = first = count
        if self.edits.extra:
            added_to, added, added_size, added_units = self._added(text, size)
            per_word = np.bincount(added_to, minlength=len(count))
            slot = count + np.cumsum(per_word)
            first = slot - per_word
            order = np.empty(len(count) + len(added), np.int64)
            order[slot] = count
            order[added_to + np.arange(len(added))] = np.arange(len(count), len(order))
            text = np.concatenate([text, added]).take(order)
            size = np.concatenate([size, added_size]).take(order)
            units = np.concatenate([units, added_units]).take(order)
        number = write_decimals(units, places)
        same = np.flatnonzero(~self.chosen)
        if len(same):
            to, start = slot[same], self.at[same] + 1
            number.low[to], number.high[to], _ = windows(self.edits.block.text, start)
            number.size[to] = self.end[same] - start
        return Pieces(text, size, number), first

    def _added(self, text: U64, size: I64) -> tuple[I64, U64, I64, I64]:
        """Return for each added word: before which it goes, its text, the size of that, its value.

        The first takes over what stands before the word, whose own text and size are changed.
        """
        word, letter, units = (np.concatenate(part) for part in zip(*self.edits.extra, strict=True))
        order = np.lexsort((letter, word))
        word, letter, units = np.searchsorted(self.keep, word[order]), letter[order], units[order]
        added, added_size = _after_blank(letter), np.full(len(word), 2)
        lead = np.flatnonzero(np.diff(word, prepend=-1))
        on = word[lead]
        bits = (size[on] - 1).view(np.uint64) << _3
        added[lead] = (text[on] & ((_1 << bits) - _1)) | letter[lead].astype(np.uint64) << bits
        added_size[lead] = size[on]
        text[on], size[on] = _after_blank(self.letter[on]), 2
        return word, added, added_size, units


def _after_blank(letter: U8) -> U64:
    return letter.astype(np.uint64) << _8 | np.uint64(ord(" "))


def _between(
    data: bytes, begins: list[int], ends: list[int], texts: list[tuple[int, int, bytes]]
) -> list[bytes]:
    """Return stretches of the block with the texts in place of what they replace; all in file order."""
    if not texts:
        return [data[begin:end] for begin, end in zip(begins, ends, strict=True)]
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
