"""The quickest way, for a schedule alone: find the few lines where a layer begins, and pass over the rest.

One pass gives every byte a flag, and the flags of each line are joined; so it is known which lines are plain moves and
which letters they have, without reading a number. Only Z words, and the filament fed by the first extruding move after
each, are read.
"""

import re
from bisect import bisect_left, bisect_right
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from calib.apply.gcode.plan import Plan
from calib.apply.gcode.state import State

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]

#: Flags of bytes; a line has those of all its bytes but the first, up to a semicolon.
_XY, _E, _Z, _OTHER, _COMMENT = 1, 2, 4, 8, 16

_NUMBER = re.compile(rb"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")


def _flags() -> bytes:
    table = bytearray([_OTHER] * 256)
    for c in b"0123456789.- F\r\n":
        table[c] = 0
    table[ord("X")] = table[ord("Y")] = _XY
    table[ord("E")], table[ord("Z")], table[ord(";")] = _E, _Z, _COMMENT
    return bytes(table)


_FLAGS = _flags()


class Skim:
    """One block, skimmed; line numbers count from its beginning.

    Parameters
    ----------
    data : bytes
        Whole lines.
    stops : set of int
        M-codes that must not be passed over.
    """

    def __init__(self, data: bytes, stops: set[int]) -> None:
        self.data = data
        source = np.frombuffer(data + b"\0\0\0\0", np.uint8)
        flags = np.frombuffer(data.translate(_FLAGS), np.uint8)
        newline = np.flatnonzero(source == 0x0A)
        self.starts = np.zeros(len(newline), np.int64)
        self.starts[1:] = newline[:-1] + 1
        self.ends = newline
        has = _join(flags, self.starts)
        first, second, third, fourth = (source[self.starts + k] for k in range(4))
        is_g = first == ord("G")
        move = is_g & ((second == ord("0")) | (second == ord("1"))) & ~_in_number(third)
        move &= has < _OTHER
        names_e = is_g & (second == ord("9")) & (third == ord("2")) & ~_in_number(fourth)
        names_e &= has == _E
        inert = (first == ord(";")) | (first == 0x0A) | ((first == 0x0D) & (second == 0x0A))
        other = ~(move | names_e | inert)
        other[self._harmless(np.flatnonzero(other & (first == ord("M"))), stops)] = False
        self.other: list[int] = np.flatnonzero(other).tolist()
        self.with_e: list[int] = np.flatnonzero((move & ((has & _E) > 0)) | names_e).tolist()
        self.with_z: list[int] = np.flatnonzero(move & ((has & _Z) > 0)).tolist()
        feeding = move & ((has & (_XY | _E)) == (_XY | _E))
        self.feeding: list[int] = np.flatnonzero(feeding).tolist()

    def _harmless(self, lines: I64, stops: set[int]) -> list[int]:
        """Return those of the lines with an M-code that do not matter to a schedule."""
        found = []
        for line in lines.tolist():
            code = _MACHINE_CODE.match(self.data, self.starts[line], self.ends[line])
            if code and int(code[1]) not in stops:
                found.append(line)
        return found

    def raw(self, line: int) -> bytes:
        """Return a line with its ending."""
        return self.data[self.starts[line] : self.ends[line] + 1]

    def word(self, letter: bytes, line: int) -> float:
        """Return a number of a line that is known to have it."""
        at = self.data.find(letter, self.starts[line], self.ends[line])
        found = _NUMBER.match(self.data, at + 1)
        return float(found[0]) if found else 0.0

    def last(self, letter: bytes, start: int, stop: int) -> float | None:
        """Return the last number behind a letter on lines start..stop, or None; comments do not count."""
        low, at = int(self.starts[start]), int(self.ends[stop - 1])
        while (at := self.data.rfind(letter, low, at)) >= 0:
            line = self.data.rfind(b"\n", low, at) + 1 or low
            found = _NUMBER.match(self.data, at + 1)
            if found and self.data[line : line + 1] == b"G" and self.data.find(b";", line, at) < 0:
                return float(found[0])
        return None


_MACHINE_CODE = re.compile(rb"M([0-9]{1,4})(?![0-9.])(?=[^Gg]*$)")


