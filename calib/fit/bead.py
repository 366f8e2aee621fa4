"""The cross-section of a printed line: a rectangle with rounded ends, and its inverse.

    A = h (w - h) + pi h^2 / 4,    w = A / h + h (1 - pi / 4),    w >= h

A fused wall of several lines has the same form with its whole width in place of w, because the
lines inside it leave no rounded ends.
"""

import math

#: Share of h by which a line is wider than a rectangle of the same area and height.
ROUNDING = 1 - math.pi / 4


def area_mm2(width_mm: float, layer_mm: float) -> float:
    """Area of a line (or a fused wall) from its greatest width and its height.

    Plain geometry. Real strands run from nearly round to nearly rectangular (Comminal et al.,
    Additive Manufacturing 20 (2018) 68-76), so a width predicted from an area is only a model.

    Raises
    ------
    ValueError
        The line is higher than wide, or a length is not positive.
    """
    if not 0 < layer_mm <= width_mm:
        msg = f"a line of width {width_mm!r} and height {layer_mm!r} mm has no rounded rectangle"
        raise ValueError(msg)
    return layer_mm * (width_mm - layer_mm) + math.pi * layer_mm**2 / 4


def width_mm(area: float, layer_mm: float) -> float:
    """Greatest width of a line of the given area (mm2) and height; the inverse of `area_mm2`."""
    return area / layer_mm + layer_mm * ROUNDING


def filament_area_mm2(diameter_mm: float) -> float:
    """Cross-section of round filament, mm2, of a diameter in mm."""
    return math.pi * diameter_mm**2 / 4


def width_ratio(measured_mm: float, nominal_mm: float) -> float:
    """Measured over nominal width: what is often used for flow, and too small a change by itself."""
    return measured_mm / nominal_mm
