"""The upright land at the top of a wall that is set back towards the bed: what the jaws touch."""

from patterns.spec import PrintSetup

_LAND_MM = 0.6


def land_mm(setup: PrintSetup) -> float:
    """Height of the land: about 0.6 mm, in whole layers, at least two."""
    return max(setup.layers(_LAND_MM), round(2 * setup.layer_mm, 6))


def mark_mm(setup: PrintSetup) -> float:
    """Depth of a mark in the upper face, in whole layers: it must end within the land."""
    fits = 2 * setup.layer_mm < land_mm(setup) - 1e-6
    return (2 if fits else 1) * setup.layer_mm
