"""Every pattern: sound solids, features re-measured from the mesh, printable layers, true ladders."""

import hashlib
import math
import os
import re
import subprocess
import sys
from pathlib import Path

import lib3mf
import numpy as np
import pytest

from patterns import registry, solid
from patterns.body import Circle
from patterns.errors import SpecError
from patterns.export import stl_bytes, threemf_bytes
from patterns.feature import Kind
from patterns.preview import preview_mesh
from patterns.spec import PrintSetup
from tests.measurekit import check_piece, crossings, measure_mm, valid_pieces
from tests.printability import faults

SETUP = PrintSetup()
PRINTED = [n for n, p in registry.all_patterns().items() if p.piece({}, SETUP).printed]
ROOT = Path(__file__).parent.parent


def piece(name, setup=SETUP, **given):
    return registry.get(name).piece({k: str(v) for k, v in given.items()}, setup)


@pytest.fixture(scope="module")
def checked():
    """Default pieces, each checked whole and once."""
    found = {}

    def get(name):
        if name not in found:
            found[name] = check_piece(piece(name))
        return found[name]

    return get


def test_the_family_is_complete():
    assert set(PRINTED) >= {
        "corner-gauge", "dimensional-cube", "step-gauge", "squareness-frame", "strip", "wall-box",
        "weigh-block", "temperature-tower", "string-posts", "overhang-ladder", "bridge-ladder",
        "fit-gauge", "hole-plate", "bed-patches",
    }  # fmt: skip


@pytest.mark.kernel
@pytest.mark.parametrize("name", PRINTED)
def test_default_piece_is_sound_and_measures_as_it_says(name, checked):
    assert checked(name).measured == sum(f.instrument == "caliper" for f in piece(name).features)


@pytest.mark.kernel
@pytest.mark.parametrize("name", PRINTED)
def test_random_piece_is_sound_and_measures_as_it_says(name):
    for drawn in valid_pieces(registry.get(name), 1, seed=11)[0]:
        check_piece(drawn)


@pytest.mark.parametrize("name", PRINTED)
def test_mesh_booleans_give_the_same_volume(name):
    """A second library builds the same loops; only polygons for circles cost up to 0.1 %."""
    for drawn in valid_pieces(registry.get(name), 4, seed=5)[0]:
        mesh = preview_mesh(drawn.body)
        assert mesh.is_watertight
        loops = [h for p in drawn.body.add for h in (p.outline, *p.holes)]
        near = 1e-3 if any(isinstance(h, Circle) for h in loops) else 1e-9
        if drawn.volume_mm3 is not None:
            assert mesh.volume_mm3 == pytest.approx(drawn.volume_mm3, rel=near)


@pytest.mark.parametrize("name", PRINTED)
def test_layers_can_be_printed(name):
    fine = PrintSetup(nozzle_mm=0.25, line_mm=0.24, layer_mm=0.125)
    drawn = [piece(name), piece(name, fine), *valid_pieces(registry.get(name), 1, seed=3)[0]]
    for p in drawn:
        assert faults(p, preview_mesh(p.body)) == []


def test_faults_are_found_where_there_are_some():
    """The check itself: a block in the air, a thin rib and a shelf held on one side."""
    from dataclasses import replace

    from patterns.body import Body, box

    base = piece("weigh-block")
    floor = box(0, 0, 0, 20, 20, 2)
    for extra, why in (
        (box(5, 5, 4, 10, 10, 6), "island in the air"),
        (box(5, 5, 2, 5.2, 15, 6), "thinner than one line"),
        (box(15, 5, 1, 30, 15, 2), "hangs from one side"),
    ):
        solids = 2 if "island" in why else 1
        wrong = replace(base, body=Body(add=(floor, extra), solids=solids))
        assert why in {f.why for f in faults(wrong, preview_mesh(wrong.body))}


@pytest.mark.parametrize("nozzle_mm", [0.25, 0.4, 0.6, 0.8])
@pytest.mark.parametrize("name", PRINTED)
def test_defaults_follow_the_nozzle(name, nozzle_mm):
    p = piece(name, PrintSetup(nozzle_mm=nozzle_mm, layer_mm=nozzle_mm / 2))
    assert p.features
    for row in p.schedule:
        layers = row.z_to_mm / p.setup.layer_mm
        assert layers == pytest.approx(round(layers), abs=1e-6)


