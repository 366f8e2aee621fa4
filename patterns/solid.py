"""The only file that uses the CAD kernel: bodies into exact solids, meshes and STEP files.

The kernel takes a second to import, so it is imported when a solid is built and never before.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from patterns.body import AXES, Body, Circle, Loop, Prism, signed_area_mm2
from patterns.errors import SpecError
from patterns.mesh import Mesh, merged

XYZ = tuple[float, float, float]

#: Largest distance between the mesh's facets and a curved face.
SAG_MM = 0.01


class SolidError(RuntimeError):
    """The kernel could not make one sound solid; this is a fault of the pattern, not of the user."""


def build(body: Body) -> Any:
    """Return a valid solid of the kernel's own type, or a compound of as many as the body promises.

    Raises
    ------
    SolidError
        The result is not valid, not exactly `body.solids` solids, or cutting took nothing away.
    """
    shape = _joined([_prism(p) for p in body.add if p.face_mm is None])
    cuts = [p for p in body.cut if p.face_mm is None]
    if cuts:
        before = volume_mm3(shape)
        shape = _cut(shape, [_prism(p) for p in cuts])
        if not volume_mm3(shape) < before - 1e-9:
            msg = "cutting took nothing away"
            raise SolidError(msg)
    shape = _simplified(shape)
    if body.chamfer_mm > 0:
        shape = _chamfered(shape, body.chamfer_mm)
    marks = [(p, 1) for p in body.add if p.face_mm is not None]
    marks += [(p, -1) for p in body.cut if p.face_mm is not None]
    if marks:
        shape = _marked(shape, marks)
    return _sound(shape, body.solids)


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
    from OCP.TopAbs import TopAbs_EDGE
    from OCP.TopExp import TopExp
    from OCP.TopoDS import TopoDS
    from OCP.TopTools import TopTools_IndexedMapOfShape

    found = TopTools_IndexedMapOfShape()
    TopExp.MapShapes_s(shape, TopAbs_EDGE, found)
    edges = [TopoDS.Edge_s(found.FindKey(n)) for n in range(1, found.Extent() + 1)]
    return [e for e in edges if all(abs(corner[2]) < 1e-4 for corner in _box(e))]


def _marked(shape: Any, marks: list[tuple[Prism, int]]) -> Any:
    """Sew marks, raised (+1) or engraved (-1), into the flat faces that surround them."""
    from OCP.TopAbs import TopAbs_SOLID

    solids = _parts(shape, TopAbs_SOLID)
    left, results = marks, []
    for solid in solids:
        mine, left = _sewn(solid, left)
        results.append(mine)
    if left:
        msg = f"{len(left)} marks lie on no flat face that surrounds them"
        raise SolidError(msg)
    return _together(results)


def _sewn(solid: Any, marks: list[tuple[Prism, int]]) -> tuple[Any, list[tuple[Prism, int]]]:
    """Return the solid with those marks that lie on its faces, and the marks left over."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.TopAbs import TopAbs_FACE

    faces, changed = [], False
    for face in _parts(solid, TopAbs_FACE):
        mine, left = _on_face(face, marks) if marks else ([], [])
        if not mine:
            faces.append(face)
            continue
        changed, marks = True, left
        maker = BRepBuilderAPI_MakeFace(face)
        for p, reach, side in mine:
            outline, added = _mark_faces(p, reach, side)
            maker.Add(outline)
            faces += added
        faces.append(maker.Face())
    return (_closed(faces) if changed else solid), marks


def _on_face(
    face: Any, marks: list[tuple[Prism, int]]
) -> tuple[list[tuple[Prism, float, int]], list[tuple[Prism, int]]]:
    """Split marks into those inside a flat face and the rest.

    The first come with their reach along their axis and the side (+1, -1) that the face looks to.
    """
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_Plane
    from OCP.TopAbs import TopAbs_REVERSED

    surface = BRepAdaptor_Surface(face)
    if surface.GetType() != GeomAbs_Plane:
        return [], marks
    plane = surface.Plane()
    at, normal = plane.Location().Coord(), plane.Axis().Direction().Coord()
    flip = (-1 if face.Orientation() == TopAbs_REVERSED else 1) * (1 if plane.Direct() else -1)
    low, high = _box(face)
    mine: list[tuple[Prism, float, int]] = []
    rest = []
    for p, sign in marks:
        i, j, k = AXES[p.axis]
        level = p.face_mm or 0.0
        corners = () if isinstance(p.outline, Circle) else p.outline
        found = abs(abs(normal[k]) - 1) < 1e-9 and abs(at[k] - level) < 1e-6
        found = found and all(low[i] < u < high[i] and low[j] < v < high[j] for u, v in corners)
        if not found or not _surrounds(face, p, level):
            rest.append((p, sign))
            continue
        side = 1 if normal[k] * flip > 0 else -1
        mine.append((p, (p.end_mm if side * sign > 0 else p.start_mm) - level, side))
    return mine, rest


