"""The careful way through one line: every word read, the state carried on, the line written anew where needed.

Modal groups and their order of execution follow NIST IR 6556 (tables 4 and 8): units, plane, distance mode,
homing and G92, then motion.
"""

import math
import re

from calib.apply.gcode.exact_arcs import rewrite_arc
from calib.apply.gcode.job import Job
from calib.apply.gcode.machine_codes import MACHINE_CODES, run_machine_code
from calib.apply.gcode.numbers import write_decimal
from calib.apply.gcode.plan import Plan
from calib.apply.gcode.state import MM_PER_INCH, PERCENT_OF_OWN, State
from calib.apply.gcode.walls import Walls
from calib.apply.gcode.words import Line, Word, checksum, read_words, split_line
from calib.errors import FileError

_IMPORTANT = re.compile(rb"[Gg]0*(?:[0123]|2[0189]|9[0-2])(?![0-9.])|[Gg]9[0-2][^0-9.]")

#: Commands whose rest is a text or a file name.
_TEXT_CODES = {16, 23, 28, 29, 30, 32, 33, 36, 98, 117, 118, 486, 550, 552, 587, 588, 589}

#: Codes under which a changed coordinate would not mean what it says; with a map of coordinates they are refused.
_UNMAPPABLE = {
    5.0: "a spline",
    5.1: "a spline",
    6.0: "a direct move of the motors",
    33.0: "a synchronised move",
    51.0: "scaling in the controller",
    53.0: "a move in machine coordinates",
    68.0: "a turned coordinate system",
    90.1: "arc centres in absolute coordinates",
    **{float(c): "another coordinate system" for c in range(55, 60)},
    **{c / 10: "another coordinate system" for c in (591, 592, 593)},
    **{float(c): "a canned cycle" for c in range(81, 90)},
    **{c / 10: "a change of G92 offsets" for c in (921, 922, 923)},
}

#: Codes after which the printer stands somewhere the file does not say.
_LOSES_PLACE = {12.0, 27.0, 29.0, 30.0, 32.0, 34.0, 61.0, 80.0}

_AXES = "XYZ"