@pytest.mark.parametrize("name", PRINTED)
def test_features_say_where_and_lie_on_the_piece(name):
    p = piece(name)
    low, high = preview_mesh(p.body).bounds
    for f in p.features:
        assert f.where
        assert f.view in {"top", "front", "right", "iso"}
        assert f.jaws in {"outside", "inside", "depth", ""}
        for at in (f.start, f.end):
            assert np.all(np.array(at) > low - 1e-3)
            assert np.all(np.array(at) < high + 1e-3)
        if f.instrument == "caliper":
            assert math.dist(f.start, f.end) == pytest.approx(f.nominal, abs=1e-5)


@pytest.mark.kernel
@pytest.mark.parametrize("name", PRINTED)
def test_files_are_read_back_by_other_libraries(name, checked, tmp_path):
    mesh = checked(name).mesh
    path = tmp_path / "piece.3mf"
    path.write_bytes(threemf_bytes([(name, mesh, (0.0, 0.0, 0.0))]))
    model = lib3mf.Wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    objects = model.GetMeshObjects()
    assert objects.MoveNext()
    found = objects.GetCurrentMeshObject()
    assert found.IsManifoldAndOriented()
    assert found.GetTriangleCount() == len(mesh.triangles)
    solid.write_step(checked(name).shape, tmp_path / "piece.step")
    again = solid.read_step(tmp_path / "piece.step")
    assert solid.volume_mm3(again) == pytest.approx(checked(name).kernel_mm3, rel=1e-9)


