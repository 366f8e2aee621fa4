"""One sitting: ask for each reading of a sheet in words, and write it down at once."""

import math
from collections.abc import Callable
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

from calib.errors import BadInput
from calib.readings.cells import INCH_MM
from patterns.piece import JAWS_CLOSED

if TYPE_CHECKING:
    from calib.workshop import Workshop
    from calib.workshop.measuring import Asked, Checked, Measuring

_HELP = """\
  a number   what the caliper or the balance shows; 39.97 or 39,97; with a unit if it is
             another one: 1.574 in, 3.997 cm
  yes / no   for judgements; 0 to 10 for scores; the word for grades
  Enter      skip this one for now (it is asked again next time)
  -          not measured, do not ask again
  b          back to the one before
  q          stop; everything up to here is kept, and you can go on later
"""

#: What closed jaws may show, mm; more is a reading of something else.
_MOST_CLOSED_MM = 1.0


class Stop(Exception):
    """The user, or the end of the input, ends the asking."""


class Retyped(Exception):
    """A number was typed where yes or no was asked: the reading, once more."""


class Sitting:
    """Ask for each reading of a sheet that is still empty.

    Parameters
    ----------
    path : Path
        The sheet; read at once.
    ask : callable
        Shows a prompt and returns what was typed; raises `Stop` at the end of the input.
    say : callable
        Shows one line to the user.

    Raises
    ------
    SheetError
        The sheet can't be read as it is.
    """

    def __init__(
        self,
        workshop: "Workshop",
        path: Path,
        ask: Callable[[str], str],
        say: Callable[[str], None],
    ) -> None:
        self.workshop, self.path, self.ask, self.say = workshop, path, ask, say
        self.now: Measuring = workshop.read(path)
        self.before = {(q.feature, q.repeat): q.text for q in self.now.questions}
        self.inches_agreed = 0
        self.all_in_inches = False

    def run(self) -> None:
        """Ask for every empty cell; `Stop` where the user ends it."""
        queue = self.now.order
        if not queue:
            self.say(f"{self.now.source}: every reading is there already.")
            return
        self.say(f"{self.now.source}: piece {self.now.sheet.piece_id or '?'}, {self.now.piece.pattern}, "
                 f"{len(queue)} readings to go. ? for help, q to stop.")  # fmt: skip
        if not any(q.text for q in self.now.questions):
            self._ask_printed_with()
            self._ask_jaws()
        at = 0
        while at < len(queue):
            at = max(0, at + self._ask_one(queue[at], first=at == 0))

    def _ask_printed_with(self) -> None:
        """Ask once whether the piece was printed with what its sheet lists to be set."""
        from calib.readings.now import AS_BEFORE, EXAMPLE, PRINTED_WITH, box_of, printed_with

        keys = self.now.sheet.keys
        box = box_of(keys)
        if not box:
            return
        listed = ", ".join(f"{label} {amount}" for label, amount in box)
        self.say(f"This piece was to be printed with: {listed}.")
        self.say(f"   Enter: it was. Else: {AS_BEFORE}, or what was set: {EXAMPLE}")
        while True:
            typed = self.ask("   printed with: ")
            if typed == "":
                return
            if typed.lower() == "q":
                raise Stop
            try:
                printed_with({**keys, PRINTED_WITH: typed}, lambda key: key)
            except BadInput as err:
                self.say(f"   {err.what}; {err.mend}")
            else:
                self.now = self.workshop.set_head(self.path, PRINTED_WITH, typed)
                return

    def _ask_jaws(self) -> None:
        """Ask once what the closed jaws show, where the fit can make use of it."""
        if JAWS_CLOSED not in self.now.piece.head_lines or self.now.sheet.keys.get(JAWS_CLOSED.key):
            return
        unit = self.now.sheet.unit
        self.say("Wipe the caliper's jaws, close them and read it. Enter: not looked at.")
        while typed := self.ask(f"   closed jaws show, {unit}: "):
            if typed.lower() == "q":
                raise Stop
            shown_mm = _number(typed) * (INCH_MM if unit == "inch" else 1.0)
            if abs(shown_mm) <= _MOST_CLOSED_MM:
                self.now = self.workshop.set_head(self.path, JAWS_CLOSED.key, f"{shown_mm:.6g}")
                return
            self.say("   Closed jaws show about 0: write what they show, such as 0.00 or -0.02.")

    def report(self) -> dict[str, Any]:
        """Return what was done and what is left, and which readings still can't be right."""
        self.now = self.workshop.read(self.path)  # also what was written when Ctrl-C came
        new = [q for q in self.now.questions if q.text != self.before[q.feature, q.repeat]]
        return {
            "sheet": self.now.source,
            "piece": self.now.sheet.piece_id,
            "typed": len(new),
            "empty": self.now.empty,
            "doubtful": list(self.now.doubtful),
        }

    def in_words(self, report: dict[str, Any]) -> str:
        """Return the report for people, with what to do next."""
        left, sheet = report["empty"], report["sheet"]
        typed, are = report["typed"], "is" if left == 1 else "are"
        new = f"{typed} new reading{'s' * (typed != 1)}"
        lines = [f"Kept {new} in {sheet}; {left} {are} still empty."]
        lines += [f"Look again: {words}" for words in report["doubtful"]]
        lines.append(f"Next: truebead {'read' if left else 'solve'} {quote(sheet)}")
        return "\n".join(lines)

    def _ask_one(self, asked: "Asked", *, first: bool) -> int:
        """Ask until there is an answer; return how far to go on in the queue (-1: back)."""
        asked = self.now.question(asked.feature, asked.repeat)
        self._show(asked)
        cell = asked.cell
        there = f" [{asked.text}]" if asked.text else ""
        prompt = f"   reading {cell.repeat} of {cell.repeats}, {cell.unit_word}{there}: "
        while True:
            typed = self.ask(prompt)
            if typed == "":
                return 1
            if typed.lower() == "q":
                raise Stop
            if typed.lower() == "b":
                if not first:
                    return -1
                self.say("   This is the first one.")
            elif typed == "?":
                self.say(_HELP)
            elif self._take(typed, asked):
                return 1

    def _show(self, asked: "Asked") -> None:
        cell = asked.cell
        nominal = f", nominal {cell.nominal_words}" if cell.nominal_words else ""
        held = f", {cell.feature.jaws} jaws" if cell.feature.instrument == "caliper" else ""
        if cell.repeat == 1 or asked.text:
            self.say(f"\n({cell.number}) {cell.feature.where}{nominal}{held}")

    def _take(self, typed: str, asked: "Asked") -> bool:
        """Write an answer down if it makes sense, or if the user stands by it."""
        try:
            checked = self.now.check(asked.feature, self._with_unit(typed, asked), asked.repeat)
        except BadInput as err:
            self.say(f"   {err.what}; {err.mend}")
            return False
        try:
            text = self._agreed(checked, asked) if checked.suspicious else checked.text
        except Retyped as err:
            return self._take(str(err), asked)
        if not text:
            return False
        taken = self.workshop.enter(
            self.path, asked.feature, text, asked.repeat, seen=asked.text, sure=True
        )
        self.now = taken.measuring
        return True

    def _with_unit(self, typed: str, asked: "Asked") -> str:
        number = typed.replace(",", "").replace(".", "").isdecimal()
        in_mm = asked.cell.feature.unit == "mm"
        return f"{typed} in" if self.all_in_inches and number and in_mm else typed

    def _agreed(self, checked: "Checked", asked: "Asked") -> str:
        """Question a doubtful answer; return what to write, empty to ask for it again."""
        feature = asked.cell.feature
        self.say(
            f"   {checked.value:.5g} {feature.unit} is far from the nominal"
            f" {feature.nominal:.5g} {feature.unit}."
        )
        if checked.proposal:
            meant = f"{checked.proposed:.4g} {feature.unit}"
            if self._yes(f"   You typed {checked.text}: {checked.doubts[0]}, {meant}? [y/n] "):
                if checked.in_inches:
                    self._count_inches()
                return checked.proposal
        elif checked.doubts:
            self.say("   It may be " + " or ".join(checked.doubts) + ".")
        return checked.text if self._yes(f"   Keep {checked.text} as it is? [y/n] ") else ""

    def _count_inches(self) -> None:
        self.inches_agreed += 1
        if self.inches_agreed == 2 and not self.all_in_inches:
            self.all_in_inches = self._yes("   Take all further bare numbers as inches? [y/n] ")

    def _yes(self, question: str) -> bool:
        while True:
            typed = self.ask(question).lower()
            if typed in ("y", "yes", "n", "no"):
                return typed.startswith("y")
            if typed == "q":
                raise Stop
            if typed[:1].isdigit():
                raise Retyped(typed)
            self.say("   y or n, or the number once more.")


def _number(typed: str) -> float:
    """Return a number with a decimal comma or point; infinite where it is none."""
    try:
        return float(typed.replace(",", ".").removesuffix("mm"))
    except ValueError:
        return math.inf
