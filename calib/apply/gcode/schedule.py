"""Settings by height: looked up by layer, and put before the first extrusion of the right one.

The material a nozzle lays down at height z lies below z, so a layer belongs to the row that holds its middle.
"""

import math
import re
from bisect import bisect_right

import numpy as np

from calib.apply.decimals import F64, I64
from calib.apply.gcode.codes import SETTERS, Gate
from calib.apply.gcode.job import Job
from calib.apply.gcode.run import Fault, Run
from calib.apply.gcode.spelling import Foreign, read_words
from calib.apply.limits import Limits
from calib.errors import BadInput
from calib.model.setting import SETTINGS, plausible
from patterns.schedule import ScheduleRow

#: Slack on a row's edges against the rounding of heights, mm.
EDGE_SLACK_MM = 1e-6

#: Settings that can be put between the lines of a sliced file, and those that change its E and F words.
KNOWN = (
    "hot_end_c", "flow_percent", "fan_percent", "speed_percent", "retraction_mm", "speed_mm_s",
)  # fmt: skip
IN_WORDS = ("retraction_mm", "speed_mm_s")

#: Settings whose row in a schedule is a share of what the file itself asks for.
_SHARES = ("flow_percent", "speed_percent")

Event = tuple[int, str, float, dict[str, float]]  # line of the run, letter, number, words


class Plan:
    """Rows of a schedule, looked up by height.

    Parameters
    ----------
    job : Job
        Its rows of one setting must not overlap; gaps leave the file's own setting in force.

    Raises
    ------
    BadInput
        Rows overlap, a value is out of range or past the rating, or a setting cannot be put into G-code.
    """

    def __init__(self, job: Job) -> None:
        self.job = job
        rows = sorted(job.schedule, key=lambda r: (r.setting, r.z_from_mm))
        for row in rows:
            _check_row(row, job)
        _refuse_overlap(rows)
        self.rows: dict[str, list[ScheduleRow]] = {}
        for row in rows:
            self.rows.setdefault(row.setting, []).append(row)
        self.starts = {s: [r.z_from_mm for r in mine] for s, mine in self.rows.items()}
        self.edges_mm = np.array(sorted({z for r in rows for z in (r.z_from_mm, r.z_to_mm)}))
        if job.line and len(self.rows) > 1:
            raise BadInput(
                f"the schedule has {len(self.rows)} settings, the line is for one", where="--line"
            )
        if any(r.limited for r in rows) and (job.line or job.moves_points):
            raise BadInput(
                "a speed along X goes by F words into a file that keeps its places",
                where="schedule",
            )

    def value(self, setting: str, interval: int) -> float | None:
        """Return what a row asks for between two edges (interval 0: below all)."""
        if not 0 < interval < len(self.edges_mm):
            return None
        middle = float(self.edges_mm[interval - 1] + self.edges_mm[interval]) / 2
        k = bisect_right(self.starts[setting], middle) - 1
        row = self.rows[setting][k] if k >= 0 else None
        return row.value if row and middle < row.z_to_mm else None

    def line(self, setting: str, value: float) -> str:
        """Return the line that sets `setting`; a fan's full speed is 255 by common practice."""
        if self.job.line:
            return f"{filled(self.job.line, value)} ; a line of the user's own"
        code = SETTINGS[setting].code
        if setting == "fan_percent":
            return f"{code}{round(value * 2.55)}" if value else "M107"
        return f"{code.replace('M104', 'M109') if self.job.wait else code}{value:g}"


def _refuse_overlap(rows: list[ScheduleRow]) -> None:
    """Refuse rows, sorted by setting and height, of which two ask something of the same place."""
    for i, low in enumerate(rows):
        for k in range(i + 1, len(rows)):
            high = rows[k]
            if high.setting != low.setting or high.z_from_mm >= low.z_to_mm:
                break
            if low.overlaps(high):
                raise BadInput(
                    f"two rows for {low.setting} overlap at {high.z_from_mm:g} mm",
                    where="schedule",
                    mend="end one row where the next begins",
                )


def filled(line: str, value: float) -> str:
    """Return a line of the user's own with a value in it."""
    return line.replace("{value}", f"{value:.10g}")


