"""The quickest way, for a schedule alone: find the few lines where a layer begins, and pass over the rest.

That every number is spelled as it should be is seen from its bytes and the tokens around it, without reading it. Read
are only Z, to tell layers apart, E where the first moves after each Z feed, and X and Y that may be extremes.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from calib.apply.gcode.block import (
    INERT,
    PAD,
    POINT,
    SEMICOLON,
    SET_E,
    STRAIGHT,
    Tokens,
    tokenize,
)
from calib.apply.gcode.machine_codes import leading_code
from calib.apply.gcode.numbers import F64, I64, Bool, read_decimals, read_wholes
from calib.apply.gcode.plan import Plan
from calib.apply.gcode.state import State
from calib.apply.gcode.walls import Walls
from calib.errors import FileError

#: The next token after a letter is no farther away if up to six digits stand before the point.
_FARTHEST = 7

#: So few numbers are read one by one.
_FEWEST_NUMBERS = 100


class Skim:
    """One block, skimmed; line numbers count from its beginning.

    Attributes
    ----------
    other : list of int
        Lines that need care.
    words, on : dict of letter to (n,) int
        The tokens that are words with this letter, and their lines.
    feeding : (n,) int
        Moves with E and one of X and Y.
    """

    def __init__(self, data: bytes, stops: set[int]) -> None:
        self.data, self.text, self.stops = data, data + PAD, stops
        t = self.tokens = tokenize(data, self.text, points=True)
        self.words = {c: np.flatnonzero(t.kind == ord(c)) for c in "XYZEF"}
        self.on = {c: t.line.take(words) for c, words in self.words.items()}
        passed = (t.kinds == STRAIGHT) | (t.kinds == SET_E) | (t.kinds == INERT)
        damaged = np.searchsorted(t.end, _misspelled(t))
        passed[damaged] = t.kinds[damaged] == INERT
        passed[t.line.take(np.flatnonzero((t.kind == ord("I")) | (t.kind == ord("J"))))] = False
        for on in self.on.values():
            twice = on[1:] == on[:-1]
            if twice.any():
                passed[on[1:][twice]] = False
        sideways = self._lines_with("XY")
        self.feeding = self.on["E"].compress(sideways.take(self.on["E"]))
        set_e = np.flatnonzero(t.kinds == SET_E)
        if len(set_e):
            passed[set_e] &= self._lines_with("E")[set_e] & ~self._lines_with("XYZ")[set_e]
        self.other = [k for k in np.flatnonzero(~passed).tolist() if not self._may_pass(k)]

    def _lines_with(self, letters: str) -> Bool:
        flags = np.zeros(len(self.tokens.kinds), np.bool_)
        for c in letters:
            flags[self.on[c]] = True
        return flags

    def _may_pass(self, line: int) -> bool:
        """Tell whether a line has an M-code that does not matter to a schedule."""
        t = self.tokens
        code = leading_code(self.data, int(t.start[line]), int(t.end[line]))
        return code >= 0 and code not in self.stops and not t.stray

    def numbers(self, words: I64) -> F64:
        """Return the numbers of these words, which are known to be spelled well."""
        at, kind = self.tokens.at, self.tokens.kind
        start, following = at.take(words) + 1, words + 1
        following += kind.take(following) == POINT
        stop = at.take(following)
        if len(words) < _FEWEST_NUMBERS:
            return self._one_by_one(start, stop)
        read = read_decimals(self.text, start, stop)
        read.value[read.wrong] = self._one_by_one(start[read.wrong], stop[read.wrong])
        return read.value

    def _one_by_one(self, start: I64, stop: I64) -> F64:
        spans = zip(start.tolist(), stop.tolist(), strict=True)
        return np.array([float(self.data[i:k]) for i, k in spans], np.float64)

    def extremes(self, letter: str, low: int, high: int) -> list[float]:
        """Return the least and the greatest number of a letter's words low..high."""
        t, words = self.tokens, self.words[letter][low:high]
        start, following = t.at.take(words) + 1, words + 1
        whole = read_wholes(self.text, start, t.at.take(following) - start)
        pointless = np.flatnonzero(t.kind.take(following) != POINT)
        whole[pointless] = self.numbers(words[pointless]).astype(np.int64)
        # a number is less than 1 away from its whole part
        near = np.flatnonzero((whole <= whole.min() + 1) | (whole >= whole.max() - 1))
        value = self.numbers(words[near])
        return [float(value.min()), float(value.max())]

    def between(self, letter: str, start: int, stop: int) -> tuple[int, int]:
        """Return which of a letter's words are on lines start..stop."""
        low, high = np.searchsorted(self.on[letter], (start, stop))
        return int(low), int(high)

    def raw(self, line: int) -> bytes:
        """Return a line with its ending."""
        return self.data[self.tokens.start[line] : self.tokens.end[line] + 1]


