"""Where the jaws go, one feature at a time: a part of a view, with a caliper drawn in its place.

A view of the piece is one picture, loaded once; a close-up is a window on it with a few marks, so
that going on to the next feature loads nothing and works without a connection.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patterns.drawing.marks import Callout, callout
from patterns.drawing.picture import picture
from patterns.drawing.sheet import TITLES
from patterns.drawing.svg import XY, number
from patterns.drawing.views import VIEWS, Frame, frame
from patterns.feature import Feature, Kind
from patterns.mesh import Mesh
from patterns.piece import Piece

#: Picture units per millimetre of every view: fine enough to magnify.
SCALE = 8.0
#: Width over height of a close-up.
SHAPE = 1.5
#: A close-up shows at least this many millimetres across, so that one still knows where it is.
LEAST_MM = 34.0
#: The length along which the jaws stand takes at most this share of the close-up.
SHARE = 0.52


@dataclass(frozen=True, slots=True)
class CloseUp:
    """A window on a view, and the marks on it.

    Attributes
    ----------
    view : str
        top, front, right or iso.
    window : (x, y, width, height)
        In the view's picture units.
    marks : str
        SVG elements, in the same units.
    """

    view: str
    window: tuple[float, float, float, float]
    marks: str

    @property
    def seen(self) -> str:
        """From where the piece is seen, in words; empty for the overview."""
        return "" if self.view == "iso" else f"seen {TITLES[self.view]}"

    def as_data(self) -> dict[str, str]:
        """Return it for the page and its script."""
        window = " ".join(number(v) for v in self.window)
        return {"view": self.view, "window": window, "marks": self.marks}


def views_of(piece: Piece, mesh: Mesh) -> dict[str, Frame]:
    """Return the views that a piece's features need, and always the overview."""
    used = {view_of(f) for f in piece.by_hand} | {"iso"}
    return {name: frame(mesh, view, SCALE) for name, view in VIEWS.items() if name in used}


def view_of(feature: Feature) -> str:
    """Return the name of the view that a feature is shown on."""
    return feature.view if feature.view in VIEWS else "iso"


def view_picture(mesh: Mesh, shown: Frame) -> str:
    """Return one view as an SVG document without words or marks."""
    x, y, w, h = _whole(shown)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{number(w)}" height="{number(h)}" '
        f'viewBox="{number(x)} {number(y)} {number(w)} {number(h)}">'
        f"{picture(mesh, shown, 1.1 * SCALE / 5)}</svg>"
    )


def _whole(shown: Frame) -> tuple[float, float, float, float]:
    room = 0.02 * max(shown.width, shown.height) + 4
    return (-room, -room, shown.width + 2 * room, shown.height + 2 * room)


def place_of(shown: Frame) -> tuple[float, float, float, float]:
    """Return where the document of `view_picture` lies, in the view's picture units."""
    return _whole(shown)


def close_ups(piece: Piece, mesh: Mesh) -> dict[str, CloseUp]:
    """Return the close-up of every feature that is read by hand, by its id."""
    frames = views_of(piece, mesh)
    found = {}
    for n, feature in enumerate(piece.by_hand, 1):
        if feature.kind is Kind.MASS:  # all of it is weighed
            found[feature.id] = CloseUp("iso", _shaped(_whole(frames["iso"])), "")
            continue
        name = view_of(feature)
        shown = frames[name]
        c = callout(n, feature, shown, mesh)
        window = _window(c, shown)
        found[feature.id] = CloseUp(name, window, _marks(c, window, shown))
    return found


def _window(c: Callout, shown: Frame) -> tuple[float, float, float, float]:
    """Return the part of the view to show: the place in its middle, with room for the caliper."""
    dx, dy = (abs(c.b[k] - c.a[k]) for k in (0, 1))
    wide = max(dx / SHARE, SHAPE * dy / SHARE, LEAST_MM * SCALE)
    high = wide / SHAPE
    x, y = c.middle
    return (x - wide / 2, y - high / 2, wide, high)