def _check_row(row: ScheduleRow, job: Job) -> None:
    where = f"schedule, {row.z_from_mm:g} to {row.z_to_mm:g} mm"
    if job.line:
        _check_line(filled(job.line, row.value), job)
        return
    if row.setting not in KNOWN:
        raise BadInput(
            f"{row.setting} cannot be changed inside a sliced file",
            where=where,
            mend=f"use {', '.join(KNOWN)}, or give the line that sets it with --line",
        )
    plausible(row.setting, row.value, where=where)
    if row.setting == "hot_end_c":
        _check_rating(row.value, job.limits, where)


def _check_rating(value_c: float, limits: Limits, where: str) -> None:
    if limits.hot_end_max_c is None:
        raise BadInput(
            "the hot end's highest rated temperature is not known",
            where=where,
            mend="give it with --hot-end-max, or name the --printer",
        )
    if value_c > limits.hot_end_max_c:
        raise BadInput(
            f"{value_c:g} degC is more than the hot end's rated {limits.hot_end_max_c:g} degC",
            where=where,
            mend="lower it, or correct the rating if it is wrong",
        )


def _check_line(line: str, job: Job) -> None:
    """Refuse a line of the user's own that moves, changes a mode, or heats past a rating."""
    where = f"--line {job.line!r}"
    if "{value}" not in job.line or not line.isprintable() or not line.strip():
        raise BadInput("it must be one line with {value} in it", where=where)
    if line.lstrip()[0] in ";(/%*":
        raise BadInput("it is a comment, which sets nothing", where=where)
    try:
        words = read_words(line.partition(";")[0].encode(), where)
    except Foreign:
        if re.match(r"\s*(?:[GT]|N)\s*[0-9]", line.upper()):
            raise BadInput("it can't be read", where=where) from None
        return
    codes = [w for w in words if w[0] in "GMNT"]
    if [c for c, _ in codes] != ["M"] or codes[0][1] in (82, 83, 110):
        raise BadInput("it may not move the printer or change a mode", where=where)
    Gate(job.limits).check("M", codes[0][1], dict(words), 0, where)
    if SETTERS.get(int(codes[0][1])) == "hot_end_c":
        plausible("hot_end_c", dict(words).get("S", math.nan), where=where)