def _misspelled(t: Tokens) -> I64:
    """Return offsets on lines that have something else than letters with numbers, and blanks between."""
    s = t.source
    number = (s - np.uint8(ord("-"))) < 13  # minus, point, slash and digits
    letter = s > ord("9")
    begins = number[1:] > number[:-1]
    found = [np.flatnonzero(begins != letter[:-1]) + 1]  # behind each letter, and nowhere else
    odd = (s - np.uint8(ord("!"))) < 12  # all marks below the minus
    odd |= s == ord("/")
    if odd.any():
        found.append(np.flatnonzero(odd))
    control = s < ord(" ")
    if np.count_nonzero(control) > len(t.end) + len(PAD):  # may all be carriage returns
        found.append(np.flatnonzero(control & (s != ord("\n")) & (s != ord("\r"))))
    minus = np.flatnonzero(s == ord("-"))
    found.append(minus[~(letter[minus - 1] & number[minus + 1])])
    point = t.kind == POINT
    at = t.at[: len(point)]
    found.append(at[1:][point[1:] & point[:-1]])
    away = np.diff(t.at[: len(point) + 1])
    found.append(at[(away > _FARTHEST) & (t.kind > SEMICOLON)])
    early = at[1:][point[1:] & (away[:-1] <= 2)]  # a digit or none before the point
    found.append(early[~(_is_digit(s[early - 1]) | _is_digit(s[early + 1]))])
    return np.concatenate(found)


def _is_digit(c: npt.NDArray[np.uint8]) -> Bool:
    digit: Bool = (c - np.uint8(ord("0"))) < 10
    return digit


