"""An independent look at what a G-code file prints, to hold the corrected file against the original.

Written apart from the rewriter on purpose: it shares no code with it, reads one line at a time, and follows nothing
but motion, filament and temperature. What it expects of the corrected file it works out from the original by itself.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

from calib.apply.gcode.job import Job

Rows = tuple[tuple[float, float, float], ...]

_WORD = re.compile(r"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+))")
_COMMENT = re.compile(r"\([^)]*\)|;.*|\*\s*\d+\s*$")
_TEXT = re.compile(r"\s*(?:N\d+\s*)?M(?:23|28|30|117|118)(?!\d)")


@dataclass(slots=True)
class Path:
    """What is printed: lengths in mm, per height the hot-end temperature at the first extrusion."""

    extruded_mm: float = 0.0  # filament laid down while moving in XY
    fed_mm: float = 0.0  # all filament pushed forward, so with what follows a retraction
    retracted_mm: float = 0.0
    length_mm: float = 0.0  # of extruding moves
    travel_mm: float = 0.0
    arcs: int = 0
    low_mm: list[float] = field(default_factory=lambda: [math.inf] * 3)
    high_mm: list[float] = field(default_factory=lambda: [-math.inf] * 3)
    hottest_c: float = 0.0
    layers: list[tuple[float, float, float | None]] = field(default_factory=list)  # z, middle, degC


@dataclass(slots=True)
class Check:
    """One comparison: what was expected, what was found, and whether they agree."""

    what: str
    expected: str
    found: str
    good: bool


class _Reader:
    def __init__(
        self, matrix: Rows, centre: tuple[float, float, float], undo: Rows | None = None
    ) -> None:
        self.rows = [list(row) for row in matrix]
        self.undo = undo
        self.centre = centre
        self.path = Path()
        self.at: list[float | None] = [None] * 3  # machine, mm
        self.shift = [0.0] * 3
        self.e = 0.0
        self.unit = 1.0
        self.absolute, self.relative_e = True, False
        self.mode: int | None = None
        self.tool = 0
        self.hot: dict[int, float] = {}
        self.layer = (0.0, 0.0)

    def mapped(self, point: list[float]) -> list[float]:
        d = [p - c for p, c in zip(point, self.centre, strict=True)]
        return [
            sum(r * v for r, v in zip(row, d, strict=True)) + c
            for row, c in zip(self.rows, self.centre, strict=True)
        ]

    def line(self, text: str) -> None:
        text = text.upper()
        if _TEXT.match(text):
            return
        text = _COMMENT.sub("", text)
        words = _WORD.findall(text)
        if not words or words[0][0] not in "GMTNXYZE":
            return
        given = {c: float(v) for c, v in words}
        for c, v in words:
            if c == "M":
                self.machine(float(v), given)
            elif c == "T" and "M" not in given:
                self.tool = int(float(v))
        codes = [float(v) for c, v in words if c == "G"]
        busy = "M" in given and not codes
        for g in codes:
            busy = self.mode_code(g, given) or busy
            if g in (0, 1, 2, 3):
                self.mode, busy = int(g), False
        if not busy and self.mode is not None and any(c in given for c in "XYZEIJR"):
            self.move(given)

    def machine(self, code: float, given: dict[str, float]) -> None:
        if code in (82, 83):
            self.relative_e = code == 83
        elif code in (104, 109) and ("S" in given or "R" in given):
            value = given.get("S", given.get("R", 0.0))
            self.hot[int(given.get("T", self.tool))] = value
            self.path.hottest_c = max(self.path.hottest_c, value)

    def mode_code(self, g: float, given: dict[str, float]) -> bool:
        """Follow a code that is not motion; return whether it uses up the axis words."""
        if g in (20, 21):
            new = 25.4 if g == 20 else 1.0
            self.e *= self.unit / new
            self.unit = new
        elif g in (90, 91):
            self.absolute = g == 90
        elif g == 28:
            for i, c in enumerate("XYZ"):
                if c in given or not any(a in given for a in "XYZ"):
                    self.at[i], self.shift[i] = None, 0.0
        elif g == 92:
            for i, c in enumerate("XYZ"):
                if c in given:
                    value = given[c] * self.unit
                    if self.at[i] is None:
                        self.at[i] = value
                    self.shift[i] = self.at[i] - value  # type: ignore[operator]
            self.e = given.get("E", self.e)
        return g in (28, 92, 4, 10, 29)

    def move(self, given: dict[str, float]) -> None:
        old = list(self.at)
        for i, c in enumerate("XYZ"):
            if c in given:
                value = given[c] * self.unit
                if self.absolute:
                    self.at[i] = value + self.shift[i]
                elif self.at[i] is not None:
                    self.at[i] += value  # type: ignore[operator]
        filament = 0.0
        if "E" in given:
            value = given["E"]
            filament = (value if self.relative_e else value - self.e) * self.unit
            self.e = value
        arc = self.mode in (2, 3)
        self.path.retracted_mm -= min(filament, 0.0)
        self.path.fed_mm += max(filament, 0.0)
        if None in self.at or None in old:
            moved = arc or any(c in given and old[i] != self.at[i] for i, c in enumerate("XY"))
            if moved and filament > 0:
                self.path.extruded_mm += filament
            return
        begin, end = [v or 0.0 for v in old], [v or 0.0 for v in self.at]
        points = self.arc(begin, end, given) if arc else [begin, end]
        moved = arc or self.goes_sideways([b - a for a, b in zip(begin, end, strict=True)])
        # an amount that is rounded to nothing in one file may not be in the other
        laid = "E" in given and filament >= 0 and moved
        self.along(points, filament if laid else None)

    def goes_sideways(self, step: list[float]) -> bool:
        """Tell whether a move goes along X or Y, in the original's coordinates and beyond rounding."""
        if self.undo is None:
            return step[0] != 0 or step[1] != 0
        (a, b, c), (_, d, e), (_, _, f) = self.undo
        z = step[2] / f
        y = (step[1] - e * z) / d
        return math.hypot((step[0] - b * y - c * z) / a, y) > 3e-4

    def along(self, points: list[list[float]], filament: float | None) -> None:
        places = [self.mapped(p) for p in points]
        length = sum(math.dist(a, b) for a, b in pairwise(places))
        path = self.path
        if filament is None:
            path.travel_mm += length
            return
        path.extruded_mm += filament
        path.length_mm += length
        for p in places:
            for i in range(3):
                path.low_mm[i] = min(path.low_mm[i], p[i])
                path.high_mm[i] = max(path.high_mm[i], p[i])
        if filament == 0:
            return
        z, thick = points[-1][2], self.layer[1]
        if not path.layers or z != self.layer[0]:
            thick = z - self.layer[0] if z > self.layer[0] else thick
            self.layer = (z, thick)
            path.layers.append((z, z - thick / 2, self.hot.get(self.tool)))

    def arc(
        self, begin: list[float], end: list[float], given: dict[str, float]
    ) -> list[list[float]]:
        self.path.arcs += 1
        cw = self.mode == 2
        if "R" in given:
            dx, dy = end[0] - begin[0], end[1] - begin[1]
            q, r = math.hypot(dx, dy), given["R"] * self.unit
            h = math.sqrt(max(r * r - q * q / 4, 0.0)) / q
            if cw == (r > 0):
                h = -h
            i, j = dx / 2 - dy * h, dy / 2 + dx * h
        else:
            i, j = given.get("I", 0.0) * self.unit, given.get("J", 0.0) * self.unit
        cx, cy = begin[0] + i, begin[1] + j
        a0 = math.atan2(begin[1] - cy, begin[0] - cx)
        turn = math.atan2(end[1] - cy, end[0] - cx) - a0
        if cw and turn >= -1e-9:
            turn -= 2 * math.pi
        if not cw and turn <= 1e-9:
            turn += 2 * math.pi
        n = max(8, math.ceil(abs(turn) / 0.05))
        r0, r1 = math.hypot(i, j), math.dist(end[:2], (cx, cy))
        points = [begin]
        for k in range(1, n):
            a, r = a0 + turn * k / n, r0 + (r1 - r0) * k / n
            z = begin[2] + (end[2] - begin[2]) * k / n
            points.append([cx + r * math.cos(a), cy + r * math.sin(a), z])
        return [*points, end]


