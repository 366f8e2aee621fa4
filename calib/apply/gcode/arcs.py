"""The arcs of a run: where they pass, and the straight moves in place of those that do not stay arcs.

G2 turns clockwise and G3 counter-clockwise seen from +Z; I and J run from the start to the centre in either distance
mode; with R, a positive radius takes the arc of 180 degrees or less: NIST IR 6556, section 3.5.3.
"""

import math
from collections.abc import Callable

import numpy as np

from calib.apply.decimals import F64, I64, ONE, WINDOW, Bool, put_in, write_decimals
from calib.apply.gcode.job import Job
from calib.apply.gcode.run import Fault, Run
from calib.apply.gcode.walls import Walls

#: Straight pieces turn by no more than this, however coarse the tolerance.
LARGEST_STEP = math.pi / 8


class Arcs:
    """One entry per arc, or per straight piece of one where said so."""

    def __init__(self, run: Run, job: Job, to_machine: Callable[[list[F64]], list[F64]]) -> None:
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
        own = [v + o if o else v for v, o in zip((x, y, z), run.state.off_in, strict=True)]
        self.machine = to_machine([x, y, z])
        bent = ~(np.full(len(self.at), job.keeps_helices) | ((z0 == z1) & job.keeps_arcs))
        walls = Walls(job.limits, run.state.unit_mm)
        held = walls.hold(self.machine, own, [0, 0, 0])
        if held is not None:
            on = self.at[self.owner]
            wrong = np.flatnonzero(held.beyond & run.extruding[on])
            if len(wrong):
                raise run.past_wall(int(on[wrong[0]]), int(wrong[0]), self.machine, held, walls)
            bent[self.owner[held.moved]] = True
            self.machine = held.places
        self.bent = np.flatnonzero(bent)  # arcs that become straight moves
        self.kept = self.at[~bent]

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

    def moves(self, places: list[I64], e_begin: I64, e_amount: I64) -> dict[int, list[bytes]]:
        """Return, for each line of the run whose arc does not stay one, the straight moves in its place.

        Parameters
        ----------
        places : three of (n,) int
            Where each piece of any arc ends, as words to be written.
        e_begin, e_amount : (lines of the run,) int
            E before a line (0 where E is relative) and what the line adds to it, as written.
        """
        run, at = self.run, self.at[self.bent]
        move = np.flatnonzero(np.isin(self.owner, self.bent))
        line, count = self.at[self.owner[move]], self.count[self.bent]
        first = np.cumsum(count) - count
        has = {c: np.isin(at, run.on(c)) for c in "ZEF"}
        template = []
        for k, n in enumerate(count.tolist()):
            rest = b"G1 X Y" + b" Z" * bool(has["Z"][k]) + b" E" * bool(has["E"][k])
            template.append(b"\n".join([rest + b" F" * bool(has["F"][k]), *[rest] * (n - 1)]))
        source = b"\0".join(template) + b"\0"
        letters = np.frombuffer(source, np.uint8)
        slots = np.flatnonzero(letters >= ord("E")) + 1
        slots = slots[letters[slots - 1] != ord("G")]
        letter = letters[slots - 1]
        units = np.zeros(len(slots), np.int64)
        speed = np.rint(run.per_line("F", run.words["F"].value) * ONE).astype(np.int64)
        values = {
            "X": places[0][move],
            "Y": places[1][move],
            "Z": places[2][move][has["Z"].repeat(count)],
            "E": self._shares(line, move, first, e_begin, e_amount)[has["E"].repeat(count)],
            "F": speed[at][has["F"]],
        }
        for c, numbers in values.items():
            units[letter == ord(c)] = numbers
        pad = source + b"\n" * WINDOW
        out, _ = put_in(source, pad, slots, slots, write_decimals(units))
        texts = out.split(b"\0")
        return {int(k): text.split(b"\n") for k, text in zip(at, texts, strict=False)}

    def _shares(self, line: I64, move: I64, first: I64, e_begin: I64, e_amount: I64) -> I64:
        """Return the E word of every move: its share of the arc's filament, or the sum so far."""
        grain = self.run.state.grain
        part: I64 = grain * np.rint(e_amount.take(line) * self.t[move] / grain).astype(np.int64)
        alone = np.diff(part, prepend=0)
        alone[first] = part[first]
        return np.where(self.run.e_relative.take(line), alone, e_begin.take(line) + part)


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
