"""What has to change in a block, gathered first and then put in all at once.

Every new number gets cells of fixed width, whose unused bytes are deleted at the end; texts and added words take the
place of a mark that is repeated as often as they are long.
"""

from dataclasses import dataclass, field

import numpy as np

from calib.apply.gcode.block import I64, U8, Block, Bool
from calib.apply.gcode.numbers import write_decimals

#: Marks in a block for what is to be put in; a file that has such bytes, or 0, is refused as no text.
TEXT, ADDED = 1, 2


@dataclass(slots=True)
class Edits:
    """What has to change in one block: words by number, and whole lines."""

    block: Block
    units: I64 = field(init=False)  # new value of each word, in last places
    chosen: Bool = field(init=False)
    extra: list[tuple[I64, U8, I64]] = field(default_factory=list)  # word, letter, new value
    texts: list[tuple[I64, I64, I64, bytes]] = field(
        default_factory=list
    )  # at, removed, added, text

    def __post_init__(self) -> None:
        self.units = np.zeros(len(self.block.tokens.at), np.int64)
        self.chosen = np.zeros(len(self.block.tokens.at), np.bool_)

    def set(self, word: I64, units: I64) -> None:
        """Give words a new number."""
        self.units[word] = units
        self.chosen[word] = True

    def add(self, word: I64, letter: str, units: I64) -> None:
        """Put another word before each of these."""
        if len(word):
            self.extra.append((word, np.full(len(word), ord(letter), np.uint8), units))

    def replace(self, at: I64, removed: I64, added: I64, text: bytes) -> None:
        """Put texts in place of stretches of the block; calls come in file order."""
        self.texts.append((at, removed, added, text))


def assemble(edits: Edits, places: int) -> bytes:
    """Return the block with its edits made.

    Every changed number is given room for its cells by repeating its first byte, and is overwritten; texts and added
    words first put a mark in the block, which is repeated and then filled in file order.
    """
    block = edits.block
    chosen = np.flatnonzero(edits.chosen)
    if not len(chosen) and not edits.texts:
        return block.data
    source = np.frombuffer(block.data, np.uint8).copy()
    repeats = np.ones(len(source), np.int64)
    at = block.tokens.at[chosen] + 1
    cells = write_decimals(edits.units[chosen], places)
    more = cells.shape[1] - (block.number_end[chosen] - at)
    repeats[at] = 1 + more
    shift = np.zeros(
        len(at) + 1, np.int64
    )  # by how much each number moves back, besides earlier numbers
    fillings = [(mark, rows) for mark, rows in enumerate(_added_words(edits, places), ADDED)]
    for mark, (word, rows) in fillings:
        letter = block.tokens.at[word]
        source[letter] = mark
        repeats[letter] = rows.shape[1]
        shift[np.searchsorted(chosen, word)] += rows.shape[1] - 1
    for begin, removed, added, _ in edits.texts:
        source[begin] = TEXT
        repeats[begin] = added
        for b, r in zip(begin.tolist(), removed.tolist(), strict=True):
            repeats[b + 1 : b + r] = 0
        np.add.at(shift, np.searchsorted(at, begin), added - removed)
    wide = np.repeat(source, repeats)
    if len(at):
        row = np.dtype((np.void, cells.shape[1]))
        room = np.ndarray((len(wide) - row.itemsize + 1,), row, wide.data, strides=(1,))
        shift[:-1] += more
        room[at + np.cumsum(shift[:-1]) - more] = cells.view(row).ravel()
    for mark, (_, rows) in fillings:
        wide[wide == mark] = rows.ravel()
    if edits.texts:
        text = b"".join(t[3] for t in edits.texts)
        wide[wide == TEXT] = np.frombuffer(text, np.uint8)
    return wide.tobytes().translate(None, b"\0")


def _added_words(edits: Edits, places: int) -> list[tuple[I64, U8]]:
    """Return cells that stand in place of a word's letter: the added words and then the letter.

    One entry for words that pull one axis along and one for those that pull two, each in file order.
    """
    if not edits.extra:
        return []
    word, letter, units = (np.concatenate([e[k] for e in edits.extra]) for k in range(3))
    order = np.lexsort((letter, word))
    word, letter, units = word[order], letter[order], units[order]
    cells = np.concatenate([letter[:, None], write_decimals(units, places)], axis=1)
    cells = np.pad(cells, ((0, 0), (0, 1)), constant_values=0x20)
    twice = np.zeros(len(word), np.bool_)
    twice[1:] = word[1:] == word[:-1]
    twice[:-1] |= twice[1:]
    own = np.frombuffer(edits.block.data, np.uint8)[edits.block.tokens.at[word]][:, None]
    once = ~twice
    one = np.concatenate([cells[once], own[once]], axis=1)
    pairs = cells[twice].reshape(-1, 2 * cells.shape[1])
    two = np.concatenate([pairs, own[twice][::2]], axis=1)
    return [(word[once], one), (word[twice][::2], two)]
