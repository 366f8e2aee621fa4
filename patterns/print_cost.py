"""Filament, time and cost of a print, roughly: enough to choose a piece, not to plan a shift.

Common practice, no source: a solid shell as thick as the walls, the infill's share of the rest, and
time from the volumetric flow with a toll for every layer.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
class PrintCost:
    """What a print takes; `cost` is in the currency of the spool's price, None without one."""

    volume_mm3: float
    grams: float
    metres: float
    minutes: float
    cost: float | None = None


def print_cost(
    piece: Piece,
    mesh: Mesh,
    filament: Filament,
    *,
    spool_price: float | None = None,
    spool_g: float = 1000.0,
) -> PrintCost:
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
    PrintCost
        Within about a third of a real print; a piece that is not printed takes nothing.
    """
    if not piece.printed:
        return PrintCost(volume_mm3=0.0, grams=0.0, metres=0.0, minutes=0.0)
    volume = printed_volume_mm3(piece, mesh)
    grams = volume * filament.density_g_cm3 / 1000.0
    return PrintCost(
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
    """Rough minutes: volume over flow with detours, or the least time of a layer, layer by layer.

    The plastic is shared out over the layers by their sections, so that a slender tower on a wide
    foot takes the time that its many small layers need to cool.
    """
    setup = piece.setup
    flow = min(MOST_FLOW_MM3_S, SPEED_MM_S * setup.line_mm * setup.layer_mm)
    sections = sections_mm2(mesh, setup.layer_mm)
    volumes = volume_mm3 * sections / max(float(sections.sum()), 1e-9)
    per_layer = np.maximum(LEAST_LAYER_S, DETOUR * volumes / flow) + CHANGE_S
    return START_MIN + float(per_layer.sum()) / 60.0


def sections_mm2(mesh: Mesh, layer_mm: float) -> NDArray[np.float64]:
    """Return (layers,) float: the area of the section in the middle of each layer.

    By Green's theorem an outline's area is half the integral of p . n along it; each triangle that a
    plane crosses gives one straight piece, whose normal is the triangle's own.
    """
    low, high = (float(b[2]) for b in mesh.bounds)
    count = max(1, round((high - low) / layer_mm))
    heights = (
        low + (np.arange(count) + 0.4987) * (high - low) / count
    )  # clear of corners in a layer's very middle
    corners, normals = mesh.corners, mesh.normals[:, :2]
    first = np.searchsorted(heights, corners[:, :, 2].min(axis=1), side="right")
    after = np.searchsorted(heights, corners[:, :, 2].max(axis=1), side="left")
    crossed = np.maximum(after - first, 0)  # layers whose plane a triangle crosses
    each = np.repeat(np.arange(len(corners)), crossed)
    layer = np.arange(len(each)) + np.repeat(first - np.cumsum(crossed) + crossed, crossed)
    shares = _shares_mm2(corners[each], normals[each], heights[layer])
    return np.bincount(layer, shares, minlength=count).astype(np.float64)


def _shares_mm2(
    corners: NDArray[np.float64], normals: NDArray[np.float64], z: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return what each triangle, crossed at its height, adds to the area of the section there."""
    ends, middle = np.zeros((len(corners), 2)), np.zeros((len(corners), 2))
    for a, b in ((0, 1), (1, 2), (2, 0)):
        za, zb = corners[:, a, 2], corners[:, b, 2]
        meets = (za < z) != (zb < z)
        share = np.where(meets, (z - za) / np.where(meets, zb - za, 1.0), 0.0)[:, None]
        at = corners[:, a, :2] + share * (corners[:, b, :2] - corners[:, a, :2])
        # Of the two crossings one is entered with +, the other with -: their difference and sum.
        sign = np.where(meets, np.where(za < zb, 1.0, -1.0), 0.0)[:, None]
        ends += sign * at
        middle += np.abs(sign) * at / 2
    length = np.linalg.norm(ends, axis=1)
    across = np.linalg.norm(normals, axis=1)
    unit = normals / np.where(across > 0, across, 1.0)[:, None]
    return np.asarray(0.5 * np.einsum("ij,ij->i", middle, unit) * length)


def area_mm2(mesh: Mesh) -> float:
    """Area of a mesh's surface."""
    a, b, c = np.moveaxis(mesh.corners, 1, 0)
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)
