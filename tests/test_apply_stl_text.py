"""Text STL against numpy and a plain reader; corrected models say so."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.apply import stl_text
from calib.apply.linear import IDENTITY
from calib.apply.points import MARK
from calib.errors import FileError
from tests.test_apply_models import MATRIX, mapped, package, stl


def text_stl(corners, normals, *, spell="%.6e", end="\n", indent="  ", case=str, gap=" "):
    lines = ["solid lamp"]
    for n, facet in zip(normals, corners, strict=True):
        numbers = [gap.join(spell % v for v in p) for p in (n, *facet)]
        lines += [f"{indent}facet normal{gap}{numbers[0]}", f"{indent * 2}outer loop"]
        lines += [f"{indent * 3}vertex{gap}{p}" for p in numbers[1:]]
        lines += [f"{indent * 2}endloop", f"{indent}endfacet"]
    return (case(end.join([*lines, "endsolid lamp"])) + end).encode()


def numbers(data):
    """Return the numbers of a text STL as (n, 4, 3), read in the plainest way."""
    found = [line.split()[-3:] for line in data.decode().lower().splitlines() if "facet n" in line or "vertex" in line]  # fmt: skip
    return np.array(found, float).reshape(-1, 4, 3)


@pytest.mark.parametrize(
    "layout",
    [
        {},
        {"spell": "%.17g", "end": "\r\n", "indent": "\t"},
        {"spell": "%f", "case": str.upper, "gap": "   "},
        {"spell": "%g", "indent": ""},
    ],
)
def test_every_number_goes_through_the_map_whatever_the_layout(tmp_path, monkeypatch, layout):
    rng = np.random.default_rng(3)
    corners = rng.normal(0, 1, (900, 3, 3)) * 10.0 ** rng.integers(-7, 4, (900, 3, 3))
    normals = np.where(rng.random((900, 3)) < 0.4, 0.0, rng.normal(0, 1, (900, 3)))
    data = text_stl(corners, normals, **layout)
    monkeypatch.setattr(stl_text, "_BLOCK", len(data) // 7)
    moved, target = mapped(tmp_path, data)
    in_blocks = target.read_bytes()
    monkeypatch.undo()
    assert mapped(tmp_path, data)[1].read_bytes() == in_blocks
    old, new = numbers(data), numbers(in_blocks)
    assert new[:, 1:] == pytest.approx(old[:, 1:] @ np.array(MATRIX).T, rel=1e-8, abs=6e-7)
    turned = old[:, 0] @ np.linalg.inv(np.array(MATRIX))
    length = np.linalg.norm(turned, axis=1, keepdims=True)
    turned = np.divide(turned, length, out=np.zeros_like(turned), where=length > 0)
    assert new[:, 0] == pytest.approx(turned, abs=6e-7)
    assert moved.parts == 900
    assert moved.after.high == pytest.approx(new[:, 1:].max(axis=(0, 1)), abs=6e-7)
    assert in_blocks.count(b"\r\n") == data.count(b"\r\n")
    assert in_blocks.count(b"\n") == data.count(b"\n")
    words = [w for w in in_blocks.decode().split() if w.isalpha()]
    assert [w.lower() for w in words if w not in MARK.decode()] == [w for w in data.decode().lower().split() if w.isalpha()]  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.floats(allow_nan=False, allow_infinity=False, width=32), min_size=12, max_size=12)
)
def test_numbers_are_spelled_to_millionths_or_read_back_as_32_bits(values):
    """Nine significant digits give any 32-bit number back (IEEE 754)."""
    facet = np.array(values, float).reshape(1, 4, 3)
    back = numbers(stl_text._spelled(facet, stl_text._WRITTEN))
    if 1 < np.abs(facet).max() < 1e6:
        assert back == pytest.approx(facet, abs=5.1e-7)
    else:
        assert back.astype(np.float32).tolist() == facet.astype(np.float32).tolist()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (b"vertex", b"vertec", "'vertec' stands where 'vertex' belongs"),
        (b"e+00", b"e+00,5", r"e\+00,5' stands where a number belongs"),
        (b"e+00", b"x+00", r"x\+00' stands where a number belongs"),
        (b"  endfacet", b"  endfacet\nvertex 1 2 3", "'vertex' stands where 'facet' belongs"),
        (b"vertex ", b"vertex 7 ", "' stands where '(vertex|endloop)' belongs"),
        (b"vertex ", b"vertex nan", r"'nan.*' stands where a number belongs"),
        (b"vertex ", b"vertex nan #", "'#.*' stands where a number belongs"),
    ],
)
def test_damage_deep_in_a_large_file_is_found_with_its_line(tmp_path, old, new, message):
    corners = np.random.default_rng(4).uniform(1, 9, (4_000, 3, 3))
    data = text_stl(corners, corners[:, 0])
    at = data.index(old, len(data) // 2)
    broken = data[:at] + new + data[at + len(old) :]
    with pytest.raises(FileError, match=message) as caught:
        mapped(tmp_path, broken)
    line = data[:at].count(b"\n") + 1
    said = int(re.search(r"line (\d+)", caught.value.line)[1])
    assert line <= said <= line + 1


def test_a_facet_cut_short_is_refused(tmp_path):
    data = text_stl(np.ones((5, 3, 3)), np.ones((5, 3)))
    for end in range(len(data) // 2, len(data) - 20, 7):
        with pytest.raises(FileError, match=r"cut short|inside a solid|belongs"):
            mapped(tmp_path, data[:end])


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e35])
def test_a_normal_that_is_no_number_becomes_zero(tmp_path, value):
    corners = np.random.default_rng(4).uniform(1, 9, (50, 3, 3))
    data = text_stl(corners, [[value, 0, 1]] * 50)
    assert b"facet normal 0 0 0" in mapped(tmp_path, data)[1].read_bytes()


@pytest.mark.parametrize("joined", [b"outer loop", b"vertex", b"endfacet"])
def test_words_may_share_a_line(tmp_path, joined):
    corners = np.random.default_rng(4).uniform(1, 9, (50, 3, 3))
    data = text_stl(corners, corners[:, 0])
    once = mapped(tmp_path, data)[1].read_bytes()
    assert mapped(tmp_path, re.sub(rb"\n *" + joined, b" " + joined, data))[1].read_bytes() == once


def test_text_without_a_facet_is_not_read_to_its_end(tmp_path, monkeypatch):
    monkeypatch.setattr(stl_text, "_BLOCK", 1000)
    with pytest.raises(FileError, match="no facet ends where one should"):
        mapped(tmp_path, b"solid facet\n" + b"facet normal 1 2 3 " * 1000)


@pytest.mark.parametrize("kind", ["binary", "text", "3mf"])
def test_a_corrected_model_says_so_whatever_it_is_called(tmp_path, kind):
    corners = np.random.default_rng(5).uniform(-50, 50, (9, 3, 3))
    data = {
        "binary": stl(corners), "text": text_stl(corners, corners[:, 0]), "3mf": package(),
    }[kind]  # fmt: skip
    suffix = "3mf" if kind == "3mf" else "stl"
    once = mapped(tmp_path, data, suffix=suffix)[1].read_bytes()
    (tmp_path / f"out.{suffix}").unlink()
    with pytest.raises(FileError, match=r"says that it was corrected before.*--again"):
        mapped(tmp_path, once, suffix=suffix)
    assert [p.name for p in tmp_path.iterdir()] == [f"in.{suffix}"]
    twice = mapped(tmp_path, once, suffix=suffix, again=True)[1].read_bytes()
    assert twice.count(MARK) == once.count(MARK)
    # Where nothing is corrected nothing is said, and a corrected model passes.
    assert mapped(tmp_path, once, IDENTITY, suffix=suffix)[0].parts
    assert MARK not in mapped(tmp_path, data, IDENTITY, suffix=suffix)[1].read_bytes()


def test_a_full_head_of_a_binary_stl_is_left_alone(tmp_path):
    data = b"y" * 80 + stl(np.zeros((1, 3, 3)))[80:]
    assert mapped(tmp_path, data)[1].read_bytes()[:80] == b"y" * 80
