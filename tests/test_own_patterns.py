"""Patterns and solids of the user's own: from a file, an installed package, CadQuery and STEP."""

import re
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib import open_workshop
from calib.errors import BadInput
from calib.interpret.solve import Context, solve_sheet
from calib.readings import Reading, read_sheet, sheet_csv
from patterns import contract, registry
from patterns.contract import contract_table
from patterns.errors import SpecError
from patterns.feature import Kind
from patterns.own import piece_from_step, piece_of
from patterns.spec import PrintSetup
from tests.measurekit import check_piece
from tests.simulate import Caliper, Printer, readings

ROOT = Path(__file__).parent.parent
RING = ROOT / "docs" / "my_ring.py"
SETUP = PrintSetup()


@pytest.fixture(autouse=True)
def _forget_own_patterns(monkeypatch):
    assert registry.all_patterns()
    assert registry.all_checks()
    monkeypatch.setattr(registry, "_PATTERNS", dict(registry._PATTERNS))


def bracket():
    """A block with a step, a groove, a hole through it and a boss: ten things to measure."""
    import cadquery as cq

    body = cq.Workplane("XY").box(60, 40, 12, centered=False)
    body = body.union(cq.Workplane("XY").box(20, 40, 10, centered=False).translate((0, 0, 12)))
    body = body.cut(cq.Workplane("XY").box(10, 40, 6, centered=False).translate((45, 0, 6)))
    body = body.cut(cq.Workplane("XY").circle(4).extrude(40).translate((10, 20, 0)))
    return body.union(cq.Workplane("XY").circle(3).extrude(5).translate((32, 20, 12)))


def test_the_example_is_short_and_measures_as_it_says():
    assert len(RING.read_text(encoding="utf-8").splitlines()) < 60
    (ring,) = registry.load_file(RING)
    assert registry.find("my-ring") is ring
    checked = check_piece(ring.piece({"outer_mm": "60"}, SETUP))
    assert checked.measured == 4


@pytest.mark.kernel
def test_a_users_file_goes_from_make_to_corrections(tmp_path):
    """The sheet is solved by whoever has the sheet alone: nothing of the user's runs again."""
    with open_workshop(tmp_path / "store.db") as workshop:
        made = workshop.make(str(RING), out=tmp_path / "ring", parameters={"outer_mm": 100})
    registry._forget({n for n in registry._PATTERNS if n != "my-ring"})
    assert registry.find("my-ring") is None
    sheet = read_sheet(made.pieces[0].sheet)
    assert sheet.piece.spec.as_text()["outer_mm"] == "100.0"
    assert [f.id for f in sheet.piece.features] == [f.id for f in made.pieces[0].piece.features]
    read = tuple(Reading(feature=f.id, value=0.99 * f.nominal) for f in sheet.piece.features)
    found = {c.setting: c for c in solve_sheet(replace(sheet, readings=read)).corrections}
    assert found["scale_x_percent"].new == pytest.approx(101.0, abs=0.15)


@pytest.mark.kernel
def test_a_step_file_is_measured_from_make_to_solve(tmp_path):
    import cadquery as cq

    part = tmp_path / "Wall Bracket.step"
    cq.exporters.export(bracket(), str(part))
    with open_workshop(tmp_path / "store.db") as workshop:
        made = workshop.make(parts=[part], out=tmp_path / "made").pieces[0]
    piece = made.piece
    assert piece.pattern == "own-wall-bracket"
    nominal = {(str(f.kind), f.axis, f.nominal) for f in piece.features}
    assert nominal >= {
        ("outside", "X", 60.0), ("outside", "Y", 40.0), ("inside", "X", 10.0),
        ("height", "Z", 22.0), ("height", "Z", 12.0), ("diameter", "X", 8.0),
        ("diameter", "X", 6.0),
    }  # fmt: skip
    assert check_piece(piece).measured >= 6
    step = (tmp_path / "made" / "piece.step").read_text(encoding="utf-8", errors="replace")
    assert "PRODUCT('own-wall-bracket" in step
    assert "SI_UNIT(.MILLI.,.METRE.)" in step
    sheet = read_sheet(made.sheet)
    lengths = [f for f in sheet.piece.features if f.kind is not Kind.DIAMETER]
    rng = np.random.default_rng(1)
    truth = Printer(scale=(0.01, -0.01, 0.0), offset_mm=0.1)
    which, value = readings(lengths, truth, Caliper.drawn(rng), rng, repeats=2)
    read = [
        Reading(feature=lengths[i].id, value=float(v)) for i, v in zip(which, value, strict=True)
    ]
    found = {c.setting: c for c in solve_sheet(replace(sheet, readings=tuple(read))).corrections}
    for axis, true in (("x", 0.01), ("y", -0.01)):
        low, high = found[f"scale_{axis}_percent"].error.interval(0.999)
        assert low <= 100 * true <= high


