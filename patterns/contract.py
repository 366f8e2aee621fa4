"""What the fits understand: which features, in which group, with what else on the piece.

A pattern whose features no fit reads is of no use to anyone, so this table is held against the default
piece of every pattern when it is registered.
"""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.piece import Piece
from patterns.spec import PrintSetup

if TYPE_CHECKING:
    from patterns.registry import Pattern

_LENGTHS = (Kind.OUTSIDE, Kind.INSIDE, Kind.PITCH, Kind.HEIGHT, Kind.STEP)
_VIEWS, _JAWS = ("top", "front", "right", "iso"), ("outside", "inside", "depth", "")

Needs = Callable[[Feature, Piece], str]


@dataclass(frozen=True, slots=True)
class Rule:
    """One line of the contract.

    Attributes
    ----------
    kinds, groups : tuples
        Where it holds; the group "*" stands for any name.
    rung : bool
        Whether the feature must stand for a value on a ladder.
    fit : str
        What reads it, for people.
    needs : callable
        Returns what is missing, "" where nothing is.
    """

    kinds: tuple[Kind, ...]
    groups: tuple[str, ...]
    rung: bool
    fit: str
    needs: Needs


def _length(f: Feature, piece: Piece) -> str:
    if f.axis not in ("X", "Y", "Z"):
        return "axis X, Y or Z"
    along = f.direction["XYZ".index(f.axis)]
    if abs(abs(along) - 1) > 1e-6:
        return f"start and end apart along {f.axis} alone"
    return _nominal(f, piece)


def _diagonal(f: Feature, piece: Piece) -> str:
    if f.axis not in ("XY", "XZ", "YZ"):
        return "axis XY, XZ or YZ"
    return _nominal(f, piece)


def _nominal(f: Feature, piece: Piece) -> str:
    apart = math.dist(f.start, f.end)
    if abs(apart - f.nominal) > 1e-3:
        return (
            f"start and end {f.nominal:g} mm apart, as its nominal value says (they are {apart:g})"
        )
    return ""


def _wall(f: Feature, piece: Piece) -> str:
    return "" if f.nominal > 0 else "a nominal thickness above 0"


def _mass(f: Feature, piece: Piece) -> str:
    if piece.volume_mm3 is None:
        return "the piece's volume_mm3, which the mass is held against"
    return "" if f.nominal > 0 else "a nominal mass above 0"


def _tower(f: Feature, piece: Piece) -> str:
    if not piece.schedule:
        return "a schedule that says which setting changes with height"
    if not any(abs(row.value - (f.rung or 0.0)) < 1e-6 for row in piece.schedule):
        return f"a row of the schedule with the value {f.rung:g}"
    return "" if f.group else "a group, such as strings"


def _speed(f: Feature, piece: Piece) -> str:
    if any(row.setting != "speed_mm_s" for row in piece.schedule):
        return "a schedule of speed_mm_s"
    return _tower(f, piece)


def _grades(f: Feature, piece: Piece) -> str:
    four = len(f.grades) == 4
    return (
        ""
        if four and f.group
        else "a group and four grades, from the tightest: stuck, press, slide, loose"
    )


def _diameter(f: Feature, piece: Piece) -> str:
    return "" if f.axis in ("X", "Y", "Z") else "axis X, Y or Z"


def _axis(f: Feature, piece: Piece) -> str:
    return _diameter(f, piece) or ("" if any(f.direction) else "start and end apart")


def _nothing(f: Feature, piece: Piece) -> str:
    return ""


