"""One sitting at the terminal: ask for each reading of a sheet and write it down at once."""

import sys
from collections.abc import Callable
from pathlib import Path
from shlex import quote
from typing import Any

from calib.errors import FileError
from calib.files import write_atomic
from calib.readings import Sheet, read_table, sheet_of
from calib.readings.blunders import find_blunders
from calib.readings.cells import CellError
from calib.readings.decode import read_bytes
from calib.readings.fill import Answer, Cell, cells, content, to_ask, understand
from calib.readings.table import Table

_HELP = """\
  a number   what the caliper or the balance shows; 39.97 or 39,97; with a unit if it is
             another one: 1.574 in, 3.997 cm
  yes / no   for judgements; 0 to 10 for scores; the word for grades
  Enter      skip this one for now (it is asked again next time)
  -          not measured, do not ask again
  b          back to the one before
  q          stop; everything up to here is kept, and you can go on later
"""


class Stop(Exception):
    """The user, or the end of the input, ends the asking."""


class Typing:
    """One sitting at the terminal: the sheet, and the cells that are still to be asked.

    Parameters
    ----------
    path : Path
        The sheet; read at once.
    say : callable
        Shows one line to the user.

    Raises
    ------
    SheetError
        The sheet can't be read as it is.
    """

    def __init__(self, path: Path, say: Callable[[str], None]) -> None:
        self.on_disk, self.path = read_bytes(path)
        self.say = say
        self.table: Table = read_table(self.on_disk, str(self.path))
        self.sheet: Sheet = sheet_of(self.table)
        self.cells = cells(self.table, self.sheet)
        self.before = {c: content(self.table, c) for c in self.cells}
        self.inches_agreed = 0
        self.all_in_inches = False

    def run(self) -> None:
        """Ask for every empty cell; `Stop` where the user ends it."""
        queue = to_ask(self.table, self.cells)
        if not queue:
            self.say(f"{self.path}: every reading is there already.")
            return
        self.say(f"{self.path}: piece {self.sheet.piece_id or '?'}, {self.sheet.piece.pattern}, "
                 f"{len(queue)} readings to go. ? for help, q to stop.")  # fmt: skip
        at = 0
        while at < len(queue):
            at = max(0, at + self._ask_one(queue[at], first=at == 0))

    def report(self) -> dict[str, Any]:
        """Return what was done and what is left, and which readings still can't be right.

        Goes by what is in the file: an interruption may come at any moment.
        """
        table = read_table(self.path)
        typed = [c for c in self.cells if content(table, c) not in ("", self.before[c])]
        return {
            "sheet": str(self.path),
            "piece": self.sheet.piece_id,
            "typed": len(typed),
            "empty": len(to_ask(table, self.cells)),
            "doubtful": [b.explanation for b in find_blunders(sheet_of(table))],
        }

    def in_words(self, report: dict[str, Any]) -> str:
        """Return the report for people, with what to do next."""
        left = report["empty"]
        lines = [f"Kept {report['typed']} new readings in {self.path}; {left} are still empty."]
        lines += [f"Look again: {words}" for words in report["doubtful"]]
        lines.append(f"Next: truebead {'read' if left else 'solve'} {quote(str(self.path))}")
        return "\n".join(lines)

    def _ask_one(self, cell: Cell, *, first: bool) -> int:
        """Ask until there is an answer; return how far to go on in the queue (-1: back)."""
        self._show(cell)
        while True:
            there = content(self.table, cell)
            typed = _ask(f"   reading {cell.repeat} of {cell.repeats}, {cell.unit_word}"
                         f"{f' [{there}]' if there else ''}: ", self.say)  # fmt: skip
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
            elif self._take(typed, cell):
                return 1

    def _show(self, cell: Cell) -> None:
        nominal = f", nominal {cell.nominal_words}" if cell.nominal_words else ""
        held = f", {cell.feature.jaws} jaws" if cell.feature.instrument == "caliper" else ""
        if cell.repeat == 1 or content(self.table, cell):
            self.say(f"\n({cell.number}) {cell.feature.where}{nominal}{held}")

    def _take(self, typed: str, cell: Cell) -> bool:
        """Write an answer down if it makes sense, or if the user stands by it."""
        text = self._with_unit(typed, cell)
        try:
            answer = understand(text, cell, self.sheet.piece.features)
        except CellError as err:
            self.say(f"   {err.what}; {err.mend}")
            return False
        agreed = self._agreed(answer, cell) if answer.suspicious else answer.text
        if agreed:
            self._write(cell, agreed)
        return bool(agreed)

    def _with_unit(self, typed: str, cell: Cell) -> str:
        number = typed.replace(",", "").replace(".", "").isdecimal()
        return (
            f"{typed} in" if self.all_in_inches and number and cell.feature.unit == "mm" else typed
        )

    def _agreed(self, answer: Answer, cell: Cell) -> str:
        """Question a doubtful answer; return what to write, empty to ask for it again."""
        unit = cell.feature.unit
        self.say(
            f"   {answer.value:.5g} {unit} is far from the nominal {cell.feature.nominal:.5g} {unit}."
        )
        if answer.proposal:
            why = answer.doubts[0]
            words = f"You typed {answer.text}: {why.words}, {answer.proposed:.4g} {unit}?"
            if self._yes(f"   {words} [y/n] "):
                if why.cause == "inch":
                    self._count_inches()
                return answer.proposal
        elif answer.doubts:
            self.say("   It may be " + " or ".join(e.words for e in answer.doubts[:3]) + ".")
        return answer.text if self._yes(f"   Keep {answer.text} as it is? [y/n] ") else ""

    def _count_inches(self) -> None:
        self.inches_agreed += 1
        if self.inches_agreed == 2 and not self.all_in_inches:
            self.all_in_inches = self._yes("   Take all further bare numbers as inches? [y/n] ")

    def _yes(self, question: str) -> bool:
        while True:
            typed = _ask(question, self.say).lower()
            if typed in ("y", "yes", "n", "no"):
                return typed.startswith("y")
            if typed == "q":
                raise Stop
            self.say("   y or n, please.")

    def _write(self, cell: Cell, text: str) -> None:
        """Put one cell into the file, unless another program has changed the file meanwhile."""
        table = self.table.with_cell(cell.line, cell.column, text)
        if read_bytes(self.path)[0] != self.on_disk:
            raise FileError(
                "another program has changed the sheet while you typed",
                where=str(self.path),
                mend="close it there and start again; only the last answer is not in it",
            )
        # A byte order mark that a spreadsheet put there helps it to read the file again.
        mark = (
            "\ufeff" if self.on_disk.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")) else ""
        )
        data = (mark + table.text()).encode("utf-8")
        write_atomic(self.path, data, force=True)
        self.table, self.on_disk = table, data


def _ask(prompt: str, say: Callable[[str], None]) -> str:
    """Return one line; the end of the input stops the asking."""
    try:
        if sys.stdin.isatty():
            return input(prompt).strip()
        say(prompt)
        line = sys.stdin.readline()
    except (EOFError, UnicodeDecodeError):
        raise Stop from None
    if not line:
        raise Stop
    return line.strip()
