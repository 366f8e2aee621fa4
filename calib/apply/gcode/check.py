"""An independent look at a corrected file: both files followed move by move, in lock-step.

Written apart from the rewriter on purpose: it shares no code with it, takes one command at a time, and works out by
itself what each command of the original should have become: place, filament, speed, and every other word and line.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from calib.apply.gcode.job import Job
from calib.apply.gcode.machine import SETS, Command, Machine, WrongChecksum, commands


@dataclass(slots=True)
class Check:
    """One comparison: what was expected, what was found, and whether they agree."""

    what: str
    expected: str
    found: str
    good: bool


class Differs(Exception):
    """The files do not go together at some place."""

    def __init__(self, what: str, expected: object, found: object) -> None:
        super().__init__(what)
        self.check = Check(what, str(expected), str(found), good=False)


class Comparison:
    """Goes through both files.

    Every method may raise `Differs`: at the first place where they do not go together.
    """

    def __init__(self, before: Iterable[str], after: Iterable[str], job: Job) -> None:
        self.job = job
        self.old, self.new = Machine(job.e_in_g91), Machine(job.e_in_g91)
        self.before, self.after = commands(before), commands(after)
        self.moves = self.others = 0
        self.want, self.have = dict.fromkeys(("laid", "fed", "drawn"), 0.0), dict.fromkeys(("laid", "fed", "drawn"), 0.0)  # fmt: skip
        self.layer, self.bands = (0.0, 0.0), 0
        self.drawn = (0.0, 0.0)
        self.e_before = 0.0
        self.by_speed = not job.line and any(r.setting == "speed_mm_s" for r in job.schedule)

    def run(self) -> None:
        """Compare everything."""
        for c in self.before:
            if self.old.is_move(c):
                self.move(c)
                self.moves += 1
            else:
                self.other(c)
                self.others += 1
        while (extra := self.next_new()) is not None:
            if not self.is_inserted(extra):
                raise Differs(f"line {extra.line} of the result", "the end", extra.text)

    def next_new(self) -> Command | None:
        """Return the next command of the result, without the header."""
        for c in self.after:
            if not (c.name == "" and c.text.startswith("; corrected by truebead")):
                return c
        return None

    def is_inserted(self, c: Command) -> bool:
        """Follow a line that was put in: a schedule's, or a G92 that keeps E as the file counts it."""
        if self.job.schedule and c.name in SETS and not self.job.line:
            self.new.other(c)
        elif self.job.line and self.is_own(c):
            return True
        elif self.job.changes_e and c.name == "G92" and c.words.keys() == {"E"} and abs(c.words["E"] * self.new.unit - self.e_before) < 3e-5:  # fmt: skip
            self.want["reset"] = self.have["reset"] = 0.0
            self.new.other(c)
        else:
            return False
        return True

    def is_own(self, c: Command) -> bool:
        """Tell the user's own line with the value of some row, and the comment behind it."""
        if c.text == "; a line of the user's own":
            return True
        texts = {re.sub(r"\s", "", self.job.line.replace("{value}", f"{r.value:.10g}")).upper() for r in self.job.schedule}  # fmt: skip
        return re.sub(r"\s", "", c.text).upper() in texts

    def counterpart(self, c: Command, is_move: bool) -> Command:
        """Return what stands for a command of the original, behind anything that was put in."""
        while (new := self.next_new()) is not None:
            if is_move and self.new.is_move(new):
                return new
            if not is_move and self.same(c, new):
                return new
            if not self.is_inserted(new):
                raise Differs(f"line {new.line} of the result, line {c.line} of the original", c.text or c.name, new.text or new.name)  # fmt: skip
        raise Differs(f"line {c.line} of the original", c.text or c.name, "the end")

    @staticmethod
    def same(a: Command, b: Command) -> bool:
        """Tell whether two commands that are no moves are alike."""
        if a.name != b.name or a.words.keys() != b.words.keys():
            return False
        alike = all(v == b.words[k] or (math.isnan(v) and math.isnan(b.words[k])) for k, v in a.words.items())  # fmt: skip
        return alike and (bool(a.name or a.words) or a.text == b.text)

    def other(self, c: Command) -> None:
        """Hold a command that is no move against the result's."""
        self.e_before = self.old.e
        self.counterpart(c, is_move=False)
        self.old.other(c)
        self.new.other(c)

    # -- moves ------------------------------------------------------------------------------

    def mapped(self, at: list[float | None]) -> list[float | None]:
        """Return where a place of the original belongs; what is not known stays so."""
        c = self.job.centre_mm
        d = [0.0 if v is None else v - c[i] for i, v in enumerate(at)]
        return [
            None if at[i] is None else sum(a * v for a, v in zip(row, d, strict=True)) + c[i]
            for i, row in enumerate(self.job.matrix)
        ]

    def move(self, c: Command) -> None:
        """Hold one move against the result's, or the straight ones in its place."""
        old, start = self.old, list(self.old.at)
        open_e = old.open_e
        amount = old.move(c)
        arc = old.mode in ("G2", "G3")
        sideways = arc or any(a in c.words and start[i] != old.at[i] for i, a in enumerate("XY"))
        laid = sideways and (amount or 0.0) > 0
        want = self.wanted(c, amount, laid, open_e)
        new = self.counterpart(c, is_move=True)
        where = f"line {new.line} of the result, line {c.line} of the original"
        if laid and old.at[2] is not None:
            self.check_settings(where, old.at[2])
        bent = arc and (new.name or self.new.mode) == "G1"
        if open_e and self.job.changes_e and "E" in c.words and (new.words.get("E") != c.words["E"] or abs(self.new.e - self.e_before) > 3e-5):  # fmt: skip
            raise Differs(f"E of {where}", c.words["E"], new.words.get("E"))
        if bent:
            self.follow_arc(c, new, start, want, laid, where)
        else:
            have = self.new.move(new)
            self.compare_words(c, new, arc, where)
            self.feed(want, have, laid, where)
        if old.mode != self.new.mode and not (bent or {old.mode, self.new.mode} == {"G1", "G0"}):
            raise Differs(f"motion of {where}", old.mode, self.new.mode)
        if not bent and c.name and c.name != new.name:
            raise Differs(f"motion of {where}", c.name, new.name)
        if self.by_speed and c.words:  # a bare command goes nowhere
            self.check_speed(where, start[0], laid)
        self.compare_places(where, laid)

    def wanted(self, c: Command, amount: float | None, laid: bool, open_e: bool) -> float | None:
        """Return the filament a move should feed in the result."""
        self.e_before = self.old.e - (amount or 0.0)
        if amount is None or open_e:
            return amount
        if laid:
            return amount * self.job.flow
        if not self.job.retracts or amount == 0:
            return amount
        own, written = self.drawn
        if amount < 0:
            row = (
                self.row("retraction_mm", self.layer[0] - self.layer[1] / 2)
                if self.layer[0]
                else None
            )
            changed = row is not None and own == 0 and not c.words.keys() & set("XYZ")
            back = row if changed and row is not None else -amount
            self.drawn = own - amount, written + back
            return -back
        if own == 0:
            return amount
        share = min(amount / own, 1.0)
        self.drawn = (own * (1 - share), written * (1 - share)) if share < 1 else (0.0, 0.0)
        return share * written + max(amount - own, 0.0)

    def feed(self, want: float | None, have: float | None, laid: bool, where: str) -> None:
        """Hold filament against filament: the sums may never be further apart than rounding."""
        if (want is None) != (have is None):
            raise Differs(f"E of {where}", want, have)
        for sums, amount in ((self.want, want or 0.0), (self.have, have or 0.0)):
            sums["sum"] = sums.get("sum", 0.0) + amount
            sums["laid" if laid else "fed" if amount > 0 else "drawn"] += abs(amount)
        apart = abs(self.want["sum"] - self.have["sum"])
        # the sum and the name that G92 gives it are each rounded to 1e-5 of the unit, before and after
        if apart > 2.1e-5 * max(self.new.unit / 10, 1.0) + 1e-9 * abs(self.want["sum"]):
            raise Differs(f"filament up to {where}, mm", f"{self.want['sum']:.5f}", f"{self.have['sum']:.5f}")  # fmt: skip

    def compare_words(self, c: Command, new: Command, arc: bool, where: str) -> None:
        """Hold speed, centres and all words that are no places against the result's."""
        factor = self.job.matrix[0][0] if arc else 1.0
        for letter in (c.words.keys() | new.words.keys()) - set("XYZEF" if self.by_speed else "XYZE"):  # fmt: skip
            a, b = c.words.get(letter), new.words.get(letter)
            near = a is not None and b is not None and letter in "IJR" and abs(a * factor - b) <= 1.1e-4  # fmt: skip
            if not near and str(a) != str(b):
                raise Differs(f"{letter} of {where}", a, b)

    def compare_places(self, where: str, laid: bool) -> None:
        """Hold the place the result goes to against where it should be; travel may be held at a wall."""
        for i, want in enumerate(self.mapped(self.old.at)):
            have = self.new.at[i]
            if want is None or have is None:
                continue
            apart = abs(want - have)
            own = self.old.at[i]
            assert own is not None
            low, high = self.job.limits.box()[i]
            held = min(max(want, min(low, own)), max(high, own))
            slack = 0.1 if not low - 1e-3 <= own <= high + 1e-3 else 2e-3
            if apart > 3.1e-4 and (abs(held - have) > 3.1e-4 or (laid and apart > slack)):
                raise Differs(f"{'XYZ'[i]} of {where}, mm", f"{want:.4f}", f"{have:.4f}")

    # -- arcs -------------------------------------------------------------------------------

    def follow_arc(self, c: Command, new: Command, start: list[float | None], want: float | None, laid: bool, where: str) -> None:  # fmt: skip
        """Follow the straight moves in the place of an arc: on the arc, in order, each with its share of filament."""
        x, y = start[0] or 0.0, start[1] or 0.0
        end_x, end_y = self.old.at[0] or 0.0, self.old.at[1] or 0.0
        cx, cy = self.old.centre(c, (x, y), (end_x, end_y))
        way = 1.0 if self.old.mode == "G3" else -1.0
        first, radius = math.atan2(y - cy, x - cx), math.hypot(x - cx, y - cy)
        total = (way * (math.atan2(end_y - cy, end_x - cx) - first)) % (2 * math.pi)
        if total < 1e-9 or (x, y) == (end_x, end_y):
            total = 2 * math.pi
        drift = abs(math.hypot(end_x - cx, end_y - cy) - radius)
        swept, fed = 0.0, 0.0
        while True:
            amount = self.new.move(new)
            px, py = self.unmapped()
            turn = (way * (math.atan2(py - cy, px - cx) - first) - swept) % (2 * math.pi)
            sag = radius * (1 - math.cos(min(turn, math.pi) / 2))
            if not self.at_wall() and (sag > 1.05 * self.job.arc_tolerance_mm + 1e-3 or abs(math.hypot(px - cx, py - cy) - radius) > drift + 2e-3):  # fmt: skip
                raise Differs(f"the arc in {where}", "a move along it", f"X{px:.4f} Y{py:.4f}")
            swept += turn
            share = min(swept / total, 1.0)
            if amount is not None and want is not None and abs(fed + amount - want * share) > 3e-5 + 4e-4 * abs(want) / max(radius * total, 1e-3):  # fmt: skip
                raise Differs(f"filament along the arc in {where}, mm", want * share, fed + amount)
            fed += amount or 0.0
            if set(new.words) - set("XYZEF") or ("F" in new.words and new.words["F"] != c.words.get("F")):  # fmt: skip
                raise Differs(f"words of {where}", "F at most", new.text)
            if swept >= total - 2e-3 / max(radius, 1e-2):
                break
            following = self.next_new()
            if following is None or following.name != "G1":
                raise Differs(f"the arc in {where}", "moves to its end", following and following.text)  # fmt: skip
            new = following
        self.feed(want, fed if want is not None else None, laid, where)

    def unmapped(self) -> tuple[float, float]:
        """Return X and Y of the original that belong to where the result stands."""
        (a, b, c), (_, d, e), (_, _, f) = self.job.matrix
        x, y, z = ((v or 0.0) - m for v, m in zip(self.new.at, self.job.centre_mm, strict=True))
        z = z / f if self.new.at[2] is not None else 0.0
        y = (y - e * z) / d
        return (x - b * y - c * z) / a + self.job.centre_mm[0], y + self.job.centre_mm[1]

    def at_wall(self) -> bool:
        """Tell whether the result stands at a wall."""
        return any(
            v is not None and min(abs(v - low), abs(v - high)) < 1e-3
            for v, (low, high) in zip(self.new.at, self.job.limits.box(), strict=True)
        )

    # -- settings by height -----------------------------------------------------------------

    def row(self, setting: str, middle_mm: float, x_mm: float = 0.0) -> float | None:
        """Return what the schedule wants of a setting at a height, and at a place along X."""
        for r in self.job.schedule:
            if r.setting == setting and r.z_from_mm <= middle_mm + 1e-6 < r.z_to_mm and r.x_from_mm <= x_mm < r.x_to_mm:  # fmt: skip
                return r.value
        return None

    def check_speed(self, where: str, x_from_mm: float | None, laid: bool) -> None:
        """Hold the speed in force against the schedule's, or the file's own."""
        want, (z_mm, height) = self.old.speed, self.layer
        if laid and self.old.at[2] is not None:
            ends = [0.0 if v is None else v for v in (x_from_mm, self.old.at[0])]
            value = self.row("speed_mm_s", z_mm - height / 2, sum(ends) / 2)
            want = want if value is None else 60 * value
            self.bands += value is not None
        if not abs(want - self.new.speed) <= 0.03 and not math.isnan(want):
            raise Differs(f"speed of {where}, mm/min", want, self.new.speed)

    def check_settings(self, where: str, z_mm: float) -> None:
        """Hold what is in force while filament is laid down against the schedule, or the file's own."""
        if not self.job.schedule or self.job.line:
            return
        if z_mm != self.layer[0]:
            self.layer = z_mm, z_mm - self.layer[0] if z_mm > self.layer[0] else self.layer[1]
        middle = z_mm - self.layer[1] / 2
        for setting in {r.setting for r in self.job.schedule} - {"retraction_mm", "speed_mm_s"}:
            share = setting in ("flow_percent", "speed_percent")
            own = self.old.settings.get(self.old.key(setting), 100.0 if share else None)
            value = self.row(setting, middle)
            want = own if value is None else value * (own or 100.0) / 100.0 if share else value
            have = self.new.settings.get(self.new.key(setting), 100.0 if share else None)
            if want is not None and (have is None or abs(want - have) > 0.3 * (setting == "fan_percent") + 1e-3):  # fmt: skip
                raise Differs(f"{setting} at {z_mm:.3f} mm, {where}", want, have)
            self.bands += value is not None


def compare(before: Iterable[str], after: Iterable[str], job: Job) -> list[Check]:
    """Hold a corrected file against what the original should have become.

    Returns
    -------
    list of Check
        What was compared, all good; or the first difference alone.
    """
    both = Comparison(before, after, job)
    try:
        both.run()
    except Differs as found:
        return [found.check]
    except WrongChecksum as wrong:
        what = f"checksum of line {wrong.line}"
        return [Check(what, str(wrong.expected), wrong.found, good=False)]
    done = [
        Check("moves, each with its place, filament and speed", str(both.moves), str(both.moves), good=True),
        Check("other commands and comments", str(both.others), str(both.others), good=True),
    ]  # fmt: skip
    names = {"laid": "filament laid down, mm", "fed": "filament fed besides, mm", "drawn": "filament drawn back, mm"}  # fmt: skip
    done += [Check(what, f"{both.want[k]:.3f}", f"{both.have[k]:.3f}", good=True) for k, what in names.items()]  # fmt: skip
    if job.schedule and not job.line:
        done.append(Check("moves at a setting of the schedule", str(both.bands), str(both.bands), good=True))  # fmt: skip
    return done
