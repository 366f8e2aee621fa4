"""What each G- and M-code is to the rewriter: a move, a mode, an event to follow or check, or nothing.

G-codes follow the description of RS274/NGC (NIST IR 6556, section 3.5); M-codes are common practice of printer
firmware, no published standard.
"""

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from calib.apply.limits import Limits
from calib.errors import FileError

#: What a line is. A move has its G-code, a modal one has axis words alone; G92 renames where the nozzle is.
#: One that is none of these can't be read.
MOVE, MODAL, RENAME, MODE, EVENT, COPIED, UNREAD = range(7)

#: Codes are held as ten times their number (G92.1 is 921), M-codes with this added.
M = 10_000

_MODES = (17, 18, 19, 20, 21, 90, 91)

#: G-codes that change nothing here.
_HARMLESS_G = (4, 11, 40, 49, 54, 64, 94)

#: G-codes that need no words, and which go first where several stand on a line.
MODAL_G = {20.0: 0, 21.0: 0, 17.0: 1, 18.0: 1, 19.0: 1, 40.0: 2, 49.0: 2, 54.0: 2, 64.0: 2, 94.0: 2, 90.0: 3, 91.0: 3}  # fmt: skip

#: Commands whose rest is a text or a file name.
TEXT_M = {16, 23, 28, 29, 30, 32, 33, 36, 98, 117, 118, 486, 550, 552, 587, 588, 589}

#: Codes that set what a schedule may set, too.
SETTERS = {
    104: "hot_end_c",
    109: "hot_end_c",
    106: "fan_percent",
    107: "fan_percent",
    220: "speed_percent",
    221: "flow_percent",
}

#: Words of codes that heat; M303 tunes what E names, the bed if that is negative.
_HOT_END = {104: "SR", 109: "SR", 145: "H", 303: "S", 568: "SR"}
_BED = {140: "SR", 190: "SR", 145: "B"}

#: Codes after which a length or a place is not what it was, and others that can't be checked: what to tell.
_UNSEEN_M = {
    23: "names another file to print",
    24: "goes on with another file",
    32: "prints another file",
    98: "runs another file",
    92: "sets the steps per mm",
    141: "heats the chamber, whose rating is not known",
    191: "heats the chamber, whose rating is not known",
    200: "has E counted as volume",
    206: "moves the home position",
    218: "sets the offset of a tool",
    428: "moves the home position",
    665: "sets the build of the machine",
    666: "sets the build of the machine",
    669: "sets the build of the machine",
}

#: Range in which the file's own flow and speed make sense, %.
_SHARES = {220: (1.0, 1000.0), 221: (1.0, 300.0)}

IMPORTANT_M = {82, 83, 110} | set(SETTERS) | set(_HOT_END) | set(_BED) | set(_UNSEEN_M)

#: Codes under which a changed coordinate would not mean what it says.
UNMAPPABLE = {
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
    10.0: "another coordinate system",
}

#: Codes after which the printer stands somewhere the file does not say.
LOSES_PLACE = {5.0, 5.1, 6.0, 12.0, 27.0, 29.0, 30.0, 32.0, 33.0, 34.0, 53.0, 61.0, *map(float, range(81, 90))}  # fmt: skip


def _kinds() -> npt.NDArray[np.uint8]:
    table = np.full(2 * M, EVENT, np.uint8)
    table[:40:10] = MOVE
    table[[10 * g for g in _MODES]] = MODE
    table[[10 * g for g in _HARMLESS_G]] = COPIED
    table[920] = RENAME
    table[M:] = COPIED
    for m in IMPORTANT_M:
        table[M + 10 * m : M + 10 * m + 10] = EVENT
    table[[M + 820, M + 830]] = MODE
    return table


#: The kind of every code; beyond its end nothing is known that matters.
KINDS = _kinds()


def important_g(number: float) -> bool:
    """Tell whether a G-code has to be understood."""
    return int(KINDS[min(round(10 * abs(number)), M - 1)]) != COPIED


#: A command that is no move and no mode: its row, letter, number and other words.
Event = tuple[int, str, float, dict[str, float]]


@dataclass(slots=True)
class Gate:
    """Holds what a file sets against the printer's ratings, and lists what can't be checked."""

    limits: Limits
    unseen: dict[str, tuple[int, int]] = field(default_factory=dict)  # what -> first line, count

    def list(self, what: str, line: int, count: int = 1) -> None:
        """Note something that can't be checked."""
        first, before = self.unseen.get(what, (line, 0))
        self.unseen[what] = first, before + count

    def check(
        self, letter: str, number: float, words: dict[str, float], line: int, where: str
    ) -> None:
        """Refuse a command that heats past a rating or scales beyond reason; list what can't be checked."""
        if letter == "T":
            return
        code = int(number)
        if letter == "G":
            if code == 10 and "P" in words:
                self._heat(words, "SR", hot_end=True, where=where)
            elif code not in (10, 28, 80):
                self.list(f"G{number:g} is not known here", line)
            return
        self._heat(words, _HOT_END.get(code, ""), code != 303 or not words.get("E", 0) < 0, where)
        self._heat(words, _BED.get(code, ""), False, where)
        for axis in "XYZE" if code == 92 else "":
            if not words.get(axis, 1.0) > 0:
                raise FileError(
                    f"M92 sets {axis} to {words[axis]:g} steps per mm",
                    where=where,
                    mend="drop the line",
                )
        if code in _SHARES and "S" in words:
            low, high = _SHARES[code]
            if not low <= words["S"] <= high:
                raise FileError(
                    f"M{code} sets {words['S']:g} %, which is not between {low:g} and {high:g}",
                    where=where,
                    mend="drop the line, or slice again",
                )
        if code in _UNSEEN_M:
            self.list(f"M{code} {_UNSEEN_M[code]}", line)

    def _heat(self, words: dict[str, float], letters: str, hot_end: bool, where: str) -> None:
        what = "hot end" if hot_end else "bed"
        rated_c = self.limits.hot_end_max_c if hot_end else self.limits.bed_max_c
        for letter in letters:
            value_c = words.get(letter, 0.0)
            if math.isnan(value_c):
                raise FileError("a temperature without a number", where=where)
            if rated_c is not None and not value_c <= rated_c:
                raise FileError(
                    f"the file sets the {what} to {value_c:g} degC; it is rated for {rated_c:g} degC",
                    where=where,
                    mend="slice again with a lower temperature",
                )
