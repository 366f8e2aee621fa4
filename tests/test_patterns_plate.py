"""Estimates against hand-worked ones, plates without overlap, and the table of filament types."""

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from patterns import registry
from patterns.body import Body, box
from patterns.errors import BadInput, SpecError
from patterns.filaments import filament, filaments, read_table
from patterns.piece import Advice, Piece, bounds_mm
from patterns.plate import EDGE_MM, arrange
from patterns.preview import preview_mesh
from patterns.print_cost import area_mm2, print_cost, printed_volume_mm3
from patterns.spec import PrintSetup, Spec

SETUP = PrintSetup()


def block(x, y, z=10.0, *, setup=SETUP, low=(0.0, 0.0), **advice):
    body = Body(add=(box(low[0], low[1], 0, low[0] + x, low[1] + y, z),))
    return Piece(
        pattern="block", spec=Spec(), setup=setup, body=body, features=(), advice=Advice(**advice)
    )


def test_solid_cube_weighs_its_volume():
    """20 mm cube of PLA: 8 cm3 x 1.24 = 9.92 g; 8000 / (pi 1.75^2 / 4) = 3326 mm; 20 a kg."""
    p = block(20, 20, 20, infill_percent=100)
    found = print_cost(p, preview_mesh(p.body), filament("pla"), spool_price=20.0, spool_g=1000.0)
    assert found.grams == pytest.approx(9.92)
    assert found.metres == pytest.approx(3.32601, abs=1e-5)
    assert found.cost == pytest.approx(0.1984)
    # 8000 mm3 at 0.45 x 0.2 x 60 = 5.4 mm3/s, 1.4 for detours, 100 layers 1.5 s apart, 4 min start.
    assert found.minutes == pytest.approx(4 + (1.4 * 8000 / 5.4 + 150) / 60)


def test_core_of_a_cube_is_the_cube_inside_its_walls():
    p = block(20, 20, 20, walls=2, infill_percent=0)
    mesh = preview_mesh(p.body)
    assert area_mm2(mesh) == pytest.approx(2400)
    assert printed_volume_mm3(p, mesh) == pytest.approx(8000 - (20 - 2 * 0.9) ** 3)


@given(st.integers(0, 99), st.integers(1, 8))
def test_more_infill_and_more_walls_never_take_less(infill, walls):
    def volume(**advice):
        p = block(30, 20, 10, **advice)
        return printed_volume_mm3(p, preview_mesh(p.body))

    here = volume(infill_percent=infill, walls=walls)
    assert here <= volume(infill_percent=infill + 1, walls=walls) + 1e-9
    assert here <= volume(infill_percent=infill, walls=walls + 1) + 1e-9
    assert here <= 6000 + 1e-9


@pytest.mark.parametrize("name", sorted(registry.all_patterns()))
def test_default_pieces_are_quick_and_light(name):
    p = registry.get(name).piece({}, SETUP)
    mesh = preview_mesh(p.body) if p.printed else None
    found = print_cost(p, mesh, filament("PLA"), spool_price=20.0)
    assert 0 <= found.grams < 40
    assert 0 <= found.minutes < 150
    assert p.printed == (found.minutes > 4)


sizes = st.tuples(st.floats(2, 70), st.floats(2, 70), st.floats(-50, 50), st.floats(0, 8))


@given(st.lists(sizes, min_size=1, max_size=9), st.floats(0, 15))
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None, max_examples=25)
def test_arranged_pieces_never_overlap_and_stay_on_the_bed(drawn, gap):
    pieces = [block(x, y, low=(at, -at), brim_mm=brim) for x, y, at, brim in drawn]
    edge = EDGE_MM if len(pieces) > 1 else 0.0
    boxes = []
    for p, place in zip(pieces, arrange(pieces, gap), strict=True):
        dx, dy, dz = place.shift
        assert dz == 0
        low, high = bounds_mm(p.body.moved(dx, dy))
        brim = p.advice.brim_mm if len(pieces) > 1 else 0.0
        box = (low[0] - brim, low[1] - brim, high[0] + brim, high[1] + brim)
        assert min(box[:2]) > edge - 0.02
        assert max(box[2:]) < 220 - edge + 0.02
        boxes.append((place.plate, box))
    for i, (one, a) in enumerate(boxes):
        for other, b in boxes[i + 1 :]:
            if one == other:
                apart = max(b[0] - a[2], a[0] - b[2], b[1] - a[3], a[1] - b[3])
                assert apart > gap - 0.02


