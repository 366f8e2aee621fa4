"""The quickest way, for a schedule alone: find the few lines where a layer begins, and pass over the rest.

One pass gives every byte a flag, and the flags of each line are joined; so it is known which lines are plain moves and
which letters they have. X and Y are read for their extremes only, Z to tell layers apart, and E where the filament fed
by the first moves after each Z has to be known.
"""

import re
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from calib.apply.gcode.numbers import WINDOW, read_decimals
from calib.apply.gcode.plan import Plan
from calib.apply.gcode.state import State
from calib.apply.gcode.walls import Walls

U8 = npt.NDArray[np.uint8]
I64 = npt.NDArray[np.int64]
F64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

#: Flags of bytes; a line has those of all its bytes but the first, up to a semicolon.
_X, _Y, _E, _Z, _OTHER = 1, 2, 4, 8, 16

_NUMBER = re.compile(rb"-?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?![0-9.-])")
_MACHINE_CODE = re.compile(rb"M([0-9]{1,4})(?![0-9.])(?=[^Gg]*$)")


_FLAG_OF = {"X": _X, "Y": _Y, "Z": _Z, "E": _E}


def _flags() -> bytes:
    table = bytearray([_OTHER] * 256)
    for c in b"0123456789.- F\r\n":
        table[c] = 0
    for letter, flag in _FLAG_OF.items():
        table[ord(letter)] = flag
    return bytes(table)


_FLAGS = _flags()


class UnusualNumberError(Exception):
    """A word needs care; never leaves this module."""


class Skim:
    """One block, skimmed; line numbers count from its beginning.

    Parameters
    ----------
    data : bytes
        Whole lines.
    stops : set of int
        M-codes that must not be passed over.
    largest : float
        A number of this size has no place in G-code.
    fewest : int
        The block is not skimmed if more than one line in so many needs care.
    read : str
        The axes whose numbers are wanted, Z among them.

    Attributes
    ----------
    good : bool
        Whether the block is plain enough; if not, nothing else is to be used.
    other : list of int
        Lines that need care.
    at : dict of letter to (n,) int
        Where the words of these axes and E stand in plain moves, and those of G92 E.
    value : dict of letter to (n,) float
        Numbers of these axes.
    """

    def __init__(
        self, data: bytes, stops: set[int], largest: float, fewest: int, read: str
    ) -> None:
        self.data, self.text, self.largest = data, data + b"\0" * WINDOW, largest
        source = np.frombuffer(self.text, np.uint8)
        newline = np.flatnonzero(source == 0x0A)
        self.starts = np.zeros(len(newline), np.int64)
        self.starts[1:] = newline[:-1] + 1
        self.ends = newline
        flags = _flags_of(data, self.starts)
        has = np.bitwise_or.reduceat(flags, self.starts)
        first, second, third, fourth = (source[self.starts + k] for k in range(4))
        is_g = first == ord("G")
        self.move = is_g & ((second == ord("0")) | (second == ord("1"))) & ~_in_number(third)
        self.move &= has < _OTHER
        names_e = is_g & (second == ord("9")) & (third == ord("2")) & ~_in_number(fourth)
        names_e &= has == _E
        inert = (first == ord(";")) | (first == 0x0A) | ((first == 0x0D) & (second == 0x0A))
        known = self.move | names_e
        rest = np.flatnonzero(~(known | inert))
        self.other = self._careful_lines(rest, first, stops)
        self.good = len(self.other) <= len(newline) // fewest
        if self.good:
            for line in rest.tolist():
                flags[self.starts[line] : newline[line]] = 0
            self._words(flags, np.where(known, has, 0), read)

    def _careful_lines(self, rest: I64, first: U8, stops: set[int]) -> list[int]:
        """Return the lines but those with an M-code that does not matter to a schedule."""
        found = []
        is_machine_code = (first[rest] == ord("M")).tolist()
        for line, may_pass in zip(rest.tolist(), is_machine_code, strict=True):
            if may_pass:
                code = _MACHINE_CODE.match(self.data, self.starts[line], self.ends[line])
                if code and int(code[1]) not in stops:
                    continue
            found.append(line)
        return found

    def _words(self, flags: U8, has: U8, read: str) -> None:
        """Find the words; a line with a letter twice, or a number spelled unusually, is not plain."""
        self.at = {}
        self.flags = flags.tobytes()
        for letter in (*read, "E"):
            at = np.flatnonzero(flags == _FLAG_OF[letter])
            on = np.flatnonzero((has & _FLAG_OF[letter]) > 0)
            self.good = self.good and len(at) == len(on)
            self.at[letter] = at
            if letter == "Z":
                self.with_z = on
            elif letter == "E":
                self.with_e = on
        self.moving = np.flatnonzero(self.move & (has > 0))
        self.feeding = np.flatnonzero(self.move & ((has & _E) > 0) & ((has & (_X | _Y)) > 0))
        try:
            self.value = {letter: self.numbers(self.at[letter]) for letter in read}
        except UnusualNumberError:
            self.good = False

    def numbers(self, at: I64) -> F64:
        """Return the numbers behind these letters.

        Raises
        ------
        UnusualNumberError
            One has no plain number behind it.
        """
        read = read_decimals(self.text, at + 1, at + 1)
        value, more = read.value, read.wrong
        value[more] = [self._number(letter) for letter in at[more].tolist()]
        if len(at) and not np.abs(value).max() < self.largest:
            raise UnusualNumberError
        return value

    def _number(self, letter: int) -> float:
        found = _NUMBER.match(self.data, letter + 1)
        value = float(found[0]) if found else np.inf
        if not abs(value) < self.largest:
            raise UnusualNumberError
        return value

    def words_between(self, letter: str, start: int, stop: int) -> tuple[int, int]:
        """Return which of a letter's words are on lines start..stop."""
        low, high = np.searchsorted(self.at[letter], (self.starts[start], self.ends[stop - 1]))
        return int(low), int(high)

    def last(self, letter: str, start: int, stop: int) -> float | None:
        """Return the last number behind a letter on lines start..stop, or None."""
        flag = bytes([_FLAG_OF[letter]])
        at = self.flags.rfind(flag, self.starts[start], self.ends[stop - 1])
        return None if at < 0 else self._number(at)

    def raw(self, line: int) -> bytes:
        """Return a line with its ending."""
        return self.data[self.starts[line] : self.ends[line] + 1]


