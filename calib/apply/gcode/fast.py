"""The quick way: runs of plain lines of a block at once, with the same results as `exact` line by line.

Modal words are carried forward by a running maximum of line numbers, filament is summed up, and new numbers are set
into the block as cells of fixed width whose unused bytes are deleted at the end.
"""

import re

import numpy as np

from calib.apply.gcode import arcs
from calib.apply.gcode.block import (
    CLOCKWISE,
    COUNTER,
    F64,
    I64,
    INERT,
    SET_E,
    SLOW,
    STRAIGHT,
    U8,
    Block,
    Bool,
    Column,
    parse_block,
)
from calib.apply.gcode.edits import Edits, assemble
from calib.apply.gcode.exact import Exact
from calib.apply.gcode.machine_codes import MODES, RATED, SETTERS
from calib.apply.gcode.numbers import write_decimals
from calib.apply.gcode.skim import skim_block

_UNIT = re.compile(rb"[Gg][ \t]*0*2[ \t]*[01]")

#: With so many lines asked for, all quick ways are off; the tests compare them so with the careful way.
_NEVER = 10**6

#: Below this many lines the calls into numpy cost more than the careful way.
FEWEST_LINES = 48


class Fast:
    """Rewrites blocks; hands what is not plain to the careful way."""

    def __init__(self, exact: Exact) -> None:
        self.exact, self.state, self.job, self.plan = exact, exact.state, exact.job, exact.plan
        stops = MODES | {c for c, setting in SETTERS.items() if setting in self.plan.settings}
        only = not (self.job.moves_points or self.job.changes_flow)
        self.skims = only and bool(self.plan.rows) and FEWEST_LINES < _NEVER
        self.stops, self.rated = sorted(stops), sorted(RATED - stops)

    def block(self, data: bytes) -> bytes:
        """Rewrite one block, which must end with a newline."""
        if self.skims:
            stops, exact, fewest = set(self.stops) | RATED, self.exact, max(FEWEST_LINES // 3, 1)
            skimmed = skim_block(
                data, self.plan, self.state, stops, exact.walls, exact.line, fewest
            )
            if skimmed is not None:
                return skimmed
        block = parse_block(data)
        edits = Edits(block)
        first = self.state.line
        line, n = 0, len(block.kind)
        slow = [*self._barriers(block), n]
        # all new numbers of a block have the same decimal places, so a change of unit goes line by line
        may_run = not any(_UNIT.search(block.raw(i)) for i in slow[:-1])
        for stop in slow:
            while line < stop:
                if may_run and self._is_ready() and stop - line >= FEWEST_LINES:
                    line = self._run(block, edits, line, stop)
                    self.state.line = first + line
                if line < stop:
                    self._careful(block, edits, line)
                    line += 1
            if stop < n:
                self._careful(block, edits, stop)
                line = stop + 1
        self.state.line = first + n
        return assemble(edits, self.state.places)

    def _careful(self, block: Block, edits: Edits, line: int) -> None:
        if block.kind[line] == INERT:
            self.state.line += 1
            return
        raw = block.raw(line)
        new = self.exact.line(raw)
        if new != raw:
            sizes = (np.array([v]) for v in (block.line_start[line], len(raw), len(new)))
            at, removed, added = sizes
            edits.replace(at, removed, added, new)

    def _barriers(self, block: Block) -> list[int]:
        """Return the lines that may change what the lines after them mean, and so end a run."""
        slow = np.flatnonzero(block.kind == SLOW)
        if not len(slow):
            return []
        code = block.machine_codes(slow)
        keep = self.state.line
        for line in slow[np.isin(code, self.rated)].tolist():
            self.state.line = (
                keep + line
            )  # held against the ratings now; nothing else depends on it
            self.exact.line(block.raw(line))
        self.state.line = keep
        barriers: list[int] = slow[(code < 0) | np.isin(code, self.stops)].tolist()
        return barriers

    def _is_ready(self) -> bool:
        s = self.state
        return s.absolute and s.plane == 17 and all(s.known) and not s.numbered

    # -- one run of plain lines ---------------------------------------------------------------

    def _run(self, block: Block, edits: Edits, start: int, stop: int) -> int:
        """Rewrite lines start..stop; return the first line not done, which the careful way takes."""
        run = _Run(self, block, start, stop)
        turn = run.first_change_of_plan()
        last = stop if turn is None else turn
        if not run.plausible or last - start < FEWEST_LINES:
            for line in range(start, last):
                self._careful(block, edits, line)
            return last
        if turn is not None:
            run = _Run(self, block, start, turn)
            run.first_change_of_plan()
            stop = turn
        run.check_walls()
        run.write(edits)
        run.keep_state()
        return stop


class _Run:
    """Columns of one run of plain lines; one entry per line, carried forward where a word is missing."""

    def __init__(self, fast: Fast, block: Block, start: int, stop: int) -> None:
        self.fast, self.state, self.job = fast, fast.state, fast.job
        self.block, self.start, self.stop = block, start, stop
        self.n = stop - start
        self.kind = block.kind[start:stop]
        self.words = {c: block.columns[c].cut(start, stop) for c in "XYZEFIJ"}
        self.place: list[F64] = []
        self.before: list[F64] = []
        for i, c in enumerate("XYZ"):
            now, was = _carry(self.words[c], start, self.n, self.state.pos[i])
            self.place.append(now)
            self.before.append(was)
        self.is_arc = (self.kind == CLOCKWISE) | (self.kind == COUNTER)
        self.has_arcs = bool(self.is_arc.any())
        self._filament()
        self.bent = np.zeros(self.n, np.bool_)  # arcs to be turned into straight moves
        most = self.state.largest
        self.plausible = all(
            not len(w.value) or bool(np.abs(w.value).max() < most) for w in self.words.values()
        )

    def _filament(self) -> None:
        """Find how much filament each line wants, and what is extruded while moving in XY."""
        s, e = self.state, self.words["E"]
        on = e.line - self.start
        is_set = self.kind[on] == SET_E
        self.e_logical = np.zeros(self.n)  # absolute E before the line
        if s.e_relative:
            amount = np.where(is_set, 0.0, e.value)
        else:
            was = np.concatenate([[s.e_in], e.value[:-1]]) if len(on) else e.value
            amount = np.where(is_set, 0.0, e.value - was)
            self.e_logical[on] = was
        self.wanted = np.zeros(self.n)
        self.wanted[on] = amount
        x, y = self.place[:2]
        px, py = self.before[:2]
        moved = (x != px) | (y != py)
        if self.has_arcs:
            moved |= self.is_arc
        self.extruding = moved & (self.wanted > 0)
        self.e_on, self.e_is_set = on, is_set

    # -- schedule -----------------------------------------------------------------------------

    def first_change_of_plan(self) -> int | None:
        """Return the first line before which a setting has to change; remember the layer if none."""
        s, plan = self.state, self.fast.plan
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
        """Map the places and refuse what is outside the build volume."""
        self.machine = self._map(self.place)
        for i in range(3):
            self._check(i, self.machine[i], None)
        if self.has_arcs:
            self._arc_geometry()

    def _map(self, place: list[F64]) -> list[F64]:
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

    def _check(self, axis: int, places: F64, lines: I64 | None) -> None:
        """Compare the extremes with the wall; look for the line only when one is passed."""
        s, printed = self.state, self.state.printed
        low, high = float(places.min()) * s.unit_mm, float(places.max()) * s.unit_mm
        printed.low_mm[axis] = min(printed.low_mm[axis], low)
        printed.high_mm[axis] = max(printed.high_mm[axis], high)
        walls = self.fast.exact.walls
        for value, extreme in ((low, places.argmin()), (high, places.argmax())):
            line = self.start + int(extreme if lines is None else lines[extreme])
            walls.check(axis, value, f"{walls.name} line {s.line + line - self.start + 1}")

    # -- writing ------------------------------------------------------------------------------

    def write(self, edits: Edits) -> None:
        """Put the new numbers into `edits`."""
        if self.job.changes_flow:
            self._write_e(edits)
        if self.has_arcs and self.job.moves_points:
            self._write_arcs(edits)
        if self.job.moves_points:
            self._write_places(edits)

    def _write_e(self, edits: Edits) -> None:
        """Sum the filament up and round the sum, so that rounding never adds up."""
        s, flow = self.state, self.job.flow
        scale = 10.0**s.places
        self.wanted = np.where(self.extruding, self.wanted * flow, self.wanted)
        sums = np.cumsum(np.concatenate([[s.e_sum], self.wanted]))
        units = np.rint(sums * scale).astype(np.int64)
        self.e_before, self.e_after = units[:-1], units[1:]
        # since the last G92: what the sum was there, and which logical E it was given
        e = self.words["E"]
        reset = np.maximum.accumulate(np.where(self.kind == SET_E, np.arange(1, self.n + 1), 0))
        at_reset = np.concatenate([[0], self.e_after])[reset]
        named = np.zeros(self.n + 1)
        named[0] = s.e_base
        named[self.e_on + 1] = e.value
        base = named[reset]
        self.e_shift = np.rint(base * scale).astype(np.int64) - at_reset
        use = ~self.e_is_set & ~self.bent[self.e_on]
        on = self.e_on[use]
        before = self.e_before[on] if s.e_relative else -self.e_shift[on]
        edits.set(e.word[use], self.e_after[on] - before)
        rest = float(sums[-1]) - at_reset[-1] / scale
        self.e_end = (float(base[-1]), rest, int(self.e_after[-1] - at_reset[-1]))

    def _write_places(self, edits: Edits) -> None:
        s, m = self.state, self.job.matrix
        scale = 10.0 ** (s.places - 1)
        for i, c in enumerate("XYZ"):
            if not self.job.rewrites[i]:
                continue
            units = 10 * np.rint((self.machine[i] - s.off_out[i]) * scale).astype(np.int64)
            w = self.words[c]
            keep = ~self.bent[w.line - self.start]
            edits.set(w.word[keep], units[w.line[keep] - self.start])
            taken = self.bent.copy()
            taken[w.line - self.start] = True
            for j in range(i + 1, 3):  # an axis that another pulls along is added behind it
                if m[i][j]:
                    pull = self.words["XYZ"[j]]
                    free = ~taken[pull.line - self.start]
                    on = pull.line[free] - self.start
                    edits.add(pull.word[free], c, units[on])
                    taken[on] = True

    # -- arcs ---------------------------------------------------------------------------------

    def _arc_geometry(self) -> None:
        at = np.flatnonzero(self.is_arc)
        self.arc_at = at
        i, j = (_spread(self.words[c], self.start, self.n)[at] for c in "IJ")
        x0, y0 = self.before[0][at], self.before[1][at]
        x1, y1 = self.place[0][at], self.place[1][at]
        turn = np.where(self.kind[at] == COUNTER, 1.0, -1.0)
        self.arc = (x0, y0, i, j, *arcs.sweeps(x0, y0, x1, y1, i, j, turn))
        radius, end_radius = np.hypot(i, j), self.arc[6]
        wrong = np.flatnonzero(arcs.is_broken(radius, end_radius, self.state.unit_mm))
        if len(wrong):
            line = self.state.line + int(at[wrong[0]]) + 1
            where = f"{self.fast.exact.name} line {line}"
            raise arcs.broken_arc(float(radius[wrong[0]]), float(end_radius[wrong[0]]), where)
        flat = self.before[2][at] == self.place[2][at]
        keeps = np.full(len(at), self.job.keeps_helices) | (flat & self.job.keeps_arcs)
        self.arc_kept = keeps
        self.bent[at[~keeps]] = True
        if self.job.moves_points or self.job.limits.has_volume:
            self._arc_points()

    def _arc_points(self) -> None:
        """Cut arcs into straight pieces; those that stay arcs only to look where they pass."""
        s, at = self.state, self.arc_at
        x0, y0, i, j, begin, sweep, end_radius = self.arc
        radius = np.hypot(i, j)
        count = arcs.pieces(radius, sweep, self.job.arc_tolerance_mm / s.unit_mm)
        owner, t = arcs.split(count)
        angle = begin[owner] + sweep[owner] * t
        r = radius[owner] + (end_radius - radius)[owner] * t
        x = (x0 + i)[owner] + r * np.cos(angle)
        y = (y0 + j)[owner] + r * np.sin(angle)
        z0, z1 = self.before[2][at], self.place[2][at]
        z = z0[owner] + (z1 - z0)[owner] * t
        end = np.cumsum(count) - 1
        x[end], y[end], z[end] = (self.place[k][at] for k in range(3))
        self.pieces = (owner, t, count, self._map([x, y, z]))
        for k in range(3):
            self._check(k, self.pieces[3][k], at[owner])

    def _write_arcs(self, edits: Edits) -> None:
        if self.arc_kept.any():
            self._scale_centres(edits)
        if not self.arc_kept.all():
            self._write_pieces(edits)

    def _scale_centres(self, edits: Edits) -> None:
        """Scale I and J of arcs that stay arcs, as under a similarity they do."""
        factor = self.job.matrix[0][0]
        if factor == 1.0:
            return
        scale = 10.0 ** (self.state.places - 1)
        for c in "IJ":
            w = self.words[c]
            keep = ~self.bent[w.line - self.start]
            units = 10 * np.rint(w.value[keep] * factor * scale).astype(np.int64)
            edits.set(w.word[keep], units)

    def _write_pieces(self, edits: Edits) -> None:
        """Write the straight moves of each arc that does not stay one, in place of its line."""
        s = self.state
        owner, t, count, machine = self.pieces
        use = ~self.arc_kept[owner]
        count = count[~self.arc_kept]
        line = self.arc_at[owner[use]]
        first = np.cumsum(count) - count
        last = np.cumsum(count) - 1
        has = {c: _flags(self.words[c], self.start, self.n)[line] for c in "XYZEF"}
        cells = [_letter_cells(len(line), b"G1")]
        for i, c in enumerate("XYZ"):
            shown = has["Z"] if i == 2 else np.ones(len(line), np.bool_)
            scale = 10.0 ** (s.places - 1)
            units = 10 * np.rint((machine[i][use] - s.off_out[i]) * scale).astype(np.int64)
            cells += _word_cells(c, units, s.places, shown)
        if has["E"].any():
            part = self._shares(line, t[use], first)
            cells += _word_cells("E", part, s.places, has["E"])
        if has["F"].any():
            speed = _spread(self.words["F"], self.start, self.n)[line]
            shown = np.zeros(len(line), np.bool_)
            shown[first] = has["F"][first]
            cells += _word_cells("F", np.rint(speed * 1e5).astype(np.int64), 5, shown)
        newline = _letter_cells(len(line), self.fast.exact.newline)
        newline[last] = 0
        rows = np.concatenate([*cells, newline], axis=1)
        size = np.add.reduceat((rows != 0).sum(axis=1), first)
        text = rows.tobytes().translate(None, b"\0")
        at_line = self.arc_at[~self.arc_kept] + self.start
        at = self.block.line_start[at_line]
        edits.replace(at, self.block.code_end(at_line) - at, size, text)
        s.printed.arcs += len(count)

    def _shares(self, line: I64, t: F64, first: I64) -> I64:
        """Return the E word of every piece: its share of the arc's filament, or the sum so far."""
        s, scale = self.state, 10.0**self.state.places
        if self.job.changes_flow:
            amount = self.e_after - self.e_before
            begin = self.e_before + self.e_shift
        else:
            amount = np.rint(self.wanted * scale).astype(np.int64)
            begin = np.rint(self.e_logical * scale).astype(np.int64)
        part: I64 = np.rint(amount[line] * t).astype(np.int64)
        if not s.e_relative:
            part += begin[line]
            return part
        alone: I64 = np.diff(part, prepend=0)
        alone[first] = part[first]
        return alone

    # -- afterwards -----------------------------------------------------------------------------

    def keep_state(self) -> None:
        """Leave the state as it stands after the last line."""
        s = self.state
        s.pos = [float(v[-1]) for v in self.place]
        if len(self.words["E"].value):
            value = self.words["E"].value
            if not s.e_relative:
                s.e_in = float(value[-1])
            else:
                resets = np.flatnonzero(self.e_is_set)
                if len(resets):
                    s.e_in = float(value[resets[-1]])
                    value = value[resets[-1] + 1 :]
                s.e_in = s.e_in + float(value.sum())
        if self.job.changes_flow:
            s.e_base, s.e_sum, s.e_units = self.e_end
        s.layer_z_mm, s.layer_h_mm = self.layer
        moves = np.flatnonzero((self.kind == STRAIGHT) | self.is_arc)
        if len(moves):
            last = moves[-1]
            code = {STRAIGHT: 1, CLOCKWISE: 2, COUNTER: 3}[int(self.kind[last])]
            s.motion = s.motion_out = code
            if self.has_arcs and self.job.moves_points and self.bent[last]:
                s.motion_out = 1


def _carry(column: Column, start: int, n: int, initial: float) -> tuple[F64, F64]:
    """Return per line the value in force after it, and the one before it."""
    values = np.concatenate([[initial], column.value])
    index = np.zeros(n + 1, np.int64)
    index[column.line - start + 1] = np.arange(1, len(values))
    carried = values[np.maximum.accumulate(index)]
    return carried[1:], carried[:-1]


def _spread(column: Column, start: int, n: int) -> F64:
    out = np.zeros(n)
    out[column.line - start] = column.value
    return out


def _flags(column: Column, start: int, n: int) -> Bool:
    out = np.zeros(n, np.bool_)
    out[column.line - start] = True
    return out


def _letter_cells(n: int, text: bytes) -> U8:
    return np.tile(np.frombuffer(text, np.uint8), (n, 1))


def _word_cells(letter: str, units: I64, places: int, shown: Bool) -> list[U8]:
    """Return cells for a blank, a letter and a number; all zero where it is not shown."""
    name = _letter_cells(len(units), f" {letter}".encode())
    number = write_decimals(units, places)
    if not shown.all():
        name[~shown] = 0
        number[~shown] = 0
    return [name, number]