@pytest.mark.kernel
def test_a_pattern_may_return_a_workplane(tmp_path):
    file = tmp_path / "slab.py"
    file.write_text(
        "import cadquery as cq\n"
        "from dataclasses import dataclass\n"
        "from patterns.registry import pattern\n"
        "from patterns.spec import Spec, number\n"
        "@dataclass(frozen=True, kw_only=True)\n"
        "class SlabSpec(Spec):\n"
        "    long_mm: float = number(40.0, 'mm', 10.0, 100.0, 'length')\n"
        "@pattern('slab', SlabSpec, 'How long is a slab?')\n"
        "def lay_out(spec, setup):\n"
        "    return cq.Workplane('XY').box(spec.long_mm, 20, 5)\n",
        encoding="utf-8",
    )
    piece = registry.get(str(file)).piece({"long_mm": "50"}, SETUP)
    assert {(f.axis, f.nominal) for f in piece.features} == {("X", 50.0), ("Y", 20.0), ("Z", 5.0)}
    assert piece.volume_mm3 == pytest.approx(5000)
    assert all(contract.lacking(f, piece) == "" for f in piece.features)


HEAD = (
    "from dataclasses import dataclass\nfrom patterns.registry import pattern\n"
    "from patterns.spec import Spec\nfrom patterns.body import Body, box\n"
    "from patterns.feature import Feature, Kind\nfrom patterns.piece import Piece\n"
    "@dataclass(frozen=True, kw_only=True)\nclass S(Spec):\n    pass\n"
)
BODY = (
    "@pattern('mine', S, 'what?')\ndef lay_out(spec, setup):\n"
    "    f = Feature(id='a', kind=Kind.{kind}, axis='{axis}', nominal={nominal}, where='there',"
    " start=(0, 0, 1), end=(9, 0, 1), group='{group}', rung={rung})\n"
    "    return Piece(pattern='mine', spec=spec, setup=setup, body=Body(add=(box(0, 0, 0, 9, 9, 9),)),"
    " features=(f,))\n"
)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"kind": "OUTSIDE", "axis": "X", "nominal": 9, "group": "", "rung": None}, ""),
        ({"kind": "OUTSIDE", "axis": "Q", "nominal": 9, "group": "", "rung": None}, "needs axis X, Y or Z"),
        ({"kind": "OUTSIDE", "axis": "Y", "nominal": 9, "group": "", "rung": None}, "apart along Y alone"),
        ({"kind": "OUTSIDE", "axis": "X", "nominal": 8, "group": "", "rung": None}, "8 mm apart"),
        ({"kind": "OUTSIDE", "axis": "X", "nominal": 9, "group": "fins", "rung": None}, "is read by no fit"),
        ({"kind": "SCORE", "axis": "", "nominal": 9, "group": "fins", "rung": 3}, "needs a schedule"),
        ({"kind": "SCORE", "axis": "", "nominal": 9, "group": "fins", "rung": None}, "needs a rung"),
        ({"kind": "PASS", "axis": "", "nominal": 1, "group": "fins", "rung": 3}, "four grades"),
        ({"kind": "MASS", "axis": "", "nominal": 1, "group": "", "rung": None}, "volume_mm3"),
    ],
)  # fmt: skip
def test_what_a_fit_would_miss_is_said_when_it_is_registered(tmp_path, given, said):
    file = tmp_path / "mine.py"
    file.write_text(HEAD + BODY.format(**given), encoding="utf-8")
    if not said:
        assert registry.load_file(file)[0].name == "mine"
        return
    with pytest.raises(SpecError, match=re.escape(said)) as caught:
        registry.load_file(file)
    assert caught.value.mend
    assert registry.find("mine") is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x = 1\n", "registers no pattern"),
        ("def (\n", "line 1: SyntaxError"),
        ("import nothing_of_that_name\n", "line 1: ModuleNotFoundError"),
        ("\n\n1 / 0\n", "line 3: ZeroDivisionError"),
    ],
)
def test_a_file_that_fails_gets_one_clear_line(tmp_path, text, said):
    file = tmp_path / "bad.py"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SpecError, match=said):
        registry.get(str(file))
    with pytest.raises(SpecError, match="there is no file"):
        registry.get(str(tmp_path / "nowhere.py"))


