"""The sides a piece is shown from, and where its points fall on the picture."""

import math
from dataclasses import dataclass

import numpy as np

from patterns.mesh import Floats, Mesh


@dataclass(frozen=True, slots=True)
class View:
    """A parallel projection: `right` and `up` span the picture, `toward` points at the viewer."""

    name: str
    right: tuple[float, float, float]
    up: tuple[float, float, float]

    @property
    def toward(self) -> Floats:
        """(3,) float: unit vector from the piece to the viewer."""
        return np.cross(self.right, self.up)

    def axes(self) -> list[tuple[str, float, float]]:
        """Return the printer's axes that show: name, and its direction on the picture (y down)."""
        shown = zip("XYZ", self.right, self.up, strict=True)
        return [(n, u, -v) for n, u, v in shown if math.hypot(u, v) > 0.05]


def _oblique(turn_deg: float, rise_deg: float) -> View:
    t, r = math.radians(turn_deg), math.radians(rise_deg)
    up = (-math.sin(r) * math.sin(t), math.sin(r) * math.cos(t), math.cos(r))
    return View("iso", (math.cos(t), math.sin(t), 0.0), up)


#: Front and right are seen level; the overview from the front, the right and above, turned by less
#: than 45 degrees so that the corners of a square do not fall on one another.
VIEWS = {
    "top": View("top", (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)),
    "front": View("front", (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)),
    "right": View("right", (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)),
    "iso": _oblique(36.0, 32.0),
}


@dataclass(frozen=True, slots=True)
class Frame:
    """A view at a scale: its picture runs from (0, 0) at the upper left to (width, height)."""

    view: View
    scale: float  # picture units per millimetre
    left_mm: float
    top_mm: float
    width: float
    height: float

    def place(self, points: Floats) -> Floats:
        """Return (..., 2) float: where points (..., 3) in millimetres fall on the picture."""
        u, v = points @ np.array(self.view.right), points @ np.array(self.view.up)
        return np.stack([(u - self.left_mm), (self.top_mm - v)], axis=-1) * self.scale

    def nearness(self, points: Floats) -> Floats:
        """Return (...,) float, millimetres: how far towards the viewer points lie."""
        near: Floats = points @ self.view.toward
        return near


def frame(mesh: Mesh, view: View, scale: float) -> Frame:
    """Fit a view around a mesh at a scale in picture units per millimetre."""
    u, v = mesh.vertices @ np.array(view.right), mesh.vertices @ np.array(view.up)
    width, height = float(np.ptp(u)) * scale, float(np.ptp(v)) * scale
    return Frame(view, scale, float(u.min()), float(v.max()), width, height)


def extent_mm(mesh: Mesh, view: View) -> tuple[float, float]:
    """Width and height of a mesh in a view, in millimetres."""
    shown = frame(mesh, view, 1.0)
    return shown.width, shown.height
