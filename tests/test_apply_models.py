"""Models through the map: STL by a reference reader, 3MF by the consortium's own library, and hostile files."""

import ctypes
import io
import random
import struct
import zipfile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.apply.linear import IDENTITY, Skew, correction_matrix, inverse, transform_matrix
from calib.apply.mesh import TRIANGLE, map_stl
from calib.apply.threemf import map_3mf
from calib.errors import FileError

MATRIX = correction_matrix((1.01, 0.99, 1.02), Skew(1.0, 0.5, -0.3))


def stl(corners, *, attribute=7):
    triangles = np.zeros(len(corners), TRIANGLE)
    triangles["corners"] = np.reshape(corners, (-1, 3, 3))
    triangles["attribute"] = attribute
    return b"head".ljust(80) + struct.pack("<I", len(corners)) + triangles.tobytes()


def mapped(tmp_path, data, matrix=MATRIX, suffix="stl", **more):
    source, target = tmp_path / f"in.{suffix}", tmp_path / f"out.{suffix}"
    source.write_bytes(data)
    moved = (map_stl if suffix == "stl" else map_3mf)(source, target, matrix, **more)
    return moved, target


def test_a_solid_keeps_its_faces_and_scales_by_the_determinant(tmp_path):
    import trimesh

    ball = trimesh.creation.icosphere(3, radius=30)
    for text in (
        trimesh.exchange.stl.export_stl(ball),
        trimesh.exchange.stl.export_stl_ascii(ball).encode(),
    ):
        moved, target = mapped(tmp_path, text)
        out = trimesh.load_mesh(target)
        assert out.is_volume
        assert len(out.faces) == len(ball.faces) == moved.parts
        assert out.volume == pytest.approx(ball.volume * np.linalg.det(MATRIX), rel=1e-6)
        assert moved.before.size_mm == pytest.approx((60, 60, 60))
        assert moved.after.size_mm == pytest.approx(out.extents, rel=1e-6)
        assert target.read_bytes()[:5] == text[:5]  # text stays text


def test_normals_stand_on_their_faces_and_colour_bytes_stay(tmp_path):
    import trimesh

    text = trimesh.exchange.stl.export_stl(trimesh.creation.icosphere(2, radius=20))
    _, target = mapped(tmp_path, text)
    out = np.frombuffer(target.read_bytes()[84:], TRIANGLE)
    edges = out["corners"][:, 1:] - out["corners"][:, :1]
    across = np.cross(edges[:, 0], edges[:, 1])
    across /= np.linalg.norm(across, axis=1)[:, None]
    assert np.abs(across - out["normal"]).max() < 1e-4
    flat = stl([[[0, 0, 0], [1, 0, 0], [0, 1, 0]]], attribute=0x7C1F)
    _, target = mapped(tmp_path, flat)
    out = np.frombuffer(target.read_bytes()[84:], TRIANGLE)
    assert out["attribute"][0] == 0x7C1F
    assert not out["normal"].any()  # zero, which is allowed, stays zero


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), angle=st.floats(-2, 2))
def test_applying_and_undoing_gives_the_points_back(tmp_path_factory, seed, angle):
    tmp_path = tmp_path_factory.mktemp("stl")
    corners = np.random.default_rng(seed).uniform(-8, 8, (20, 3, 3)).astype(np.float32)
    size = (1.01, 0.98, 1.005)
    undo = correction_matrix(tuple(1 / s for s in size), Skew(angle))
    _, target = mapped(tmp_path, stl(corners), undo)
    _, again = mapped(
        tmp_path, target.read_bytes(), transform_matrix(size, Skew(angle)), again=True
    )
    back = np.frombuffer(again.read_bytes()[84:], TRIANGLE)["corners"]
    assert (
        np.abs(back - corners).max() < 3e-6
    )  # two roundings to 32 bits at 8 mm (1e-6 holds for the map itself)


def test_the_identity_keeps_every_byte_of_the_points(tmp_path):
    data = stl(np.random.default_rng(1).uniform(-50, 50, (9, 3, 3)))
    _, target = mapped(tmp_path, data, IDENTITY)
    assert target.read_bytes() == data


