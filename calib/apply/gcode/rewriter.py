"""Blocks of G-code through a job: cut into runs of lines, the few lines between them followed one by one.

Runs end at lines that move the coordinate system (homing, G92 of an axis, a change of unit) and at E words whose
meaning is open. All else a line can do is carried along inside of a run.
"""

import copy
import math

import numpy as np

from calib.apply.decimals import write_decimal
from calib.apply.gcode import numbering
from calib.apply.gcode.arcs import Arcs
from calib.apply.gcode.codes import EVENT, LOSES_PLACE, ODD, TEXT_M, UNMAPPABLE, Gate, M
from calib.apply.gcode.edits import Edits
from calib.apply.gcode.job import Job
from calib.apply.gcode.modes import Modes
from calib.apply.gcode.result import Result
from calib.apply.gcode.run import Fault, Run
from calib.apply.gcode.schedule import Event, Follower, Plan
from calib.apply.gcode.speed import Speeds
from calib.apply.gcode.spelling import Foreign, blank_comments, read_words, respell
from calib.apply.gcode.state import LARGEST, MM_PER_INCH, State
from calib.apply.gcode.table import Table, read_again, read_table
from calib.apply.gcode.writer import Writer
from calib.errors import FileError

_AXES = "XYZ"

FOREIGN = "lines that are no G-code words, copied as they are"
OPEN_E = "E words under G91 without M83, which printers read in two ways, left as they are (see --e-in-g91)"