_SQUARE = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


def read_path(lines: Iterable[str], job: Job, *, corrected: bool) -> Path:
    """Follow the path of a corrected file, or the one an original should get from the job's map."""
    if corrected:
        reader = _Reader(_SQUARE, (0.0, 0.0, 0.0), job.matrix if job.moves_points else None)
    else:
        reader = _Reader(job.matrix, job.centre_mm)
    for text in lines:
        reader.line(text)
    return reader.path


def compare(before: Iterable[str], after: Iterable[str], job: Job) -> list[Check]:
    """Hold the corrected file against what the original should have become."""
    want = read_path(before, job, corrected=False)
    have = read_path(after, job, corrected=True)
    laid_mm = want.extruded_mm * job.flow
    fed_mm = want.fed_mm + laid_mm - want.extruded_mm
    checks = [
        _near("filament laid down, mm", laid_mm, have.extruded_mm, 1e-3 + 2e-6 * laid_mm),
        _near("filament fed, mm", fed_mm, have.fed_mm, 1e-3 + 2e-6 * fed_mm),
        _near(
            "filament drawn back, mm",
            want.retracted_mm,
            have.retracted_mm,
            1e-3 + 2e-6 * want.retracted_mm,
        ),
    ]
    share = 7e-3 if want.arcs else 1e-4  # chords are shorter than their arcs
    checks.append(
        _near("printed length, mm", want.length_mm, have.length_mm, 0.01 + share * want.length_mm)
    )
    slack = 0.002 + (2 * job.arc_tolerance_mm if want.arcs else 0.0)
    if want.length_mm > 0:
        for i, c in enumerate("XYZ"):
            checks.append(_near(f"lowest {c}, mm", want.low_mm[i], have.low_mm[i], slack))
            checks.append(_near(f"highest {c}, mm", want.high_mm[i], have.high_mm[i], slack))
    return checks + _check_temperatures(want, have, job)


def _near(what: str, expected: float, found: float, slack: float) -> Check:
    return Check(what, f"{expected:.3f}", f"{found:.3f}", abs(expected - found) <= slack)


def _check_temperatures(want: Path, have: Path, job: Job) -> list[Check]:
    """Every layer of the original must begin at the temperature of its row, or at its own."""
    rows = [r for r in job.schedule if r.setting == "hot_end_c"]
    if not rows:
        same = want.hottest_c == have.hottest_c
        return [Check("hottest, degC", f"{want.hottest_c:g}", f"{have.hottest_c:g}", same)]
    checks = []
    count = (str(len(want.layers)), str(len(have.layers)))
    checks.append(Check("layers", *count, count[0] == count[1]))
    for row in rows:
        found = sorted(
            {
                "none" if new[2] is None else f"{new[2]:g}"
                for old, new in zip(want.layers, have.layers, strict=False)
                if row.z_from_mm <= old[1] + 1e-6 < row.z_to_mm
            }
        )
        what = f"degC from {row.z_from_mm:g} to {row.z_to_mm:g} mm"
        good = found == [f"{row.value:g}"] or not found
        checks.append(Check(what, f"{row.value:g}", ", ".join(found) or "not printed", good))
    return checks