def _in_number(c: U8) -> Bool:
    inside: Bool = ((c - np.uint8(0x30)) < 10) | (c == 0x2E)
    return inside


def _join(flags: U8, starts: I64) -> U8:
    """Return the flags of every line, its first byte and its comment left out."""
    flags = flags.copy()
    flags[starts] = 0
    comment = np.flatnonzero(flags == _COMMENT)
    if not len(comment):
        return np.bitwise_or.reduceat(flags, starts)
    cuts = np.concatenate([starts, comment])
    order = np.argsort(cuts, kind="stable")
    return np.bitwise_or.reduceat(flags, cuts[order])[order < len(starts)]


def skim_run(skim: Skim, plan: Plan, state: State, start: int, stop: int) -> int:
    """Pass over lines start..stop, none of them `other`; return the first before which a setting changes, or `stop`.

    The state is that before the line returned.
    """
    line = _next_change(skim, plan, state, start, stop)
    if line > start:
        for i, letter in enumerate((b"X", b"Y", b"Z")):
            value = skim.last(letter, start, line)
            if value is not None:
                state.pos[i], state.known[i] = value, True
        value = skim.last(b"E", start, line)
        if value is not None:
            state.e_in = value
        if bisect_left(skim.feeding, start) < bisect_left(skim.feeding, line):
            state.motion = state.motion_out = 1
    return line


def _next_change(skim: Skim, plan: Plan, state: State, start: int, stop: int) -> int:
    """Go from one change of Z to the next, looking at the first extruding move behind each."""
    z = state.pos[2]
    at_z = bisect_left(skim.with_z, start)
    at = bisect_left(skim.feeding, start)
    while at < len(skim.feeding) and (line := skim.feeding[at]) < stop:
        now = bisect_right(skim.with_z, line)
        if now > at_z:
            z, at_z = skim.word(b"Z", skim.with_z[now - 1]), now
        if not _feeds(skim, state, line, start):
            at += 1
            continue
        if _changes(plan, state, (z + state.off_in[2]) * state.unit_mm):
            return line
        if at_z >= len(skim.with_z):
            break
        at = bisect_left(skim.feeding, skim.with_z[at_z], at + 1)
    return stop


def _feeds(skim: Skim, state: State, line: int, start: int) -> bool:
    value = skim.word(b"E", line)
    if state.e_relative:
        return value > 0
    k = bisect_left(skim.with_e, line)
    if k == 0 or skim.with_e[k - 1] < start:
        return value > state.e_in
    return value > skim.word(b"E", skim.with_e[k - 1])


def _changes(plan: Plan, state: State, z_mm: float) -> bool:
    """Tell whether an extruding move at this height needs a change; if not, remember its layer."""
    height = state.layer_h_mm
    if z_mm > state.layer_z_mm:
        height = z_mm - state.layer_z_mm
    if plan.interval(z_mm - height / 2) != state.interval or not state.settled:
        return True
    state.layer_z_mm, state.layer_h_mm = z_mm, height
    return False


def skim_block(
    data: bytes, plan: Plan, state: State, stops: set[int], careful: Callable[[bytes], bytes]
) -> bytes:
    """Put a schedule into one block.

    Parameters
    ----------
    careful : function
        Rewrites one line with care, and carries the state on.
    """
    skim = Skim(data, stops)
    first, n = state.line, len(skim.starts)
    parts: list[bytes] = []
    done = 0  # bytes of `data` in `parts`
    line, k = 0, 0
    while line < n:
        while k < len(skim.other) and skim.other[k] < line:
            k += 1
        stop = skim.other[k] if k < len(skim.other) else n
        if state.absolute and state.known[2] and not state.numbered and stop > line:
            line = skim_run(skim, plan, state, line, stop)
        if line == n:
            break
        state.line = first + line
        raw = skim.raw(line)
        new = careful(raw)
        if new != raw:
            at = int(skim.starts[line])
            parts += [data[done:at], new]
            done = at + len(raw)
        line += 1
    state.line = first + n
    return data if not parts else b"".join([*parts, data[done:]])
