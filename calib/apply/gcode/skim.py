"""The quickest way, for a schedule alone: find the few lines where a layer begins, and pass over the rest.

A block is skimmed by `Skim`; here its stretches of plain moves are followed, and the schedule is put in.
"""

from collections.abc import Callable

import numpy as np

from calib.apply.gcode.numbers import F64, I64, Bool
from calib.apply.gcode.plan import Plan
from calib.apply.gcode.skimmed import FLAG_OF, Skim
from calib.apply.gcode.state import State
from calib.apply.gcode.walls import Walls
from calib.errors import FileError


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
            if walls.limits.has_volume:
                self._check_walls(walls, stop)
            self._keep_state(stop)
            s.layer_z_mm, s.layer_h_mm = layer
        return stop

    def _layers(self) -> tuple[I64, F64]:
        """Return the first extruding move at each height, and the height."""
        skim = self.skim
        low, high = np.searchsorted(skim.with_z, (self.start, self.stop))
        begins = np.concatenate([[self.start], skim.with_z[low:high], [self.stop]])
        at = np.searchsorted(skim.feeding, begins)
        used = np.flatnonzero(at[:-1] < at[1:])  # moves with E stand behind these words
        if not len(used):
            return used, np.zeros(0)
        z = skim.numbers(skim.at_z[low + used[used > 0] - 1] + 1)
        if used[0] == 0:
            z = np.concatenate([[self.state.pos[2]], z])
        new = np.flatnonzero(np.diff(z, prepend=np.nan))  # a height given once more is no new one
        found, z = at[used[new]], z[new]
        ends = np.append(found[1:], at[-1])
        wanted = np.arange(len(found))
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
        now, was = self.skim.filament(lines, self.start)
        if self.state.e_relative:
            was[:] = 0
        was[np.isnan(was)] = self.state.e_in
        pushed: Bool = now > was
        return pushed

    def _check_walls(self, walls: Walls, stop: int) -> None:
        """Refuse what is outside the build volume; note the extremes."""
        skim, s = self.skim, self.state
        moving = skim.moving[self.start : stop]
        k = moving.argmax()
        if not moving[k]:
            return
        first = skim.has[self.start + k]
        places_mm = []
        for i, letter in enumerate("XYZ"):
            off = s.off_in[i]
            low, high = s.printed.low_mm[i] - off, s.printed.high_mm[i] - off
            places = skim.extremes(letter, self.start, stop, low, high)
            if s.known[i] and not first & FLAG_OF[letter]:
                places.append(s.pos[i])  # the first move leaves this axis where it stands
            places_mm.append([place + off for place in places])
            for place_mm in places_mm[i]:
                walls.check(i, place_mm, walls.name)
        for i in range(3):
            s.printed.low_mm[i] = min([s.printed.low_mm[i], *places_mm[i]])
            s.printed.high_mm[i] = max([s.printed.high_mm[i], *places_mm[i]])

    def _keep_state(self, stop: int) -> None:
        """Leave the state as it stands before line `stop`."""
        s = self.state
        for i, letter in enumerate("XYZ"):
            value = self.skim.last(letter, self.start, stop)
            if value is not None:
                s.pos[i], s.known[i] = value, True
        e = self.skim.last("E", self.start, stop)
        s.e_in = s.e_in if e is None else e
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
    stops : set of int
        M-codes that must not be passed over.
    careful : function
        Rewrites one line with care, and carries the state on.
    fewest : int
        Fewer lines at a stretch are not skimmed, nor a block if more than one line in so many needs care.
    """
    skim = Skim(data, stops)
    first, n = state.line, len(skim.start)
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
                at = int(skim.start[line])
                parts += [data[done:at], new]
                done = at + len(raw)
            line += 1
    state.line = first + n
    return data if not parts else b"".join([*parts, data[done:]])


def _is_ready(state: State) -> bool:
    in_mm = state.unit_mm == 1.0
    return in_mm and state.absolute and state.known[2] and not state.numbered
