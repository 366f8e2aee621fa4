"""Shift a solid of the kernel's; apart from the rest, for bodies need it and the rest needs bodies."""

from typing import Any


def moved(shape: Any, shift: tuple[float, float, float]) -> Any:
    """Return a solid shifted, with its coordinates worked in."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
    from OCP.gp import gp_Trsf, gp_Vec

    there = gp_Trsf()
    there.SetTranslation(gp_Vec(*shift))
    return BRepBuilderAPI_Transform(shape, there, True).Shape()
