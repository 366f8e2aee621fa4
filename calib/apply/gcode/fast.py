"""The quick way: a block is cut into runs of plain lines, and the few lines between them are left to `exact`."""

import re

import numpy as np

from calib.apply.gcode.block import INERT, SLOW, Block, parse_block
from calib.apply.gcode.edits import Edits, assemble
from calib.apply.gcode.exact import Exact
from calib.apply.gcode.machine_codes import MODES, RATED, SETTERS
from calib.apply.gcode.run import Run
from calib.apply.gcode.skim import skim_block
from calib.errors import FileError

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
        self.skims = self.job.only_schedules and FEWEST_LINES < _NEVER
        self.stops = stops

    def block(self, data: bytes) -> bytes:
        """Rewrite one block, which must end with a newline."""
        if self.skims and self.state.unit_mm == 1.0:
            stops, exact, fewest = self.stops | RATED, self.exact, max(FEWEST_LINES // 3, 1)
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
            edits.replace(line, int(block.line_end[line]) + 1, new)

    def _careful_lines(self, block: Block, edits: Edits, start: int, stop: int) -> int:
        for line in range(start, stop):
            self._careful(block, edits, line)
        return stop

    def _barriers(self, block: Block) -> list[int]:
        """Return the lines that may change what the lines after them mean, and so end a run."""
        found = []
        keep = self.state.line
        for line in np.flatnonzero(block.kind == SLOW).tolist():
            code = -1 if block.has_stray_return else block.machine_code(line)
            if code < 0 or code in self.stops:
                found.append(line)
            elif code in RATED:  # held against the ratings now; nothing else depends on it
                self.state.line = keep + line
                try:
                    self.exact.line(block.raw(line))
                except FileError:
                    found.append(line)  # a line before it may have to be refused first
        self.state.line = keep
        return found

    def _is_ready(self) -> bool:
        s = self.state
        return s.absolute and s.plane == 17 and all(s.known) and not s.numbered

    def _run(self, block: Block, edits: Edits, start: int, stop: int) -> int:
        """Rewrite lines start..stop; return the first line not done, which the careful way takes."""
        run = Run(self.exact, block, start, stop)
        turn = run.first_change_of_plan()
        last = stop if turn is None else turn
        if not run.plausible or last - start < FEWEST_LINES:
            return self._careful_lines(block, edits, start, last)
        if turn is not None:
            run = Run(self.exact, block, start, turn)
            run.first_change_of_plan()
        try:
            run.check_walls()
        except FileError:
            self._careful_lines(block, edits, start, last)  # refuses the first wrong line
            raise
        run.write(edits)
        run.keep_state()
        return last
