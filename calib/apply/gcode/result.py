"""What came of a rewrite, counted as it goes."""

import math
from dataclasses import dataclass, field

from calib.apply.gcode.check import Check


@dataclass(slots=True)
class Change:
    """A line before and after, for showing."""

    line: int
    old: str
    new: str


@dataclass(slots=True)
class Result:
    """What came of a rewrite."""

    lines: int = 0
    bytes_in: int = 0
    bytes_out: int = 0
    arcs: int = 0  # turned into straight moves
    retractions: int = 0  # changed by a schedule
    speeds: int = 0  # moves at a speed of a schedule
    inserted: list[tuple[int, float, str]] = field(default_factory=list)  # line, height mm, code
    low_mm: list[float] = field(default_factory=lambda: [math.inf] * 3)  # the nozzle's way
    high_mm: list[float] = field(default_factory=lambda: [-math.inf] * 3)
    changes: list[Change] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)