def _surrounds(face: Any, p: Prism, level: float) -> bool:
    from OCP.BRepClass import BRepClass_FaceClassifier
    from OCP.gp import gp_Pnt
    from OCP.TopAbs import TopAbs_IN

    i, j, k = AXES[p.axis]
    for u, v in () if isinstance(p.outline, Circle) else p.outline:
        point = [0.0, 0.0, 0.0]
        point[i], point[j], point[k] = u, v, level
        if BRepClass_FaceClassifier(face, gp_Pnt(*point), 1e-7).State() != TopAbs_IN:
            return False
    return True


def _box(shape: Any) -> tuple[XYZ, XYZ]:
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.Add_s(shape, box)
    return box.CornerMin().Coord(), box.CornerMax().Coord()


def _mark_faces(p: Prism, reach: float, side: int) -> tuple[Any, list[Any]]:
    """Return a mark's outline on its face, and its sides, end and the islands in its counters."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
    from OCP.gp import gp_Vec
    from OCP.TopAbs import TopAbs_FACE
    from OCP.TopoDS import TopoDS

    flat = replace(p, start_mm=p.face_mm or 0.0)
    sweep = [0.0, 0.0, 0.0]
    sweep[AXES[p.axis][2]] = reach
    added, ends, outline = [], [], None
    for loop in (p.outline, *p.holes):
        wire = _wire(loop, flat, turn=-side)  # a hole runs clockwise seen from outside
        outline = outline or wire
        if wire is not outline:
            added.append(BRepBuilderAPI_MakeFace(wire, True).Face())
        swept = BRepPrimAPI_MakePrism(wire, gp_Vec(*sweep))
        added += _parts(swept.Shape(), TopAbs_FACE)
        ends.append(TopoDS.Wire_s(swept.LastShape()))
    end = BRepBuilderAPI_MakeFace(ends[0], True)
    for wire in ends[1:]:
        end.Add(TopoDS.Wire_s(wire.Reversed()))
    return outline, [*added, end.Face()]


def _closed(faces: list[Any]) -> Any:
    """Return the solid within faces that share their edges, all turned to look outwards."""
    from OCP.BRep import BRep_Builder
    from OCP.BRepLib import BRepLib
    from OCP.ShapeFix import ShapeFix_Shell
    from OCP.TopoDS import TopoDS_Shell, TopoDS_Solid

    shell, solid, builder = TopoDS_Shell(), TopoDS_Solid(), BRep_Builder()
    builder.MakeShell(shell)
    for face in faces:
        builder.Add(shell, face)
    fix = ShapeFix_Shell()
    fix.FixFaceOrientation(shell)
    builder.MakeSolid(solid)
    builder.Add(solid, fix.Shell())
    BRepLib.OrientClosedSolid_s(solid)
    return solid


def _sound(shape: Any, promised: int) -> Any:
    from OCP.BRepCheck import BRepCheck_Analyzer
    from OCP.TopAbs import TopAbs_SOLID

    solids = _parts(shape, TopAbs_SOLID)
    if len(solids) != promised:
        msg = f"the piece falls into {len(solids)} solids, not {promised}"
        raise SolidError(msg)
    if not all(BRepCheck_Analyzer(s).IsValid() for s in solids):
        msg = "the solid is not valid"
        raise SolidError(msg)
    return _together(solids)


def _parts(shape: Any, sort: Any) -> list[Any]:
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


def _together(solids: list[Any]) -> Any:
    from OCP.BRep import BRep_Builder
    from OCP.TopoDS import TopoDS_Compound

    if len(solids) == 1:
        return solids[0]
    compound, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(compound)
    for s in solids:
        builder.Add(compound, s)
    return compound