class Exact:
    """Rewrites single lines; shares its state with the fast way."""

    def __init__(self, job: Job, plan: Plan, state: State, name: str) -> None:
        self.job, self.plan, self.state, self.name = job, plan, state, name
        self.walls = Walls(job.limits, name)
        self.newline = b"\n"

    @property
    def where(self) -> str:
        """File and line being read, for messages."""
        return f"{self.name} line {self.state.line}"

    def line(self, raw: bytes) -> bytes:
        """Rewrite one line, which is the line after the last one read.

        Raises
        ------
        FileError
            The line is damaged, cannot be changed as asked, or goes past the printer's limits.
        """
        self.state.line += 1
        line = split_line(raw, self.where)
        before, codes = self._execute(line.code) if line.code else ([], None)
        if line.number is not None:
            self.state.numbered = True
        if not before and codes is None and not (self.state.shift and line.number is not None):
            return raw
        return self._assemble(line, before, [line.code] if codes is None else codes)

    def _assemble(self, line: Line, before: list[bytes], codes: list[bytes]) -> bytes:
        """Put the parts together; every line of a numbered file gets a number and its checksum."""
        out = []
        every = before + codes
        for i, code in enumerate(every):
            last = i == len(every) - 1
            text = line.head + code
            if line.number is not None:
                text = b"N%d %s" % (line.number + self.state.shift + i, text)
                if line.checked:
                    text += b"*%d" % checksum(text)
            out.append(text + (line.tail + line.ending if last else self.newline))
        if line.number is not None:
            self.state.shift += len(every) - 1
        return b"".join(out)

    def _execute(self, code: bytes) -> tuple[list[bytes], list[bytes] | None]:
        """Carry out one line; return lines to put before it, and what replaces it (None: stays as it is)."""
        words = read_words(code)
        if words is None or not words:
            self._foreign(code)
            return [], None
        g = [w.value for w in words if w.letter == "G"]
        m = [w.value for w in words if w.letter == "M"]
        axes = {w.letter: w for w in words if w.letter not in "GMNT"}
        if words[0].letter == "M" and words[0].value in _TEXT_CODES:
            return [], None
        for w in words:
            if w.letter == "T" and w.value >= 0 and not g and (not m or 6 in m):
                self.state.tool, self.state.settled = int(w.value), False
        for value in m:
            run_machine_code(self, value, words)
        if not g and (m or words[0].letter not in "XYZEIJR" or self.state.motion is None):
            return [], None
        if not g and any(math.isnan(w.value) for w in words):
            self._foreign(code)  # a word of a macro that happens to begin like an axis
            return [], None
        return self._execute_g(code, g, words, axes)

    def _foreign(self, code: bytes) -> None:
        """Copy what is not made of words, unless it is a code that has to be understood."""
        found = re.match(rb"[Mm]0*([0-9]+)", code)
        if _IMPORTANT.match(code) or (found and int(found[1]) in MACHINE_CODES):
            text = code.decode("utf-8", "replace")
            mend = "use a decimal point" if re.search(rb"[0-9],[0-9]", code) else "mend or drop it"
            raise FileError(f"can't read {text[:60]!r}", where=self.where, mend=mend)
        if code[:1] in b"/%" and code[:1] == b"/" and not self.job.does_nothing:
            raise FileError(
                "a line that begins with / may be skipped or not, so it can't be followed",
                where=self.where,
                mend="take the / away, or the line",
            )
        if code[:1] not in b"%(" and not re.match(rb"[Mm][0-9]", code):
            self.state.printed.foreign += 1
            self.state.printed.first_foreign = self.state.printed.first_foreign or self.state.line

    def _execute_g(
        self, code: bytes, g: list[float], words: list[Word], axes: dict[str, Word]
    ) -> tuple[list[bytes], list[bytes] | None]:
        state = self.state
        takes_axes = False
        motion = None
        for value in g:
            if value in (0, 1, 2, 3):
                motion = int(value)
            elif value in (20, 21):
                state.change_unit(MM_PER_INCH if value == 20 else 1.0)
            elif value in (17, 18, 19):
                state.plane = int(value)
            elif value in (90, 91):
                state.absolute = value == 90
            elif value in (92, 28, 10, 4):
                takes_axes = True
                self._offset_or_home(value, axes)
            else:
                self._other(value, axes)
                takes_axes = takes_axes or value not in (54, 40, 49, 61, 64, 80, 94)
        if takes_axes and motion is None:
            return [], None
        if motion is not None:
            state.motion = motion
        elif state.motion is None or not any(c in axes for c in "XYZEIJR"):
            return [], None
        self._check_words(words, axes)
        if not any(c in axes for c in "XYZEIJR"):
            state.motion_out = state.motion  # the line stays as it is
            return [], None
        return self._move(code, axes, explicit=motion is not None)

    def _other(self, value: float, axes: dict[str, Word]) -> None:
        if value in _UNMAPPABLE and self.job.moves_points:
            raise FileError(
                f"G{value:g} is {_UNMAPPABLE[value]}, which can't be scaled or skewed",
                where=self.where,
                mend="slice without it, or put the correction on the model instead",
            )
        if value in _LOSES_PLACE and not (value == 80 and not axes):
            self.state.forget([0, 1, 2])

    def _offset_or_home(self, value: float, axes: dict[str, Word]) -> None:
        state = self.state
        given = [i for i, c in enumerate(_AXES) if c in axes]
        if value == 28:
            state.forget(given or [0, 1, 2])
        elif value == 92:
            bare = not given and "E" not in axes
            self._check_finite([axes[c] for c in "XYZE" if c in axes])
            places = {
                i: 0.0 if bare else axes[_AXES[i]].value for i in (range(3) if bare else given)
            }
            if places:
                state.declare(places)
            if bare or "E" in axes:
                state.reset_e(0.0 if bare else axes["E"].value)
        elif value == 10:
            if "L" in axes and self.job.moves_points:
                raise FileError("G10 sets another coordinate system", where=self.where)
            for c in "SR":
                if "P" in axes and c in axes:
                    self.walls.hot_end(axes[c].value, self.where)

    def _check_words(self, words: list[Word], axes: dict[str, Word]) -> None:
        if len(axes) != sum(w.letter not in "GMNT" for w in words):
            raise FileError("a letter is given twice on the line", where=self.where)
        self._check_finite([w for c, w in axes.items() if c in "XYZEIJRF"])

    def _check_finite(self, words: list[Word]) -> None:
        for w in words:
            if not abs(w.value) < self.state.largest:
                shown = "no number" if math.isnan(w.value) else f"{w.value:g}"
                raise FileError(
                    f"{w.letter} has {shown}, which is no coordinate",
                    where=self.where,
                    mend="the file is damaged; slice it again",
                )

    # -- motion -----------------------------------------------------------------------------

    def _move(
        self, code: bytes, axes: dict[str, Word], *, explicit: bool
    ) -> tuple[list[bytes], list[bytes] | None]:
        state = self.state
        old, was_known = list(state.pos), list(state.known)
        arc = state.motion in (2, 3)
        for i, c in enumerate(_AXES):
            if c in axes:
                v = axes[c].value
                state.pos[i] = v if state.absolute else state.pos[i] + v
                state.known[i] = state.known[i] or state.absolute
        filament, e_was = 0.0, state.e_in
        if "E" in axes:
            v = axes["E"].value
            filament = v if state.e_relative else v - state.e_in
            state.e_in = state.e_in + v if state.e_relative else v
        moved = arc or old[0] != state.pos[0] or old[1] != state.pos[1]
        extruding = moved and filament > 0
        before = self._follow_plan() if extruding and self.plan.rows and state.known[2] else []
        wanted = filament * self.job.flow if extruding else filament
        if self.job.changes_flow:
            e_before, e_after = state.add_e(wanted)
            base = state.units_e(state.e_base)
        else:
            e_before, e_after, base = 0, state.units_e(filament), state.units_e(e_was)
        e_now = e_after - e_before if state.e_relative else base + e_after
        edits: list[tuple[int, int, str]] = []
        if not explicit and state.motion_out not in (None, state.motion):
            edits.append((0, 0, f"G{state.motion} "))
        if "E" in axes and self.job.changes_flow:
            edits.append((axes["E"].start, axes["E"].end, write_decimal(e_now, state.places)))
        if arc:
            amounts = (base, e_before, e_after)
            bent = rewrite_arc(self, code, axes, old, was_known, edits, amounts)
            if bent is not None:
                state.printed.arcs += 1
                state.motion_out = 1
                return before, bent
        else:
            self.check_walls()
        if self.job.moves_points:
            edits += self._map_words(axes, old, extruding)
        state.motion_out = state.motion
        state.printed.numbers += len(edits)
        return before, [_edit(code, edits)] if edits else None

    def check_walls(self) -> None:
        """Refuse the present place if it is outside the build volume; note how far the nozzle goes."""
        state = self.state
        machine = state.map(state.pos)
        for i in range(3):
            if state.known[i]:
                self.walls.check(i, machine[i] * state.unit_mm, self.where)
                state.printed.low_mm[i] = min(state.printed.low_mm[i], machine[i] * state.unit_mm)
                state.printed.high_mm[i] = max(state.printed.high_mm[i], machine[i] * state.unit_mm)

    def _map_words(
        self, axes: dict[str, Word], old: list[float], extruding: bool
    ) -> list[tuple[int, int, str]]:
        """Write the axes anew; an axis that one of these pulls along is added before it."""
        state = self.state
        now, was = state.out(state.pos), state.out(old)
        edits = []
        for i, c in enumerate(_AXES):
            row = self.job.matrix[i]
            text = write_decimal(now[i] if state.absolute else now[i] - was[i], state.places)
            pulling = [_AXES[j] for j in range(i + 1, 3) if row[j] and _AXES[j] in axes]
            if c in axes:
                if self.job.rewrites[i]:
                    edits.append((axes[c].start, axes[c].end, text))
            elif pulling and state.known[i]:
                at = axes[pulling[0]].at
                edits.append((at, at, f"{c}{text} "))
            elif pulling and extruding:
                raise FileError(
                    f"the move needs {c} as well, but the file has not said where {c} is",
                    where=self.where,
                    mend=f"put a move with {c} in absolute coordinates (G90) before it",
                )
        return edits

    # -- schedule ---------------------------------------------------------------------------

    def _follow_plan(self) -> list[bytes]:
        """At an extruding move: find the layer, and bring every setting to what its row wants."""
        state, plan = self.state, self.plan
        z_mm = (state.pos[2] + state.off_in[2]) * state.unit_mm
        if z_mm != state.layer_z_mm:
            if z_mm > state.layer_z_mm:
                state.layer_h_mm = z_mm - state.layer_z_mm
            state.layer_z_mm = z_mm
        interval = plan.interval(z_mm - state.layer_h_mm / 2)
        if interval == state.interval and state.settled:
            return []
        state.interval, state.settled = interval, True
        lines = []
        for setting in plan.settings:
            value = self._wanted(setting, interval)
            if value is not None and state.value(state.in_force, setting) != value:
                state.in_force[state.key(setting)] = value
                text = plan.line(setting, value)
                state.printed.inserted.append((state.line, z_mm, text))
                lines.append(text.encode())
        return lines

    def _wanted(self, setting: str, interval: int) -> float | None:
        """Return the row's value, or outside of every row the file's own."""
        own = self.state.value(self.state.own, setting)
        value = self.plan.wanted[interval].get(setting)
        if value is None:
            return own
        if setting in PERCENT_OF_OWN and own is not None:
            return value * own / 100.0
        return value


def _edit(code: bytes, edits: list[tuple[int, int, str]]) -> bytes:
    for start, end, text in sorted(edits, key=lambda e: e[:2])[::-1]:
        code = code[:start] + text.encode() + code[end:]
    return code
