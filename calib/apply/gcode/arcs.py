"""The arcs of a run: where they pass, and the straight moves in place of those that do not stay arcs.

G2 turns clockwise and G3 counter-clockwise seen from +Z; I and J run from the start to the centre in either distance
mode; with R, a positive radius takes the arc of 180 degrees or less: NIST IR 6556, section 3.5.3.
"""

import math
from functools import cache

import numpy as np

from calib.apply.decimals import F64, I64, WINDOW, Bool, put_in, whole, write_decimals
from calib.apply.gcode.job import Job
from calib.apply.gcode.run import Fault, Run
from calib.apply.gcode.walls import Walls

#: Straight pieces turn by no more than this, however coarse the tolerance.
LARGEST_STEP = math.pi / 8

#: Where a number goes; no text has this byte.
_SLOT = b"\1"


class Arcs:
    """One entry per arc, or per straight piece of one where said so."""

    def __init__(self, run: Run, job: Job) -> None:
        self.run, self.job = run, job
        self.at = self._followed()  # lines of the run
        x0, y0, z0 = (v[self.at] for v in run.before)
        x1, y1, z1 = (v[self.at] for v in run.place)
        i, j = self._centres()
        turn = np.where(run.motion[self.at] == 3, 1.0, -1.0)
        begin, sweep, end_radius = sweeps(x0, y0, x1, y1, i, j, turn)
        radius = np.hypot(i, j)
        self._refuse_broken(radius, end_radius)
        self.count = pieces(radius, sweep, job.arc_tolerance_mm / run.state.unit_mm)
        self.owner, self.t = split(self.count)
        angle = begin.repeat(self.count) + sweep.repeat(self.count) * self.t
        r = radius.repeat(self.count) + (end_radius - radius).repeat(self.count) * self.t
        x = (x0 + i).repeat(self.count) + r * np.cos(angle)
        y = (y0 + j).repeat(self.count) + r * np.sin(angle)
        z = z0.repeat(self.count) + (z1 - z0).repeat(self.count) * self.t
        self.last = np.cumsum(self.count) - 1
        x[self.last], y[self.last], z[self.last] = x1, y1, z1
        self.places = [x, y, z]
        own = [v + o if o else v for v, o in zip(self.places, run.state.off_in, strict=True)]
        self.machine = run.state.map(self.places)
        bent = ~(np.full(len(self.at), job.keeps_helices) | ((z0 == z1) & job.keeps_arcs))
        walls = Walls(job.limits, run.state.unit_mm)
        held = walls.hold(self.machine, own, [0, 0, 0])
        on = self.at[self.owner]
        wrong = np.flatnonzero(held.beyond & run.extruding[on])
        if len(wrong):
            k = int(wrong[0])
            raise Fault(int(on[k]) + run.start, *walls.refusal(*held.at(k), run.layer_mm(int(on[k]))))  # fmt: skip
        bent[self.owner[held.moved]] = True
        self.bent = np.flatnonzero(bent)  # arcs that become straight moves
        fed = np.isin(self.at, run.on("E")) & run.e_open[self.at] & bent
        if fed.any():
            what = "an arc has to become straight moves, but how its E is read is open"
            raise Fault(int(self.at[fed][0]) + run.start, what, "say it with --e-in-g91")

    def _followed(self) -> I64:
        """Return the arcs whose path is known; the others are refused if they had to be changed."""
        run = self.run
        at = np.flatnonzero(run.is_arc)
        several = np.abs(run.per_line("P", run.words["P"].value) - 1.0).take(at) > 0
        several &= np.isin(at, run.on("P"))
        start = max(run.known_from[i] + (not run.state.known[i]) for i in (0, 1))
        doubts = (
            (run.plane.take(at) != 17, "an arc in plane G18 or G19 can't be changed", "slice without arcs"),
            (several, "an arc of several turns (P) can't be changed", "slice without arcs"),
            (at < start, "an arc begins where the file has not said the printer is",
             "put a straight move in absolute coordinates (G90) before it"),
        )  # fmt: skip
        good = np.ones(len(at), np.bool_)
        for wrong, what, mend in doubts:
            if self.job.moves_points and wrong.any():
                line = int(at[np.flatnonzero(wrong)[0]]) + run.start
                raise Fault(line, what, mend)
            good &= ~wrong
        return at[good]

    def _centres(self) -> tuple[F64, F64]:
        """Return I and J of each arc, worked out where R is given."""
        run, at = self.run, self.at
        i, j = (run.per_line(c, run.words[c].value).take(at) for c in "IJ")
        has = np.isin(at, np.concatenate([run.on("I"), run.on("J")]))
        by_radius = np.flatnonzero(np.isin(at, run.on("R")))
        if len(by_radius):
            has[by_radius] = True
            on = at[by_radius]
            radius = run.per_line("R", run.words["R"].value).take(on)
            dx, dy = (run.place[k][on] - run.before[k][on] for k in (0, 1))
            i[by_radius], j[by_radius], exists = centres_of_radius(
                dx, dy, radius, run.motion[on] == 2
            )
            if not exists.all():
                k = int(np.flatnonzero(~exists)[0])
                raise Fault(int(on[k]) + run.start, f"no arc of radius {radius[k]:g} joins its start and end")  # fmt: skip
        if not has.all():
            raise Fault(int(at[np.flatnonzero(~has)[0]]) + run.start, "an arc without I, J or R")
        return i, j

    def _refuse_broken(self, radius: F64, end_radius: F64) -> None:
        """Refuse arcs whose start and end are so unlike far from the centre that it is no rounding (0.1 mm, 2 %)."""
        unit_mm = self.run.state.unit_mm
        far_mm = np.abs(radius - end_radius) * unit_mm
        wrong = np.flatnonzero(far_mm > np.maximum(0.1, 0.02 * radius * unit_mm))
        if len(wrong):
            k = int(wrong[0])
            raise Fault(
                int(self.at[k]) + self.run.start,
                f"the arc's centre is {radius[k]:g} from its start but {end_radius[k]:g} from its end",
                "the file is damaged, or I and J are not relative to the start",
            )

    def straightened(self, newline: bytes) -> tuple[bytes, I64]:
        """Return the run's lines with straight moves for arcs that do not stay arcs, and how many lines each became."""
        run, table = self.run, self.run.table
        at = self.at[self.bent]
        count = np.ones(run.count, np.int64)
        count[at] = self.count[self.bent]
        has = np.zeros((run.count, 5), np.bool_)
        has[at] = np.column_stack([np.isin(at, run.on(c)) | (c in "XY") for c in "XYZEF"])
        arcs = np.flatnonzero(run.is_arc)
        on = arcs + run.start
        lasts, rows = table.end[table.first[on + 1] - 1].tolist(), has[arcs].tolist()
        done, parts = int(table.start[run.start]), []
        each = zip(on.tolist(), count[arcs].tolist(), rows, table.begin[on].tolist(), lasts, strict=True)  # fmt: skip
        for line, n, words, begin, last in each:
            parts.append(table.data[done:begin])
            if words[0]:
                parts.append(_moves(n, tuple(words), newline, table.dress(line)))
            elif table.code[line] < 0:  # the move before it may have another G-code now
                parts.append(b"G%d " % run.motion[line - run.start])
            done = last if words[0] else begin
        parts.append(table.data[done : table.stop[run.start + run.count - 1] + 1])
        text = b"".join(parts)
        units, first = self._units()
        wanted = has.repeat(count * has[:, 0], axis=0)
        wanted[:, 4] &= first
        slots = np.flatnonzero(np.frombuffer(text, np.uint8) == _SLOT[0])
        new = write_decimals(units[wanted])
        return put_in(text, text + b"\n" * WINDOW, slots, slots + 1, new)[0], count

    def _units(self) -> tuple[I64, Bool]:
        """Return X, Y, Z, E and F of each straight move as the file counts them, and which is the first of its arc."""
        run, job, grain, f = self.run, self.job, self.run.state.grain, self.run.filament
        move = np.flatnonzero(np.isin(self.owner, self.bent))
        line, first = self.at[self.owner[move]], np.diff(self.owner[move], prepend=-1) > 0
        e_before, amount, e_relative = (
            run.per_line("E", v)[line] for v in (f.before, f.amount, f.relative)
        )
        axes = [
            (self.places[i][move], run.before[i][line], ~run.absolute[line], 1 if job.rewrites[i] else 10 * grain)
            for i in range(3)
        ]  # fmt: skip
        axes.append((e_before + amount * self.t[move], e_before, e_relative, grain))
        units = np.zeros((len(move), 5), np.int64)
        for k, (end, begin, relative, step) in enumerate(axes):
            there, before = whole(end, step), whole(begin, step)
            before[1:] = np.where(first[1:], before[1:], there[:-1])
            units[:, k] = np.where(relative, there - before, there)
        units[:, 4] = whole(run.per_line("F", run.words["F"].value)[line], 1)
        return units, first