GOOD = b"solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\nendloop\nendfacet\nendsolid a\n"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "0 bytes are too few"),
        (b"x" * 500, "no STL"),
        (
            stl([[[0, 0, 0]] * 3] * 4)[:-30],
            "says it has 4 triangles, which takes 284 bytes, but has 254; it is cut short",
        ),
        (stl([]), "no triangles"),
        (stl([[[0, 0, np.nan]] * 3]), "triangle 1 has a corner that is no finite number"),
        (b"solid" + stl([[[0, 0, 0]] * 3] * 4)[5:-1], "cut short"),
        (GOOD[:-12], "ends inside a solid"),
        (GOOD[:60], "cut short"),
        (GOOD.replace(b"1 0 0", b"1 0"), "line 6: 'vertex' stands where a number belongs"),
        (GOOD.replace(b"1 0 0", b"1,5 0 0"), "line 5: '1,5' stands where a number belongs"),
        (GOOD.replace(b"1 0 0", b"inf 0 0"), "line 5: a corner is no finite number"),
        (GOOD.replace(b"vertex 1 0 0\n", b""), "line 6: 'endloop' stands where 'vertex' belongs"),
        (b"solid facet " + b"x" * 9000, "ends inside a solid"),
        (b"solid facet\nendsolid\n", "no triangles"),
    ],
)
def test_a_damaged_stl_is_refused_and_nothing_is_written(tmp_path, data, message):
    with pytest.raises(FileError, match=message):
        mapped(tmp_path, data)
    assert [p.name for p in tmp_path.iterdir()] == ["in.stl"]


@settings(max_examples=60, deadline=None)
@given(data=st.binary(max_size=300), text=st.booleans())
def test_noise_as_stl_never_crashes(tmp_path_factory, data, text):
    tmp_path = tmp_path_factory.mktemp("noise")
    with pytest.raises(FileError):
        mapped(tmp_path, (b"solid facet\n" if text else b"") + data)


# -- 3MF --------------------------------------------------------------------------------------


def assembly(tmp_path):
    """Write a 3MF with the consortium's library: two meshes, a component, colours, metadata, three items."""
    import lib3mf

    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    model.SetUnit(lib3mf.ModelUnit.CentiMeter)
    model.GetMetaDataGroup().AddMetaData("", "Title", "Lighthouse <ring> & lamp", "xs:string", True)
    colours = model.AddColorGroup()
    red = colours.AddColor(wrapper.RGBAToColor(200, 10, 10, 255))
    meshes = []
    for name, size in (("ring", 2.0), ("lamp", 1.0)):
        mesh = model.AddMeshObject()
        mesh.SetName(name)
        corners = [(x, y, z) for z in (0, size) for y in (0, size) for x in (0, size)]
        faces = [(0, 2, 1), (1, 2, 3), (4, 5, 6), (5, 7, 6), (0, 1, 4), (1, 5, 4), (2, 6, 3), (3, 6, 7), (0, 4, 2), (2, 4, 6), (1, 3, 5), (3, 7, 5)]  # fmt: skip
        mesh.SetGeometry(
            [lib3mf.Position((ctypes.c_float * 3)(*p)) for p in corners],
            [lib3mf.Triangle((ctypes.c_uint32 * 3)(*f)) for f in faces],
        )
        mesh.SetObjectLevelProperty(colours.GetResourceID(), red)
        meshes.append(mesh)
    turned = wrapper.GetIdentityTransform()
    turned.Fields[0][0], turned.Fields[0][1], turned.Fields[1][0], turned.Fields[1][1] = 0, 1, -1, 0
    turned.Fields[3][0], turned.Fields[3][1], turned.Fields[3][2] = 3, 4, 0.5
    both = model.AddComponentsObject()
    both.SetName("both")
    both.AddComponent(meshes[0], wrapper.GetIdentityTransform())
    both.AddComponent(meshes[1], turned)
    model.AddBuildItem(meshes[0], wrapper.GetIdentityTransform())
    model.AddBuildItem(both, turned)
    item = model.AddBuildItem(meshes[1], wrapper.GetTranslationTransform(5, 5, 0))
    item.SetPartNumber("L-7")
    path = tmp_path / "in.3mf"
    model.QueryWriter("3mf").WriteToFile(str(path))
    return path.read_bytes()


