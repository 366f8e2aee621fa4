"""Digits and letters sewn into the flat faces of a solid, without a boolean operation.

A mark's outline becomes a hole in its face; its sides, its end and the islands inside its counters
are added. Edges are shared from the start, so nothing has to be searched for or intersected.
"""

from dataclasses import replace
from typing import Any

from patterns.body import AXES, XY, Circle, Loop, Prism
from patterns.solid_parts import SolidError, box_of, parts, volume_mm3, wire_of

Mark = tuple[Prism, int]  # raised (+1) or engraved (-1)
Placed = tuple[Prism, float, int]  # with its reach along its axis, and the side its face looks to


def sewn(solids: list[Any], marks: list[Mark]) -> list[Any]:
    """Sew every mark into the one flat face that surrounds it.

    The kernel's own check compares every pair of outlines on a face, which is slow for a face full
    of digits; the volume that the marks add is held against its closed form instead.

    Raises
    ------
    SolidError
        A mark lies on no flat face, crosses a face's rim, or the volume is not what it should be.
    """
    results, left = [], marks
    for solid in solids:
        result, left = _with_marks(solid, left)
        results.append(result)
    if left:
        msg = f"{len(left)} marks lie on no flat face that surrounds them"
        raise SolidError(msg)
    return results


def _with_marks(solid: Any, marks: list[Mark]) -> tuple[Any, list[Mark]]:
    """Return the solid with those marks that lie on its faces, and the marks left over."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.TopAbs import TopAbs_FACE

    faces, grown, changed = [], 0.0, False
    for face in parts(solid, TopAbs_FACE):
        mine, marks = _on_face(face, marks)
        if not mine:
            faces.append(face)
            continue
        changed = True
        maker = BRepBuilderAPI_MakeFace(face)
        for p, reach, side in mine:
            outline, added = _mark_faces(p, reach, side)
            maker.Add(outline)
            faces += added
            grown += reach * side * p.volume_mm3 / (p.end_mm - p.start_mm)
        faces.append(maker.Face())
    if not changed:
        return solid, marks
    result = _closed(faces)
    before = volume_mm3(solid)
    if abs(volume_mm3(result) - before - grown) > 1e-7 * before:
        msg = "the marks do not have the volume they should"
        raise SolidError(msg)
    return result, marks


def _on_face(face: Any, marks: list[Mark]) -> tuple[list[Placed], list[Mark]]:
    """Split marks into those inside a flat face and the rest."""
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.GeomAbs import GeomAbs_Plane
    from OCP.TopAbs import TopAbs_REVERSED

    surface = BRepAdaptor_Surface(face)
    if not marks or surface.GetType() != GeomAbs_Plane:
        return [], marks
    plane = surface.Plane()
    at, normal = plane.Location().Coord(), plane.Axis().Direction().Coord()
    flip = (-1 if face.Orientation() == TopAbs_REVERSED else 1) * (1 if plane.Direct() else -1)
    low, high = box_of(face)
    near: list[Mark] = []
    rest: list[Mark] = []
    for p, sign in marks:
        i, j, k = AXES[p.axis]
        level = p.face_mm or 0.0
        inside = abs(abs(normal[k]) - 1) < 1e-9 and abs(at[k] - level) < 1e-6
        inside = inside and all(low[i] < u < high[i] and low[j] < v < high[j] for u, v in _ring(p))
        (near if inside else rest).append((p, sign))
    if not near:
        return [], rest
    surrounded = _surrounded(face, plane, near)
    mine: list[Placed] = []
    for (p, sign), yes in zip(near, surrounded, strict=True):
        if not yes:
            rest.append((p, sign))
            continue
        side = 1 if normal[AXES[p.axis][2]] * flip > 0 else -1
        far = p.end_mm if side * sign > 0 else p.start_mm
        mine.append((p, far - (p.face_mm or 0.0), side))
    return mine, rest


def _ring(p: Prism) -> tuple[XY, ...]:
    return _corners(p.outline)


def _corners(loop: Loop) -> tuple[XY, ...]:
    if isinstance(loop, Circle):
        msg = "a mark must be outlined by straight lines"
        raise SolidError(msg)
    return loop


def _surrounded(face: Any, plane: Any, marks: list[Mark]) -> list[bool]:
    """Whether each mark's corners lie inside the face, and none of the face's corners amid them."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepTopAdaptor import BRepTopAdaptor_FClass2d
    from OCP.gp import gp_Pnt2d
    from OCP.TopAbs import TopAbs_IN, TopAbs_VERTEX

    rim = [BRep_Tool.Pnt_s(v).Coord() for v in parts(face, TopAbs_VERTEX)]
    where = BRepTopAdaptor_FClass2d(face, 1e-7)
    at = plane.Location().Coord()
    across, along = plane.XAxis().Direction().Coord(), plane.YAxis().Direction().Coord()
    found = []
    for p, _ in marks:
        i, j, k = AXES[p.axis]
        us, vs = zip(*_ring(p), strict=True)
        inside = not any(min(us) < c[i] < max(us) and min(vs) < c[j] < max(vs) for c in rim)
        for u, v in (*_ring(p), *(c for hole in p.holes for c in _corners(hole))):
            off = [0.0, 0.0, 0.0]
            off[i], off[j], off[k] = u - at[i], v - at[j], (p.face_mm or 0.0) - at[k]
            s = sum(a * b for a, b in zip(off, across, strict=True))
            t = sum(a * b for a, b in zip(off, along, strict=True))
            inside = inside and where.Perform(gp_Pnt2d(s, t)) == TopAbs_IN
        found.append(inside)
    return found


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
        wire = wire_of(loop, flat, turn=-side)  # a hole runs clockwise seen from outside
        outline = outline or wire
        if wire is not outline:
            added.append(BRepBuilderAPI_MakeFace(wire, True).Face())
        swept = BRepPrimAPI_MakePrism(wire, gp_Vec(*sweep))
        added += parts(swept.Shape(), TopAbs_FACE)
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
