"""What a run of lines does, between two that move the coordinate system: places, filament, layers.

One entry per line of the run, or per E word where said so; a fault names the first line that has it.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.apply.decimals import F64, I64, Bool
from calib.apply.gcode.codes import RESET_E
from calib.apply.gcode.modes import Modes, follow, summed
from calib.apply.gcode.state import LARGEST, State
from calib.apply.gcode.table import Table
from calib.errors import FileError


class Fault(Exception):
    """A line of the block can't be done."""

    def __init__(self, line: int, what: str, mend: str = "") -> None:
        super().__init__(what)
        self.line, self.what, self.mend = line, what, mend

    def told(self, where: str) -> FileError:
        """Return the message for the user."""
        return FileError(self.what, where=where, mend=self.mend)


@dataclass(slots=True)
class Filament:
    """The E words of a run: how much each asks for."""

    word: I64
    on: I64  # line of the run
    value: F64
    before: F64  # logical E before it
    after: F64
    amount: F64
    resets: Bool  # G92
    relative: Bool


class Run:
    """Lines start..stop of a table, followed from a state."""

    def __init__(self, table: Table, modes: Modes, state: State, start: int, stop: int) -> None:
        self.table, self.state, self.start, self.count = table, state, start, stop - start
        self.words = {c: column.cut(start, stop) for c, column in table.columns.items()}
        here = slice(start, stop)
        self.is_move, self.motion = modes.is_move[here], modes.motion[here]
        self.absolute, self.plane = modes.absolute[here], modes.plane[here]
        self.e_relative, self.e_open = modes.e_relative[here], modes.e_open[here]
        self.e_mode = modes.e_mode[here]
        self.is_arc = self.is_move & (self.motion >= 2)
        self._refuse_implausible()
        places = [
            follow(self.words[c], start, self.count, state.pos[i], self.absolute)
            for i, c in enumerate("XYZ")
        ]
        self.place, self.before = [p[1:] for p in places], [p[:-1] for p in places]
        self.known_from = [self._known_from(i, c) for i, c in enumerate("XYZ")]
        self.filament = self._filament()
        moved = (self.place[0] != self.before[0]) | (self.place[1] != self.before[1]) | self.is_arc
        f = self.filament
        self.extruding = np.zeros(self.count, np.bool_)
        self.extruding[f.on] = moved.take(f.on) & (f.amount > 0)
        none = np.zeros(0)
        self.layers = self._layers() if state.job.schedule else (none.astype(np.int64), none, none)

    def on(self, letter: str) -> I64:
        """Return the lines of the run that have a letter."""
        return self.words[letter].line - self.start

    def per_line(self, letter: str, values: Any) -> Any:
        """Spread a letter's words over the lines of the run; 0 where there is none."""
        out = np.zeros(self.count, values.dtype)
        out[self.on(letter)] = values
        return out

    def _refuse_implausible(self) -> None:
        worst = []
        for c in "XYZEFIJR":
            column = self.words[c]
            if len(column.value) and np.abs(column.value).max() >= LARGEST:
                k = int(np.flatnonzero(np.abs(column.value) >= LARGEST)[0])
                worst.append((int(column.line[k]), c, float(column.value[k])))
        if worst:
            line, c, value = min(worst)
            raise Fault(line, f"{c} has {value:g}, which is no coordinate", "the file is damaged; slice it again")  # fmt: skip

    def _known_from(self, i: int, letter: str) -> int:
        if self.state.known[i]:
            return 0
        on = self.on(letter)
        named = on[self.absolute[on]]
        return int(named[0]) if len(named) else self.count

    def _filament(self) -> Filament:
        column, e_in = self.words["E"], self.state.e_in
        on, value = column.line - self.start, column.value
        resets = self.table.kind.take(column.line) == RESET_E
        # under G91 and M82, which leave it open, most printers take E as relative
        relative = (self.e_relative | self.e_open).take(on) & ~resets
        after = summed(value, relative, e_in)
        before = np.concatenate([[e_in], after[:-1]])[: len(on)]
        amount = np.where(relative, value, after - before)
        amount[resets] = 0.0
        return Filament(column.word, on, value, before, after, amount, resets, relative)

    # -- layers -----------------------------------------------------------------------------

    def _layers(self) -> tuple[I64, F64, F64]:
        """Return the extruding lines at a known height, their heights, and how high each one's layer is, mm.

        A layer is as high as the last rise there was from one extruding move to the next.
        """
        s = self.state
        at = np.flatnonzero(self.extruding)
        at = at[np.searchsorted(at, self.known_from[2]) :]
        source = self.table.origin[at + self.start]
        # straight moves for an arc are in the layer it ends in
        first = np.diff(source, prepend=-1) > 0
        last = np.append(first[1:], True)[: len(at)]
        z_mm = (self.place[2][at[last]] + s.off_in[2]) * s.unit_mm
        at = at[first]
        rise = np.diff(z_mm, prepend=s.layer_z_mm)
        last_rise = np.where(rise > 0, np.arange(1, len(at) + 1), 0)
        if len(at):
            last_rise = np.maximum.accumulate(last_rise)
        return at, z_mm, np.concatenate([[s.layer_h_mm], rise])[last_rise]

    def layer_mm(self, line: int) -> float:
        """Return the height a line of the run is at."""
        return float(self.place[2][line] + self.state.off_in[2]) * self.state.unit_mm
