"""Small pieces of the kernel's work that the files named solid share."""

from typing import Any

from patterns.body import AXES, Circle, Loop, Prism, signed_area_mm2

XYZ = tuple[float, float, float]


class SolidError(RuntimeError):
    """The kernel could not make one sound solid; this is a fault of the pattern, not of the user."""


def volume_mm3(shape: Any) -> float:
    """Volume by the kernel's own integration."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    props = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, props)
    return float(props.Mass())


def wire_of(loop: Loop, p: Prism, *, turn: int) -> Any:
    """Return a prism's loop at its start, counter-clockwise seen along -axis for turn +1."""
    from OCP.BRepBuilderAPI import (
        BRepBuilderAPI_MakeEdge,
        BRepBuilderAPI_MakePolygon,
        BRepBuilderAPI_MakeWire,
    )
    from OCP.gp import gp_Ax2, gp_Circ, gp_Dir, gp_Pnt

    i, j, k = AXES[p.axis]

    def point(u: float, v: float) -> Any:
        at = [0.0, 0.0, 0.0]
        at[i], at[j], at[k] = u, v, p.start_mm
        return gp_Pnt(*at)

    # (x, z) seen along +Y is left-handed: its loops run the other way round.
    turn = -turn if p.axis == "Y" else turn
    if isinstance(loop, Circle):
        normal = [0.0, 0.0, 0.0]
        normal[k] = float(turn if p.axis != "Y" else -turn)
        frame = gp_Ax2(point(loop.u, loop.v), gp_Dir(*normal))
        edge = BRepBuilderAPI_MakeEdge(gp_Circ(frame, loop.diameter_mm / 2)).Edge()
        return BRepBuilderAPI_MakeWire(edge).Wire()
    ring = loop if (signed_area_mm2(loop) > 0) == (turn > 0) else tuple(reversed(loop))
    maker = BRepBuilderAPI_MakePolygon()
    for u, v in ring:
        maker.Add(point(u, v))
    maker.Close()
    return maker.Wire()


def parts(shape: Any, sort: Any) -> list[Any]:
    """Return the faces or solids of a shape, each as its own type."""
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    found = []
    explorer = TopExp_Explorer(shape, sort)
    while explorer.More():
        part = explorer.Current()
        found.append(getattr(TopoDS, f"{part.ShapeType().name[7:].title()}_s")(part))
        explorer.Next()
    return found


def box_of(shape: Any) -> tuple[XYZ, XYZ]:
    """Return the lowest and the highest corner of the box round a shape."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.Add_s(shape, box)
    return box.CornerMin().Coord(), box.CornerMax().Coord()


def cut_away(shape: Any, tools: list[Any]) -> Any:
    """Return a shape less every one of the tools."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut

    return run_boolean(BRepAlgoAPI_Cut(), [shape], tools)


def run_boolean(operation: Any, arguments: list[Any], tools: list[Any]) -> Any:
    """Run a boolean operation between two lists of shapes.

    Raises
    ------
    SolidError
        The kernel could not do it.
    """
    # Tools are passed one by one: a compound of overlapping tools silently cuts nothing.
    operation.SetArguments(_list(arguments))
    operation.SetTools(_list(tools))
    operation.Build()
    if not operation.IsDone():
        msg = "a boolean operation failed"
        raise SolidError(msg)
    return operation.Shape()


def _list(shapes: list[Any]) -> Any:
    from OCP.TopTools import TopTools_ListOfShape

    result = TopTools_ListOfShape()
    for s in shapes:
        result.Append(s)
    return result