def reading(path):
    """Read a 3MF with the consortium's library: objects, colours, metadata, and every point on the bed."""
    import lib3mf

    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    said, points = [str(model.GetUnit())], []

    def place(obj, transforms):
        if obj.IsMeshObject():
            mesh = model.GetMeshObjectByID(obj.GetResourceID())
            p = np.array([list(v.Coordinates) for v in mesh.GetVertices()], float)
            for t in transforms:
                fields = np.array([list(row) for row in t.Fields], float)
                p = p @ fields[:3] + fields[3]
            points.append(p)
            return
        parts = model.GetComponentsObjectByID(obj.GetResourceID())
        for i in range(parts.GetComponentCount()):
            c = parts.GetComponent(i)
            place(c.GetObjectResource(), [c.GetTransform(), *transforms])

    items = model.GetBuildItems()
    while items.MoveNext():
        item = items.GetCurrent()
        said.append((item.GetPartNumber(), item.GetObjectResource().GetName()))
        place(item.GetObjectResource(), [item.GetObjectTransform()])
    objects = model.GetObjects()
    while objects.MoveNext():
        o = objects.GetCurrentObject()
        said.append((o.GetName(), o.IsMeshObject()))
        if o.IsMeshObject():
            mesh = model.GetMeshObjectByID(o.GetResourceID())
            said.append(
                (mesh.GetVertexCount(), mesh.GetTriangleCount(), mesh.GetObjectLevelProperty()[0])
            )
    group = model.GetMetaDataGroup()
    said += [
        (group.GetMetaData(i).GetName(), group.GetMetaData(i).GetValue())
        for i in range(group.GetMetaDataCount())
    ]
    return said, points


def test_3mf_keeps_everything_but_where_the_points_lie_on_the_bed(tmp_path):
    moved, target = mapped(tmp_path, assembly(tmp_path), suffix="3mf")
    said_before, before = reading(tmp_path / "in.3mf")
    said_after, after = reading(target)
    assert said_after == said_before
    assert len(before) == len(after) == 4
    for old, new in zip(before, after, strict=True):
        assert (
            np.abs(new - old @ np.array(MATRIX).T).max() < 2e-5
        )  # the library keeps transforms in 32 bits
    every = np.concatenate(after) * 10
    assert moved.after.size_mm == pytest.approx(np.ptp(every, axis=0), abs=1e-3)
    assert moved.before.size_mm == pytest.approx(
        np.ptp(np.concatenate(before) * 10, axis=0), abs=1e-3
    )


def test_3mf_there_and_back(tmp_path):
    _, there = mapped(tmp_path, assembly(tmp_path), suffix="3mf")
    data = there.read_bytes()
    _, back = mapped(tmp_path, data, inverse(MATRIX), suffix="3mf", again=True)
    _, points = reading(back)
    (tmp_path / "first.3mf").write_bytes(assembly(tmp_path))
    _, first = reading(tmp_path / "first.3mf")
    for a, b in zip(first, points, strict=True):
        assert np.abs(a - b).max() < 1e-6


CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
RELS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r"'
    ' Target="/3D/3dmodel.model" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)
MESH = '<mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="9" y="0" z="0"/><vertex x="0" y="9" z="9"/></vertices><triangles/></mesh>'


def model(
    resources=f'<object id="1">{MESH}</object>',
    build='<item objectid="1"/>',
    head="",
    unit="millimeter",
):
    return f'<?xml version="1.0"?>{head}<model unit="{unit}" xmlns="{CORE}"><resources>{resources}</resources><build>{build}</build></model>'


def package(parts=None, text=None, **more):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        for name, data in (
            parts or {"_rels/.rels": RELS, "3D/3dmodel.model": text or model(**more)}
        ).items():
            z.writestr(name, data)
    return out.getvalue()


def test_only_the_items_tags_change(tmp_path):
    text = model(
        build="<item\n objectid='1' a:b='>' transform='1 0 0 0 1 0 0 0 1 5 6 7' xmlns:a='u'/><!-- <item/> -->"
    )
    _, target = mapped(
        tmp_path, package(text="\ufeff" + text), correction_matrix((1.01, 1, 1)), "3mf"
    )
    out = zipfile.ZipFile(target).read("3D/3dmodel.model").decode()
    assert out == "\ufeff" + text.replace(" transform='1 0 0 0 1 0 0 0 1 5 6 7'", ' transform="1.01 0.0 0.0 0.0 1.0 0.0 0.0 0.0 1.0 5.05 6.0 7.0"')  # fmt: skip


