"""What has to change in a block, gathered first and then put in all at once."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from calib.apply.decimals import I64, Bool, Spelled, put_before, put_in, write_decimals
from calib.apply.gcode.table import Table


class Text(NamedTuple):
    """What is put in the place of a stretch of a block."""

    begin: int
    end: int
    new: bytes


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
        at, (before, behind) = int(self.table.start[line]), self.table.dress(line)
        new = b"".join(before + code + behind + self.newline for code in codes)
        self.texts.append(Text(at, at, new))

    def lead(self, line: int, word: bytes) -> None:
        """Put a word before the first one of a line."""
        at = int(self.table.begin[line])
        self.texts.append(Text(at, at, word + b" "))

    def exchange(self, start: int, stop: int, new: bytes) -> None:
        """Put others in the place of whole lines."""
        begin, end = int(self.table.start[start]), int(self.table.stop[stop - 1]) + 1
        self.texts.append(Text(begin, end, new))

    def assemble(self) -> bytes:
        """Return the block with its edits made."""
        table = self.table
        word = np.flatnonzero(self.chosen)
        texts = sorted(self.texts, key=lambda t: t.begin)
        new = [t.new for t in texts]
        none = np.zeros(len(new), np.uint64)
        sizes = Spelled(none, none, np.array([len(t) for t in new], np.int64))
        ends = (np.array([e for t in texts for e in (t.begin, t.end)], np.int64)).reshape(-1, 2)
        parts = [(ends[:, 0], ends[:, 1], sizes), *self._added()]
        parts.append((table.at[word] + 1, table.end[word], write_decimals(self.units[word])))
        begin, end, number = parts[-1]
        if len(parts) > 2 or new:
            begin, end = (np.concatenate([p[k] for p in parts]) for k in (0, 1))
            order = np.argsort(begin, kind="stable")  # of the same place texts come first
            begin, end = begin[order], end[order]
            number = Spelled(*(np.concatenate(column)[order] for column in zip(*(p[2] for p in parts), strict=True)))  # fmt: skip
        if not len(begin):
            return table.data
        out, stop = put_in(table.data, table.text, begin, end, number)
        if not new:
            return out
        result = bytearray(out)
        for text, to in zip(new, stop[order < len(new)].tolist(), strict=True):
            result[to - len(text) : to] = text
        return bytes(result)

    def _added(self) -> Iterator[tuple[I64, I64, Spelled]]:
        """Yield the words that are put before others, behind the same blank."""
        table = self.table
        for word, letter, units in self.added:
            place = table.at[word]
            apart = np.frombuffer(table.data, np.uint8).take(place - 1) == ord(" ")
            for some, lead, size in ((apart, ord(" ") | letter << 8, 2), (~apart, letter, 1)):
                at = place[some] - (size - 1)
                yield at, at, put_before(write_decimals(units[some]), lead, size)
