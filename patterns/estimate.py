"""Filament, time and cost of a print, roughly: enough to choose a piece, not to plan a shift.

Common practice, no source: a solid shell as thick as the walls, the infill's share of the rest, and
time from the volumetric flow with a toll for every layer.
"""

import math
from dataclasses import dataclass

import numpy as np

from patterns.filaments import Filament
from patterns.mesh import Mesh
from patterns.piece import Piece

#: Speed of a printed line, and the most that a plain hot end melts. Common practice, no source.
SPEED_MM_S = 60.0
MOST_FLOW_MM3_S = 11.0
#: Share of the time that corners, travel and retractions add. Common practice, no source.
DETOUR = 1.4
#: A layer takes this long at least, so that it can cool, and this much is lost between two.
LEAST_LAYER_S = 6.0
CHANGE_S = 1.5
#: Heating up and the first lines.
START_MIN = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """What a print takes; `cost` is in the currency of the spool's price, None without one."""

    volume_mm3: float
    grams: float
    metres: float
    minutes: float
    cost: float | None = None


def estimate(
    piece: Piece,
    mesh: Mesh,
    filament: Filament,
    *,
    spool_price: float | None = None,
    spool_g: float = 1000.0,
) -> Estimate:
    """Return a rough estimate for printing a piece as its advice says.

    Parameters
    ----------
    mesh : Mesh
        The piece's surface, in millimetres.
    filament : Filament
        For the density.
    spool_price : float, optional
        Of a spool that holds `spool_g` grams.

    Returns
    -------
    Estimate
        Within about a third of a real print; a piece that is not printed takes nothing.
    """
    if not piece.printed:
        return Estimate(volume_mm3=0.0, grams=0.0, metres=0.0, minutes=0.0)
    volume = printed_volume_mm3(piece, mesh)
    grams = volume * filament.density_g_cm3 / 1000.0
    return Estimate(
        volume_mm3=volume,
        grams=grams,
        metres=volume / (math.pi * piece.setup.filament_mm**2 / 4) / 1000.0,
        minutes=print_minutes(piece, mesh, volume),
        cost=None if spool_price is None else spool_price * grams / spool_g,
    )


def printed_volume_mm3(piece: Piece, mesh: Mesh) -> float:
    """Volume of plastic: shell under the whole surface, infill in the core, and the brim.

    The core is what lies deeper than the shell; for a block of volume V and surface A that is
    about V (1 - A t / (3 V))^3, exact for a cube and a ball, 0 where the walls fill everything.
    """
    whole, surface = mesh.volume_mm3, area_mm2(mesh)
    shell = piece.advice.walls * piece.setup.line_mm
    core = whole * max(0.0, 1.0 - surface * shell / (3 * whole)) ** 3
    low, high = mesh.bounds
    round_foot = 2 * float(np.sum((high - low)[:2]))
    brim = piece.advice.brim_mm * round_foot * piece.setup.layer_mm
    return whole - core * (1.0 - piece.advice.infill_percent / 100.0) + brim


def print_minutes(piece: Piece, mesh: Mesh, volume_mm3: float) -> float:
    """Rough minutes: volume over flow with detours, or the least time of a layer, layer by layer."""
    setup = piece.setup
    flow = min(MOST_FLOW_MM3_S, SPEED_MM_S * setup.line_mm * setup.layer_mm)
    low, high = mesh.bounds
    layers = max(1.0, round(float(high[2] - low[2]) / setup.layer_mm))
    per_layer = max(LEAST_LAYER_S, DETOUR * volume_mm3 / layers / flow) + CHANGE_S
    return START_MIN + layers * per_layer / 60.0


def area_mm2(mesh: Mesh) -> float:
    """Area of a mesh's surface."""
    a, b, c = np.moveaxis(mesh.corners, 1, 0)
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)
