"""The picture of one piece: the views its features need, the callouts, and how to read them."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from html import escape

import numpy as np

from patterns.drawing.candidates import CalloutPosition
from patterns.drawing.layout import lay_out
from patterns.drawing.legend import legend
from patterns.drawing.marks import Callout, callout, draw_marks
from patterns.drawing.picture import picture
from patterns.drawing.style import BALLOON, INK, PAPER, QUIET, TEXT, meaning_of
from patterns.drawing.svg import XY, circle, document, group, line, polygon, text
from patterns.drawing.views import VIEWS, Frame, View, extent_mm, frame
from patterns.feature import Feature
from patterns.grid import grid_of
from patterns.mesh import Mesh
from patterns.piece import Piece
from patterns.preview import preview_mesh

TITLES = {
    "top": "from above",
    "front": "from the front",
    "right": "from the right",
    "iso": "overview",
}
FRONT = "front of the printer"
SCREWS = "levelling screws, unless you write down others"
GAP, EDGE_ROOM = 34.0, 16.0
#: Views longer than this many times their height are put under one another.
WIDE = 2.6
#: Room under a view for its name and its axes.
CAPTION = 58.0


@dataclass(frozen=True, slots=True)
class Panel:
    """A finished view: its SVG, and how far it reaches beyond its upper left corner."""

    frame: Frame
    content: str
    left: float
    top: float
    right: float
    bottom: float


@lru_cache(maxsize=32)
def drawn(piece: Piece) -> str:
    """Draw a piece that has no solid; the pictures drawn last are remembered, for pages shown again."""
    return draw_piece(piece, preview_mesh(piece.body))


def draw_piece(piece: Piece, mesh: Mesh) -> str:
    """Draw a piece with a numbered callout for each feature.

    Of a table (`patterns.grid`) only the first row and the first column have callouts: the other
    places are the same on every rung.

    Parameters
    ----------
    piece : Piece
        Numbers are its features' places in the list, from 1, like the rows of the sheet; what only a
        photo measures has none.
    mesh : Mesh
        Its surface in millimetres; from `patterns.preview.preview_mesh` or from the solid.

    Returns
    -------
    str
        One self-contained SVG document.
    """
    bed = _Bed.under(piece) if piece.advice.in_place and piece.screws_mm else None
    panels = [
        _panel(mesh, view, scale, mine, bed if view.name == "top" else None)
        for view, scale, mine in _plan(piece, mesh)
    ]
    body, width, height = _arranged(panels)
    heading = text((EDGE_ROOM, 30), f"{piece.pattern}: where to measure", 18, bold=True)
    meanings = list(dict.fromkeys(meaning_of(f) for f in piece.by_hand))
    uses = list(dict.fromkeys(f.jaws if f.instrument == "caliper" else "" for f in piece.by_hand))
    scale = next((p.frame.scale for p in panels if p.frame.view.name != "iso"), 0.0)
    key, key_width, key_height = legend(meanings, uses, scale, max(width, 680.0))
    width = max(width, key_width) + 2 * EDGE_ROOM
    content = heading + group((EDGE_ROOM, 46), body) + group((EDGE_ROOM, 46 + height + GAP), key)
    size = (width, 46 + height + GAP + key_height + EDGE_ROOM)
    return document(size, f"{piece.pattern}: where to measure", _described(piece), content)


def _described(piece: Piece) -> str:
    rows = [_in_words(n, f) for n, f in enumerate(piece.by_hand, 1)]
    return f"Views of the piece with its {len(rows)} numbered places. " + "; ".join(rows)


def _view_of(feature: Feature) -> str:
    return feature.view if feature.view in VIEWS else "iso"


def _plan(piece: Piece, mesh: Mesh) -> list[tuple[View, float, list[tuple[int, Feature]]]]:
    """Choose the views, their scale, and what each shows; the overview always comes last."""
    mine: dict[str, list[tuple[int, Feature]]] = {name: [] for name in VIEWS}
    shown = grid_of(piece.by_hand).explained
    for number, feature in enumerate(piece.by_hand, 1):
        if number in shown:
            mine[_view_of(feature)].append((number, feature))
    level = [VIEWS[name] for name in ("top", "front", "right") if mine[name]]
    busiest = max((len(mine[v.name]) for v in level), default=0)
    largest = max((side for v in level for side in extent_mm(mesh, v)), default=1.0)
    wide = bool(level) and _is_wide(mesh, level)
    most = 900.0 if wide else min(600.0, 340.0 + 9.0 * busiest)
    scale = min(14.0, most / largest)
    iso = VIEWS["iso"]
    room = min(560.0, 420.0 + 6.0 * len(mine["iso"])) if mine["iso"] else 560.0 if wide else 300.0
    iso_scale = min(16.0, room / max(extent_mm(mesh, iso)))
    return [*((v, scale, mine[v.name]) for v in level), (iso, iso_scale, mine["iso"])]


def _is_wide(mesh: Mesh, level: Sequence[View]) -> bool:
    """Whether the views are so long and low that each takes the whole width."""
    sides = [extent_mm(mesh, v) for v in level if v.name != "right"]
    return bool(sides) and all(wide > WIDE * high for wide, high in sides)


def _panel(
    mesh: Mesh,
    view: View,
    scale: float,
    features: Sequence[tuple[int, Feature]],
    bed: "_Bed | None",
) -> Panel:
    """Draw one view; `bed` is shown round a piece that has its place on it."""
    shown = frame(mesh, view, scale)
    callouts = [callout(number, feature, shown, mesh) for number, feature in features]
    places = lay_out(callouts, shown.width, shown.height)
    pairs = list(zip(callouts, places, strict=True))
    marked = "".join(_draw_lines(c, p) for c, p in pairs)
    marked += "".join(draw_marks(c) for c in callouts)
    marked += "".join(_draw_balloon(c, p) for c, p in pairs)
    left, top, right, bottom = _reach(shown, pairs)
    around = ""
    if bed:
        around, corners = bed.drawn(shown)
        left, top = min(left, corners[0][0] - 2), min(top, corners[1][1] - 2)
        right, bottom = max(right, corners[1][0] + 2), max(bottom, corners[0][1] + 2 * TEXT + 16)
    caption = group((min(left, 0.0), bottom), _caption(view))
    content = picture(mesh, shown) + around + marked + caption
    return Panel(shown, content, left, top, max(right, left + 150), bottom + CAPTION)


@dataclass(frozen=True, slots=True)
class _Bed:
    """The bed seen from above, in millimetres."""

    size: XY
    screws: tuple[XY, ...]

    @classmethod
    def under(cls, piece: Piece) -> "_Bed":
        return cls((piece.setup.build_x_mm, piece.setup.build_y_mm), piece.screws_mm)

    def drawn(self, shown: Frame) -> tuple[str, list[XY]]:
        """Return its outline and screws, and its front left and back right corners."""
        (x0, y0), (x1, y1) = _placed(shown, [(0.0, 0.0), self.size])
        content = polygon([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], "none", QUIET, 1.4)
        content += text(((x0 + x1) / 2, y0 + TEXT + 2), FRONT, TEXT, QUIET, "middle")
        if self.screws:
            content += "".join(_screw(at) for at in _placed(shown, self.screws))
            at = (x0 + 5, y0 + 2 * TEXT + 4)
            content += _screw(at) + text((at[0] + 10, at[1] + 4), SCREWS, TEXT - 1, QUIET)
        return content, [(x0, y0), (x1, y1)]


def _placed(shown: Frame, points: Sequence[XY]) -> list[XY]:
    return [(x, y) for x, y in shown.place(np.array([(x, y, 0.0) for x, y in points])).tolist()]


def _screw(at: XY) -> str:
    """Return a screw's head from above."""
    x, y = at
    return circle(at, 5, PAPER, QUIET, 1.4) + line((x - 3, y + 3), (x + 3, y - 3), QUIET, 1.6)


