"""Where a block goes: the modes, places and filament of every row, from the state that the block before left.

Lengths are whole counts of 1e-8 mm whatever the file's unit, so that sums do not depend on where blocks end.
"""

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from calib.apply.gcode.codes import MODAL, MODE, MOVE, RENAME, M
from calib.apply.gcode.job import Job
from calib.apply.gcode.lines import Lines
from calib.apply.gcode.numbers import F64, I64, PART, Bool, carried, shifted
from calib.errors import FileError

#: No coordinate or amount of filament is written with more; beyond it the file is damaged.
LARGEST = 4e6

AXES = "XYZ"


class Faults:
    """What can't be done; the first line that has something is told."""

    def __init__(self) -> None:
        self.found: list[tuple[int, str, str]] = []  # row, what, how to mend it

    def add(self, row: int, what: str, mend: str = "") -> None:
        """Note a row that can't be done."""
        self.found.append((int(row), what, mend))

    def first(self, lines: Lines, line: int, name: str) -> FileError | None:
        """Return the message for the first row, given how many lines came before the block."""
        if not self.found:
            return None
        row, what, mend = min(self.found, key=lambda f: f[0])
        return FileError(what, where=f"{name} line {line + int(lines.origin[row]) + 1}", mend=mend)


@dataclass(slots=True)
class State:
    """What a printer remembers of the file as it came.

    An axis is `known` once an absolute move or G92 has given it since the last homing. Until then its place is
    taken to be the centre of the map, so that it pulls no other axis along.
    """

    centre: list[int]  # of the map
    at: list[int]  # machine coordinates
    offset: list[int] = field(default_factory=lambda: [0] * 3)  # machine = as named + offset
    known: list[bool] = field(default_factory=lambda: [False] * 3)
    inch: bool = False
    absolute: bool = True
    e_relative: bool = False
    plane: int = 17
    motion: int = -1  # last of G0..G3 (modal group 1)
    e: int = 0  # as named
    e_unsettled: bool = False  # E words came whose meaning the file leaves open
    laid: int = 0  # filament laid down so far, and all other
    fed: int = 0
    layer_z_mm: float = 0.0
    layer_h_mm: float = 0.0
    line: int = 0  # lines read before the block


@dataclass(slots=True)
class Path:
    """One entry per row, or per straight piece where an arc was split."""

    row: I64
    is_move: Bool
    renames: Bool  # G92
    motion: I64  # of G0..G3, -1 where none is in force
    absolute: Bool
    inch: Bool
    plane: I64
    e_relative: Bool
    e_open: Bool  # E words whose meaning the file leaves open: G91 is in force, and M83 is not
    has: dict[str, Bool]  # words X, Y, Z, E on a move or G92
    place: list[I64]  # machine coordinates after it
    before: list[I64]
    offset: list[I64]
    knew: list[Bool]  # whether its place was known before, is known after
    known: list[Bool]
    lost: list[Bool]  # homed, or gone where the file does not say
    amount: I64  # filament
    extruding: Bool  # filament forward while X or Y moves
    e: I64  # E as named
    arc: Bool  # an arc that was followed
    first: Bool  # the first piece of its row, the last one
    last: Bool

    def take(self, index: I64) -> "Path":
        """Return a path of these entries."""

        def some(value: Any) -> Any:
            if isinstance(value, dict):
                return {k: v.take(index) for k, v in value.items()}
            return [v.take(index) for v in value] if isinstance(value, list) else value.take(index)

        return Path(*(some(getattr(self, f.name)) for f in fields(self)))


