"""The only file that uses the CAD kernel: bodies into exact solids, meshes and STEP files.

The kernel takes a second to import, so it is imported when a solid is built and never before.
"""

from pathlib import Path
from typing import Any

import numpy as np

from patterns.body import AXES, Body, Circle, Loop, Prism, signed_area_mm2
from patterns.errors import SpecError
from patterns.mesh import Mesh, merged

#: Largest distance between the mesh's facets and a curved face.
SAG_MM = 0.01


class SolidError(RuntimeError):
    """The kernel could not make one sound solid; this is a fault of the pattern, not of the user."""


def build(body: Body) -> Any:
    """Return one valid solid of the kernel's own type.

    Raises
    ------
    SolidError
        The result is not valid, not exactly one solid, or a cut took nothing away.
    SpecError
        The kernel can't be loaded on this machine.
    """
    _check_kernel()
    shape = _joined([_prism(p) for p in body.add])
    if body.cut:
        before = volume_mm3(shape)
        shape = _cut(shape, [_prism(p) for p in body.cut])
        if not volume_mm3(shape) < before - 1e-9:
            msg = "cutting took nothing away"
            raise SolidError(msg)
    shape = _simplified(shape)
    if body.chamfer_mm > 0:
        shape = _chamfered(shape, body.chamfer_mm)
    return _one_solid(shape)


def _check_kernel() -> None:
    try:
        import OCP.gp  # noqa: F401 # only to see whether it loads
    except ImportError as err:
        raise SpecError(
            f"the CAD kernel can't be loaded ({err})",
            mend="on Debian and Ubuntu: sudo apt install libgl1 libx11-6 libxrender1",
        ) from err


