"""A plain chart as SVG: two axes with readable ticks, and a few sorts of mark."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from patterns.drawing.style import EDGE, INK, QUIET
from patterns.drawing.svg import circle, document, line, number, text

XY = tuple[float, float]

#: Colours of marks: contrast of at least 4.5 : 1 on white (WCAG 2.2, 1.4.3).
BLUE, RUST, GREEN, PLUM = "#0b4fa0", "#b23a00", "#00675b", "#6a2c9c"
SERIES = (BLUE, RUST, GREEN, PLUM)
_RULE, _WASH = "#d5dbe1", "#f3f0e8"
_SMALL = 11.0


def ticks(low: float, high: float, count: int = 6) -> list[float]:
    """Return round numbers within low and high: steps of 1, 2 or 5 times a power of ten."""
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return [low]
    rough = span / count
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def widened(values: Sequence[float], share: float = 0.06) -> tuple[float, float]:
    """Return the range of values with a little room at both ends; never empty."""
    finite = [v for v in values if math.isfinite(v)] or [0.0]
    low, high = min(finite), max(finite)
    room = share * (high - low) or max(abs(high) * 0.1, 0.1)
    return low - room, high + room


@dataclass
class Chart:
    """A chart being drawn; marks are added in data coordinates, `svg` gives the picture.

    Attributes
    ----------
    title, x_label, y_label : str
        What it shows, and the axes with their units.
    x, y : (low, high)
        Range of the axes.
    names : words
        Rows of a chart whose y axis has names in place of numbers, from the top.
    """

    title: str
    x_label: str
    y_label: str
    x: tuple[float, float]
    y: tuple[float, float]
    width: float = 620.0
    height: float = 320.0
    names: Sequence[str] = ()
    marks: list[str] = field(default_factory=list)

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom of the plotting area, in the picture's units."""
        left = 62.0 if not self.names else min(230.0, 24.0 + 6.6 * max(map(len, self.names)))
        return left, 50.0, self.width - 18.0, self.height - 48.0

    def at(self, x: float, y: float) -> XY:
        """Return the place of a point in the picture, kept within the plotting area."""
        left, top, right, bottom = self.box
        u = (x - self.x[0]) / (self.x[1] - self.x[0])
        v = (y - self.y[0]) / (self.y[1] - self.y[0])
        u, v = min(max(u, 0.0), 1.0), min(max(v, 0.0), 1.0)
        return left + u * (right - left), bottom - v * (bottom - top)

    def curve(self, x: Sequence[float], y: Sequence[float], colour: str, dash: str = "") -> None:
        """Draw a line through points."""
        places = " ".join(",".join(map(number, self.at(a, b))) for a, b in zip(x, y, strict=True))
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.marks.append(
            f'<polyline points="{places}" fill="none" stroke="{colour}" stroke-width="2"{dashes} '
            'stroke-linejoin="round"/>'
        )

    def band(
        self, x: Sequence[float], low: Sequence[float], high: Sequence[float], colour: str
    ) -> None:
        """Shade between two lines."""
        there = [self.at(a, b) for a, b in zip(x, high, strict=True)]
        back = [self.at(a, b) for a, b in zip(x, low, strict=True)]
        places = " ".join(f"{number(u)},{number(v)}" for u, v in there + back[::-1])
        self.marks.append(f'<polygon points="{places}" fill="{colour}" fill-opacity="0.16"/>')

    def stripe(self, low: float, high: float, words: str = "") -> None:
        """Shade a range of x over the whole height, with its words at the foot."""
        (a, _), (b, _) = self.at(low, 0.0), self.at(high, 0.0)
        _, top, _, bottom = self.box
        self.marks.insert(
            0,
            f'<rect x="{number(a)}" y="{number(top)}" width="{number(max(b - a, 1.0))}" '
            f'height="{number(bottom - top)}" fill="{_WASH}"/>',
        )
        if words:
            self.marks.append(text(((a + b) / 2, bottom - 6), words, _SMALL, QUIET, "middle"))

    def level(self, y: float, words: str = "") -> None:
        """Draw a dashed level across, with its words at the right."""
        a, b = self.at(self.x[0], y), self.at(self.x[1], y)
        self.marks.append(line(a, b, QUIET, 1.2, "5 4"))
        if words:
            self.marks.append(text((b[0] - 4, b[1] - 5), words, _SMALL, QUIET, "end"))

    def upright(self, x: float, words: str = "") -> None:
        """Draw a dashed upright line, with its words at the top."""
        a, b = self.at(x, self.y[0]), self.at(x, self.y[1])
        self.marks.append(line(a, b, QUIET, 1.2, "5 4"))
        if words:
            anchor = "end" if b[0] > 0.7 * self.width else "start"
            shift = -4 if anchor == "end" else 4
            self.marks.append(text((b[0] + shift, b[1] + 12), words, _SMALL, QUIET, anchor))

    def point(self, x: float, y: float, colour: str, *, hollow: bool = False) -> None:
        """Draw a point."""
        fill = "#ffffff" if hollow else colour
        self.marks.append(circle(self.at(x, y), 3.6, fill, colour, 1.6))

    def bar(self, low: float, middle: float, high: float, y: float, colour: str) -> None:
        """Draw an interval along x with its middle."""
        a, b = self.at(low, y), self.at(high, y)
        self.marks.append(line(a, b, colour, 3.0))
        for end in (a, b):
            self.marks.append(line((end[0], end[1] - 5), (end[0], end[1] + 5), colour, 2.0))
        self.point(middle, y, colour)

    def stem(self, x: float, low: float, high: float, colour: str) -> None:
        """Draw an interval along y."""
        self.marks.append(line(self.at(x, low), self.at(x, high), colour, 1.4))

    def words(
        self, x: float, y: float, what: str, colour: str = INK, anchor: str = "start"
    ) -> None:
        """Write beside a mark."""
        u, v = self.at(x, y)
        self.marks.append(text((u, v), what, _SMALL, colour, anchor))

    def svg(self, description: str) -> str:
        """Return the picture, with a description for readers who cannot see it."""
        return document(
            (self.width, self.height), self.title, description, self._frame() + "".join(self.marks)
        )

    def _frame(self) -> str:
        left, top, right, bottom = self.box
        parts = [text((12, 22), self.title, 13.5, INK, bold=True)]
        for value in ticks(*self.x):
            u, _ = self.at(value, self.y[0])
            parts.append(line((u, top), (u, bottom), _RULE, 0.8, end="butt"))
            parts.append(text((u, bottom + 16), _figure(value), _SMALL, QUIET, "middle"))
        if self.names:
            for k, name in enumerate(self.names):
                _, v = self.at(self.x[0], len(self.names) - 1 - k)
                parts.append(text((left - 10, v + 4), name, _SMALL, INK, "end"))
        else:
            for value in ticks(*self.y, 5):
                _, v = self.at(self.x[0], value)
                parts.append(line((left, v), (right, v), _RULE, 0.8, end="butt"))
                parts.append(text((left - 7, v + 4), _figure(value), _SMALL, QUIET, "end"))
        parts.append(line((left, bottom), (right, bottom), EDGE, 1.2, end="butt"))
        parts.append(text(((left + right) / 2, bottom + 36), self.x_label, _SMALL, INK, "middle"))
        if self.y_label:
            parts.append(text((left - 4, top - 8), self.y_label, _SMALL, INK, "start"))
        return "".join(parts)


def _figure(value: float) -> str:
    return f"{0.0 if abs(value) < 1e-12 else value:.6g}"