def test_pieces_nest_in_each_other_s_openings():
    """A block lies in the opening of the set square; their outlines stay apart, their boxes do not."""
    from manifold3d import Manifold, Mesh64

    square = registry.get("corner-gauge").piece({}, SETUP)
    pieces = [
        square,
        *(block(22, 22) for _ in range(2)),
        registry.get("step-gauge").piece({}, SETUP),
    ]
    places = arrange(pieces)
    assert {p.plate for p in places} == {0}
    flats = []
    for p, place in zip(pieces, places, strict=True):
        mesh = preview_mesh(p.body.moved(*place.shift[:2]))
        flats.append(Manifold(Mesh64(mesh.vertices, mesh.triangles.astype("uint64"))).project())
    for i, a in enumerate(flats):
        for b in flats[i + 1 :]:
            assert (a.offset(3.9) ^ b.offset(3.9)).area() < 1e-6
    boxes = [f.bounds() for f in flats]
    meet = [
        (a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3])
        for i, a in enumerate(boxes)
        for b in boxes[i + 1 :]
    ]
    assert any(meet)


def test_a_full_plate_is_followed_by_another():
    places = arrange([block(100, 100) for _ in range(5)])
    assert sorted(p.plate for p in places) == [0, 0, 0, 0, 1]


def test_plate_of_real_pieces_fits_the_default_bed():
    names = ("corner-gauge", "weigh-block", "wall-box", "strip", "hole-plate")
    pieces = [registry.get(n).piece({}, SETUP) for n in names]
    places = arrange(pieces)
    assert {p.plate for p in places} == {0}
    assert len({p.shift for p in places}) == len(names)


def test_what_does_not_go_on_one_plate_is_refused():
    gauge, patches, wall, tower = (
        registry.get(n).piece({}, SETUP)
        for n in ("step-gauge", "bed-patches", "wall-box", "temperature-tower")
    )
    with pytest.raises(SpecError, match="does not fit on a plate"):
        arrange([wall, block(218, 20)])
    with pytest.raises(SpecError, match="cannot be moved"):
        arrange([wall, patches])
    with pytest.raises(SpecError, match="beds of different sizes"):
        arrange([wall, replace(wall, setup=PrintSetup(build_x_mm=300.0))])
    with pytest.raises(SpecError, match="temperature-tower changes settings with height"):
        arrange([gauge, tower])
    with pytest.raises(SpecError, match="nothing to print"):
        arrange([])
    assert [p.shift for p in arrange([patches])] == [(0.0, 0.0, 0.0)]


def test_densities_are_the_published_ones():
    """g/cm3 by ISO 1183 as materials tables give them for unfilled grades; from memory."""
    published = {
        "PLA": (1.21, 1.27), "PETG": (1.23, 1.29), "ABS": (1.02, 1.08), "ASA": (1.05, 1.09),
        "PA6": (1.12, 1.16), "PA12": (1.00, 1.03), "PC": (1.18, 1.22), "TPU": (1.10, 1.25),
    }  # fmt: skip
    for name, (low, high) in published.items():
        assert low <= filament(name).density_g_cm3 <= high
        assert filament(name).source


HEAD = (
    "type,density_g_cm3,shrink_low_percent,shrink_high_percent,expansion_per_k,"
    "hot_end_from_c,hot_end_to_c,bed_c,source\n"
)


def test_a_users_table_adds_and_replaces_types(tmp_path, monkeypatch):
    own = tmp_path / "mine.csv"
    own.write_text(
        HEAD + "PLA,1.30,0,0.5,70e-6,200,220,55,mine\nwood,1.1,0,1,5e-5,180,210,50,mine\n"
    )
    monkeypatch.setenv("TRUEBEAD_FILAMENTS", str(own))
    assert filament("pla").density_g_cm3 == 1.30
    assert filament("Wood").hot_end_to_c == 210
    assert filament("ABS").density_g_cm3 == 1.05
    assert set(filaments()) > {"PLA", "WOOD", "ABS"}


BROKEN = [
    ("type,density_g_cm3\nPLA,1.2\n", "has no column 'shrink_low_percent'"),
    (HEAD + "PLA,1,24,0,0.5,70e-6,200,220,55,x\n", "line 2, shrink_low_percent: 24 is not -1 to 10"),
    (HEAD + "PLA,heavy,0,0.5,70e-6,200,220,55,x\n", "line 2, density_g_cm3: 'heavy' is not a number"),
    (HEAD + "PLA,nan,0,0.5,70e-6,200,220,55,x\n", "line 2, density_g_cm3: nan is not 0.2 to 10"),
    (HEAD + "PLA,1.2,0,0.5,70e-6,200,700,55,x\n", "line 2, hot_end_to_c: 700 is not 150 to 500"),
    (HEAD + "PLA,1.2,0,0.5,70e-6,230,200,55,x\n", "line 2: hot_end_from_c 230 is more than 200"),
    (HEAD + ",1.2,0,0.5,70e-6,200,220,55,x\n", "line 2: the type is empty"),
    (HEAD + "PLA,1.2\n", "line 2, shrink_low_percent: None is not a number"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "said"), BROKEN)
def test_a_broken_table_is_refused_by_line_and_column(text, said):
    with pytest.raises(BadInput, match=said) as caught:
        read_table(text, "mine.csv")
    assert caught.value.line.startswith("mine.csv")
