"""Bodies into exact solids, meshes and STEP files; only the files named solid use the CAD kernel.

The kernel takes a second to import, so it is imported when a solid is built and never before.
"""

from pathlib import Path
from typing import Any

import numpy as np

from patterns import solid_bevel, solid_marks
from patterns.body import AXES, Body, Prism
from patterns.errors import SpecError
from patterns.mesh import Mesh, joined
from patterns.solid_move import moved
from patterns.solid_parts import XYZ, SolidError, cut_away, parts, run_boolean, volume_mm3, wire_of

__all__ = ["SAG_MM", "SolidError", "build", "mesh", "read_step", "volume_mm3", "write_step"]

#: Largest distance between the mesh's facets and a curved face.
SAG_MM = 0.002
#: Largest turn from one facet of a curved face to the next.
_TURN_RAD = 0.2


def build(body: Body) -> Any:
    """Return a valid solid of the kernel's own type, or a compound of as many as the body promises.

    Raises
    ------
    SolidError
        The result is not valid, not exactly `body.solids` solids, or cutting took nothing away.
    SpecError
        The kernel can't be loaded on this machine.
    """
    _check_kernel()
    if body.shape is not None:
        return body.shape
    shape = _fused([_prism(p) for p in body.add if p.face_mm is None])
    cuts = [p for p in body.cut if p.face_mm is None]
    if cuts:
        before = volume_mm3(shape)
        shape = cut_away(shape, [_prism(p) for p in cuts])
        if not volume_mm3(shape) < before - 1e-9:
            msg = "cutting took nothing away"
            raise SolidError(msg)
    shape = _simplified(shape)
    if body.chamfer_mm > 0:
        shape = solid_bevel.chamfered(shape, body.chamfer_mm)
    marks = [(p, 1) for p in body.add if p.face_mm is not None]
    marks += [(p, -1) for p in body.cut if p.face_mm is not None]
    solids = _sound_solids(shape, body.solids)
    return _together(solid_marks.sewn(solids, marks) if marks else solids)


def _check_kernel() -> None:
    try:
        import OCP.gp  # noqa: F401 # only to see whether it loads
    except ImportError as err:
        raise SpecError(
            f"the CAD kernel can't be loaded ({err})",
            mend="on Debian and Ubuntu: sudo apt install libgl1 libx11-6 libxrender1",
        ) from err


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
    from OCP.TopLoc import TopLoc_Location

    BRepMesh_IncrementalMesh(shape, _mesh_parameters())
    points: list[XYZ] = []
    triangles: list[tuple[int, int, int]] = []
    for face in parts(shape, TopAbs_FACE):
        place = TopLoc_Location()
        facets = BRep_Tool.Triangulation_s(face, place)
        if facets is None:
            msg = "a face could not be meshed"
            raise SolidError(msg)
        first = len(points) - 1
        nodes = [facets.Node(i) for i in range(1, facets.NbNodes() + 1)]
        if not place.IsIdentity():
            nodes = [n.Transformed(place.Transformation()) for n in nodes]
        points += [n.Coord() for n in nodes]
        turned = face.Orientation() == TopAbs_REVERSED
        for i in range(1, facets.NbTriangles() + 1):
            a, b, c = facets.Triangle(i).Get()
            triangles.append(
                (first + b, first + a, first + c) if turned else (first + a, first + b, first + c)
            )
    result = joined(np.array(points), np.array(triangles))
    if not result.is_watertight:
        msg = "the mesh is not watertight"
        raise SolidError(msg)
    return result


def _mesh_parameters() -> Any:
    from OCP.IMeshTools import IMeshTools_MeshAlgoType_Delabella, IMeshTools_Parameters

    found = IMeshTools_Parameters()
    found.Deflection, found.Angle, found.InParallel = SAG_MM, _TURN_RAD, True
    # A third of the time of the kernel's default on faces with many holes.
    found.MeshAlgo = IMeshTools_MeshAlgoType_Delabella
    return found


def write_step(shape: Any, path: Path, product: str = "") -> None:
    """Write the solid as a STEP file (ISO 10303-21), in millimetres; `product` names it in there.

    Raises
    ------
    OSError
        The file can't be written.
    """
    from OCP.IFSelect import IFSelect_RetDone
    from OCP.Interface import Interface_Static
    from OCP.Message import Message, Message_PrinterOStream
    from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

    # The kernel reports its progress on the terminal unless told not to.
    Message.DefaultMessenger_s().RemovePrinters(Message_PrinterOStream.get_type_descriptor_s())
    writer = STEPControl_Writer()
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    Interface_Static.SetCVal_s("write.step.product.name", product or path.stem)
    writer.Transfer(shape, STEPControl_AsIs)
    if writer.Write(str(path)) != IFSelect_RetDone:
        msg = f"could not write {path.name}"
        raise OSError(msg)