def _reach(
    shown: Frame, pairs: Sequence[tuple[Callout, CalloutPosition]]
) -> tuple[float, float, float, float]:
    """Return how far left, up, right and down the marks reach."""
    xs, ys = [0.0, shown.width], [0.0, shown.height]
    for c, p in pairs:
        for x, y, r in ((*p.balloon, BALLOON + 2), (*c.a, 12.0), (*c.b, 12.0)):
            xs += [x - r, x + r]
            ys += [y - r, y + r]
        for a, b in p.segments:
            xs += [a[0], b[0]]
            ys += [a[1], b[1]]
    return min(xs) - 2, min(ys) - 2, max(xs) + 2, max(ys) + 2


def _draw_lines(c: Callout, place: CalloutPosition) -> str:
    colour = c.ink.colour
    drawn = "".join(line(a, b, colour, 0.8) for a, b in place.thin)
    if place.leader:
        drawn += line(*place.leader, PAPER, 2.6) + line(*place.leader, colour, 1.0)
    if place.line:
        a, b = place.line
        drawn += line(a, b, PAPER, 3.6) + line(a, b, colour, 1.6, c.ink.dash, "butt")
        if place.line != (c.a, c.b):
            drawn += "".join(_tick(c, end) for end in place.line)
    return drawn