#: The whole contract; DEVELOPERS.md shows it as `contract_table` writes it.
RULES = (
    Rule(_LENGTHS, ("", "size", "travel"), False, "size, offset, first layer", _length),
    Rule((Kind.DIAGONAL,), ("", "size"), False, "skew", _diagonal),
    Rule((Kind.WALL,), ("*",), False, "flow by walls", _wall),
    Rule((Kind.MASS,), ("*",), False, "flow by mass", _mass),
    Rule((Kind.SCORE,), ("*",), True, "best value of a tower", _tower),
    Rule((Kind.STEP,), ("sag",), True, "limit by sag", _nominal),
    Rule((Kind.PASS,), ("pass",), True, "limit by eye", _nothing),
    Rule((Kind.PASS,), ("*",), True, "clearance", _grades),
    Rule((Kind.DIAMETER,), ("vertical", "horizontal", "pin"), True, "holes", _diameter),
    Rule(
        (Kind.DIAMETER, Kind.OUTSIDE), ("peg",), False, "clearance (the peg's own size)", _nothing
    ),
    Rule((Kind.DIAMETER, Kind.OUTSIDE), ("filament",), True, "filament", _nothing),
    Rule((Kind.PITCH,), ("reversal",), False, "lost motion", _axis),
    Rule((Kind.PITCH,), ("ripple",), True, "frequency of ripples", _speed),
    Rule((Kind.WALL,), ("lag",), True, "lag of the flow", _wall),
    Rule((Kind.PASS,), ("ripples",), True, "speed without ripples", _speed),
    Rule((Kind.HEIGHT,), ("patch",), False, "bed", _nominal),
    Rule((Kind.STEP, Kind.OUTSIDE, Kind.PITCH), ("feed",), True, "extruder", _nothing),
    Rule(
        (Kind.STRANDS, Kind.DROOP, Kind.ROUGHNESS), ("*",), True, "best value, by photo", _nothing
    ),
)


def contract_table() -> str:
    """Return the contract as a table in Markdown."""
    lines = ["| kind | group | rung | read by |", "| --- | --- | --- | --- |"]
    for r in RULES:
        groups = ", ".join({"": "none", "*": "any"}.get(g, f"`{g}`") for g in r.groups)
        kinds = ", ".join(str(k) for k in r.kinds)
        lines.append(f"| {kinds} | {groups} | {'yes' if r.rung else 'no'} | {r.fit} |")
    return "\n".join(lines) + "\n"


def check(pattern: "Pattern") -> None:
    """Hold the default piece of a pattern against the contract.

    Raises
    ------
    SpecError
        Its name can't be typed, or a feature is read by no fit; it says what is missing.
    """
    if not re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", pattern.name):
        raise SpecError(
            f"the name {pattern.name!r} can't be used", mend="write it like my-ring: a-z, 0-9 and -"
        )
    piece = pattern.piece({}, PrintSetup())
    if piece.pattern != pattern.name:
        raise SpecError(
            f"the piece calls its pattern {piece.pattern!r}", mend=f"write pattern={pattern.name!r}"
        )
    if not piece.features:
        raise SpecError(f"{pattern.name} has no features", mend="name what is measured on it")
    for f in piece.features:
        if missing := lacking(f, piece):
            raise SpecError(f"{pattern.name}: the feature {f.id} {missing}", mend=_mend(f))


def lacking(f: Feature, piece: Piece) -> str:
    """Return what a feature lacks to be read by a fit; empty where nothing."""
    if not re.fullmatch(r"[a-z0-9_]+", f.id):
        return "has an id with other signs than a-z, 0-9 and _"
    if f.view not in _VIEWS or f.jaws not in _JAWS:
        return f"needs a view of {', '.join(_VIEWS)} and jaws of outside, inside, depth or none"
    rules = [r for r in RULES if f.kind in r.kinds and (f.group in r.groups or "*" in r.groups)]
    fitting = [r for r in rules if r.rung == (f.rung is not None)]
    if not fitting:
        if rules:
            return "needs a rung" if rules[0].rung else "must have no rung"
        return f"of kind {f.kind} in the group {f.group!r} is read by no fit"
    lacks = [r.needs(f, piece) for r in fitting]
    return "" if "" in lacks else f"needs {lacks[0]} ({fitting[0].fit})"


def _mend(f: Feature) -> str:
    groups = [g or "none" for r in RULES if f.kind in r.kinds for g in r.groups]
    return f"groups that a {f.kind} may have: {', '.join(g.replace('*', 'any') for g in groups)}"