def read_step(path: Path) -> Any:
    """Read what is in a STEP file, in millimetres whatever its own unit is.

    Raises
    ------
    SpecError
        It is no STEP file, or there is nothing in it.
    """
    _check_kernel()
    from OCP.IFSelect import IFSelect_RetDone
    from OCP.Message import Message, Message_PrinterOStream
    from OCP.STEPControl import STEPControl_Reader

    Message.DefaultMessenger_s().RemovePrinters(Message_PrinterOStream.get_type_descriptor_s())
    reader = STEPControl_Reader()
    if reader.ReadFile(str(path)) != IFSelect_RetDone or reader.TransferRoots() < 1:
        raise SpecError(f"{path.name} is no STEP file with a solid", mend="export it again as STEP")
    return reader.OneShape()


def one_solid(shape: Any, name: str) -> Any:
    """Return the only solid in a shape.

    Raises
    ------
    SpecError
        It is no shape, or there is none or more than one solid in it, or it is not sound.
    """
    _check_kernel()
    from OCP.BRepCheck import BRepCheck_Analyzer
    from OCP.TopAbs import TopAbs_SOLID
    from OCP.TopoDS import TopoDS_Shape

    if not isinstance(shape, TopoDS_Shape):
        raise SpecError(
            f"{name} is a {type(shape).__name__}, not a solid",
            mend="return a Piece, or a CadQuery Workplane with one solid",
        )
    solids = parts(shape, TopAbs_SOLID)
    if len(solids) != 1:
        raise SpecError(f"{name} has {len(solids)} solids, not one", mend="join them into one")
    if not BRepCheck_Analyzer(solids[0]).IsValid():
        raise SpecError(f"{name} is not a sound solid", mend="heal it in your CAD program")
    return solids[0]


def on_bed(shape: Any) -> Any:
    """Return a solid moved so that its lowest corner lies at the origin."""
    low, _ = exact_bounds(shape)
    return moved(shape, (-low[0], -low[1], -low[2]))


def exact_bounds(shape: Any) -> tuple[XYZ, XYZ]:
    """Return the lowest and the highest corner of the box round a solid, without any margin."""
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(shape, box, False, False)
    low, high = box.CornerMin().Coord(), box.CornerMax().Coord()
    gap = box.GetGap()
    return (
        (low[0] + gap, low[1] + gap, low[2] + gap),
        (high[0] - gap, high[1] - gap, high[2] - gap),
    )


def _prism(p: Prism) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
    from OCP.gp import gp_Vec

    k = AXES[p.axis][2]
    maker = BRepBuilderAPI_MakeFace(wire_of(p.outline, p, turn=1), True)
    for hole in p.holes:
        maker.Add(wire_of(hole, p, turn=-1))
    sweep = [0.0, 0.0, 0.0]
    sweep[k] = p.end_mm - p.start_mm
    return BRepPrimAPI_MakePrism(maker.Face(), gp_Vec(*sweep)).Shape()


def _fused(shapes: list[Any]) -> Any:
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse

    if len(shapes) == 1:
        return shapes[0]
    return run_boolean(BRepAlgoAPI_Fuse(), shapes[:1], shapes[1:])


def _simplified(shape: Any) -> Any:
    """Join faces that lie in one plane, so that chamfers run along whole edges."""
    from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain

    unify = ShapeUpgrade_UnifySameDomain(shape, True, True, False)
    unify.Build()
    return unify.Shape()


def _sound_solids(shape: Any, promised: int) -> list[Any]:
    from OCP.BRepCheck import BRepCheck_Analyzer
    from OCP.TopAbs import TopAbs_SOLID

    solids = parts(shape, TopAbs_SOLID)
    if len(solids) != promised:
        msg = f"the piece falls into {len(solids)} solids, not {promised}"
        raise SolidError(msg)
    if not all(BRepCheck_Analyzer(s).IsValid() for s in solids):
        msg = "the solid is not valid"
        raise SolidError(msg)
    return solids


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