def mm(values: I64, inch: Bool) -> I64:
    """Turn counts of the file's unit into counts of mm."""
    return np.where(inch, (values * 127 + 2) // 5, values) if inch.any() else values


def follow(
    lines: Lines, state: State, job: Job, lost: dict[int, list[int]], faults: Faults
) -> Path:
    """Follow a block.

    Parameters
    ----------
    lost : dict
        Rows after which the file does not say where some axes are, and which.
    """
    code, kind, count = lines.code, lines.kind, len(lines.kind)
    sets_motion = np.flatnonzero((kind == MOVE) | (code == 800))
    names = np.where(code[sets_motion] == 800, -1, code[sets_motion] // 10)
    motion = carried(state.motion, sets_motion, names, count)
    is_move = (kind == MOVE) | ((kind == MODAL) & (motion >= 0))
    at_modes = np.flatnonzero(kind == MODE)
    modes = list(zip(at_modes.tolist(), code[at_modes].tolist(), strict=True))

    def mode(initial: Any, values: dict[int, Any]) -> Any:
        found = [(row, values[c]) for row, c in modes if c in values]
        return carried(initial, [row for row, _ in found], [v for _, v in found], count)

    absolute = mode(state.absolute, {900: True, 910: False})
    e_relative = mode(state.e_relative, {M + 820: False, M + 830: True})
    inch = mode(state.inch, {200: True, 210: False})
    plane = mode(state.plane, {170: 17, 180: 18, 190: 19})
    renames = kind == RENAME
    has = {c: (lines.word[c] > 0) & (is_move | renames) for c in "XYZE"}
    if renames.any():  # without any word G92 names all of them 0
        bare = renames & ~(has["X"] | has["Y"] | has["Z"] | has["E"])
        if bare.any():
            has = {c: v | bare for c, v in has.items()}
    _refuse_implausible(lines, is_move | renames, faults)
    e_open = np.zeros(count, np.bool_)
    if job.e_in_g91 == "relative":
        e_relative = e_relative | ~absolute
    elif not job.e_in_g91 and not absolute.all():
        e_open = has["E"] & is_move & ~absolute & ~e_relative
    axes = [
        _axis(i, mm(lines.value(c), inch), has[c], is_move & absolute, renames, lost, state)
        for i, c in enumerate(AXES)
    ]
    place, offset, known, gone = (list(v) for v in zip(*axes, strict=True))
    before = [shifted(state.at[i], p) for i, p in enumerate(place)]
    knew = [
        k if k.all() and state.known[i] else shifted(state.known[i], k) for i, k in enumerate(known)
    ]
    relative = (e_relative | e_open) & ~renames
    e = _summed(mm(lines.value("E"), inch), has["E"], relative, state.e)
    amount = np.where(is_move, np.diff(e, prepend=state.e), 0)
    moved = (place[0] != before[0]) | (place[1] != before[1]) | (motion >= 2)
    extruding = is_move & moved & (amount > 0)
    whole = np.ones(count, np.bool_)
    return Path(
        np.arange(count), is_move, renames, motion, absolute, inch, plane, e_relative, e_open, has,
        place, before, offset, knew, known, gone, amount, extruding, e, ~whole, whole, whole,
    )  # fmt: skip


def remember(path: Path, state: State) -> None:
    """Leave the state as it is after a path."""
    state.at, state.offset = ([int(v[-1]) for v in values] for values in (path.place, path.offset))
    state.known = [bool(v[-1]) for v in path.known]
    state.inch, state.absolute = bool(path.inch[-1]), bool(path.absolute[-1])
    state.e_relative, state.plane = bool(path.e_relative[-1]), int(path.plane[-1])
    state.motion, state.e = int(path.motion[-1]), int(path.e[-1])


def _refuse_implausible(lines: Lines, rows: Bool, faults: Faults) -> None:
    limit = int(LARGEST) * PART
    values = lines.words.value
    for word in np.flatnonzero((values >= limit) | (values <= -limit)).tolist():
        row, letter = int(lines.words.row[word]), chr(lines.words.letter[word])
        if letter in "XYZEIJR" and rows[row]:
            faults.add(row, f"{letter} has {values[word] / PART:g}, which is no coordinate", "the file is damaged; slice it again")  # fmt: skip


def _axis(
    i: int, value: I64, has: Bool, absolute: Bool, renames: Bool, lost: dict[int, list[int]], state: State
) -> tuple[I64, I64, Bool, Bool]:  # fmt: skip
    """Return place, offset, whether it is known, and whether it got lost, for one axis."""
    count = len(value)
    sets = has & (absolute | renames)
    gone = np.zeros(count, np.bool_)
    gone[[row for row, axes in lost.items() if i in axes]] = True
    at = np.flatnonzero(gone)
    anchors = sets | gone
    start = state.at[i] - state.offset[i]
    if len(at):
        has, value = has | gone, np.where(gone, state.centre[i], value)
    named = _summed(value, has, ~anchors, start)
    known, offset = np.full(count, state.known[i]), np.full(count, state.offset[i])
    if len(at) or not state.known[i]:
        rows = np.flatnonzero(anchors)
        known = carried(state.known[i], rows, sets[rows], count)
    moved = renames & has
    if moved.any():
        moved &= shifted(state.known[i], known)
    if len(at) or moved.any():  # G92 says that the present place gets another name
        jumps = np.cumsum(np.where(moved, shifted(start, named) - named, 0))
        offset = carried(state.offset[i], at, -jumps[at], count) + jumps
    return named + offset, offset, known, gone


def _summed(value: I64, has: Bool, relative: Bool, initial: int) -> I64:
    """Return what is in force after each row, given words that set it, or say how much is added."""
    sets = np.flatnonzero(has & ~relative)
    added = has & relative
    if not added.any():
        plain: I64 = carried(initial, sets, value[sets], len(value))
        return plain
    sums: I64 = np.cumsum(np.where(added, value, 0))
    sums += carried(initial, sets, value[sets] - sums[sets], len(value))
    return sums


def layers(path: Path, state: State) -> tuple[I64, F64, F64]:
    """Return the extruding rows at a known height, their heights, and how high each one's layer is, mm.

    A layer is as high as the last rise there was from one extruding move to the next.
    """
    at = np.flatnonzero(path.extruding & path.known[2])
    z_mm = path.place[2][at] / PART
    rise = np.diff(z_mm, prepend=state.layer_z_mm)
    height = carried(state.layer_h_mm, np.flatnonzero(rise > 0), rise[rise > 0], len(at))
    if len(at):
        state.layer_z_mm, state.layer_h_mm = float(z_mm[-1]), float(height[-1])
    return at, z_mm, height
