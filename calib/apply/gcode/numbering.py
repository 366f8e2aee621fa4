"""Line numbers and checksums: held against the lines they are on, and made anew for what comes out.

A checksum is the exclusive-or of the bytes before its star; M110 begins the numbers anew (common practice of printer
firmware, no source). Lines that are put in carry `table.NEW`, a number no file has, until a block is done.
"""

import re

import numpy as np

from calib.apply.decimals import (
    F64,
    I64,
    ONE,
    U8,
    WINDOW,
    Bool,
    put_in,
    read_decimals,
    write_decimals,
)
from calib.apply.gcode.state import State
from calib.apply.gcode.table import Table, visible
from calib.errors import FileError

_RESTART = re.compile(rb"N[0-9.]+[ \t]*M[ \t]*110(?![0-9])")

#: Numbers that can be written.
_MOST = 10**7


def wrong_checksum(table: Table) -> tuple[int, str] | None:
    """Return the first line whose checksum is not that of the line, and what is wrong."""
    line = np.flatnonzero(table.starred)
    if not len(line):
        return None
    star = table.tail[line]
    found = _sums(table.data, table.start[line], star)
    padded = table.data + b"\n" * WINDOW
    given, end, good = read_decimals(padded, star + 1)
    good &= np.isin(np.frombuffer(padded, np.uint8).take(end), list(b" \t\r\n;("))
    wrong = np.flatnonzero(~good | (found != given))
    if not len(wrong):
        return None
    k = int(wrong[0])
    text = table.data[star[k] + 1 : table.stop[line[k]]].decode("utf-8", "replace").strip()
    return int(line[k]), f"checksum *{text} does not match the line (it adds up to {found[k]})"


def renew(block: bytes, state: State, *, restarts: bool) -> bytes:
    """Return what comes out for a block with its lines counted and their checksums right.

    Parameters
    ----------
    restarts : bool
        Whether M110 stands in it.

    Raises
    ------
    FileError
        There are too many lines.
    """
    text = visible(block)
    start, lead, star = _numbered(text)
    if not len(lead):  # the letter stands behind something else
        return block
    own, end, _ = read_decimals(text, lead + 1)
    again = np.zeros(len(lead), np.bool_)
    if restarts:
        again[np.searchsorted(lead, [m.start() for m in _RESTART.finditer(text)])] = True
    number = _counted(own, again, state)
    if state.number >= _MOST:
        raise FileError(f"more than {_MOST - 1} numbered lines are too many")
    other = np.flatnonzero(number != own)
    if len(other):
        units = write_decimals(number[other] * ONE)
        block, _ = put_in(block, text, lead[other] + 1, end[other], units)
        text = visible(block)
        start, _, star = _numbered(text)
    start, star = start[star >= 0], star[star >= 0]
    if not len(star):
        return block
    _, end, _ = read_decimals(block + b"\n" * WINDOW, star + 1)
    sums = write_decimals(_sums(block, start, star).astype(np.int64) * ONE)
    return put_in(block, text, star + 1, end, sums)[0]


def _counted(own: F64, again: Bool, state: State) -> I64:
    """Return the number each numbered line gets: its own and how many were put in before it, or one more than the last."""
    new = own % 1 > 0
    shift = state.shift + np.cumsum(new)
    for k in np.flatnonzero(again).tolist():
        shift[k:] -= shift[k]
    known = np.concatenate([[state.number], own.astype(np.int64) + shift])
    at = np.maximum.accumulate(np.where(np.concatenate([[False], new]), 0, np.arange(len(known))))
    number: I64 = (known[at] + np.arange(len(known)) - at)[1:]
    state.number, state.shift = int(number[-1]), int(shift[-1])
    return number


def _numbered(text: bytes | bytearray) -> tuple[I64, I64, I64]:
    """Return where each numbered line of a visible text begins, its N, and its star (-1 for none)."""
    source = np.frombuffer(text, np.uint8)
    ends = np.flatnonzero(source == ord("\n"))
    start = np.concatenate([[0], ends[:-1] + 1])
    lead = start.copy()
    while (blank := (source.take(lead) == ord(" ")) | (source.take(lead) == ord("\t"))).any():
        lead += blank
    stars = np.flatnonzero(source == ord("*"))
    star = np.full(len(ends), -1)
    star[np.searchsorted(ends, stars)] = stars
    numbered = source.take(lead) == ord("N")
    return start[numbered], lead[numbered], star[numbered]


def _sums(block: bytes, start: I64, stop: I64) -> U8:
    """Return the checksum of each stretch of a text; they may not overlap."""
    edges = np.ravel(np.column_stack([start, stop]))
    sums: U8 = np.bitwise_xor.reduceat(np.frombuffer(block, np.uint8), edges)[::2]
    return sums
