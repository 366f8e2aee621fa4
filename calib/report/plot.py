"""A small plot as SVG: axes in round numbers, points, lines, bands and bars, and words for all of it.

Drawn at 440 units of width, so that its words can be read on a phone. Every mark that means something
differs in shape, not in colour alone; every plot carries a title and a description in words.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

INK, QUIET, RULE, MARK, WARN, WASH = (
    "#1d2733",
    "#566372",
    "#aab4bf",
    "#0b4fa0",
    "#8a2b00",
    "#dfe8f4",
)
WIDTH, HEIGHT = 440, 270
LEFT, RIGHT, TOP, BOTTOM = 64, 14, 14, 46

Range = tuple[float, float]


def padded(values: Sequence[float], share: float = 0.06) -> Range:
    """Return the lowest and highest value with room around; never an empty range."""
    finite = [v for v in values if math.isfinite(v)] or [0.0, 1.0]
    low, high = min(finite), max(finite)
    room = share * (high - low) or 0.05 * abs(high) or 1.0
    return low - room, high + room


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers between two values: 1, 2 or 5 times a power of ten apart."""
    step = 10 ** math.floor(math.log10((high - low) / most))
    step *= next(m for m in (1, 2, 5, 10) if (high - low) / (step * m) <= most)
    first = math.ceil(low / step - 1e-9)
    return [round(i * step, 12) for i in range(first, math.floor(high / step + 1e-9) + 1)]


