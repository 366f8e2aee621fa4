"""What comes out for a run of lines: places through the map, filament through the flow, and the state after it."""

import numpy as np

from calib.apply.decimals import F64, I64, ONE, whole
from calib.apply.gcode.arcs import Arcs
from calib.apply.gcode.codes import Gate
from calib.apply.gcode.edits import Edits
from calib.apply.gcode.job import Job
from calib.apply.gcode.result import Result
from calib.apply.gcode.run import Fault, Run
from calib.apply.gcode.walls import Walls

_AXES = "XYZ"

HELD = "travel moves that only the correction takes past a wall, held at it"
OUTSIDE = "moves outside the build volume, as they were before"
LOST = "moves to where the file does not say, not checked"


class Writer:
    """Works out the new words of a run; nothing is changed before `write`."""

    def __init__(self, run: Run, job: Job, arcs: Arcs | None, e_frozen: bool, wanted: F64) -> None:
        self.run, self.job, self.state, self.arcs = run, job, run.state, arcs
        self.writes_e = job.changes_e and not e_frozen
        self.walls = Walls(job.limits, run.state.unit_mm)
        self.pushed = np.zeros(run.count, np.bool_)  # by more than rounding
        self.told: list[tuple[str, I64]] = []  # what is to be told, and of which lines
        self.machine = self.state.map(run.place)
        if job.limits.has_volume:
            self._hold()
        if job.moves_points:
            self._refuse_lost()
        if self.writes_e:
            self._filament(wanted)

    # -- walls ------------------------------------------------------------------------------

    def _hold(self) -> None:
        """Hold travel at the walls.

        Raises
        ------
        Fault
            A move extrudes where a wall holds its start or its end away from where it should be.
        """
        run, s = self.run, self.state
        own = [v + o if o else v for v, o in zip(run.place, s.off_in, strict=True)]
        held = self.walls.hold(self.machine, own, run.known_from)
        self.pushed = held.beyond
        before = np.concatenate([[s.pushed], held.beyond[:-1]])
        wrong = np.flatnonzero(run.extruding & (held.beyond | before))
        if len(wrong):
            line = int(wrong[0])
            k = line - (not held.beyond[line])  # its end, or where it starts
            there, kept = (s.map(s.pos), s.out) if k < 0 else held.at(k)
            raise Fault(line + run.start, *self.walls.refusal(there, kept, run.layer_mm(line)))
        self.told = [
            (HELD, np.flatnonzero(held.beyond & run.is_move)),
            (OUTSIDE, np.flatnonzero(held.outside & run.is_move)),
        ]
        self.machine = held.places

    def _refuse_lost(self) -> None:
        """Refuse a move that extrudes and has to go along an axis of which the file has not said where it is."""
        run, matrix = self.run, self.job.matrix
        for i in (0, 1):
            if not run.known_from[i]:
                continue
            for j in range(i + 1, 3):
                on = run.on(_AXES[j])
                lost = on[
                    (on < run.known_from[i]) & run.extruding[on] & ~np.isin(on, run.on(_AXES[i]))
                ]
                if matrix[i][j] and len(lost):
                    raise Fault(
                        int(lost[0]) + run.start,
                        f"the move needs {_AXES[i]} as well, but the file has not said where {_AXES[i]} is",
                        f"put a move with {_AXES[i]} in absolute coordinates (G90) before it",
                    )

    # -- filament ---------------------------------------------------------------------------

    def _filament(self, wanted: F64) -> None:
        """Sum the filament up and round the sum, so that rounding never adds up."""
        s, f, grain = self.state, self.run.filament, self.state.grain
        if s.e_unsettled:
            self._refuse_unsettled()
        self.sums = np.cumsum(np.concatenate([[s.e_sum], wanted]))
        units = whole(self.sums, grain)
        self.before, self.after = units[:-1], units[1:]
        reset = np.flatnonzero(f.resets)
        since = np.zeros(len(f.on), np.int64)
        since[reset] = np.arange(1, len(reset) + 1)
        if len(reset):
            since = np.maximum.accumulate(since)
        self.at_reset = np.concatenate([[0], self.after[reset]])
        self.named = np.concatenate([[s.e_base], f.value[reset]])
        self.shift = (whole(self.named, grain) - self.at_reset).take(since)

    def _refuse_unsettled(self) -> None:
        f = self.run.filament
        until = int(np.argmax(f.resets)) if f.resets.any() else len(f.on)
        wrong = f.on[:until][~f.relative[:until]]
        if len(wrong):
            raise Fault(
                int(wrong[0]) + self.run.start,
                "how much this E is depends on how the printer has read E under G91 without M83 before",
                "say it with --e-in-g91 relative or absolute",
            )

    def _write_e(self, edits: Edits) -> None:
        f = self.run.filament
        use = np.flatnonzero(~f.resets)
        written = np.where(f.relative, self.after - self.before, self.after + self.shift)
        edits.set(f.word[use], written[use])

    # -- places -----------------------------------------------------------------------------

    def write(self, edits: Edits) -> None:
        """Put the new words into `edits`."""
        if self.writes_e:
            self._write_e(edits)
        if self.job.moves_points:
            for i in range(3):
                if self.job.rewrites[i]:
                    self._write_axis(edits, i)
        if self.arcs:
            self._write_arcs(edits)

    def _write_axis(self, edits: Edits, i: int) -> None:
        run, c = self.run, _AXES[i]
        words, units = run.words[c], self._words(i, self.machine[i])
        on = run.on(c)
        edits.set(words.word, units[on])
        taken = np.zeros(run.count, np.bool_)
        taken[on] = True
        taken[: run.known_from[i]] = True
        for j in range(i + 1, 3):  # an axis that another pulls along is added before it
            if self.job.matrix[i][j]:
                on = run.on(_AXES[j])
                free = np.flatnonzero(~taken.take(on))
                edits.add(run.words[_AXES[j]].word[free], c, units[on[free]])
                taken[on[free]] = True

    def _words(self, i: int, places: F64) -> I64:
        """Return what to write for an axis on each line: its place, or how far it is from the last."""
        s, absolute = self.state, self.run.absolute
        units = whole(places - s.off_out[i], 10 * s.grain)
        if absolute.all():
            return units
        before = np.concatenate([[s.units(s.out[i] - s.off_out[i])], units[:-1]])
        return np.where(absolute, units, units - before)

    def _write_arcs(self, edits: Edits) -> None:
        """Scale the centres of arcs, and spell their motion out: the one before may have become straight moves."""
        run, factor = self.run, self.job.matrix[0][0]
        for c in "IJR" if factor != 1.0 else "":
            arc = run.is_arc[run.on(c)]
            words = run.words[c]
            edits.set(words.word[arc], whole(words.value[arc] * factor, 10 * self.state.grain))
        modal = run.is_arc & (run.table.code[run.start : run.start + run.count] < 0)
        for k in np.flatnonzero(modal).tolist():
            edits.lead(k + run.start, b"G%d" % run.motion[k])

    # -- afterwards ---------------------------------------------------------------------------

    def note(self, gate: Gate, result: Result) -> None:
        """Tell what could not be checked, what was held and how far the nozzle goes."""
        run, s = self.run, self.state
        if self.job.limits.has_volume:
            lost = [run.on(c)[run.on(c) < run.known_from[i]] for i, c in enumerate(_AXES)]
            self.told.append((LOST, np.unique(np.concatenate(lost))))
        for what, lines in self.told:
            if len(lines):
                first = s.line + int(run.table.origin[run.start + lines[0]]) + 1
                gate.list(what, first, len(lines))
        for i in range(3):
            places = [self.machine[i][run.known_from[i] :]]
            if self.arcs and len(self.arcs.at):
                places.append(self.arcs.machine[i])
            for p in places:
                if len(p):
                    result.low_mm[i] = min(result.low_mm[i], float(p.min()) * s.unit_mm)
                    result.high_mm[i] = max(result.high_mm[i], float(p.max()) * s.unit_mm)

    def keep_state(self) -> None:
        """Leave the state as it stands after the last line."""
        run, s, f = self.run, self.state, self.run.filament
        s.pos = [float(v[-1]) for v in run.place]
        s.out = [float(v[-1]) for v in self.machine]
        s.pushed = bool(self.pushed[-1])
        s.known = [k or n < run.count for k, n in zip(s.known, run.known_from, strict=True)]
        if len(f.on):
            s.e_in = float(f.after[-1])
            s.e_unsettled = s.e_unsettled and not f.resets.any()
        if self.writes_e:
            s.e_base = float(self.named[-1])
            s.e_sum = float(self.sums[-1]) - float(self.at_reset[-1]) / ONE
            s.e_units = int((self.after[-1] if len(f.on) else s.e_units) - self.at_reset[-1])
        else:
            s.e_base = s.e_in
        s.absolute, s.e_relative = bool(run.absolute[-1]), bool(run.e_mode[-1])
        s.plane, s.motion = int(run.plane[-1]), int(run.motion[-1])
        at, z_mm, height = run.layers
        if len(at):
            s.layer_z_mm, s.layer_h_mm = float(z_mm[-1]), float(height[-1])