@pytest.mark.kernel
def test_stl_is_the_same_to_the_byte_without_any_fonts(checked, tmp_path):
    name = "temperature-tower"
    here = stl_bytes(checked(name).mesh, name)
    code = (
        "import hashlib; from patterns import registry, solid; from patterns.export import *;"
        "from patterns.spec import PrintSetup;"
        f"p = registry.get({name!r}).piece({{}}, PrintSetup());"
        f"print(hashlib.sha256(stl_bytes(solid.mesh(solid.build(p.body)), {name!r})).hexdigest())"
    )
    bare = {"HOME": str(tmp_path), "FONTCONFIG_FILE": os.devnull, "FONTCONFIG_PATH": str(tmp_path)}
    there = subprocess.run(
        [sys.executable, "-c", code], env=bare, cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert there.stdout.strip() == hashlib.sha256(here).hexdigest()


# What a rung stands for, measured on the mesh.


@pytest.mark.kernel
def test_sockets_are_wider_than_the_peg_by_their_clearance(checked):
    p, mesh = piece("fit-gauge"), checked("fit-gauge").mesh
    graded = [f for f in p.features if f.kind is Kind.PASS]
    assert {f.group for f in graded} == {"round", "square"}
    for f in graded:
        middle = (np.array(f.start) + f.end) / 2 - [0, 0, 2.0]
        for d in np.eye(3)[:2]:
            hits = [t for t, _ in crossings(mesh, middle + 1e-4 * d[::-1], d)]
            wide = min(t for t in hits if t > 0) - max(t for t in hits if t < 0)
            assert wide == pytest.approx(8.0 + f.rung, abs=0.005)


@pytest.mark.kernel
def test_sails_lean_by_their_angle(checked):
    mesh = checked("overhang-ladder").mesh
    a, b, c = np.moveaxis(mesh.corners, 1, 0)
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    for f in piece("overhang-ladder").features:
        if f.group != "pass":
            continue
        middle = (np.array(f.start) + f.end) / 2
        off = np.abs(np.einsum("ij,ij->i", middle - a, normal))
        low = mesh.corners.min(axis=1) - 1e-6 <= middle
        high = middle <= mesh.corners.max(axis=1) + 1e-6
        n = normal[(off < 1e-6) & low.all(axis=1) & high.all(axis=1)][0]
        # The face of a wall that leans a from the vertical looks down by a: n_z = -sin a.
        assert math.degrees(math.asin(-n[2])) == pytest.approx(f.rung, abs=1e-3)


@pytest.mark.kernel
def test_windows_are_as_wide_as_their_span(checked):
    mesh = checked("bridge-ladder").mesh
    for f in piece("bridge-ladder").features:
        if f.group != "pass":
            continue
        middle = (np.array(f.start) + f.end) / 2 - [0, 0, 1.0]
        hits = [t for t, _ in crossings(mesh, middle, np.array([1.0, 0, 0]))]
        assert min(t for t in hits if t > 0) == pytest.approx(f.rung / 2, abs=1e-6)
        assert max(t for t in hits if t < 0) == pytest.approx(-f.rung / 2, abs=1e-6)


@pytest.mark.kernel
def test_mass_is_volume_times_density(checked):
    """PLA 1.24 g/cm3: ISO 1183 data sheets of several grades, from memory."""
    mass = piece("weigh-block").feature("mass")
    assert mass.nominal == pytest.approx(checked("weigh-block").mesh.volume_mm3 * 1.24e-3, abs=1e-3)


def test_tower_prints_each_band_at_its_temperature():
    p = piece("temperature-tower", from_c=215, to_c=195, step_c=10)
    assert [r.value for r in p.schedule] == [215, 205, 195]
    assert p.schedule[0].z_from_mm == 0
    ends = [(a.z_to_mm, b.z_from_mm) for a, b in zip(p.schedule, p.schedule[1:], strict=False)]
    assert all(a == b for a, b in ends)
    top = preview_mesh(p.body).bounds[1][2]
    assert p.schedule[-1].z_to_mm == pytest.approx(top)
    for f in p.features:
        row = next(r for r in p.schedule if r.value == f.rung)
        assert row.z_from_mm < (f.start[2] + f.end[2]) / 2 < row.z_to_mm


def test_tower_takes_its_range_from_the_filament_within_the_rating():
    assert piece("temperature-tower").schedule[0].value == 230
    cool = PrintSetup(hot_end_max_c=245.0)
    temps = [r.value for r in piece("temperature-tower", cool, filament="petg").schedule]
    assert (max(temps), min(temps)) == (245, 220)


def test_posts_climb_in_length_or_speed():
    rows = piece("string-posts").schedule
    assert {r.setting for r in rows} == {"retraction_mm"}
    assert [r.value for r in rows] == pytest.approx(np.arange(0, 4.1, 0.5))
    fast = piece("string-posts", setting="retraction_speed_mm_s").schedule
    assert (fast[0].value, fast[-1].value) == (20, 60)


def test_patches_carry_their_place_on_the_bed():
    p = piece("bed-patches", PrintSetup(build_x_mm=300.0, build_y_mm=200.0))
    at = np.array([f.start[:2] for f in p.features])
    assert at.shape == (9, 2)
    # Outer pads: 10 mm margin and half of 20 mm; read 5 mm in front of their middle.
    assert at.min(axis=0).tolist() == [20.0, 15.0]
    assert at.max(axis=0).tolist() == [280.0, 175.0]
    assert p.advice.in_place
    low, high = preview_mesh(p.body).bounds
    assert (low[:2].tolist(), high[:2].tolist()) == ([10.0, 10.0], [290.0, 190.0])


def test_wall_box_is_as_thick_as_its_lines_on_four_sides():
    p = piece("wall-box", lines=2)
    mesh = preview_mesh(p.body)
    walls = [f for f in p.features if f.kind is Kind.WALL]
    assert len(walls) == 8
    assert {f.id.split("_")[1] for f in walls} == {"front", "right", "back", "left"}
    assert [measure_mm(mesh, f) for f in walls] == pytest.approx([0.9] * 8, abs=1e-6)


@pytest.mark.kernel
def test_a_slim_standing_frame_keeps_its_bars_inside_its_pillars():
    """Corners of the bars once stuck out of slim pillars, just where the diagonal is measured."""
    check_piece(piece("squareness-frame", plane="XZ", pillar_mm=11.04))


@pytest.mark.parametrize("name", PRINTED)
def test_every_default_piece_fits_a_bed_of_120_mm(name):
    small = PrintSetup(build_x_mm=120.0, build_y_mm=120.0, build_z_mm=120.0)
    assert piece(name, small).features


def test_ladders_shorten_by_themselves_and_keep_what_matters():
    def values(name, bed_mm):
        setup = PrintSetup(build_x_mm=bed_mm, build_y_mm=bed_mm)
        return [f.rung for f in piece(name, setup).features if f.group == "pass"]

    assert values("overhang-ladder", 220.0) == list(range(30, 80, 5))
    assert values("overhang-ladder", 120.0) == list(range(35, 80, 5))
    assert values("overhang-ladder", 60.0) == [40, 50, 60, 70]
    assert values("bridge-ladder", 220.0) == [10, 20, 30, 40, 50]
    assert values("bridge-ladder", 120.0) == [20, 30, 40]


FOLLOWED = {
    "bed-patches": {"along_x": 2, "along_y": 2, "pad_mm": 10, "margin_mm": 5},
    "bridge-ladder": {"from_mm": 5, "to_mm": 11, "step_mm": 3},
    "fit-gauge": {"to_mm": 0.2, "peg_mm": 6},
    "hole-plate": {"to_mm": 6, "step_mm": 1},
    "lag-line": {"fast_mm": 20, "slow_mm": 10},
    "ripple-wall": {"leg_mm": 40},
    "squareness-frame": {"side_mm": 30, "pillar_mm": 9, "bar_mm": 5},
    "string-posts": {"long_mm": 10, "short_mm": 4, "step_value": 1},
    "temperature-tower": {"step_c": 10, "to_c": 200},
}


@pytest.mark.parametrize("name", PRINTED)
def test_on_a_bed_of_50_mm_the_mend_can_be_followed(name):
    """It names parameters with values that then fit, or a larger bed and another pattern."""
    tiny = PrintSetup(build_x_mm=50.0, build_y_mm=50.0, build_z_mm=50.0)
    mend = _mend_of(name, tiny)
    if needs := re.search(r"needs a bed of ([\d.]+) mm(?:, with (\w+) (\d+))?", mend):
        bed, key, value = needs.groups()
        wider = PrintSetup(build_x_mm=float(bed), build_y_mm=float(bed))
        assert piece(name, wider, **({key: value} if key else {})).features
        assert piece("dimensional-cube", tiny).features
    elif mend:
        assert any(word in mend for word in registry.get(name).spec_type.params())
        assert piece(name, tiny, **FOLLOWED[name]).features


def _mend_of(name, setup):
    try:
        piece(name, setup)
    except SpecError as refused:
        return refused.mend
    return ""


def test_a_name_without_its_unit_is_understood():
    with pytest.raises(SpecError, match=r"did you mean size_mm\?"):
        piece("dimensional-cube", size=30)


REFUSED = [
    ("squareness-frame", {"plane": "XZ", "pillar_mm": 11.04, "bar_mm": 8}, "no room for jaws"),
    ("temperature-tower", {"from_c": 260}, "above the hot end's rating of 250"),
    ("temperature-tower", {"from_c": 120}, "must be 150 to 500 degC"),
    ("temperature-tower", {"filament": "XYZ"}, "no filament type 'XYZ'"),
    ("temperature-tower", {"from_c": 200, "to_c": 202}, "gives 1 of at least 2"),
    ("temperature-tower", {"from_c": 250, "to_c": 150, "step_c": 1}, "at most 60"),
    ("temperature-tower", {"from_c": 250, "to_c": 150, "step_c": 2}, "35 bands fit: make step_c larger, or print the range as two towers"),
    ("temperature-tower", {"band_mm": 3}, "no room for '230' on a band"),
    ("overhang-ladder", {"reach_mm": 20, "from_deg": 30}, "sails fit: make step_deg larger"),
    ("overhang-ladder", {"from_deg": 60, "to_deg": 62}, "gives 1 of at least 3"),
    ("bridge-ladder", {"to_mm": 90}, "split the range over two pieces"),
    ("wall-box", {"corner_mm": 30}, "too short for the jaws"),
    ("wall-box", {"along_x_mm": 28}, "does not show which side is X"),
    ("wall-box", {"lines": 1.5}, "must be a whole number"),
    ("weigh-block", {"along_x_mm": 18}, "does not show which side is X"),
    ("weigh-block", {"filament": ""}, "must be a short word"),
    ("fit-gauge", {"step_mm": 0.5}, "gives 2 of at least 3"),
    ("fit-gauge", {"peg_mm": 40}, "the printer builds 220.0 mm"),
    ("hole-plate", {"from_mm": 2, "step_mm": 0.5, "to_mm": 20}, "the printer builds 220.0 mm"),
    ("string-posts", {"to_value": 30}, "retraction_mm of 30 mm is more than 12"),
    ("string-posts", {"setting": "retraction_speed_mm_s", "to_value": 60}, "never ends"),
    ("bed-patches", {"pad_mm": 60, "along_x": 4}, "make along_x, pad_mm or margin_mm smaller"),
    ("strip", {"long_mm": 20}, "leaves no gap for the inside jaws"),
    ("strip", {"long_mm": 240, "caliper_mm": 300}, "the printer builds 220.0 mm"),
    ("strip", {"long_mm": 200}, "longer than a caliper of 150 mm reads"),
    ("corner-gauge", {"reach_mm": 120}, "too far apart at their tips"),
    ("corner-gauge", {"reach_mm": 60}, "too short for what stands on them"),
    ("corner-gauge", {"tower_mm": 10}, "lower than the walls beside it"),
    ("dimensional-cube", {"size_mm": 20}, "must be 25 mm or more"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "given", "said"), REFUSED)
def test_what_can_not_be_made_is_refused_with_a_way_out(name, given, said):
    with pytest.raises(SpecError, match=said.replace("(", r"\(")) as caught:
        piece(name, **given)
    assert caught.value.mend
