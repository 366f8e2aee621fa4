"""A run of plain lines at once, with the same results as `exact` line by line.

Modal words are carried forward by a running maximum of line numbers, and filament is summed up.
"""

import numpy as np

from calib.apply.gcode.block import CLOCKWISE, COUNTER, LETTERS, SET_E, STRAIGHT, Block, Column
from calib.apply.gcode.edits import Edits
from calib.apply.gcode.exact import Exact
from calib.apply.gcode.numbers import F64, I64
from calib.apply.gcode.run_arcs import RunArcs


class Run:
    """Lines start..stop of a block; one entry per line, carried forward where a word is missing."""

    def __init__(self, exact: Exact, block: Block, start: int, stop: int) -> None:
        self.exact, self.state, self.job = exact, exact.state, exact.job
        self.block, self.start, self.stop = block, start, stop
        self.n = stop - start
        self.kind = block.kind[start:stop]
        self.words = {c: block.columns[c].cut(start, stop) for c in LETTERS}
        carried = [self._carry(self.words[c], self.state.pos[i]) for i, c in enumerate("XYZ")]
        self.place = [values[1:] for values in carried]
        self.before = [values[:-1] for values in carried]
        self.is_arc = (self.kind == CLOCKWISE) | (self.kind == COUNTER)
        self.bent = np.zeros(self.n, np.bool_)  # arcs to be turned into straight moves
        self._filament()
        self.arcs = RunArcs(self) if self.is_arc.any() else None
        most = self.state.largest
        self.plausible = all(
            not len(w.value) or -most < w.value.min() <= w.value.max() < most
            for w in self.words.values()
        )

    def _carry(self, column: Column, initial: float) -> F64:
        """Return the value in force before the first line and after each."""
        index = np.zeros(self.n + 1, np.int64)
        index[self.on(column) + 1] = np.arange(1, len(column.line) + 1)
        values = np.concatenate([[initial], column.value])
        return values.take(np.maximum.accumulate(index))

    def on(self, column: Column) -> I64:
        """Return the lines of a column, counted from the first of the run."""
        return column.line - self.start

    def _filament(self) -> None:
        """Find how much filament each line wants, and what is extruded while moving in XY."""
        s, e = self.state, self.words["E"]
        self.e_on = self.on(e)
        self.e_resets = np.flatnonzero(self.kind.take(self.e_on) == SET_E)  # of the E words
        amount = e.value.copy()
        if not s.e_relative:
            self.e_was = np.concatenate([[s.e_in], e.value[:-1]])[: len(e.value)]
            amount -= self.e_was
        amount[self.e_resets] = 0.0
        self.wanted = np.zeros(self.n)
        self.wanted[self.e_on] = amount
        moved = (self.place[0] != self.before[0]) | (self.place[1] != self.before[1])
        self.extruding = (moved | self.is_arc) & (self.wanted > 0)

    # -- schedule -----------------------------------------------------------------------------

    def first_change_of_plan(self) -> int | None:
        """Return the first line before which a setting has to change; remember the layer if none."""
        s, plan = self.state, self.exact.plan
        self.layer = (s.layer_z_mm, s.layer_h_mm)
        if not plan.rows:
            return None
        at = np.flatnonzero(self.extruding)
        if not len(at):
            return None
        z = (self.place[2][at] + s.off_in[2]) * s.unit_mm
        k, height = plan.first_change(z, s)
        if k < len(at):
            return int(at[k]) + self.start
        self.layer = (float(z[-1]), float(height[-1]))
        return None

    # -- limits -------------------------------------------------------------------------------

    def check_walls(self) -> None:
        """Map the places.

        Raises
        ------
        FileError
            One is outside the build volume, or an arc is broken.
        """
        self.machine = self.map(self.place)
        self.check(self.machine)
        if self.arcs:
            self.arcs.check_walls()

    def map(self, place: list[F64]) -> list[F64]:
        """Return the output's machine coordinates; the same sums in the same order as `State.map`."""
        s, m = self.state, self.job.matrix
        if not self.job.moves_points:
            return [v + s.off_in[i] if s.off_in[i] else v for i, v in enumerate(place)]
        c = s.centre
        d = [v + (s.off_in[i] - c[i]) for i, v in enumerate(place)]
        out = []
        for i in range(3):
            total = m[i][i] * d[i]
            for j in range(i + 1, 3):
                if m[i][j]:
                    total = total + m[i][j] * d[j]
            out.append(total + c[i])
        return out

    def check(self, places: list[F64]) -> None:
        """Hold the extremes against the walls; which line it was that passed one is left to `exact` to say."""
        s, printed, walls = self.state, self.state.printed, self.exact.walls
        for i in range(3):
            low_mm, high_mm = (float(v) * s.unit_mm for v in (places[i].min(), places[i].max()))
            walls.check(i, low_mm, walls.name)
            walls.check(i, high_mm, walls.name)
            printed.low_mm[i] = min(printed.low_mm[i], low_mm)
            printed.high_mm[i] = max(printed.high_mm[i], high_mm)

    # -- writing ------------------------------------------------------------------------------

    def write(self, edits: Edits) -> None:
        """Put the new numbers into `edits`."""
        if self.job.changes_flow:
            self._write_e(edits)
        if self.arcs and self.job.moves_points:
            self.arcs.write(edits)
        if self.job.moves_points:
            self._write_places(edits)

    def _write_e(self, edits: Edits) -> None:
        """Sum the filament up and round the sum, so that rounding never adds up."""
        s, e = self.state, self.words["E"]
        scale = 10.0**s.places
        amount = np.where(self.extruding, self.wanted * self.job.flow, self.wanted)
        sums = np.cumsum(np.concatenate([[s.e_sum], amount]))
        units = np.rint(sums * scale).astype(np.int64)
        self.e_before, self.e_after = units[:-1], units[1:]
        # since the last G92: what the sum was there, and which logical E it was given
        resets = self.e_on[self.e_resets]
        since = np.zeros(self.n, np.int64)
        since[resets] = np.arange(1, len(resets) + 1)
        since = np.maximum.accumulate(since)
        at_reset = np.concatenate([[0], self.e_after[resets]])
        named = np.concatenate([[s.e_base], e.value[self.e_resets]])
        self.e_shift = (np.rint(named * scale).astype(np.int64) - at_reset).take(since)
        written = self.e_after - self.e_before if s.e_relative else self.e_after + self.e_shift
        use = np.delete(np.arange(len(self.e_on)), self.e_resets)
        self._set(edits, e.word.take(use), self.e_on.take(use), written)
        rest = float(sums[-1]) - float(at_reset[-1]) / scale
        self.e_end = (float(named[-1]), rest, int(self.e_after[-1] - at_reset[-1]))

    def _set(self, edits: Edits, word: I64, on: I64, units: I64) -> None:
        """Give these words, on these lines, the value of their line; not if it is an arc to be made straight."""
        if self.arcs:
            keep = np.flatnonzero(~self.bent.take(on))
            word, on = word.take(keep), on.take(keep)
        edits.set(word, units.take(on))

    def _write_places(self, edits: Edits) -> None:
        s, m = self.state, self.job.matrix
        scale = 10.0 ** (s.places - 1)
        for i, c in enumerate("XYZ"):
            if not self.job.rewrites[i]:
                continue
            units = 10 * np.rint((self.machine[i] - s.off_out[i]) * scale).astype(np.int64)
            w, on = self.words[c], self.on(self.words[c])
            self._set(edits, w.word, on, units)
            taken = self.bent.copy()
            taken[on] = True
            for j in range(i + 1, 3):  # an axis that another pulls along is added before it
                if m[i][j]:
                    pull, on = self.words["XYZ"[j]], self.on(self.words["XYZ"[j]])
                    free = np.flatnonzero(~taken.take(on))
                    edits.add(pull.word[free], c, units[on[free]])
                    taken[on[free]] = True

    # -- afterwards -----------------------------------------------------------------------------

    def keep_state(self) -> None:
        """Leave the state as it stands after the last line."""
        s = self.state
        s.pos = [float(v[-1]) for v in self.place]
        value = self.words["E"].value
        if len(value):
            if not s.e_relative:
                s.e_in = float(value[-1])
            else:
                if len(self.e_resets):
                    s.e_in = float(value[self.e_resets[-1]])
                    value = value[self.e_resets[-1] + 1 :]
                s.e_in = s.e_in + float(value.sum())
        if self.job.changes_flow:
            s.e_base, s.e_sum, s.e_units = self.e_end
        s.layer_z_mm, s.layer_h_mm = self.layer
        moves = np.flatnonzero((self.kind == STRAIGHT) | self.is_arc)
        if len(moves):
            last = moves[-1]
            s.motion = s.motion_out = {STRAIGHT: 1, CLOCKWISE: 2, COUNTER: 3}[int(self.kind[last])]
            if self.bent[last]:
                s.motion_out = 1