def test_an_installed_package_offers_patterns(monkeypatch):
    class Offered:
        value = "lighthouse.rings"

        def load(self):
            registry.load_file(RING)

    monkeypatch.setattr("importlib.metadata.entry_points", lambda group: [Offered()])
    registry._load_installed.cache_clear()
    assert "my-ring" in registry.all_patterns()
    assert registry.all_patterns()["my-ring"].settles == ("scale", "outline")


def test_an_installed_package_that_fails_is_left_out_with_a_warning(monkeypatch):
    class Broken:
        value = "broken.module"

        def load(self):
            raise ImportError("no such thing")

    monkeypatch.setattr("importlib.metadata.entry_points", lambda group: [Broken()])
    registry._load_installed.cache_clear()
    with pytest.warns(UserWarning, match="broken.module are left out"):
        assert "corner-gauge" in registry.all_patterns()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        registry.all_patterns()


@pytest.mark.kernel
def test_what_is_no_single_solid_is_refused(tmp_path):
    import cadquery as cq

    two = (
        cq.Workplane("XY").box(5, 5, 5).union(cq.Workplane("XY").box(5, 5, 5).translate((20, 0, 0)))
    )
    with pytest.raises(SpecError, match="has 2 solids"):
        piece_of(two, "two", SETUP)
    with pytest.raises(SpecError, match="not a solid"):
        piece_of("words", "words", SETUP)
    with pytest.raises(SpecError, match="no parallel faces"):
        piece_of(cq.Workplane("XY").sphere(8), "ball", SETUP)
    file = tmp_path / "part.step"
    file.write_text("no step at all", encoding="utf-8")
    with pytest.raises(SpecError, match="no STEP file"):
        piece_from_step(file, SETUP)
    with pytest.raises(SpecError, match="there is no file"):
        piece_from_step(tmp_path / "nowhere.step", SETUP)


def test_a_told_piece_that_was_changed_is_refused():
    (ring,) = registry.load_file(RING)
    text = sheet_csv(ring.piece({}, SETUP), "r", "2026-01-01T00:00:00")
    for wrong in ('""kind"",', "{", '""id""'):
        broken = text.replace('""features"":[[', f'""features"":[[{wrong}', 1)
        with pytest.raises(BadInput, match="own_piece"):
            read_sheet(broken)


def test_every_pattern_of_the_package_keeps_the_contract():
    for pattern in (registry.all_patterns() | registry.all_checks()).values():
        contract.check(pattern)


def test_a_told_piece_solves_like_the_pattern_itself():
    (ring,) = registry.load_file(RING)
    piece = ring.piece({}, SETUP)
    told = read_sheet(sheet_csv(piece, "r", "2026-01-01T00:00:00")).piece
    assert told.features == piece.features
    assert told.head_lines == piece.head_lines
    assert told.volume_mm3 == pytest.approx(piece.volume_mm3)
    assert Context()


def test_the_contract_in_the_docs_is_the_codes():
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    shown = page.partition("<!-- contract: generated from patterns/contract.py -->\n")[2]
    assert shown.partition("<!-- /contract -->")[0] == contract_table()
