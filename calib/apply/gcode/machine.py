"""What a printer does with a file, one command after the other: for the check, and for pictures.

Written apart from the rewriter on purpose: it shares no code with it.
"""

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import reduce
from operator import xor

_WORD = re.compile(r"([A-Z])([-+]?(?:\d+\.?\d*|\.\d+)?)")
_TEXT = re.compile(r"M(?:16|23|28|29|30|32|33|36|98|117|118|486|55[02]|58[789])(?!\d)")
_MODES = ("G20", "G21", "G17", "G18", "G19", "G90", "G91")
SETS = {"M104": "hot_end_c", "M109": "hot_end_c", "M106": "fan_percent", "M107": "fan_percent", "M220": "speed_percent", "M221": "flow_percent"}  # fmt: skip
#: A line, and the comment behind a semicolon that is not inside of parentheses.
_COMMENT = re.compile(r"((?:[^;(]+|\([^)]*\)?)*)(;.*)?", re.DOTALL)


@dataclass(slots=True)
class Command:
    """One command, or a line that has none: its name such as ``G1``, its other words, the text of the line."""

    line: int
    name: str = ""
    words: dict[str, float] = field(default_factory=dict)
    text: str = ""


class WrongChecksum(ValueError):
    """A line's checksum is not that of the line."""

    def __init__(self, line: int, expected: int, found: str) -> None:
        super().__init__(f"checksum of line {line} should be {expected}, is {found}")
        self.line, self.expected, self.found = line, expected, found


def commands(lines: Iterable[str]) -> Iterator[Command]:
    """Take a file apart.

    Raises
    ------
    WrongChecksum
        A checksum is not right.
    """
    for number, raw in enumerate(lines, 1):
        found = _COMMENT.fullmatch(raw.strip("\ufeff\r\n"))
        assert found is not None  # it takes any line
        code, comment = found[1], found[2]
        star = re.search(r"\*\s*(\d+)\s*$", code)
        if star and re.match(r"\s*[Nn]\s*\d", code):
            code = code[: star.start()]
            total = reduce(xor, code.encode("utf-8", "surrogateescape"), 0)
            if total != int(star[1]):
                raise WrongChecksum(number, total, star[1])
        yield from _split(number, re.sub(r"^\s*[Nn]\s*\d+", "", code))
        if comment:
            yield Command(number, text=comment.strip())


def _split(number: int, code: str) -> Iterator[Command]:
    bare = re.sub(r"\s", "", re.sub(r"\([^()]*\)", "", code)).upper()
    found = _WORD.findall(bare)
    if not bare:
        return
    if _TEXT.match(bare) or sum(len(c) + len(v) for c, v in found) != len(bare):
        yield Command(number, text=" ".join(code.split()))
        return
    words = [(c, float(v) if v.strip("+-") else math.nan) for c, v in found]
    names = [f"{c}{v:g}" for c, v in words if c in "GM"]
    given = {c: v for c, v in words if c not in "GM"}
    for name in _MODES:
        if name in names and len(words) > 1:
            yield Command(number, name)
            names.remove(name)
    if names or given:
        yield Command(number, names[0] if names else "", given, bare)


