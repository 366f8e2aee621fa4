"""A layer of a sliced file from above, as it was and as it is corrected, and where that differs most, magnified."""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from calib.apply.gcode.layer import XY, Layer, first_layer
from patterns.drawing.svg import number

#: Width and height of a picture at most, in its own units.
SIZE = 600.0
#: Places closer than this are drawn as one, in the same units.
_FINE = 0.7
#: Shifts smaller than this are none, mm: numbers are rounded when they are written.
_LEAST_MM = 0.002
_STYLE = (
    "<style>path{fill:none;stroke-linejoin:round;stroke-linecap:round}"
    ".was{stroke:#8a8578}.is{stroke:#b3261e}.bar{stroke:#222}"
    "circle{fill:none;stroke:#222;stroke-width:2}"
    "text{font:15px sans-serif;fill:#222}rect.paper{fill:#fbf9f3}</style>"
)


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture of a file, with what is to be said under it."""

    svg: str
    says: str


@dataclass(frozen=True, slots=True)
class Shift:
    """Where a layer differs most: its place, and how far it moved, mm."""

    at: XY
    to: XY

    @property
    def mm(self) -> float:
        """How far."""
        return math.dist(self.at, self.to)


def pictures(before: Path, after: Path) -> list[Drawn]:
    """Draw a layer of a file before and after it was corrected; nothing where no layer is found."""
    was, now = (_layer(p) for p in (before, after))
    if was is None or now is None:
        return []
    shift = most_shifted(was, now)
    height = f"At {now.z_mm:.2f} mm, from above"
    if shift.mm < _LEAST_MM:
        return [
            Drawn(
                _whole(was, now),
                f"{height}. No line moved; only how much plastic is laid can differ.",
            )
        ]
    return [
        Drawn(_whole(was, now, shift), f"{height}: grey as it was, red as it is now."),
        Drawn(_magnified(was, now, shift), f"Where it moved most: by {shift.mm:.2f} mm."),
    ]  # fmt: skip


def _layer(path: Path) -> Layer | None:
    with path.open(encoding="utf-8", errors="surrogateescape") as text:
        return first_layer(text)


def most_shifted(was: Layer, now: Layer) -> Shift:
    """Return the outermost place that moved most, looked for in eight directions."""
    found = []
    for k in range(8):
        dx, dy = math.cos(k * math.pi / 4), math.sin(k * math.pi / 4)
        a, b = (max(_points(layer), key=lambda p: p[0] * dx + p[1] * dy) for layer in (was, now))
        # Along an edge many places are outermost; how far the edge moved is what counts.
        found.append(
            Shift(a, b)
            if k % 2
            else Shift(a, (a[0] + (b[0] - a[0]) * abs(dx), a[1] + (b[1] - a[1]) * abs(dy)))
        )
    return max(found, key=lambda s: s.mm)


def _points(layer: Layer) -> Iterator[XY]:
    return (p for line in layer.lines for p in line)


def _whole(was: Layer, now: Layer, ringed: Shift | None = None) -> str:
    """Draw all of a layer, with a bar to tell its size by, and a ring round the place that is magnified."""
    every = [*_points(was), *_points(now)]
    low = [min(p[i] for p in every) for i in (0, 1)]
    high = [max(p[i] for p in every) for i in (0, 1)]
    across = max(high[0] - low[0], high[1] - low[1], 1.0)
    room = 0.04 * across
    window = (low[0] - room, low[1] - room, high[0] + room, high[1] + room)
    return _picture(was, now, window, across, ringed)


def _magnified(was: Layer, now: Layer, shift: Shift) -> str:
    """Draw what lies round the place that moved most."""
    half = max(4 * shift.mm, 1.2)
    x, y = ((a + b) / 2 for a, b in zip(shift.at, shift.to, strict=True))
    return _picture(was, now, (x - half, y - half, x + half, y + half), 2 * half)


def _picture(
    was: Layer,
    now: Layer,
    window: tuple[float, float, float, float],
    across: float,
    ringed: Shift | None = None,
) -> str:
    scale = SIZE / (across * 1.08)
    x0, y0, x1, y1 = window
    width, height = (x1 - x0) * scale, (y1 - y0) * scale
    thick = min(max(0.1 * scale, 1.2), 6.0)
    drawn = "".join(
        f'<path class="{name}" stroke-width="{number(w)}" d="{_path(layer, window, scale)}"/>'
        for name, layer, w in (("was", was, 1.6 * thick), ("is", now, thick))
    )
    if ringed is not None:
        x, y = (ringed.at[0] - x0) * scale, (y1 - ringed.at[1]) * scale
        drawn += f'<circle cx="{number(x)}" cy="{number(y)}" r="18"/>'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {number(width)} {number(height + 34)}" '
        f'width="{number(width)}" height="{number(height + 34)}">{_STYLE}'
        f'<rect class="paper" width="100%" height="100%"/>{drawn}{_bar(across, scale, height)}</svg>'
    )


def _bar(across: float, scale: float, height: float) -> str:
    """Draw a length of a round number of millimetres under the picture."""
    step = 10.0 ** math.floor(math.log10(across / 2))
    length = max(k * step for k in (1, 2, 5) if k * step <= across / 2)
    end, y = 10 + length * scale, height + 16
    return (
        f'<path class="bar" stroke-width="2" d="M10 {number(y - 6)}v12M10 {number(y)}H{number(end)}m0 -6v12"/>'
        f'<text x="{number(end + 10)}" y="{number(y + 5)}">{length:g} mm</text>'
    )


def _path(layer: Layer, window: tuple[float, float, float, float], scale: float) -> str:
    """Return the part of a layer that touches a window as an SVG path, without places too close to tell apart."""
    return "".join(
        "M" + "L".join(f"{number((x - window[0]) * scale)} {number((window[3] - y) * scale)}" for x, y in line)
        for whole in layer.lines
        for line in _seen(_thinned(whole, _FINE / scale), window)
    )  # fmt: skip


def _thinned(line: Sequence[XY], least: float) -> list[XY]:
    kept = [line[0]]
    for p in line[1:-1]:
        if math.dist(p, kept[-1]) >= least:
            kept.append(p)
    return [*kept, line[-1]]


def _seen(line: Sequence[XY], window: tuple[float, float, float, float]) -> Iterator[list[XY]]:
    """Yield the runs of a line whose pieces may touch the window."""
    x0, y0, x1, y1 = window
    run: list[XY] = []
    for a, b in itertools.pairwise(line):
        apart = max(a[0], b[0]) < x0 or min(a[0], b[0]) > x1 or max(a[1], b[1]) < y0 or min(a[1], b[1]) > y1  # fmt: skip
        if not apart:
            run = run or [a]
            run.append(b)
        elif run:
            yield run
            run = []
    if run:
        yield run
