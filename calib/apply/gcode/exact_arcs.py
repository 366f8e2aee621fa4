"""One arc read with care: kept if the map leaves it one, or else turned into straight moves."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import numpy as np

from calib.apply.gcode import arcs
from calib.apply.gcode.numbers import write_decimal
from calib.apply.gcode.words import Word
from calib.errors import FileError

if TYPE_CHECKING:
    from calib.apply.gcode.exact import Exact

_PARENTHESES = re.compile(rb"\([^()]*\)")


def rewrite_arc(
    exact: Exact,
    code: bytes,
    axes: dict[str, Word],
    old: list[float],
    was_known: list[bool],
    edits: list[tuple[int, int, str]],
    e: tuple[int, int, int],
) -> list[bytes] | None:
    """Keep an arc that stays one (adding to `edits`), or return the straight moves in its place."""
    state, job = exact.state, exact.job
    if not job.moves_points and not job.limits.has_volume:
        return None
    if state.plane != 17:
        if not job.moves_points:
            return None
        raise FileError(
            f"an arc in plane G{state.plane} can't be scaled or skewed",
            where=exact.where,
            mend="slice without arcs",
        )
    if not (was_known[0] and was_known[1]):
        raise FileError(
            "an arc begins where the file has not said the printer is",
            where=exact.where,
            mend="put a straight move in absolute coordinates (G90) before it",
        )
    i, j = _centre(exact, axes, old)
    x0, y0, z0 = old
    start, end = (np.array([x0]), np.array([y0])), (state.pos[0], state.pos[1])
    turn = np.array([1.0 if state.motion == 3 else -1.0])
    begin, sweep, end_radius = arcs.sweeps(
        *start, np.array([end[0]]), np.array([end[1]]), np.array([i]), np.array([j]), turn
    )
    radius = math.hypot(i, j)
    if arcs.is_broken(np.array([radius]), end_radius, state.unit_mm)[0]:
        raise arcs.broken_arc(radius, float(end_radius[0]), exact.where)
    count = arcs.pieces(np.array([radius]), sweep, job.arc_tolerance_mm / state.unit_mm)
    _, t = arcs.split(count)
    angle = begin + sweep * t
    r = radius + (end_radius - radius) * t
    xs, ys = x0 + i + r * np.cos(angle), y0 + j + r * np.sin(angle)
    zs = z0 + (state.pos[2] - z0) * t
    xs[-1], ys[-1], zs[-1] = state.pos
    points = [[float(x), float(y), float(z)] for x, y, z in zip(xs, ys, zs, strict=True)]
    _check_points(exact, points)
    keeps = job.keeps_helices or (job.keeps_arcs and z0 == state.pos[2])
    if keeps:
        for c in "IJR":
            if job.matrix[0][0] != 1.0 and c in axes:
                text = write_decimal(state.units(axes[c].value * job.matrix[0][0]), state.places)
                edits.append((axes[c].start, axes[c].end, text))
        return None
    return _moves(exact, code, axes, [old, *points], t.tolist(), e)


def _centre(exact: Exact, axes: dict[str, Word], old: list[float]) -> tuple[float, float]:
    if "P" in axes and axes["P"].value != 1:
        raise FileError("an arc of several turns (P) can't be changed", where=exact.where)
    if "R" not in axes:
        if "I" not in axes and "J" not in axes:
            raise FileError("an arc without I, J or R", where=exact.where)
        return tuple(axes[c].value if c in axes else 0.0 for c in "IJ")  # type: ignore[return-value]
    found = arcs.centre_of_radius(
        (old[0], old[1]),
        (exact.state.pos[0], exact.state.pos[1]),
        axes["R"].value,
        clockwise=exact.state.motion == 2,
    )
    if found is None:
        raise FileError(
            f"no arc of radius {axes['R'].value:g} joins its start and end", where=exact.where
        )
    return found


def _check_points(exact: Exact, points: list[list[float]]) -> None:
    keep = exact.state.pos
    for point in points:
        exact.state.pos = point
        exact.check_walls()
    exact.state.pos = keep


def _moves(
    exact: Exact,
    code: bytes,
    axes: dict[str, Word],
    points: list[list[float]],
    along: list[float],
    e: tuple[int, int, int],
) -> list[bytes]:
    state, before = exact.state, [exact.state.out(p) for p in points]
    lines = []
    done = 0
    for k, t in enumerate(along):
        now, was = before[k + 1], before[k]
        text = "G1"
        for i, c in enumerate("XYZ"):
            if i < 2 or c in axes:
                value = now[i] if state.absolute else now[i] - was[i]
                text += f" {c}{write_decimal(value, state.places)}"
        if "E" in axes:
            part = round((e[2] - e[1]) * t)
            value = part - done if state.e_relative else e[0] + e[1] + part
            done = part
            text += f" E{write_decimal(value, state.places)}"
        if k == 0 and "F" in axes:
            text += " F" + code[axes["F"].start : axes["F"].end].decode()
        lines.append(text.encode())
    lines[-1] += b"".join(b" " + c for c in _PARENTHESES.findall(code))
    return lines