def _in_number(c: U8) -> Bool:
    inside: Bool = ((c - np.uint8(0x30)) < 10) | (c == 0x2E)
    return inside


def _flags_of(data: bytes, starts: I64) -> U8:
    """Return a flag for every byte; the first of a line and its comment have none."""
    flags = np.frombuffer(data.translate(_FLAGS), np.uint8).copy()
    flags[starts] = 0
    begin = data.find(b";")
    while begin >= 0:
        end = data.find(b"\n", begin)
        flags[begin:end] = 0
        begin = data.find(b";", end)
    return flags


class _Run:
    """Lines start..stop of a block, none of which needs care."""

    def __init__(self, skim: Skim, state: State, start: int, stop: int) -> None:
        self.skim, self.state, self.start, self.stop = skim, state, start, stop

    def go(self, plan: Plan, walls: Walls) -> int:
        """Return the first line before which a setting changes, or `stop`; the state is then that before it.

        Raises
        ------
        UnusualNumberError
            An E word needs care; the state is as it was.
        """
        s, stop = self.state, self.stop
        lines, z = self._layers()
        layer = (s.layer_z_mm, s.layer_h_mm)
        if len(lines):
            z_mm = (z + s.off_in[2]) * s.unit_mm
            k, heights_mm = plan.first_change(z_mm, s)
            if k > 0:
                layer = (float(z_mm[k - 1]), float(heights_mm[k - 1]))
            if k < len(lines):
                stop = int(lines[k])
        if stop > self.start:
            last = [self.skim.last(c, self.start, stop) for c in "XYZE"]
            if walls.limits.has_volume:
                self._check_walls(walls, stop)
            self._keep_state(stop, last)
            s.layer_z_mm, s.layer_h_mm = layer
        return stop

    def _layers(self) -> tuple[I64, F64]:
        """Return the first extruding move at each height, and the height."""
        skim = self.skim
        low, high = np.searchsorted(skim.with_z, (self.start, self.stop))
        z = np.concatenate([[self.state.pos[2]], skim.value["Z"][low:high]])
        begins = np.concatenate([[self.start], skim.with_z[low:high], [self.stop]])
        at = np.searchsorted(skim.feeding, begins)
        found, ends = at[:-1].copy(), at[1:]
        wanted = np.flatnonzero(found < ends)
        while len(wanted):
            fed = self._feeds(skim.feeding[found[wanted]])
            wanted = wanted[~fed]
            found[wanted] += 1
            wanted = wanted[found[wanted] < ends[wanted]]
        has = found < ends
        lines: I64 = skim.feeding[found[has]]
        return lines, z[has]

    def _feeds(self, lines: I64) -> Bool:
        """Tell which of these moves with E push filament out."""
        skim, s = self.skim, self.state
        k = np.searchsorted(skim.with_e, lines)
        if s.e_relative:
            pushed: Bool = skim.numbers(skim.at["E"][k]) > 0
            return pushed
        before = np.maximum(k - 1, 0)
        both = skim.numbers(skim.at["E"][np.concatenate([k, before])])
        now, was = both[: len(k)], both[len(k) :]
        was[(k == 0) | (skim.with_e[before] < self.start)] = s.e_in
        pushed = now > was
        return pushed

    def _check_walls(self, walls: Walls, stop: int) -> None:
        """Refuse what is outside the build volume; note the extremes."""
        skim, s = self.skim, self.state
        moves = skim.moving[slice(*np.searchsorted(skim.moving, (self.start, stop)))]
        if not len(moves):
            return
        for i, letter in enumerate("XYZ"):
            low, high = skim.words_between(letter, self.start, stop)
            at, value = skim.at[letter][low:high], skim.value[letter][low:high]
            # the first move may leave this axis where it stands already
            if s.known[i] and not (len(at) and at[0] < skim.ends[moves[0]]):
                at = np.concatenate([skim.starts[moves[:1]], at])
                value = np.concatenate([[s.pos[i]], value])
            if len(at):
                for k in (value.argmin(), value.argmax()):
                    place_mm = (float(value[k]) + s.off_in[i]) * s.unit_mm
                    line = s.line + int(np.searchsorted(skim.ends, at[k])) - self.start + 1
                    walls.check(i, place_mm, f"{walls.name} line {line}")
                    s.printed.low_mm[i] = min(s.printed.low_mm[i], place_mm)
                    s.printed.high_mm[i] = max(s.printed.high_mm[i], place_mm)

    def _keep_state(self, stop: int, last: list[float | None]) -> None:
        """Leave the state as it stands before line `stop`, given the last X, Y, Z and E."""
        s = self.state
        for i, value in enumerate(last[:3]):
            if value is not None:
                s.pos[i], s.known[i] = value, True
        s.e_in = s.e_in if last[3] is None else last[3]
        if self.skim.move[self.start : stop].any():
            s.motion = s.motion_out = 1


def skim_block(
    data: bytes,
    plan: Plan,
    state: State,
    stops: set[int],
    walls: Walls,
    careful: Callable[[bytes], bytes],
    fewest: int,
) -> bytes | None:
    """Put a schedule into one block; None, with nothing done, if the block is not plain enough.

    Parameters
    ----------
    careful : function
        Rewrites one line with care, and carries the state on.
    fewest : int
        Fewer lines at a stretch are not skimmed.
    """
    skim = Skim(data, stops, state.largest, fewest, "XYZ" if walls.limits.has_volume else "Z")
    if not skim.good:
        return None
    first, n = state.line, len(skim.starts)
    parts: list[bytes] = []
    done = 0  # bytes of `data` in `parts`
    line = 0
    for stop in (*skim.other, n):
        may_skim = True
        while line < min(stop + 1, n):
            state.line = first + line
            ready = state.absolute and state.known[2] and not state.numbered
            if may_skim and ready and stop - line >= fewest:
                try:
                    line = _Run(skim, state, line, stop).go(plan, walls)
                except UnusualNumberError:
                    may_skim = False
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
