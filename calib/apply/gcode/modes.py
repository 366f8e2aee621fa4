"""Modal words carried forward: which motion, distance and filament mode is in force on every line of a block."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from calib.apply.decimals import F64, I64, Bool
from calib.apply.gcode.codes import MODAL, MODE, MOVE, M
from calib.apply.gcode.state import State
from calib.apply.gcode.table import Column, Table


@dataclass(slots=True)
class Modes:
    """One entry per line of a block, with the line's own words taken into account."""

    is_move: Bool
    motion: I64  # of G0..G3, -1 where none is in force
    absolute: Bool
    e_mode: Bool  # whether M83 is in force, not M82
    e_relative: Bool  # whether E words are read as relative
    plane: I64
    e_open: Bool  # E words whose meaning the file leaves open: G91 is in force, and M83 is not

    @classmethod
    def of(cls, table: Table, state: State) -> "Modes":
        """Carry the modes in force before a block through it."""
        code = table.code
        moves = np.flatnonzero((table.kind == MOVE) | (code == 800))
        names = np.where(code[moves] == 800, -1, code[moves] // 10)
        motion = carried(len(code), state.motion, moves, names)
        is_move = (table.kind == MOVE) | ((table.kind == MODAL) & (motion >= 0))
        modes = np.flatnonzero(table.kind == MODE)

        def mode(initial: Any, values: dict[int, Any]) -> Any:
            at = modes[np.isin(code[modes], list(values))]
            return carried(len(code), initial, at, [values[c] for c in code[at].tolist()])

        absolute = mode(state.absolute, {900: True, 910: False})
        e_mode = e_relative = mode(state.e_relative, {M + 820: False, M + 830: True})
        plane = mode(state.plane, {170: 17, 180: 18, 190: 19})
        e_open = np.zeros(len(code), np.bool_)
        if state.job.e_in_g91 == "relative":
            e_relative = e_relative | ~absolute
        elif not state.job.e_in_g91 and not absolute.all():
            on = table.columns["E"].line
            e_open[on] = (is_move & ~absolute & ~e_relative)[on]
        return cls(is_move, motion, absolute, e_mode, e_relative, plane, e_open)


def carried(count: int, initial: Any, lines: I64, values: Any) -> Any:
    """Return a value in force after each line, given the lines that set it."""
    if not len(lines):
        return np.full(count, initial)
    index = np.zeros(count, np.int64)
    index[lines] = np.arange(1, len(lines) + 1)
    return np.concatenate([[initial], values]).take(np.maximum.accumulate(index))


def follow(column: Column, start: int, count: int, initial: float, absolute: Bool) -> F64:
    """Return where an axis stands before the first line and after each.

    Parameters
    ----------
    column : Column
        Its words on these lines, which begin with line `start`.
    absolute : (count,) bool
        Of each line: whether a word names a place, or else how far to go.
    """
    on = column.line - start
    values = summed(column.value, ~absolute[on], initial)
    index = np.zeros(count + 1, np.int64)
    index[on + 1] = np.arange(1, len(on) + 1)
    result: F64 = np.concatenate([[initial], values]).take(np.maximum.accumulate(index))
    return result


def summed(value: F64, relative: Bool, initial: float) -> F64:
    """Return the places that words name, of which some say how far to go from the one before."""
    if not relative.any():
        return value
    places = np.concatenate([[initial], value])
    edges = np.flatnonzero(np.diff(relative, prepend=False, append=False))
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        places[begin : end + 1] = np.cumsum(places[begin : end + 1])
    return places[1:]
