"""Pieces that are weighed: the mass as a feature, and what else the flow from it needs to know."""

from patterns.feature import Feature, Kind, Point
from patterns.piece import HeadLine

WEIGHED = (
    HeadLine(
        "extruded_mm",
        "length of filament that the G-code feeds for the piece, in mm, as your slicing program"
        " states it (skirt left out); empty: taken from its volume",
        "7012",
    ),
    HeadLine(
        "density_g_cm3",
        "density of this very filament, from its data sheet; empty: usual for its type",
        "1.24",
    ),
    HeadLine(
        "filament_mm",
        "diameter of the filament at one or more places, in mm, apart by spaces; empty: as nominal",
        "1.74 1.75 1.76",
    ),
)


def whole_mass(grams: float, at: Point) -> Feature:
    """Return the mass of a whole piece as a thing to be measured.

    Parameters
    ----------
    grams : float
        Closed volume times the usual density of the filament.
    at : (3,) float, millimetres
        Where the picture points.
    """
    return Feature(
        id="mass",
        kind=Kind.MASS,
        axis="",
        nominal=round(grams, 3),
        where="mass of the whole piece",
        start=at,
        end=at,
        view="iso",
        jaws="",
    )