@cache
def _moves(n: int, words: tuple[bool, ...], newline: bytes, dress: tuple[bytes, bytes]) -> bytes:
    """Return straight moves with room for numbers; of X, Y, Z, E and F those that `words` says, F on the first alone."""
    before, behind = dress
    move = b"G1" + b"".join(b" %c" % c + _SLOT for c, there in zip(b"XYZE", words[:4], strict=True) if there)  # fmt: skip
    first = move + (b" F" + _SLOT) * words[4]
    return (behind + newline + before).join([first, *[move] * (n - 1)])


def centres_of_radius(dx: F64, dy: F64, radius: F64, clockwise: Bool) -> tuple[F64, F64, Bool]:
    """Return I and J of arcs given by chord and radius, and whether such an arc exists."""
    chord = np.hypot(dx, dy)
    exists: Bool = (chord > 0) & (np.abs(radius) >= 0.5 * chord * (1 - 1e-4))
    height = np.sqrt(np.maximum(0.0, radius * radius - 0.25 * chord * chord))
    side = np.where(clockwise == (radius > 0), -height, height) / np.where(exists, chord, 1.0)
    return dx / 2 - dy * side, dy / 2 + dx * side, exists


def sweeps(x0: F64, y0: F64, x1: F64, y1: F64, i: F64, j: F64, turn: F64) -> tuple[F64, F64, F64]:
    """Return start angle, signed sweep and end radius.

    Parameters
    ----------
    x0, y0, x1, y1, i, j : (n,) float
        Start, end, and centre minus start.
    turn : (n,) float
        +1 counter-clockwise, -1 clockwise. Equal start and end make a full circle.
    """
    ex, ey = x1 - (x0 + i), y1 - (y0 + j)
    begin = np.arctan2(-j, -i)
    angle = np.mod(turn * (np.arctan2(ey, ex) - begin), 2 * np.pi)
    same = (x0 == x1) & (y0 == y1)
    angle = np.where(same | (angle < 1e-9), 2 * np.pi, angle)
    return begin, turn * angle, np.hypot(ex, ey)


def pieces(radius: F64, sweep: F64, tolerance: float) -> I64:
    """Return how many straight pieces keep within `tolerance` of each arc (chord height)."""
    share = np.clip(tolerance / np.maximum(radius, 1e-12), 0.0, 1.0)
    step = np.minimum(2 * np.arccos(1 - share), LARGEST_STEP)
    count: I64 = np.maximum(1, np.ceil(np.abs(sweep) / step - 1e-9)).astype(np.int64)
    return count


def split(count: I64) -> tuple[I64, F64]:
    """Return for every piece which arc it belongs to, and how far along the arc it ends (0 to 1]."""
    owner = np.repeat(np.arange(len(count)), count)
    first = np.cumsum(count) - count
    k = np.arange(len(owner)) - first[owner] + 1
    return owner, k / count[owner]