@pytest.mark.parametrize(
    ("unit", "mm"), [("micron", 0.001), ("inch", 25.4), ("foot", 304.8), ("meter", 1000)]
)
def test_sizes_are_told_in_mm_whatever_the_unit(tmp_path, unit, mm):
    # units of the 3MF core specification, section 3.4.1
    moved, _ = mapped(tmp_path, package(unit=unit), correction_matrix((1.01, 1, 1)), "3mf")
    assert moved.after.size_mm == pytest.approx((9.09 * mm, 9 * mm, 9 * mm))


BOMB = "".join(f'<object id="{i}"><components>{f"<component objectid={chr(34)}{i + 1}{chr(34)}/>" * 10}</components></object>' for i in range(1, 12))  # fmt: skip


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"PK\x03\x04junk", "no whole 3MF"),
        (package()[:-60], "no whole 3MF"),
        (package({"a": "b"}), "no _rels/.rels"),
        (package({"_rels/.rels": RELS}), "model part 3D/3dmodel.model is missing"),
        (package({"_rels/.rels": "<a/>"}), "not named"),
        (package({"_rels/.rels": RELS, "../evil": "x"}), "part name '../evil' is not allowed"),
        (package({"_rels/.rels": RELS, "/abs": "x"}), "is not allowed"),
        (package({"_rels/.rels": RELS, "C:\\x": "x"}), "is not allowed"),
        (package({"_rels/.rels": RELS, "b": b"\0" * 2**25}), "unpacks to 33554432 bytes"),
        (package(head='<!DOCTYPE m [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>'), "document type, which 3MF forbids"),
        (package(text=model()[:-9]), "XML is damaged"),
        (package(text=model().encode("utf-16").decode("latin-1")), "damaged|UTF-16"),
        (package(unit="cubit"), "unit 'cubit' is not one of"),
        (package(build=""), "no build items"),
        (package(build='<item objectid="7"/>'), "names object '7', which is missing"),
        (package(build='<item objectid="1" transform="1 2 3"/>'), "'1 2 3' is not 12 numbers"),
        (package(build='<item objectid="1" transform="1 0 0 0 1 0 0 0 0 0 0 0"/>'), "makes the model flat"),
        (package(build='<item objectid="1" transform="a 0 0 0 1 0 0 0 1 0 0 0"/>'), "is not 12 numbers"),
        (package(resources='<object id="1"><components><component objectid="1"/></components></object>'), "contains itself"),
        (package(resources=BOMB + f'<object id="12">{MESH}</object>'), "nested beyond measure"),
        (package(resources=f'<object id="1">{MESH.replace("9", "nan")}</object>'), "no finite number"),
        (package(resources=f'<object id="1">{MESH.replace("9", "9,5")}</object>'), "not three numbers"),
    ],
)  # fmt: skip
def test_a_damaged_or_hostile_3mf_is_refused(tmp_path, data, message):
    with pytest.raises(FileError, match=message):
        mapped(tmp_path, data, suffix="3mf")
    assert [p.name for p in tmp_path.iterdir()] == ["in.3mf"]


def test_bytes_behind_the_last_triangle_are_left_out_and_told(tmp_path):
    data = stl(np.random.default_rng(1).uniform(-50, 50, (9, 3, 3)))
    moved, target = mapped(tmp_path, data + b"made by nobody", IDENTITY)
    assert target.read_bytes() == data
    assert moved.notes == ["bytes behind the last triangle were left out"]


def test_a_calibration_piece_is_known_by_what_is_in_the_file(tmp_path):
    from patterns.export import stl_bytes, threemf_bytes
    from patterns.mesh import Mesh

    mesh = Mesh(np.eye(3) * 5, np.array([[0, 1, 2]]))
    for suffix, data in (
        ("stl", stl_bytes(mesh, "cube")),
        ("3mf", threemf_bytes([("cube", mesh, (0.0, 0.0, 0.0))])),
    ):
        with pytest.raises(FileError, match=r"this is a calibration piece.*--again"):
            mapped(tmp_path, data, suffix=suffix)
        assert mapped(tmp_path, data, suffix=suffix, again=True)[0].parts
        assert mapped(tmp_path, data, IDENTITY, suffix=suffix)[0].parts


def test_a_damaged_package_never_crashes(tmp_path):
    good, r = package(), random.Random(5)
    for _ in range(300):
        data = bytearray(good)
        for _ in range(r.randint(1, 4)):
            data[r.randrange(len(data))] = r.randrange(256)
        try:
            mapped(tmp_path, bytes(data), suffix="3mf")
        except FileError as err:
            assert "\n" not in err.line  # noqa: PT017