def volume_mm3(shape: Any) -> float:
    """Volume by the kernel's own integration."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    props = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, props)
    return float(props.Mass())


def mesh(shape: Any) -> Mesh:
    """Return the solid's surface as one watertight mesh.

    Raises
    ------
    SolidError
        The facets do not close.
    """
    from OCP.BRep import BRep_Tool
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS

    BRepMesh_IncrementalMesh(shape, SAG_MM, False, 0.2, False)
    parts = []
    faces = TopExp_Explorer(shape, TopAbs_FACE)
    while faces.More():
        face = TopoDS.Face_s(faces.Current())
        place = TopLoc_Location()
        facets = BRep_Tool.Triangulation_s(face, place)
        if facets is None:
            msg = "a face could not be meshed"
            raise SolidError(msg)
        move = place.Transformation()
        nodes = np.array(
            [facets.Node(i + 1).Transformed(move).Coord() for i in range(facets.NbNodes())]
        )
        corners = np.array([facets.Triangle(i + 1).Get() for i in range(facets.NbTriangles())]) - 1
        if face.Orientation() == TopAbs_REVERSED:
            corners = corners[:, ::-1]
        parts.append(nodes[corners])
        faces.Next()
    result = merged(np.concatenate(parts))
    if not result.is_watertight:
        msg = "the mesh is not watertight"
        raise SolidError(msg)
    return result


def write_step(shape: Any, path: Path) -> None:
    """Write the solid as a STEP file (ISO 10303-21), in millimetres."""
    from OCP.IFSelect import IFSelect_RetDone
    from OCP.Interface import Interface_Static
    from OCP.Message import Message, Message_PrinterOStream
    from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

    # The kernel reports its progress on the terminal unless told not to.
    Message.DefaultMessenger_s().RemovePrinters(Message_PrinterOStream.get_type_descriptor_s())
    writer = STEPControl_Writer()
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    Interface_Static.SetCVal_s("write.step.product.name", path.stem)
    writer.Transfer(shape, STEPControl_AsIs)
    if writer.Write(str(path)) != IFSelect_RetDone:
        msg = f"could not write {path.name}"
        raise OSError(msg)


def read_step(path: Path) -> Any:
    """Read the solid in a STEP file."""
    from OCP.STEPControl import STEPControl_Reader

    reader = STEPControl_Reader()
    reader.ReadFile(str(path))
    reader.TransferRoots()
    return reader.OneShape()


def _prism(p: Prism) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
    from OCP.gp import gp_Vec

    k = AXES[p.axis][2]
    maker = BRepBuilderAPI_MakeFace(_wire(p.outline, p, turn=1), True)
    for hole in p.holes:
        maker.Add(_wire(hole, p, turn=-1))
    sweep = [0.0, 0.0, 0.0]
    sweep[k] = p.end_mm - p.start_mm
    return BRepPrimAPI_MakePrism(maker.Face(), gp_Vec(*sweep)).Shape()


def _wire(loop: Loop, p: Prism, *, turn: int) -> Any:
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


def _list(shapes: list[Any]) -> Any:
    from OCP.TopTools import TopTools_ListOfShape

    result = TopTools_ListOfShape()
    for s in shapes:
        result.Append(s)
    return result


def _joined(shapes: list[Any]) -> Any:
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse

    if len(shapes) == 1:
        return shapes[0]
    return _run(BRepAlgoAPI_Fuse(), shapes[:1], shapes[1:])


def _cut(shape: Any, tools: list[Any]) -> Any:
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut

    return _run(BRepAlgoAPI_Cut(), [shape], tools)


def _run(operation: Any, arguments: list[Any], tools: list[Any]) -> Any:
    # Tools are passed one by one: a compound of overlapping tools silently cuts nothing.
    operation.SetArguments(_list(arguments))
    operation.SetTools(_list(tools))
    operation.Build()
    if not operation.IsDone():
        msg = "a boolean operation failed"
        raise SolidError(msg)
    return operation.Shape()


def _simplified(shape: Any) -> Any:
    """Join faces that lie in one plane, so that chamfers run along whole edges."""
    from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain

    unify = ShapeUpgrade_UnifySameDomain(shape, True, True, False)
    unify.Build()
    return unify.Shape()


def _chamfered(shape: Any, chamfer_mm: float) -> Any:
    from OCP.BRepFilletAPI import BRepFilletAPI_MakeChamfer

    maker = BRepFilletAPI_MakeChamfer(shape)
    for edge in _edges_on_bed(shape):
        maker.Add(chamfer_mm, edge)
    maker.Build()
    if not maker.IsDone():
        msg = f"a chamfer of {chamfer_mm:g} mm along the bed failed"
        raise SolidError(msg)
    return maker.Shape()


def _edges_on_bed(shape: Any) -> list[Any]:
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib
    from OCP.TopAbs import TopAbs_EDGE
    from OCP.TopExp import TopExp
    from OCP.TopoDS import TopoDS
    from OCP.TopTools import TopTools_IndexedMapOfShape

    found = TopTools_IndexedMapOfShape()
    TopExp.MapShapes_s(shape, TopAbs_EDGE, found)
    edges = []
    for n in range(1, found.Extent() + 1):
        edge = TopoDS.Edge_s(found.FindKey(n))
        box = Bnd_Box()
        BRepBndLib.Add_s(edge, box)
        if abs(box.CornerMin().Z()) < 1e-4 and abs(box.CornerMax().Z()) < 1e-4:
            edges.append(edge)
    return edges


def _one_solid(shape: Any) -> Any:
    from OCP.BRepCheck import BRepCheck_Analyzer
    from OCP.TopAbs import TopAbs_SOLID
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    solids = []
    explorer = TopExp_Explorer(shape, TopAbs_SOLID)
    while explorer.More():
        solids.append(TopoDS.Solid_s(explorer.Current()))
        explorer.Next()
    if len(solids) != 1:
        msg = f"the piece falls into {len(solids)} solids"
        raise SolidError(msg)
    if not BRepCheck_Analyzer(solids[0]).IsValid():
        msg = "the solid is not valid"
        raise SolidError(msg)
    return solids[0]
