"""The chamfer along the bed: outlines by the kernel's own chamfer, holes by one cut of flared plugs.

The kernel's chamfer slows down with every pair of loops on a face; a board full of holes is done in
half the time by cutting all holes at once with cones and frusta.
"""

from typing import Any

import numpy as np

from patterns.bevel import inset
from patterns.body import signed_area_mm2
from patterns.solid_parts import SolidError, box_of, cut_away, parts


def chamfered(shape: Any, chamfer_mm: float) -> Any:
    """Chamfer every edge of the faces on the bed at 45 degrees.

    Raises
    ------
    SolidError
        The kernel can't make the chamfer.
    """
    plugs = [_plug(wire, chamfer_mm) for wire in _wires_on_bed(shape, outer=False)]
    if plugs:
        shape = cut_away(shape, plugs)
    return _outlines_chamfered(shape, chamfer_mm)


def _wires_on_bed(shape: Any, *, outer: bool) -> list[Any]:
    """Return the outlines, or the rims of holes, of the faces on the bed."""
    from OCP.BRepTools import BRepTools
    from OCP.TopAbs import TopAbs_FACE, TopAbs_WIRE

    found = []
    for face in parts(shape, TopAbs_FACE):
        if all(abs(corner[2]) < 1e-4 for corner in box_of(face)):
            outline = BRepTools.OuterWire_s(face)
            found += [w for w in parts(face, TopAbs_WIRE) if w.IsSame(outline) == outer]
    return found


def _outlines_chamfered(shape: Any, chamfer_mm: float) -> Any:
    from OCP.BRepFilletAPI import BRepFilletAPI_MakeChamfer
    from OCP.TopAbs import TopAbs_EDGE

    maker = BRepFilletAPI_MakeChamfer(shape)
    for wire in _wires_on_bed(shape, outer=True):
        for edge in parts(wire, TopAbs_EDGE):
            maker.Add(chamfer_mm, edge)
    maker.Build()
    if not maker.IsDone():
        msg = f"a chamfer of {chamfer_mm:g} mm along the bed failed"
        raise SolidError(msg)
    return maker.Shape()


def _plug(wire: Any, chamfer_mm: float) -> Any:
    """Return what a hole's chamfer takes away: wider by the chamfer on the bed, as the hole above."""
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone
    from OCP.GeomAbs import GeomAbs_Circle
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
    from OCP.TopAbs import TopAbs_EDGE

    edges = parts(wire, TopAbs_EDGE)
    curve = BRepAdaptor_Curve(edges[0])
    if len(edges) == 1 and curve.GetType() == GeomAbs_Circle:
        circle = curve.Circle()
        middle, radius = circle.Location(), circle.Radius()
        frame = gp_Ax2(gp_Pnt(middle.X(), middle.Y(), 0.0), gp_Dir(0.0, 0.0, 1.0))
        return BRepPrimAPI_MakeCone(frame, radius + chamfer_mm, radius, chamfer_mm).Shape()
    return _frustum(_corners(wire), chamfer_mm)


def _corners(wire: Any) -> list[tuple[float, float]]:
    """Return the corners of a rim of straight edges, counter-clockwise from above."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.BRepTools import BRepTools_WireExplorer
    from OCP.GeomAbs import GeomAbs_Line

    walk, ring = BRepTools_WireExplorer(wire), []
    while walk.More():
        if BRepAdaptor_Curve(walk.Current()).GetType() != GeomAbs_Line:
            msg = "a hole on the bed must be a circle or have straight sides to be chamfered"
            raise SolidError(msg)
        point = BRep_Tool.Pnt_s(walk.CurrentVertex())
        ring.append((point.X(), point.Y()))
        walk.Next()
    return ring if signed_area_mm2(tuple(ring)) > 0 else ring[::-1]


def _frustum(ring: list[tuple[float, float]], chamfer_mm: float) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeSolid, BRepBuilderAPI_Sewing
    from OCP.BRepLib import BRepLib
    from OCP.TopAbs import TopAbs_SHELL

    wide = inset(np.array(ring), -chamfer_mm).tolist()
    low = [(u, v, 0.0) for u, v in wide]
    high = [(u, v, chamfer_mm) for u, v in ring]
    count = len(ring)
    sides = [(low[n], low[(n + 1) % count], high[(n + 1) % count], high[n]) for n in range(count)]
    sewing = BRepBuilderAPI_Sewing()
    for corners in (low, high, *sides):
        sewing.Add(_face(corners))
    sewing.Perform()
    solid = BRepBuilderAPI_MakeSolid(parts(sewing.SewedShape(), TopAbs_SHELL)[0]).Solid()
    BRepLib.OrientClosedSolid_s(solid)
    return solid


def _face(corners: Any) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon
    from OCP.gp import gp_Pnt

    maker = BRepBuilderAPI_MakePolygon()
    for corner in corners:
        maker.Add(gp_Pnt(*corner))
    maker.Close()
    return BRepBuilderAPI_MakeFace(maker.Wire(), True).Face()
