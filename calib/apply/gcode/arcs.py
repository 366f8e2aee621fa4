"""Arcs as straight pieces, which are what is mapped, held at walls and, where an arc does not stay one, written.

G2 turns clockwise and G3 counter-clockwise seen from +Z; I and J run from the start to the centre in either distance
mode; with R, a positive radius takes the arc of 180 degrees or less: NIST IR 6556, section 3.5.3.
"""

import math

import numpy as np

from calib.apply.gcode.job import Job
from calib.apply.gcode.lines import Lines
from calib.apply.gcode.numbers import F64, I64, PART, Bool
from calib.apply.gcode.path import Faults, Path, mm

#: Straight pieces turn by no more than this, however coarse the tolerance.
LARGEST_STEP = math.pi / 8


def split_arcs(path: Path, lines: Lines, job: Job, faults: Faults) -> Path:
    """Return a path with straight pieces in the place of arcs; those that can't be followed stay whole."""
    if not (path.motion >= 2).any():
        return path
    at = _followed(path, lines, job, faults)
    x0, y0 = (path.before[k][at] / PART for k in (0, 1))
    x1, y1 = (path.place[k][at] / PART for k in (0, 1))
    i, j, good = _centres(path, lines, at, x1 - x0, y1 - y0, faults)
    begin, sweep, end_radius = sweeps(x0, y0, x1, y1, i, j, np.where(path.motion[at] == 3, 1.0, -1.0))  # fmt: skip
    radius = np.hypot(i, j)
    good &= ~_broken(radius, end_radius, at, good, faults)
    count = np.ones(len(path.row), np.int64)
    count[at[good]] = pieces(radius, sweep, job.arc_tolerance_mm)[good]
    owner = np.repeat(np.arange(len(count)), count)
    last = np.cumsum(count)[owner] - 1 == np.arange(len(owner))
    turn = np.zeros(len(count), np.int64)
    turn[at] = np.arange(len(at))
    steps = path.take(owner)
    some = np.flatnonzero(count[owner] > 1)  # pieces
    arc, row = turn[owner[some]], owner[some]
    k = some - (np.cumsum(count) - count)[row]
    t = (k + 1) / count[row]
    angle = begin[arc] + sweep[arc] * t
    r = radius[arc] + (end_radius - radius)[arc] * t
    inner = ~last[some]
    for axis, values in enumerate((x0[arc] + i[arc] + r * np.cos(angle), y0[arc] + j[arc] + r * np.sin(angle))):  # fmt: skip
        steps.place[axis][some[inner]] = np.rint(values[inner] * PART).astype(np.int64)
    for whole, begun in ((steps.place[2], path.before[2]), (steps.e, path.e - path.amount)):
        rise = whole[some] - begun[row]
        whole[some] = begun[row] + np.rint(rise * t).astype(np.int64)
    shares = np.rint(path.amount[row] * t).astype(np.int64)
    steps.amount[some] = shares - np.rint(path.amount[row] * (k / count[row])).astype(np.int64)
    steps.arc[np.isin(owner, at[good])] = True
    steps.has["X"][steps.arc] = steps.has["Y"][steps.arc] = True
    steps.first, steps.last = np.append(True, last[:-1]), last
    return steps


def _followed(path: Path, lines: Lines, job: Job, faults: Faults) -> I64:
    """Return the arcs whose path is known; the others are refused if they had to be changed."""
    named = [lines.word[c] > 0 for c in "XYZIJR"]
    at = np.flatnonzero(path.is_move & (path.motion >= 2) & np.logical_or.reduce(named))
    words = lines.words
    turns = [w for w in lines.other.tolist() if words.letter[w] == ord("P")]
    several = [words.row[w] for w in turns if lines.raw[words.at[w] + 1 : words.end[w]].strip(b"0.") != b"1"]  # fmt: skip
    lost = ~(path.knew[0] & path.knew[1])[at]
    doubts = (
        (path.plane[at] != 17, "an arc in plane G18 or G19 can't be changed", "slice without arcs"),
        (np.isin(at, several), "an arc of several turns (P) can't be changed", "slice without arcs"),
        (lost, "an arc begins where the file has not said the printer is",
         "put a straight move in absolute coordinates (G90) before it"),
    )  # fmt: skip
    good = np.ones(len(at), np.bool_)
    for wrong, what, mend in doubts:
        if job.moves_points and wrong.any():
            faults.add(at[wrong][0], what, mend)
        good &= ~wrong
    return at[good]