def _shaped(window: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """Return a window with room round it, so that it has the shape of a close-up."""
    x, y, w, h = window
    wide, high = max(w, SHAPE * h), max(h, w / SHAPE)
    return (x - (wide - w) / 2, y - (high - h) / 2, wide, high)


def _marks(c: Callout, window: tuple[float, float, float, float], shown: Frame) -> str:
    unit = window[2] / 100.0  # everything is drawn in hundredths of the close-up's width
    if c.along is None:
        return _eye(c, unit)
    side = _free_side(c, shown)
    if c.feature.jaws == "depth":
        return _depth(c, unit)
    if c.feature.jaws == "inside":
        return _caliper(c, unit, side, inside=True)
    return _caliper(c, unit, side, inside=False)


def _free_side(c: Callout, shown: Frame) -> float:
    """Return +1 or -1: the side of the dimension line on which the piece ends sooner."""
    middle = (shown.width / 2, shown.height / 2)
    along = c.along or (1.0, 0.0)
    across = (-along[1], along[0])
    beyond = (c.middle[0] - middle[0]) * across[0] + (c.middle[1] - middle[1]) * across[1]
    if abs(beyond) < 1e-6:
        return -1.0 if across[1] > 0 or (across[1] == 0 and across[0] > 0) else 1.0
    return 1.0 if beyond > 0 else -1.0


def _caliper(c: Callout, unit: float, side: float, *, inside: bool) -> str:
    """Draw two jaws and the beam that carries them; `side` is where the beam lies."""
    length = c.length
    finger = 5.5 * unit
    tip = min(1.6 * unit, 0.45 * length) if inside else 1.6 * unit
    deep = 17 * unit  # from the dimension line to the beam
    beam = 5 * unit
    over = 3 * unit  # how far the tips reach past the line
    lean = -1.0 if inside else 1.0  # jaws stand between the faces, or around them

    def jaw(at: float, out: float) -> list[XY]:
        """`out` is +1 for the jaw at the far end, -1 for that at the near one."""
        w = out * lean
        room = finger if not inside else min(finger, 0.42 * length)
        return [
            c.at(at, -side * over),
            c.at(at + w * tip * 0.7, -side * over),
            c.at(at + w * room, side * (0.45 * deep)),
            c.at(at + w * room, side * (deep + beam)),
            c.at(at, side * (deep + beam)),
        ]

    run = 9 * unit if not inside else 4 * unit
    ends = (-run, length + run)
    bar = [
        c.at(ends[0], side * deep), c.at(ends[1], side * deep),
        c.at(ends[1], side * (deep + beam)), c.at(ends[0], side * (deep + beam)),
    ]  # fmt: skip
    ticks = "".join(
        _stroke(c.at(t, side * (deep + beam)), c.at(t, side * (deep + 0.45 * beam)), 0.25 * unit)
        for t in np.linspace(ends[0], ends[1], 24)[1:-1]
    )
    return (
        _dimension(c, unit)
        + _steel(bar, unit)
        + f'<g class="ticks">{ticks}</g>'
        + _steel(jaw(0.0, -1.0), unit)
        + _steel(jaw(length, 1.0), unit)
        + _touch(c, unit)
    )


def _depth(c: Callout, unit: float) -> str:
    """Draw the caliper's end flat on the face at `a`, and its rod run out to `b`."""
    half, rod = 6.5 * unit, 1.1 * unit
    body = [c.at(0, -half), c.at(0, half), c.at(-15 * unit, half), c.at(-15 * unit, -half)]
    stick = [c.at(0, rod), c.at(0, 3 * rod), c.at(c.length, 3 * rod), c.at(c.length, rod)]
    return _dimension(c, unit) + _steel(body, unit) + _steel(stick, unit) + _touch(c, unit)


def _eye(c: Callout, unit: float) -> str:
    """Draw a ring round the place to look at, or to take hold of."""
    x, y = c.a
    r = 7 * unit
    ring = (
        f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(r)}" class="ring" '
        f'stroke-width="{number(1.1 * unit)}"/>'
    )
    cross = "".join(
        _stroke((x + dx * r, y + dy * r), (x + dx * 1.7 * r, y + dy * 1.7 * r), 1.1 * unit)
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1))
    )
    return ring + f'<g class="cross">{cross}</g>'


def _dimension(c: Callout, unit: float) -> str:
    """Return the line from one contact to the other, with the kind's own dash."""
    (x1, y1), (x2, y2) = c.a, c.b
    dash = " ".join(number(0.5 * unit * float(d)) for d in c.ink.dash.split())
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line class="dim" x1="{number(x1)}" y1="{number(y1)}" x2="{number(x2)}" y2="{number(y2)}" '
        f'stroke-width="{number(0.8 * unit)}"{dashes}/>'
    )


def _touch(c: Callout, unit: float) -> str:
    return "".join(
        f'<circle class="touch" cx="{number(x)}" cy="{number(y)}" r="{number(1.3 * unit)}"/>'
        for x, y in (c.a, c.b)
    )


def _steel(points: Sequence[XY], unit: float) -> str:
    places = " ".join(f"{number(x)},{number(y)}" for x, y in points)
    return f'<polygon class="steel" points="{places}" stroke-width="{number(0.5 * unit)}"/>'


def _stroke(a: XY, b: XY, width: float) -> str:
    return (
        f'<line x1="{number(a[0])}" y1="{number(a[1])}" x2="{number(b[0])}" y2="{number(b[1])}" '
        f'stroke-width="{number(width)}"/>'
    )
