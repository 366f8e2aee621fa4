"""The arcs of a run of plain lines: where they pass, and the straight moves in place of those that do not stay arcs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from calib.apply.gcode import arcs
from calib.apply.gcode.block import COUNTER
from calib.apply.gcode.edits import Edits, Pieces
from calib.apply.gcode.numbers import F64, I64, Bool, write_decimals

if TYPE_CHECKING:
    from calib.apply.gcode.run import Run


class RunArcs:
    """One entry per arc, unless said otherwise."""

    def __init__(self, run: Run) -> None:
        self.run = run
        self.at = np.flatnonzero(run.is_arc)  # lines of the run
        self.i, self.j = (self._on_lines(c, run.words[c].value)[self.at] for c in "IJ")

    def _on_lines(self, letter: str, values: Any) -> Any:
        """Return a column with one entry per line of the run, 0 where it has none."""
        column = self.run.words[letter]
        out = np.zeros(self.run.n, values.dtype)
        out[self.run.on(column)] = values
        return out

    def _has(self, letter: str) -> Bool:
        """Tell which lines of the run have a letter."""
        has: Bool = self._on_lines(letter, np.ones(len(self.run.words[letter].line), np.bool_))
        return has

    def check_walls(self) -> None:
        """Find which arcs stay arcs, and hold what they pass against the walls.

        Raises
        ------
        FileError
            One is broken, or passes a wall.
        """
        run, job = self.run, self.run.job
        if not (job.moves_points or job.limits.has_volume):
            return
        at = self.at
        x0, y0, z0 = (v[at] for v in run.before)
        x1, y1, z1 = (v[at] for v in run.place)
        turn = np.where(run.kind[at] == COUNTER, 1.0, -1.0)
        begin, sweep, end_radius = arcs.sweeps(x0, y0, x1, y1, self.i, self.j, turn)
        radius = np.hypot(self.i, self.j)
        wrong = np.flatnonzero(arcs.is_broken(radius, end_radius, run.state.unit_mm))
        if len(wrong):
            k = wrong[0]
            raise arcs.broken_arc(float(radius[k]), float(end_radius[k]), run.exact.name)
        self.kept = np.full(len(at), job.keeps_helices) | ((z0 == z1) & job.keeps_arcs)
        run.bent[at[~self.kept]] = True
        self.count = arcs.pieces(radius, sweep, job.arc_tolerance_mm / run.state.unit_mm)
        self.owner, self.t = arcs.split(self.count)
        angle = begin.repeat(self.count) + sweep.repeat(self.count) * self.t
        r = radius.repeat(self.count) + (end_radius - radius).repeat(self.count) * self.t
        x = (x0 + self.i).repeat(self.count) + r * np.cos(angle)
        y = (y0 + self.j).repeat(self.count) + r * np.sin(angle)
        z = z0.repeat(self.count) + (z1 - z0).repeat(self.count) * self.t
        end = np.cumsum(self.count) - 1
        x[end], y[end], z[end] = x1, y1, z1
        self.machine = run.map([x, y, z])
        run.check(self.machine)

    def write(self, edits: Edits) -> None:
        """Put the arcs that are kept, and the moves in place of the others, into `edits`."""
        if self.kept.any():
            self._scale_centres(edits)
        if not self.kept.all():
            self._write_moves(edits)

    def _scale_centres(self, edits: Edits) -> None:
        """Scale I and J of arcs that stay arcs, as under a similarity they do."""
        run, factor = self.run, self.run.job.matrix[0][0]
        if factor == 1.0:
            return
        scale = 10.0 ** (run.state.places - 1)
        for c in "IJ":
            w = run.words[c]
            keep = ~run.bent[run.on(w)]
            units = 10 * np.rint(w.value[keep] * factor * scale).astype(np.int64)
            edits.set(w.word[keep], units)

    def _write_moves(self, edits: Edits) -> None:
        """Write the straight moves of each arc that does not stay one, in place of its line."""
        run, block = self.run, self.run.block
        bent = np.flatnonzero(~self.kept)
        line, count = self.at[bent], self.count[bent]
        move = np.flatnonzero(~self.kept.take(self.owner))
        last = np.cumsum(count) - 1
        first = last - count + 1
        letters, units, shown = self._move_words(move, line.repeat(count), first)
        text, size = np.empty(shown.shape, np.uint64), np.full(shown.shape, 2)
        text[:] = [int.from_bytes(f" {c}".encode(), "little") for c in letters]
        for begin, where in ((run.exact.newline + b"G1 X", slice(None)), (b"G1 X", first)):
            text[where, 0], size[where, 0] = int.from_bytes(begin, "little"), len(begin)
        word = np.flatnonzero(shown)
        number = write_decimals(units.ravel().take(word), run.state.places)
        out, stop = Pieces(text.ravel().take(word), size.ravel().take(word), number).lay_out()
        stop = stop[np.cumsum(shown.sum(axis=1))[last] - 1]
        moves = out.tobytes()
        line = line + run.start
        ends = block.words.end[np.searchsorted(block.words.line, line, side="right") - 1]
        begin_at = 0
        for k, end, until in zip(line.tolist(), ends.tolist(), stop.tolist(), strict=True):
            edits.replace(k, end, moves[begin_at:until])
            begin_at = until
        run.state.printed.arcs += len(bent)

    def _move_words(self, move: I64, line: I64, first: I64) -> tuple[str, I64, Bool]:
        """Return the letters of the moves, and for each move and letter its number and whether it is written.

        Parameters
        ----------
        move, line : (n,) int
            Which of all pieces of arcs these are, and the line of the run each stands for.
        first : (m,) int
            Which of them begin an arc.
        """
        run, places = self.run, self.run.state.places
        columns = []
        for i, c in enumerate("XYZ"):
            lengths = (self.machine[i].take(move) - run.state.off_out[i]) * 10.0 ** (places - 1)
            has = self._has(c).take(line) if c == "Z" else np.ones(len(move), np.bool_)
            columns.append((c, 10 * np.rint(lengths).astype(np.int64), has))
        columns.append(
            ("E", self._shares(line, self.t.take(move), first), self._has("E").take(line))
        )
        speed = self._on_lines("F", run.words["F"].value).take(line) * 10.0**places
        has_speed = np.zeros(len(move), np.bool_)
        has_speed[first] = self._has("F").take(line[first])
        columns.append(("F", np.rint(speed).astype(np.int64), has_speed))
        letters, units, shown = zip(*(c for c in columns if c[2].any()), strict=True)
        return "".join(letters), np.stack(units, axis=1), np.stack(shown, axis=1)

    def _shares(self, line: I64, t: F64, first: I64) -> I64:
        """Return the E word of every move: its share of the arc's filament, or the sum so far."""
        run, s = self.run, self.run.state
        if run.job.changes_flow:
            amount = run.e_after - run.e_before
            begin = run.e_before + run.e_shift
        else:
            scale = 10.0**s.places
            amount = np.rint(run.wanted * scale).astype(np.int64)
            was = np.zeros(0) if s.e_relative else self._on_lines("E", run.e_was)
            begin = np.rint(was * scale).astype(np.int64)
        part: I64 = np.rint(amount.take(line) * t).astype(np.int64)
        if not s.e_relative:
            part += begin.take(line)
            return part
        alone: I64 = np.diff(part, prepend=0)
        alone[first] = part[first]
        return alone