def _centres(
    path: Path, lines: Lines, at: I64, dx: F64, dy: F64, faults: Faults
) -> tuple[F64, F64, Bool]:
    """Return I and J of each arc, worked out where R is given, and which arcs have them."""
    i, j, radius = (mm(lines.value(c), path.inch)[at] / PART for c in "IJR")
    has_i, has_j, has_r = (lines.word[c][at] > 0 for c in "IJR")
    good = has_i | has_j | has_r
    if not good.all():
        faults.add(at[~good][0], "an arc without I, J or R")
    if has_r.any():
        a, b, exists = centres_of_radius(dx, dy, radius, path.motion[at] == 2)
        i, j = np.where(has_r, a, i), np.where(has_r, b, j)
        if not exists[has_r].all():
            k = np.flatnonzero(has_r & ~exists)[0]
            value = lines.value("R")[at[k]] / PART
            faults.add(at[k], f"no arc of radius {value:g} joins its start and end")
        good &= exists | ~has_r
    return i, j, good


def _broken(radius: F64, end_radius: F64, at: I64, good: Bool, faults: Faults) -> Bool:
    """Refuse arcs whose start and end are so unlike far from the centre that it is no rounding (0.1 mm, 2 %)."""
    wrong = np.abs(radius - end_radius) > np.maximum(0.1, 0.02 * radius)
    told = np.flatnonzero(wrong & good)
    if len(told):
        k = told[0]
        faults.add(
            at[k],
            f"the arc's centre is {radius[k]:g} mm from its start but {end_radius[k]:g} mm from its end",
            "the file is damaged, or I and J are not relative to the start",
        )
    return wrong


def centres_of_radius(dx: F64, dy: F64, radius: F64, clockwise: Bool) -> tuple[F64, F64, Bool]:
    """Return I and J of arcs given by chord and radius, and whether such an arc exists."""
    chord = np.hypot(dx, dy)
    exists: Bool = (chord > 0) & (np.abs(radius) >= 0.5 * chord * (1 - 1e-4))
    height = np.sqrt(np.maximum(0.0, radius * radius - 0.25 * chord * chord))
    side = np.where(clockwise == (radius > 0), -height, height) / np.where(exists, chord, 1.0)
    return dx / 2 - dy * side, dy / 2 + dx * side, exists


def sweeps(x0: F64, y0: F64, x1: F64, y1: F64, i: F64, j: F64, turn: F64) -> tuple[F64, F64, F64]:
    """Return start angle, signed sweep and end radius.

    Parameters
    ----------
    x0, y0, x1, y1, i, j : (n,) float
        Start, end, and centre minus start.
    turn : (n,) float
        +1 counter-clockwise, -1 clockwise. Equal start and end make a full circle.
    """
    ex, ey = x1 - (x0 + i), y1 - (y0 + j)
    begin = np.arctan2(-j, -i)
    angle = np.mod(turn * (np.arctan2(ey, ex) - begin), 2 * np.pi)
    same = (x0 == x1) & (y0 == y1)
    angle = np.where(same | (angle < 1e-9), 2 * np.pi, angle)
    return begin, turn * angle, np.hypot(ex, ey)


def pieces(radius: F64, sweep: F64, tolerance: float) -> I64:
    """Return how many straight pieces keep within `tolerance` of each arc (chord height)."""
    share = np.clip(tolerance / np.maximum(radius, 1e-12), 0.0, 1.0)
    step = np.minimum(2 * np.arccos(1 - share), LARGEST_STEP)
    count: I64 = np.maximum(1, np.ceil(np.abs(sweep) / step - 1e-9)).astype(np.int64)
    return count