class Follower:
    """Goes through a file by a plan; remembers what the file itself asks for, and what is in force."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.interval, self.settled, self.tool = 0, False, 0
        self.own: dict[tuple[str, int], float] = {}
        self.in_force: dict[tuple[str, int], float] = {}
        self.inserted: list[tuple[int, float, str]] = []  # line, height mm, code
        self.drawn = (0.0, 0.0)  # retraction not yet given back: the file's, as written

    def intervals(self, run: Run) -> I64:
        """Return between which edges each extruding move of a run is (0: below all)."""
        _, z_mm, height = run.layers
        edges = self.plan.edges_mm
        return np.searchsorted(edges, z_mm - height / 2 + EDGE_SLACK_MM, side="right")

    def follow(self, run: Run, events: list[Event], numbers: I64) -> list[tuple[int, list[str]]]:
        """Return the lines that are to go before lines of the run, whose numbers in the file are given."""
        at, z_mm, _ = run.layers
        inner = self.intervals(run)
        turns = np.flatnonzero(np.diff(inner, prepend=self.interval))
        points = {*turns.tolist(), *np.searchsorted(at, [e[0] for e in events]).tolist()}
        if not self.settled:
            points.add(0)
        found, e = [], 0
        for k in sorted(p for p in points if p < len(at)):
            while e < len(events) and events[e][0] < at[k]:
                self._remember(events[e])
                e += 1
            codes = self._settle(int(inner[k]))
            if codes:
                found.append((int(at[k]), codes))
                line = int(numbers[at[k]])
                self.inserted += [(line, float(z_mm[k]), code) for code in codes]
        for event in events[e:]:
            self._remember(event)
        if len(at):
            self.interval = int(inner[-1])
        return found

    def _remember(self, event: Event) -> None:
        _, letter, number, words = event
        if letter == "T":
            self.tool, self.settled = int(max(number, 0)), False
            return
        setting = SETTERS.get(int(number)) if letter == "M" else None
        value = words.get("S", words.get("R", math.nan))
        if number == 107:
            value = 0.0
        elif number == 106:
            value = words.get("S", 255.0) / 2.55
        if setting is None or math.isnan(value) or (number == 106 and words.get("P", 0.0) != 0.0):
            return  # M106 P is another fan than the one on the part
        tool = int(words["T"]) if words.get("T", -1) >= 0 else self.tool
        self.own[self._key(setting, tool)] = self.in_force[self._key(setting, tool)] = value
        self.settled = False

    def _key(self, setting: str, tool: int | None = None) -> tuple[str, int]:
        """Return where a setting's value is kept; each tool has its own temperature and flow."""
        per_tool = setting in ("hot_end_c", "flow_percent")
        return setting, (self.tool if tool is None else tool) if per_tool else 0

    def _settle(self, interval: int) -> list[str]:
        """Return the lines that bring every setting to what its row wants, or back to the file's own."""
        self.settled = True
        codes = []
        for setting in self.plan.rows:
            if setting in IN_WORDS and not self.plan.job.line:
                continue
            neutral = 100.0 if setting in _SHARES else None
            own = self.own.get(self._key(setting), neutral)
            value = self.plan.value(setting, interval)
            if value is None:
                value = own
            elif setting in _SHARES and own is not None and not self.plan.job.line:
                value *= own / 100.0
            if value is not None and self.in_force.get(self._key(setting), neutral) != value:
                self.in_force[self._key(setting)] = value
                codes.append(self.plan.line(setting, value))
        return codes

    def close(self, line: int, z_mm: float) -> list[str]:
        """Return the lines for the end of the file, so that nothing outlives the print.

        A line of the user's own is set to what its highest row says, which is above the print where
        the piece has one for that; shares go back to the file's own. Heat and fan are the file's own
        matter: it has switched them off by then.
        """
        codes = []
        for setting, rows in self.plan.rows.items():
            key = self._key(setting)
            if self.plan.job.line:
                value = rows[-1].value
            elif setting in _SHARES:
                value = self.own.get(key, 100.0)
            else:
                continue
            if self.in_force.get(key, value) != value:
                codes.append(self.plan.line(setting, value))
        self.inserted += [(line, z_mm, code) for code in codes]
        return codes

    # -- retraction -------------------------------------------------------------------------

    def retract(self, run: Run, wanted: F64) -> tuple[F64, tuple[float, float], int]:
        """Change how far moves of E alone draw back, and give back as much; also returns what is still drawn back.

        Raises
        ------
        Fault
            A retraction that was changed is not given back before the next extruding move.
        """
        f, (own, written), count = run.filament, self.drawn, 0
        wanted = wanted.copy()
        at, inner = run.layers[0], self.intervals(run)
        alone = np.ones(run.count, np.bool_)
        for c in "XYZ":
            alone[run.on(c)] = False
        printed = 0  # extruding moves up to the last change of what is drawn back
        for k in np.flatnonzero(~run.extruding[f.on] & ~f.resets & (f.amount != 0)).tolist():
            line, amount = int(f.on[k]), float(f.amount[k])
            so_far = int(np.searchsorted(at, line))
            if own > 0 and own != written and so_far != printed:
                raise Fault(
                    int(at[printed]) + run.start,
                    "it extrudes before the retraction is given back, so that can't be set by height",
                    "slice with a retraction that is given back by a move of E alone",
                )
            printed = so_far
            interval = int(inner[so_far - 1]) if so_far else self.interval
            value_mm = self.plan.value("retraction_mm", interval) if alone[line] else None
            value = None if value_mm is None else value_mm / run.state.unit_mm
            if amount < 0:
                changed = value is not None and own == 0
                back = value if changed and value is not None else -amount
                own, written, count = own - amount, written + back, count + changed
                wanted[k] = -back
            elif own > 0:
                share = min(amount / own, 1.0)
                wanted[k] = share * written + max(amount - own, 0.0)
                own, written = (
                    (own * (1 - share), written * (1 - share)) if share < 1 else (0.0, 0.0)
                )
        return wanted, (own, written), count