class _Run:
    """Lines start..stop of a block, none of which needs care."""

    def __init__(self, skim: Skim, state: State, start: int, stop: int) -> None:
        self.skim, self.state, self.start, self.stop = skim, state, start, stop

    def go(self, plan: Plan, walls: Walls) -> int:
        """Return the first line before which a setting changes, or `stop`; the state is then that before it.

        Raises
        ------
        FileError
            A move leaves the build volume; the state is as it was.
        """
        s, stop = self.state, self.stop
        lines, z = self._layers()
        layer = (s.layer_z_mm, s.layer_h_mm)
        if len(lines):
            z_mm = z + s.off_in[2]
            k, heights_mm = plan.first_change(z_mm, s)
            if k > 0:
                layer = (float(z_mm[k - 1]), float(heights_mm[k - 1]))
            if k < len(lines):
                stop = int(lines[k])
        if stop > self.start:
            spans = {c: self.skim.between(c, self.start, stop) for c in "XYZE"}
            last = [self._last(c, *spans[c]) for c in "XYZE"]
            if walls.limits.has_volume:
                self._check_walls(walls, spans)
            self._keep_state(stop, last)
            s.layer_z_mm, s.layer_h_mm = layer
        return stop

    def _layers(self) -> tuple[I64, F64]:
        """Return the first extruding move at each height, and the height."""
        skim = self.skim
        low, high = skim.between("Z", self.start, self.stop)
        z = np.concatenate([[self.state.pos[2]], skim.numbers(skim.words["Z"][low:high])])
        begins = np.concatenate([[self.start], skim.on["Z"][low:high], [self.stop]])
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
        k = np.searchsorted(skim.on["E"], lines)
        if s.e_relative:
            pushed: Bool = skim.numbers(skim.words["E"][k]) > 0
            return pushed
        before = np.maximum(k - 1, 0)
        both = skim.numbers(skim.words["E"][np.concatenate([k, before])])
        now, was = both[: len(k)], both[len(k) :]
        was[(k == 0) | (skim.on["E"][before] < self.start)] = s.e_in
        pushed = now > was
        return pushed

    def _last(self, letter: str, low: int, high: int) -> float | None:
        """Return the number of the last of a letter's words low..high, or None."""
        if low == high:
            return None
        return float(self.skim.numbers(self.skim.words[letter][high - 1 : high])[0])

    def _check_walls(self, walls: Walls, spans: dict[str, tuple[int, int]]) -> None:
        """Refuse what is outside the build volume; note the extremes."""
        skim, s = self.skim, self.state
        moves = [skim.on[c][low] for c, (low, high) in spans.items() if low < high]
        moves = [k for k in moves if skim.tokens.kinds[k] == STRAIGHT]
        extremes = []
        for i, letter in enumerate("XYZ"):
            low, high = spans[letter]
            values = skim.extremes(letter, low, high) if low < high else []
            # the first move may leave this axis where it stands already
            if moves and s.known[i] and not (values and skim.on[letter][low] == min(moves)):
                values.append(s.pos[i])
            for value in values:
                place_mm = value + s.off_in[i]
                walls.check(i, place_mm, walls.name)
                extremes.append((i, place_mm))
        for i, place_mm in extremes:
            s.printed.low_mm[i] = min(s.printed.low_mm[i], place_mm)
            s.printed.high_mm[i] = max(s.printed.high_mm[i], place_mm)

    def _keep_state(self, stop: int, last: list[float | None]) -> None:
        """Leave the state as it stands before line `stop`, given the last X, Y, Z and E."""
        s = self.state
        for i, value in enumerate(last[:3]):
            if value is not None:
                s.pos[i], s.known[i] = value, True
        s.e_in = s.e_in if last[3] is None else last[3]
        if (self.skim.tokens.kinds[self.start : stop] == STRAIGHT).any():
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
    stops : set of int
        M-codes that must not be passed over.
    careful : function
        Rewrites one line with care, and carries the state on.
    fewest : int
        Fewer lines at a stretch are not skimmed, nor a block if more than one line in so many needs care.
    """
    skim = Skim(data, stops)
    first, n = state.line, len(skim.tokens.kinds)
    if len(skim.other) > n // fewest:
        return None
    parts: list[bytes] = []
    done = 0  # bytes of `data` in `parts`
    line = 0
    for stop in (*skim.other, n):
        while line < min(stop + 1, n):
            state.line = first + line
            if _is_ready(state) and stop - line >= fewest:
                try:
                    line = _Run(skim, state, line, stop).go(plan, walls)
                except FileError:
                    for k in range(line, stop):  # refuses the first wrong line
                        careful(skim.raw(k))
                    raise
                if line == n:
                    break
                state.line = first + line
            raw = skim.raw(line)
            new = careful(raw)
            if new != raw:
                at = int(skim.tokens.start[line])
                parts += [data[done:at], new]
                done = at + len(raw)
            line += 1
    state.line = first + n
    return data if not parts else b"".join([*parts, data[done:]])


def _is_ready(state: State) -> bool:
    in_mm = state.unit_mm == 1.0
    return in_mm and state.absolute and state.known[2] and not state.numbered
