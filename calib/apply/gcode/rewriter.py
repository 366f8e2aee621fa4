"""One block of G-code after the other through a job: read, followed, mapped, held at the walls, and written."""

import math

import numpy as np

from calib.apply.gcode import walls
from calib.apply.gcode.arcs import split_arcs
from calib.apply.gcode.codes import EVENT, LOSES_PLACE, TEXT_M, UNMAPPABLE, UNREAD, Event, Gate, M
from calib.apply.gcode.heights import Follower
from calib.apply.gcode.job import Job
from calib.apply.gcode.lines import Lines, read_lines
from calib.apply.gcode.numbers import F64, PART, Bool, carried
from calib.apply.gcode.path import AXES, Faults, Path, State, follow, layers, remember
from calib.apply.gcode.schedule import Plan
from calib.apply.gcode.spelling import Foreign, blank_comments, read_words, respell
from calib.apply.gcode.writer import Block, Writer, Written
from calib.errors import FileError

FOREIGN = "lines that are no G-code words, copied as they are"
OPEN_E = "E words under G91 without M83, which printers read in two ways, left as they are (see --e-in-g91)"


ASTRAY = {*LOSES_PLACE, *UNMAPPABLE} - {10}


class Rewriter:
    """Rewrites one block after the other."""

    def __init__(self, job: Job, name: str) -> None:
        self.job, self.name = job, name
        centre = [round(c * PART) for c in job.centre_mm]
        self.state, self.written = State(centre, list(centre)), Written(list(centre))
        self.gate, self.follower = Gate(job.limits), Follower(Plan(job))
        self.pushed: walls.Pushed | None = None
        self.low_mm, self.high_mm = [math.inf] * 3, [-math.inf] * 3  # how far the nozzle goes
        self.newline = b"\n"
        self.arcs = self.commands = 0  # arcs made straight, lines with a command

    def block(self, data: bytes) -> Block:
        """Rewrite one block, which must end with a newline.

        Raises
        ------
        FileError
            A line is damaged, cannot be changed as asked, or goes past the printer's limits.
        """
        faults, refused = Faults(), dict[int, FileError]()
        _refuse_returns(data, refused)
        lines = read_lines(data, lambda c, k: self._judge(c, k, refused), lambda t: _refuse_checksum(t, refused))  # fmt: skip
        for line, err in refused.items():
            faults.add(int(np.searchsorted(lines.origin, line)), err.what, err.mend)
        for row in np.flatnonzero(lines.kind == UNREAD).tolist():
            faults.add(
                row, f"can't read {lines.text(row).decode().strip()[:60]!r}", "mend or drop it"
            )
        events, lost = self._events(lines, faults)
        path = follow(lines, self.state, self.job, lost, faults)
        block = self._write(lines, path, events, faults)
        refusal = faults.first(lines, self.state.line, self.name)
        if refusal:
            raise refusal
        self.commands += int((lines.code >= 0).sum())
        self.state.line += int(lines.origin[-1]) + 1
        return block

    # -- reading ------------------------------------------------------------------------------

    def _judge(self, code: bytes, line: int, refused: dict[int, FileError]) -> list[bytes] | None:
        """Say what becomes of a line that is not plain; what is refused is told when its turn comes."""
        try:
            return respell(code, "")
        except Foreign:
            self.gate.list(FOREIGN, self.state.line + line + 1)
        except FileError as err:
            refused.setdefault(line, err)
        return None

    def _events(self, lines: Lines, faults: Faults) -> tuple[list[Event], dict[int, list[int]]]:
        """Read the commands that are no moves and no modes, and hold them against the printer's ratings.

        Returns them, and after which rows it is not known where some axes are.
        """
        events, lost = [], {}
        for row in np.flatnonzero(lines.kind == EVENT).tolist():
            line = self.state.line + int(lines.origin[row]) + 1
            try:
                event = _read_event(lines, row)
                _, letter, number, words = event
                events.append(event)
                if letter == "G" and number == 28:
                    lost[row] = [i for i, c in enumerate(AXES) if c in words] or [0, 1, 2]
                elif letter == "G" and (number in ASTRAY or (number == 10 and "L" in words)):
                    self._go_astray(number, line)
                    lost[row] = [0, 1, 2] if number in LOSES_PLACE else []
                else:
                    self.gate.check(letter, number, words, line, "")
            except FileError as err:
                faults.add(row, err.what, err.mend)
        return events, lost

    def _go_astray(self, number: float, line: int) -> None:
        """Refuse a code under which coordinates mean something else, or list it where none changes."""
        if number in UNMAPPABLE and self.job.moves_points:
            raise FileError(
                f"G{number:g} is {UNMAPPABLE[number]}, which can't be scaled or skewed",
                mend="slice without it, or put the correction on the model instead",
            )
        self.gate.list(f"G{number:g} goes where the file does not say", line)

    # -- writing --------------------------------------------------------------------------------

    def _write(self, lines: Lines, path: Path, events: list[Event], faults: Faults) -> Block:
        job, state, follower = self.job, self.state, self.follower
        self._refuse_lost(lines, path, faults)
        inserted, filament = [], path.amount
        if job.schedule:
            found = layers(path, state)
            if job.retracts:
                filament = follower.retract(path, found, faults)
            inserted = follower.follow(found, events, state.line + 1 + lines.origin)
        self._settle_e(lines, path, faults)
        motion = state.motion
        remember(path, state)
        if job.moves_points or job.limits.has_volume:
            path = split_arcs(path, lines, job, faults)
        filament = np.where(path.arc, path.amount, filament[path.row])
        laid = np.where(path.extruding, filament, 0)
        fed = filament - laid
        places = self._mapped(path)
        held = walls.hold(path, places, job.limits, self.pushed, faults)
        kept = path.arc & self._keeps(path, held.beyond)
        self.pushed = held.pushed
        self._note(lines, path, held)
        writer = Writer(
            lines, path, job, self.written, kept=kept, motion=motion, newline=self.newline
        )
        for row, codes in inserted:
            writer.insert(row, [code.encode() for code in codes])
        if job.moves_points:
            for i in range(3):
                writer.map_axis(i, held.places[i])
            if kept.any() and job.matrix[0][0] != 1.0:
                writer.scale_centres()
        if job.changes_e or job.moves_points:
            writer.feed(laid, fed, (state.laid, state.fed))
            state.laid, state.fed = state.laid + int(laid.sum()), state.fed + int(fed.sum())
        self.arcs += int((path.arc & ~kept & path.first).sum())
        return writer.write()

    def _mapped(self, path: Path) -> list[F64]:
        """Return where the nozzle is to go, mm."""
        m, centre = self.job.matrix, self.job.centre_mm
        if not self.job.moves_points:
            return [v / PART for v in path.place]
        d = [v / PART - c for v, c in zip(path.place, centre, strict=True)]
        out = []
        for i in range(3):
            total = m[i][i] * d[i]
            for j in range(i + 1, 3):
                if m[i][j]:
                    total += m[i][j] * d[j]
            out.append(total + centre[i])
        return out

    def _keeps(self, path: Path, held: Bool) -> Bool:
        """Tell which arcs stay arcs, given the pieces that a wall holds."""
        if not path.arc.any():
            return path.arc
        flat = (path.place[2] == path.before[2])[path.last] & self.job.keeps_arcs
        free = ~np.logical_or.reduceat(held, np.flatnonzero(path.first))
        kept: Bool = ((flat | self.job.keeps_helices) & free)[path.row]
        return kept

    def _note(self, lines: Lines, path: Path, held: walls.Held) -> None:
        """Keep what could not be checked, what was held and how far the nozzle goes."""
        for what, steps in held.told.items() if self.job.limits.has_volume else ():
            rows = path.row[np.flatnonzero(steps)]
            if len(rows):
                self.gate.list(what, self.state.line + int(lines.origin[rows[0]]) + 1, len(rows))
        for i in range(3):
            known = held.places[i] if path.known[i].all() else held.places[i][path.known[i]]
            if len(known):
                self.low_mm[i] = min(self.low_mm[i], float(known.min()))
                self.high_mm[i] = max(self.high_mm[i], float(known.max()))

    # -- what is refused ------------------------------------------------------------------------

    def _refuse_lost(self, lines: Lines, path: Path, faults: Faults) -> None:
        """Refuse a move that extrudes and has to go along an axis of which the file has not said where it is."""
        for i in (0, 1):
            for j in range(i + 1, 3):
                if self.job.matrix[i][j] and not path.known[i].all():
                    lost = path.has[AXES[j]] & path.extruding & ~path.known[i] & ~path.has[AXES[i]]
                    if lost.any():
                        faults.add(
                            int(lost.argmax()),
                            f"the move needs {AXES[i]} as well, but the file has not said where {AXES[i]} is",
                            f"put a move with {AXES[i]} in absolute coordinates (G90) before it",
                        )

    def _settle_e(self, lines: Lines, path: Path, faults: Faults) -> None:
        """List E words whose meaning is open, and refuse those that hang on them."""
        if not self.job.changes_e or not (path.e_open.any() or self.state.e_unsettled):
            return
        opened, e = np.flatnonzero(path.e_open), path.has["E"]
        settles = np.flatnonzero(path.e_open | (path.renames & e))
        unsettled = carried(self.state.e_unsettled, settles, path.e_open[settles], len(e))
        hangs = e & path.is_move & ~path.e_relative & ~path.e_open & unsettled
        if hangs.any():
            faults.add(
                int(hangs.argmax()),
                "how much this E is depends on how the printer has read E under G91 without M83 before",
                "say it with --e-in-g91 relative or absolute",
            )
        self.state.e_unsettled = bool(unsettled[-1])
        if len(opened):
            first = self.state.line + int(lines.origin[opened[0]]) + 1
            self.gate.list(OPEN_E, first, len(opened))