@dataclass
class Plot:
    """A plot under way; each method adds to it."""

    x: Range
    y: Range
    x_words: str
    y_words: str
    x_labels: Sequence[tuple[float, str]] | None = None
    y_labels: Sequence[tuple[float, str]] | None = None
    height: int = HEIGHT
    left: int = LEFT
    parts: list[str] = field(default_factory=list)

    def px(self, x: float) -> float:
        """Return where a value lies across."""
        share = (x - self.x[0]) / (self.x[1] - self.x[0])
        return round(self.left + share * (WIDTH - self.left - RIGHT), 2)

    def py(self, y: float) -> float:
        """Return where a value lies up."""
        share = (y - self.y[0]) / (self.y[1] - self.y[0])
        return round(self.height - BOTTOM - share * (self.height - TOP - BOTTOM), 2)

    def points(
        self,
        xs: Sequence[float],
        ys: Sequence[float],
        *,
        odd: Sequence[bool] = (),
        colour: str = MARK,
    ) -> None:
        """Add dots; odd ones are open triangles in the colour of warnings."""
        for i, (x, y) in enumerate(zip(xs, ys, strict=True)):
            a, b = self.px(x), self.py(y)
            if i < len(odd) and odd[i]:
                self.parts.append(
                    f'<path d="M{a} {b - 6}l6 10h-12z" fill="#fff" stroke="{WARN}" stroke-width="2"/>'
                )
            else:
                self.parts.append(f'<circle cx="{a}" cy="{b}" r="3.6" fill="{colour}"/>')

    def line(
        self,
        xs: Sequence[float],
        ys: Sequence[float],
        *,
        colour: str = MARK,
        dash: str = "",
        width: float = 2,
    ) -> None:
        """Add a line through points."""
        path = " ".join(f"{self.px(x)},{self.py(y)}" for x, y in zip(xs, ys, strict=True))
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width}"{dashed}/>'
        )

    def across(self, y: float, words: str = "", *, colour: str = QUIET, dash: str = "5 4") -> None:
        """Add a level line over the whole width, with words at its right end."""
        self.line(self.x, (y, y), colour=colour, dash=dash, width=1.3)
        if words:
            self.words(WIDTH - RIGHT, self.py(y) - 5, words, anchor="end", colour=colour)

    def upright(
        self, x: float, words: str = "", *, colour: str = WARN, dash: str = "5 4", lower: int = 0
    ) -> None:
        """Add an upright line over the whole height, with words at its top."""
        self.line((x, x), self.y, colour=colour, dash=dash, width=1.6)
        if words:
            anchor = "end" if self.px(x) > WIDTH / 2 else "start"
            self.words(
                self.px(x) + (-5 if anchor == "end" else 5),
                TOP + 12 + lower,
                words,
                anchor=anchor,
                colour=colour,
            )

    def band(self, xs: Sequence[float], low: Sequence[float], high: Sequence[float]) -> None:
        """Fill the room between two lines."""
        there = [(self.px(x), self.py(y)) for x, y in zip(xs, high, strict=True)]
        back = [(self.px(x), self.py(y)) for x, y in zip(xs, low, strict=True)]
        path = " ".join(f"{a},{b}" for a, b in [*there, *back[::-1]])
        self.parts.insert(0, f'<polygon points="{path}" fill="{WASH}"/>')

    def interval(
        self, y: float, value: float, low: float, high: float, *, strong: bool = False
    ) -> None:
        """Add a bar that lies from low to high with a dot at the value."""
        b, a0, a1 = self.py(y), self.px(low), self.px(high)
        width = 5 if strong else 3
        self.parts.append(
            f'<path d="M{a0} {b}H{a1}M{a0} {b - 6}v12M{a1} {b - 6}v12" stroke="{MARK}" stroke-width="{width * 0.6}" fill="none"/>'
        )
        self.parts.append(f'<circle cx="{self.px(value)}" cy="{b}" r="{width}" fill="{INK}"/>')

    def error_bars(self, xs: Sequence[float], ys: Sequence[float], halves: Sequence[float]) -> None:
        """Add upright bars of the given half-widths."""
        for x, y, half in zip(xs, ys, halves, strict=True):
            self.parts.append(
                f'<path d="M{self.px(x)} {self.py(y - half)}V{self.py(y + half)}" stroke="{QUIET}" stroke-width="1.2"/>'
            )

    def words(
        self,
        a: float,
        b: float,
        text: str,
        *,
        anchor: str = "start",
        colour: str = INK,
        size: float = 12.5,
    ) -> None:
        """Add words at a place of the picture."""
        self.parts.append(
            f'<text x="{a}" y="{b}" text-anchor="{anchor}" fill="{colour}" font-size="{size}">{escape(text)}</text>'
        )

    def svg(self, title: str, description: str, number: str) -> str:
        """Return the picture; `number` is its id on the page."""
        inner = self.height - BOTTOM
        frame = [
            f'<path d="M{self.left} {TOP}V{inner}H{WIDTH - RIGHT}" fill="none" stroke="{INK}" stroke-width="1.3"/>'
        ]
        for value, words in self.x_labels or [(v, f"{v:g}") for v in ticks(*self.x)]:
            frame.append(
                f'<path d="M{self.px(value)} {inner}v5" stroke="{INK}"/>{_text(self.px(value), inner + 19, words, "middle")}'
            )
        for value, words in self.y_labels or [(v, f"{v:g}") for v in ticks(*self.y)]:
            b = self.py(value)
            frame.append(
                f'<path d="M{self.left - 5} {b}h5" stroke="{INK}"/>{_text(self.left - 8, b + 4, words, "end")}'
            )
        frame.append(
            _text((self.left + WIDTH - RIGHT) / 2, self.height - 6, self.x_words, "middle", QUIET)
        )
        middle = (TOP + inner) / 2
        if self.y_words:
            frame.append(
                f'<g transform="rotate(-90 13 {middle})">{_text(13, middle + 4, self.y_words, "middle", QUIET)}</g>'
            )
        return (
            f'<svg viewBox="0 0 {WIDTH} {self.height}" role="img" aria-labelledby="{number}-t {number}-d"'
            f' font-family="Verdana, DejaVu Sans, Geneva, sans-serif">'
            f'<title id="{number}-t">{escape(title)}</title><desc id="{number}-d">{escape(description)}</desc>'
            f"{''.join(frame)}{''.join(self.parts)}</svg>"
        )


def _text(x: float, y: float, words: str, anchor: str, colour: str = INK) -> str:
    return f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}" fill="{colour}" font-size="12.5">{escape(words)}</text>'