class Rewriter:
    """Rewrites one block after the other."""

    def __init__(self, job: Job, name: str) -> None:
        self.job, self.name = job, name
        self.state, self.gate = State(job), Gate(job.limits)
        plan = Plan(job)
        self.follower, self.speeds = Follower(plan), Speeds(plan)
        self.newline = b"\n"
        self.dress = b"", b""  # what goes before and behind a line in a file with line numbers
        self.commands = 0  # lines with a command
        self.refused: dict[int, FileError] = {}
        self.result = Result(inserted=self.follower.inserted)

    def copy(self) -> "Rewriter":
        """Return one that goes on from the same place without changing this one."""
        return copy.deepcopy(self)

    def where(self, line: int) -> str:
        """Return file and line for messages, given the line of the block."""
        return f"{self.name} line {self.state.line + line + 1}"

    def block(self, data: bytes) -> bytes:
        """Rewrite one block, which must end with a newline.

        Raises
        ------
        FileError
            A line is damaged, cannot be changed as asked, or goes past the printer's limits.
        """
        self.refused = {}
        if b"\r" in data and data.count(b"\r") != data.count(b"\r\n"):
            self._refuse_returns(data)
        table = read_table(data, self._judge, self._refuse_checksum)
        for line in np.flatnonzero(table.kind == ODD).tolist():  # no plain spelling makes it plain
            self._refuse_unread(table.raw(line), int(table.origin[line]))
        self.commands += int((table.code >= 0).sum())
        out = self._rewritten(table)
        numbered = np.flatnonzero(table.numbered)
        if len(numbered):
            self.dress = table.dress(int(numbered[-1]))
            if out is not data or self.state.shift or not self.job.does_nothing:
                restarts = bool((table.code == M + 1100).any())
                out = numbering.renew(out, self.state, restarts=restarts)
        self.state.line += int(table.origin[-1]) + 1
        return out

    def _rewritten(self, table: Table) -> bytes:
        """Return what the lines of a table become."""
        edits, modes = Edits(table, self.newline), Modes.of(table, self.state)
        try:
            start = self._barriers(table, modes, edits)
            self._until(table, modes, edits, start, len(table.kind))
        except Fault as fault:
            raise fault.told(self.where(int(table.origin[fault.line]))) from None
        return edits.assemble()

    def close(self) -> bytes:
        """Return what is put behind the file's last line."""
        codes = self.follower.close(self.state.line, self.state.layer_z_mm)
        (before, behind), end = self.dress, self.newline
        out = b"".join(before + code.encode() + behind + end for code in codes)
        return numbering.renew(out, self.state, restarts=False) if out and before else out

    def _refuse_unread(self, code: bytes, line: int) -> None:
        text, where = code.decode("utf-8", "replace").strip(), self.where(line)
        mend = "use a decimal point" if "," in text else "mend or drop it"
        self.refused.setdefault(
            line, FileError(f"can't read {text[:60]!r}", where=where, mend=mend)
        )

    def _refuse_returns(self, data: bytes) -> None:
        line = data.count(b"\n", 0, data.replace(b"\r\n", b"\0\n").find(b"\r"))
        self.refused[line] = FileError(
            "a carriage return stands inside the line",
            where=self.where(line),
            mend="save the file with LF or CRLF line endings",
        )

    def _refuse_checksum(self, table: Table) -> None:
        wrong = numbering.wrong_checksum(table)
        if wrong is not None:
            mend = "the file is damaged; slice or copy it again"
            self.refused[wrong[0]] = FileError(wrong[1], where=self.where(wrong[0]), mend=mend)

    def _judge(self, code: bytes, line: int) -> list[bytes] | None:
        """Say what becomes of a line that is not plain; what is refused is told when its turn comes."""
        try:
            return respell(code, self.where(line))
        except Foreign:
            self.gate.list(FOREIGN, self.state.line + line + 1)
        except FileError as err:
            self.refused.setdefault(line, err)
        return None

    # -- cutting ----------------------------------------------------------------------------

    def _barriers(self, table: Table, modes: Modes, edits: Edits) -> int:
        """Go through the block up to its last barrier; return the line after it."""
        stops = {*np.flatnonzero(table.kind == EVENT).tolist()}
        if self.refused:
            stops |= set(np.flatnonzero(np.isin(table.origin, list(self.refused))).tolist())
        if self.job.changes_e:
            stops |= set(np.flatnonzero(modes.e_open).tolist())
        start = 0
        self.events: list[Event] = []
        for line in sorted(stops):
            origin, event = int(table.origin[line]), None
            if table.kind[line] == EVENT and origin not in self.refused:
                event = self._read_event(table, line)
            if event and not self._is_barrier(event):
                self.events.append(event)
                continue
            self._until(table, modes, edits, start, line)  # of which one may be refused first
            if origin in self.refused:
                raise self.refused[origin]
            if event:
                self._pass_barrier(event)
            else:
                self._open_e(table, modes, edits, line)
            start = line + 1
        return start

    def _until(self, table: Table, modes: Modes, edits: Edits, start: int, stop: int) -> None:
        """Do the lines up to a barrier; of several faults the first is told."""
        if start >= stop:
            return
        try:
            self._run(table, modes, edits, start, stop)
        except Fault as fault:
            if fault.line > start:
                self._until(table, modes, edits, start, fault.line)
            raise
        self.events = []

    def _run(
        self,
        table: Table,
        modes: Modes,
        edits: Edits,
        start: int,
        stop: int,
        e_frozen: bool = False,
    ) -> None:
        run, arcs = Run(table, modes, self.state, start, stop), None
        if run.is_arc.any() and (self.job.moves_points or self.job.limits.has_volume):
            arcs = Arcs(run, self.job)
            if len(arcs.bent):
                return self._straighten(arcs, edits)
        events: list[Event] = [(e[0] - start, *e[1:]) for e in self.events if e[0] < stop]
        for line, letter, number, words in events:
            self._check(letter, number, words, line + start, int(table.origin[line + start]))
        f, follower = run.filament, self.follower
        wanted = np.where(run.extruding[f.on] & (f.amount > 0), f.amount * self.job.flow, f.amount)
        drawn, retractions = follower.drawn, 0
        if self.job.retracts:
            wanted, drawn, retractions = follower.retract(run, wanted)
        writer = Writer(run, self.job, arcs, e_frozen, wanted)
        if self.speeds.rows:
            self.result.speeds += self.speeds.change(run, edits)
        # nothing can go wrong from here on
        follower.drawn = drawn
        self.result.retractions += retractions
        if self.job.schedule:
            numbers = self.state.line + 1 + table.origin[start:stop]
            for line, codes in follower.follow(run, events, numbers):
                edits.insert(start + line, [code.encode() for code in codes])
        writer.write(edits)
        writer.note(self.gate, self.result)
        writer.keep_state()

    def _straighten(self, arcs: Arcs, edits: Edits) -> None:
        """Put straight moves in the place of the arcs of a run that do not stay arcs, and do the run as it is then."""
        start, stop = arcs.run.start, arcs.run.start + arcs.run.count
        if self.speeds.rows:
            what = "the file has arcs that have to become straight moves, so speed can't be set by height"
            raise Fault(int(arcs.at[arcs.bent[0]]) + start, what)
        data, counts = arcs.straightened(self.newline)
        origin = arcs.run.table.origin[start:stop].repeat(counts)
        edits.exchange(start, stop, self._rewritten(read_again(data, origin)))
        self.state.motion = int(arcs.run.motion[-1])
        self.result.arcs += len(arcs.bent)

    # -- single lines -----------------------------------------------------------------------

    def _read_event(self, table: Table, line: int) -> Event | None:
        """Read a command that is not a move; None if it is refused."""
        code, origin = blank_comments(table.raw(line)), int(table.origin[line])
        number = (int(table.code[line]) - M) // 10
        if number in TEXT_M:
            return line, "M", float(number), {}
        try:
            words = read_words(code, self.where(origin))
            if len(dict(words)) < len(words):
                raise FileError("a letter is given twice on the line", where=self.where(origin))
        except Foreign:
            self._refuse_unread(code, origin)
            return None
        except FileError as err:
            self.refused[origin] = err
            return None
        command = next((w for w in words if w[0] in "GM"), words[0])
        return line, *command, {c: v for c, v in words if c != command[0]}

    def _is_barrier(self, event: Event) -> bool:
        _, letter, number, words = event
        if letter != "G":
            return False
        if number in (20, 21):
            return self.state.unit_mm != (MM_PER_INCH if number == 20 else 1.0)
        if number == 10:
            return "L" in words
        return number in (28, 92) or number in LOSES_PLACE or number in UNMAPPABLE

    def _check(
        self, letter: str, number: float, words: dict[str, float], line: int, origin: int
    ) -> None:
        """Hold what a line sets against the printer's ratings."""
        if letter == "T":
            return
        try:
            self.gate.check(letter, number, words, self.state.line + origin + 1, "")
        except FileError as err:
            raise Fault(line, err.what, err.mend) from None

    def _pass_barrier(self, event: Event) -> None:
        line, _, number, words = event
        state, given = self.state, [i for i, c in enumerate(_AXES) if c in words]
        if number in (20, 21):
            state.change_unit(MM_PER_INCH if number == 20 else 1.0)
        elif number == 28:
            state.forget(given or [0, 1, 2])
        elif number == 92:
            self._rename(line, words, given)
        else:
            if number in UNMAPPABLE and self.job.moves_points:
                raise Fault(
                    line,
                    f"G{number:g} is {UNMAPPABLE[number]}, which can't be scaled or skewed",
                    "slice without it, or put the correction on the model instead",
                )
            self.gate.list(f"G{number:g} goes where the file does not say", state.line + line + 1)
            if number in LOSES_PLACE:
                state.forget([0, 1, 2])

    def _rename(self, line: int, words: dict[str, float], given: list[int]) -> None:
        """G92: name the present place anew."""
        bare = not given and "E" not in words
        for c in "XYZE":
            value = words.get(c, 0.0)
            if not abs(value) < LARGEST:
                shown = "no number" if math.isnan(value) else f"{value:g}"
                raise Fault(line, f"{c} has {shown}, which is no coordinate", "the file is damaged; slice it again")  # fmt: skip
        self.state.declare({i: words.get(_AXES[i], 0.0) for i in (range(3) if bare else given)})
        if bare or "E" in words:
            self.state.reset_e(words.get("E", 0.0))

    def _open_e(self, table: Table, modes: Modes, edits: Edits, line: int) -> None:
        """Leave an E word as it is whose meaning is open; before it, have E named as the file counts it.

        So it means the same as in the file, whether the printer takes it as relative or not.
        """
        state = self.state
        if state.units_e(state.e_base) + state.e_units != state.units_e(state.e_in):
            edits.insert(line, [b"G92 E" + write_decimal(state.units_e(state.e_in)).encode()])
        state.reset_e(state.e_in)
        self._run(table, modes, edits, line, line + 1, e_frozen=True)
        state.e_unsettled = True
        self.gate.list(OPEN_E, state.line + int(table.origin[line]) + 1)
