"""The M-codes that matter here: E mode, temperatures, fan, flow and speed, line numbers.

Their meaning is common practice of printer firmware, no published standard.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from calib.apply.gcode.words import Word
from calib.errors import FileError

if TYPE_CHECKING:
    from calib.apply.gcode.exact import Exact

#: Codes that set what a schedule may set, too.
SETTERS = {
    104: "hot_end_c",
    109: "hot_end_c",
    106: "fan_percent",
    107: "fan_percent",
    220: "speed_percent",
    221: "flow_percent",
}

#: Codes that set a temperature, which has a rating.
RATED = {104, 109, 140, 190}

#: Codes that change what later lines mean.
MODES = {82, 83, 110}

#: A line that is one M-code and its parameters; a tool or a second code would have a meaning of its own.
_ALONE = re.compile(rb"M([0-9]{1,4})(?![0-9.])[^GgMmTt]*$")

MACHINE_CODES = MODES | RATED | set(SETTERS)


#: The same, if all on it is spelled as it mostly is.
_PLAIN = re.compile(rb"M[0-9]+(?: [A-Z]-?[0-9]+(?:\.[0-9]*)?)* *(?:;.*)?\r?$")


def leading_code(data: bytes, start: int, end: int) -> int:
    """Return the number of the M-code that is all there is on a line; -1 if there is more, or it needs care."""
    found = _ALONE.match(data, start, end)
    if not found:
        return -1
    code = int(found[1])
    return -1 if code in MACHINE_CODES and not _PLAIN.match(data, start, end) else code


def run_machine_code(exact: Exact, code: float, words: list[Word]) -> None:
    """Follow one M-code; check it against the ratings, and remember what the file itself asks for."""
    if code not in MACHINE_CODES:
        return
    state, given = exact.state, {w.letter: w.value for w in words}
    if code in (82, 83):
        state.e_relative = code == 83
    elif code == 110:
        state.shift = 0
    elif code in (140, 190):
        value = given.get("S", given.get("R", 0.0))
        exact.walls.bed(value, exact.where)
    else:
        _remember(exact, int(code), given)


def _remember(exact: Exact, code: int, given: dict[str, float]) -> None:
    state, setting = exact.state, SETTERS[code]
    value = given.get("S", given.get("R", math.nan))
    if code == 107:
        value = 0.0
    elif code == 106:
        value = given.get("S", 255.0) / 2.55
        if given.get("P", 0.0) != 0.0:  # another fan than the one on the part
            return
    if math.isnan(value):
        if code in (104, 109) and ("S" in given or "R" in given):
            raise FileError("a temperature without a number", where=exact.where)
        return
    tool = int(given["T"]) if "T" in given and given["T"] >= 0 else state.tool
    if setting == "hot_end_c":
        exact.walls.hot_end(value, exact.where)
    state.own[state.key(setting, tool)] = value
    state.in_force[state.key(setting, tool)] = value
    state.settled = False