def _tick(c: Callout, at: XY) -> str:
    """Return the short oblique stroke that ends a dimension line outside the outline."""
    dx, dy = c.along or (1.0, 0.0)
    x, y = (dx - dy) * 3.2, (dy + dx) * 3.2
    return line((at[0] - x, at[1] - y), (at[0] + x, at[1] + y), c.ink.colour, 1.8)


def _draw_balloon(c: Callout, place: CalloutPosition) -> str:
    colour = c.ink.colour
    x, y = place.balloon
    size = TEXT if c.number < 100 else TEXT - 3
    number = text((x, y + 0.36 * size), str(c.number), size, colour, "middle", bold=True)
    hover = f"<title>{escape(_in_words(c.number, c.feature))}</title>"
    ring = circle(place.balloon, BALLOON, PAPER, colour, 1.6)
    return f'<g class="balloon">{hover}{ring}{number}</g>'


def _in_words(number: int, feature: Feature) -> str:
    return f"{number}: {feature.kind} {feature.id}, {feature.nominal:g} {feature.unit}, {feature.where}"


def _caption(view: View) -> str:
    """Return the view's name and its axes, for the room under a view."""
    origin = (16.0, CAPTION - 12)
    shafts = [(n, x * 24, y * 24) for n, x, y in view.axes()]
    content = text((66, CAPTION - 14), TITLES[view.name], TEXT, INK, bold=True)
    for name, x, y in shafts:
        tip = (origin[0] + x, origin[1] + y)
        reach = max((x * x + y * y) ** 0.5, 1e-9)
        ux, uy = x / reach, y / reach
        head = [
            (tip[0] + 5 * ux, tip[1] + 5 * uy),
            (tip[0] - 3 * uy, tip[1] + 3 * ux),
            (tip[0] + 3 * uy, tip[1] - 3 * ux),
        ]
        content += line(origin, tip, QUIET, 1.4) + polygon(head, QUIET, width=0)
        content += text((tip[0] + 11 * ux, tip[1] + 11 * uy + 4), name, 11, QUIET, "middle")
    return content


def _arranged(panels: Sequence[Panel]) -> tuple[str, float, float]:
    """Lay the views out: front under top, right beside front, the overview where room is left."""
    level = [p.frame for p in panels if p.frame.view.name not in ("iso", "right")]
    stacked = bool(level) and all(shown.width > WIDE * shown.height for shown in level)
    cells = _cells([p.frame.view.name for p in panels], stacked=stacked)
    rows, columns = (1 + max(cell[i] for cell in cells) for i in (0, 1))
    pairs = list(zip(cells, panels, strict=True))
    left = [max((-p.left for c, p in pairs if c[1] == k), default=0.0) for k in range(columns)]
    right = [max((p.right for c, p in pairs if c[1] == k), default=0.0) for k in range(columns)]
    top = [max((-p.top for c, p in pairs if c[0] == k), default=0.0) for k in range(rows)]
    low = [max((p.bottom for c, p in pairs if c[0] == k), default=0.0) for k in range(rows)]
    xs = [sum(left[: k + 1]) + sum(right[:k]) + k * GAP for k in range(columns)]
    ys = [sum(top[: k + 1]) + sum(low[:k]) + k * 8.0 for k in range(rows)]
    content = "".join(group((xs[c[1]], ys[c[0]]), p.content) for c, p in pairs)
    return content, xs[-1] + right[-1], ys[-1] + low[-1]


def _cells(names: Sequence[str], *, stacked: bool) -> list[tuple[int, int]]:
    """Row and column of each view; views in one row share their baseline, in a column their side."""
    if stacked:
        return [(k, 0) for k in range(len(names))]
    if "top" not in names:
        return [(0, k) for k in range(len(names))]
    place = {"top": (0, 0), "front": (1, 0), "right": (1, 1 if "front" in names else 0)}
    return [place.get(name, (0, 1)) for name in names]
