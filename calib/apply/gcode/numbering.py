"""Line numbers and checksums: held against the lines they are on, and made anew for what comes out.

A checksum is the exclusive-or of the bytes before its star (common practice of printer firmware, no source).
"""

import numpy as np

from calib.apply.gcode.codes import M
from calib.apply.gcode.edits import Edits, Text, put_in
from calib.apply.gcode.numbers import I64, ONE, U8, WINDOW, write_decimals
from calib.apply.gcode.state import State
from calib.apply.gcode.table import Table


def stars(table: Table) -> I64:
    """Return the words that are a checksum."""
    word = np.flatnonzero(table.letter == ord("*"))
    return word[table.numbered[table.line[word]]]


def wrong_checksum(table: Table) -> tuple[int, str] | None:
    """Return the first line whose checksum is not that of the line, and what is wrong."""
    word = stars(table)
    if not len(word):
        return None
    line = table.line[word]
    found = _between(np.frombuffer(table.data, np.uint8), table.start[line], table.at[word])
    wrong = np.flatnonzero(found != table.value[word])
    if not len(wrong):
        return None
    k = int(wrong[0])
    given, sums = table.value[word[k]], found[k]
    return int(line[k]), f"checksum *{given:g} does not match the line (it adds up to {sums})"


def _between(source: U8, start: I64, stop: I64) -> U8:
    """Return the checksum of each stretch of a text; they may not overlap."""
    edges = np.ravel(np.column_stack([start, stop]))
    sums: U8 = np.bitwise_xor.reduceat(source, edges[edges < len(source)])[::2]
    return sums


def renumber(table: Table, edits: Edits, state: State) -> None:
    """Give every numbered line the number it has after what was inserted before it; keep how many those are."""
    own = np.flatnonzero(table.numbered)
    before, more = np.zeros(len(table.kind), np.int64), np.zeros(len(table.kind), np.int64)
    for text in edits.texts:
        if text.line >= 0 and table.numbered[text.line]:
            before[text.line] += len(text.codes) if text.before else 0
            more[text.line] += 0 if text.before else len(text.codes) - 1
    count = before + more
    repeated = np.flatnonzero(np.diff(table.origin, prepend=-1) == 0)
    count[repeated[table.numbered[repeated]]] += 1  # one line of the source became several
    shift = state.shift + np.cumsum(count)
    again = np.flatnonzero(
        (table.code == M + 1100) & table.numbered
    )  # M110 begins the numbers anew
    for line in again.tolist():
        shift[line + 1 :] -= shift[line]
    number = table.value[table.first[own]].astype(np.int64)
    if count.any() or state.shift:
        edits.set(table.first[own], (number + (shift - more)[own]) * ONE)
    first = dict(zip(own.tolist(), (number + (shift - count)[own]).tolist(), strict=True))
    checked = set(table.line[stars(table)].tolist())
    for text in edits.texts:
        if text.line in first:
            ahead = 0 if text.before else int(before[text.line])
            _number(text, first[text.line] + ahead, text.line in checked)
    state.shift = int(shift[-1]) if not len(again) or again[-1] != len(shift) - 1 else 0


def _number(text: Text, number: int, checked: bool) -> None:
    """Put line numbers and stars on lines; in the place of another one, the first and last have theirs already."""
    last = len(text.codes) - 1
    text.codes = [
        (b"" if k == 0 and not text.before else b"N%d " % (number + k))
        + code
        + (b"*0" if checked and (text.before or k < last) else b"")
        for k, code in enumerate(text.codes)
    ]


def with_checksums(block: bytes) -> bytes:
    """Return a block with the checksums of its numbered lines put right."""
    text = block + b"\n" * WINDOW
    source = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(source == ord("\n"))
    start = np.concatenate([[0], ends[:-1] + 1])
    star = np.flatnonzero(source == ord("*"))
    line = np.searchsorted(ends, star)
    first = np.flatnonzero(np.diff(line, prepend=-1))
    star, line = star[first], line[first]
    numbered = (source[start[line]] | np.uint8(0x20)) == ord("n")
    if b";" in block:
        mark = np.flatnonzero(source == ord(";"))
        comment = np.full(len(ends), len(source))
        comment[np.searchsorted(ends, mark[::-1])] = mark[::-1]
        numbered &= star < comment[line]
    star, line = star[numbered], line[numbered]
    if not len(star):
        return block
    sums = _between(source, start[line], star)
    end = star + 1
    for _ in range(3):  # at most three digits
        digit = source[np.minimum(end, len(source) - 1)] - np.uint8(ord("0")) < 10
        end = end + digit
    return put_in(block, text, star + 1, end, write_decimals(sums.astype(np.int64) * ONE))[0]