def _refuse_returns(data: bytes, refused: dict[int, FileError]) -> None:
    if b"\r" in data and data.count(b"\r") != data.count(b"\r\n"):
        line = data.count(b"\n", 0, data.replace(b"\r\n", b"\0\n").find(b"\r"))
        refused[line] = FileError(
            "a carriage return stands inside the line",
            mend="save the file with LF or CRLF line endings",
        )


def _refuse_checksum(lines: Lines, refused: dict[int, FileError]) -> None:
    """Refuse the first line whose checksum is wrong: it is the exclusive-or of the bytes before its star.

    Common practice of printer firmware, no source.
    """
    on = np.flatnonzero(lines.star)
    if not len(on):
        return
    edges = np.ravel(np.column_stack([lines.start[on], lines.star[on]]))
    sums = np.bitwise_xor.reduceat(np.frombuffer(lines.raw, np.uint8), edges)[::2]
    given = lines.given.take(on)
    wrong = np.flatnonzero(sums != given)
    if len(wrong):
        k = int(wrong[0])
        refused[int(on[k])] = FileError(
            f"checksum *{given[k]} does not match the line (it adds up to {sums[k]})",
            mend="the file is damaged; slice or copy it again",
        )


def _read_event(lines: Lines, row: int) -> Event:
    """Read a command that is not a move."""
    number = (int(lines.code[row]) - M) // 10
    if number in TEXT_M:
        return row, "M", float(number), {}
    code = blank_comments(lines.text(row))
    try:
        words = read_words(code, "")
    except Foreign:
        text = code.decode("utf-8", "replace").strip()
        mend = "use a decimal point" if "," in text else "mend or drop it"
        raise FileError(f"can't read {text[:60]!r}", mend=mend) from None
    letters = [c for c, _ in words]
    if math.isnan(words[0][1]):
        raise FileError(f"{letters[0]} has no number", mend="mend or drop it")
    if len(set(letters)) != len(letters):
        raise FileError("a letter is given twice on the line")
    command = next((w for w in words if w[0] in "GM"), words[0])
    return row, *command, {c: v for c, v in words if c != command[0]}