class Machine:
    """What a printer does with a file; lengths in mm."""

    def __init__(self, e_in_g91: str) -> None:
        self.at: list[float | None] = [None] * 3  # machine coordinates
        self.shift = [0.0] * 3
        self.e = 0.0
        self.speed = math.nan  # mm/min
        self.unit, self.plane, self.tool = 1.0, "G17", 0
        self.absolute, self.relative_e, self.mode = True, False, ""
        self.e_in_g91 = e_in_g91
        self.settings: dict[tuple[str, int], float] = {}

    @property
    def open_e(self) -> bool:
        """Whether it is open how E is read."""
        return not (self.absolute or self.relative_e or self.e_in_g91)

    def is_move(self, c: Command) -> bool:
        """Tell whether a command goes somewhere, or feeds filament."""
        named = c.name in ("G0", "G1", "G2", "G3")
        return named or (c.name == "" and self.mode != "" and c.words.keys() & set("XYZEIJRF") != set() and "T" not in c.words)  # fmt: skip

    def other(self, c: Command) -> None:
        """Follow a command that is no move."""
        w = c.words
        if c.name in ("G90", "G91"):
            self.absolute = c.name == "G90"
        elif c.name in ("M82", "M83"):
            self.relative_e = c.name == "M83"
        elif c.name in ("G20", "G21"):
            self.unit = 25.4 if c.name == "G20" else 1.0
        elif c.name in ("G17", "G18", "G19"):
            self.plane = c.name
        elif c.name == "G80":
            self.mode = ""
        elif c.name == "G92":
            self.rename(w if w.keys() & set("XYZE") else dict.fromkeys("XYZE", 0.0))
        elif c.name == "G28":
            self.lose([i for i, a in enumerate("XYZ") if a in w] or [0, 1, 2])
        elif re.fullmatch(r"G(5|5\.1|6|12|27|29|30|32|33|34|53|61|8[1-9])", c.name):
            self.lose([0, 1, 2])
        elif c.name in SETS:
            self.set(c.name, w)
        elif c.name in ("", "M6") and w.get("T", -1) >= 0:
            self.tool = int(w["T"])

    def lose(self, axes: list[int]) -> None:
        """Forget where some axes stand."""
        for i in axes:
            self.at[i], self.shift[i] = None, 0.0

    def rename(self, w: dict[str, float]) -> None:
        """G92: the present place gets another name."""
        for i, a in enumerate("XYZ"):
            if a in w:
                value = w[a] * self.unit
                here = self.at[i]
                self.at[i] = here = value if here is None else here
                self.shift[i] = here - value
        self.e = w.get("E", self.e / self.unit) * self.unit

    def set(self, name: str, w: dict[str, float]) -> None:
        """Remember a temperature, fan, speed or flow."""
        value = w.get("S", w.get("R", math.nan))
        if name in ("M106", "M107"):
            value = 0.0 if name == "M107" else w.get("S", 255.0) / 2.55
            if w.get("P", 0.0) != 0.0:
                return
        if not math.isnan(value):
            self.settings[self.key(SETS[name], int(w.get("T", self.tool)))] = value

    def key(self, setting: str, tool: int | None = None) -> tuple[str, int]:
        """Return where a setting is kept: temperature and flow belong to a tool."""
        own = setting in ("hot_end_c", "flow_percent")
        return setting, (self.tool if tool is None else tool) * own

    def move(self, c: Command) -> float | None:
        """Go along, return the filament fed, None without an E word."""
        self.mode = c.name or self.mode
        self.speed = c.words.get("F", self.speed / self.unit) * self.unit
        for i, a in enumerate("XYZ"):
            if a in c.words:
                value, here = c.words[a] * self.unit, self.at[i]
                if self.absolute:
                    self.at[i] = value + self.shift[i]
                elif here is not None:
                    self.at[i] = here + value
        if "E" not in c.words:
            return None
        value = c.words["E"] * self.unit
        relative = self.relative_e or (not self.absolute and self.e_in_g91 != "absolute")
        amount = value if relative else value - self.e
        self.e = self.e + value if relative else value
        return amount

    def centre(
        self, c: Command, a: tuple[float, float], b: tuple[float, float]
    ) -> tuple[float, float]:
        """Return the centre of an arc from a to b, by I and J, or by R."""
        unit, w = self.unit, c.words
        if "R" not in w:
            return a[0] + w.get("I", 0.0) * unit, a[1] + w.get("J", 0.0) * unit
        radius, chord = w["R"] * unit, math.dist(a, b)
        up = math.sqrt(max(radius * radius - chord * chord / 4, 0.0)) / chord
        if (self.mode == "G2") == (radius > 0):
            up = -up
        return (a[0] + b[0]) / 2 - up * (b[1] - a[1]), (a[1] + b[1]) / 2 + up * (b[0] - a[0])
