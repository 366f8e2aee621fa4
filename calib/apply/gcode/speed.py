"""The speed of extruding by height, and along X: new F words, while travel keeps the file's own.

F is modal, so a move that extrudes gets a word of its own where the speed changes, and so does the first
travel after it. A move belongs where its middle is.
"""

import math

import numpy as np

from calib.apply.decimals import F64, I64, ONE
from calib.apply.gcode.edits import Edits
from calib.apply.gcode.modes import carried
from calib.apply.gcode.run import Fault, Run
from calib.apply.gcode.schedule import EDGE_SLACK_MM, Plan

#: A move that goes further than this beyond an edge along X should have ended there.
_CROSSING_MM = 1.0
#: Last place of F that is written: a thousandth of the unit a minute.
_STEP = ONE // 1000


class Speeds:
    """Follows the speed that a file asks for, and the one that is written, both in mm/min."""

    def __init__(self, plan: Plan) -> None:
        self.rows = [] if plan.job.line else plan.rows.get("speed_mm_s", [])
        self.own = self.written = math.nan
        self.crossing = 0  # moves that cross an edge along X

    def change(self, run: Run, edits: Edits) -> int:
        """Put the speeds of the schedule into a run; return how many moves go at them.

        Raises
        ------
        Fault
            A travel after a changed move never had a speed.
        """
        f = run.words["F"]
        on = f.line - run.start
        own = carried(run.count, self.own, on, f.value * run.state.unit_mm)
        wanted, changed, crossing = self._wanted(run, own)
        moves = np.flatnonzero(run.is_move & (_first_words(run) < len(run.table.at)))
        if not len(moves):
            return 0
        before = np.concatenate([[self.written], wanted[moves[:-1]]])
        lost = moves[np.isnan(wanted[moves]) & ~np.isnan(before)]
        if len(lost):
            what = "the file has no speed for its travel, so speed can't be set by height"
            raise Fault(int(lost[0]) + run.start, what)
        units = (np.rint(np.nan_to_num(wanted) / run.state.unit_mm * (ONE / _STEP)) * _STEP).astype(np.int64)  # fmt: skip
        spelled = np.zeros(run.count, np.bool_)
        spelled[on] = True
        other = wanted[on] != own[on]
        edits.set(f.word[other], units[on[other]])
        bare = moves[~spelled[moves] & (wanted[moves] != before) & ~np.isnan(wanted[moves])]
        edits.add(_first_words(run)[bare], "F", units[bare])
        self.own, self.written = float(own[-1]), float(wanted[moves[-1]])
        self.crossing += crossing
        return changed

    def _wanted(self, run: Run, own: F64) -> tuple[F64, int, int]:
        """Return the speed of each line, how many moves are the schedule's, and how many cross an edge along X."""
        s, wanted = run.state, own.copy()
        at, z_mm, height = run.layers
        middle = z_mm - height / 2 + EDGE_SLACK_MM
        ends = [(v[0][at] + s.off_in[0]) * s.unit_mm for v in (run.before, run.place)]
        x_mm, half = (ends[0] + ends[1]) / 2, np.abs(ends[0] - ends[1]) / 2 - _CROSSING_MM
        count = crossing = 0
        for r in self.rows:
            inside = (r.z_from_mm <= middle) & (middle < r.z_to_mm)
            mine = at[inside & (r.x_from_mm <= x_mm) & (x_mm < r.x_to_mm)]
            wanted[mine] = 60.0 * r.value
            count += len(mine)
            crossing += int((inside & (np.abs(x_mm - r.x_from_mm) < half)).sum())
        return wanted, count, crossing


def _first_words(run: Run) -> I64:
    """Return the first word of each line that goes with a move, behind its command; past all words where none is."""
    first = np.full(run.count, len(run.table.at))
    for column in run.words.values():
        np.minimum.at(first, column.line - run.start, column.word)
    return first
