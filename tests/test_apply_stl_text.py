"""Text STL taken in whole blocks gives what it gives line by line; corrected models say so."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.apply import stl_text
from calib.apply.linear import IDENTITY
from calib.apply.points import MARK
from calib.errors import FileError
from tests.test_apply_models import mapped, package, stl


def text_stl(corners, normals, *, spell="%.6e", end="\n", indent="  ", case=str, gap=" "):
    lines = ["solid lamp"]
    for n, facet in zip(normals, corners, strict=True):
        numbers = [gap.join(spell % v for v in p) for p in (n, *facet)]
        lines += [f"{indent}facet normal{gap}{numbers[0]}", f"{indent * 2}outer loop"]
        lines += [f"{indent * 3}vertex{gap}{p}" for p in numbers[1:]]
        lines += [f"{indent * 2}endloop", f"{indent}endfacet"]
    return (case(end.join([*lines, "endsolid lamp"])) + end).encode()


def by_line(monkeypatch):
    monkeypatch.setattr(stl_text._Text, "_at_once", lambda self, block: None)


@pytest.mark.parametrize(
    "layout",
    [
        {},
        {"spell": "%.17g", "end": "\r\n", "indent": "\t"},
        {"spell": "%f", "case": str.upper, "gap": "   "},
        {"spell": "%g", "indent": ""},
    ],
)
def test_whole_blocks_give_what_lines_give_byte_for_byte(tmp_path, monkeypatch, layout):
    rng = np.random.default_rng(3)
    corners = rng.normal(0, 1, (9000, 3, 3)) * 10.0 ** rng.integers(-7, 4, (9000, 3, 3))
    normals = np.where(rng.random((9000, 3)) < 0.4, 0.0, rng.normal(0, 1, (9000, 3)))
    data = text_stl(corners, normals, **layout)
    assert len(data) > 1.2 * stl_text._BLOCK
    calls = []
    real = stl_text._Text._at_once

    def seen(self, block):
        done = real(self, block)
        calls.append(done is not None)
        return done

    monkeypatch.setattr(stl_text._Text, "_at_once", seen)
    moved, target = mapped(tmp_path, data)
    at_once = target.read_bytes()
    assert calls.count(True) >= 2
    by_line(monkeypatch)
    moved_too, target = mapped(tmp_path, data)
    assert target.read_bytes() == at_once
    assert moved_too.after.size_mm == moved.after.size_mm
    assert (moved_too.parts, moved.parts) == (9000, 9000)
    # Nothing but numbers, and the word in the solid's names, is another than it was.
    plain = lambda text: re.sub(rb"[-+.\de]+(?=\s)", b"#", text.lower().replace(b" " + MARK, b""))  # noqa: E731
    assert plain(at_once) == plain(data)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(allow_nan=False, allow_infinity=False, width=32), min_size=1))
def test_numbers_are_spelled_as_c_does_and_read_back_as_32_bits(values):
    """Python's own formatting is the reference; nine digits give any 32-bit number back (IEEE 754)."""
    cells = stl_text.spell_many(np.array(values))
    texts = [c.tobytes().replace(b"\0", b"") for c in cells]
    assert [np.float32(t) for t in texts] == [np.float32(v) for v in values]
    for text, v in zip(texts, values, strict=True):
        assert float(text) == pytest.approx(float(b"%.8e" % v), rel=1.1e-8, abs=0)
        assert not re.search(rb"\.0*e|0e|\.$", text[1:])  # no needless zeros


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (b"vertex", b"vertec", "a facet has not exactly three corners"),
        (b"e+00", b"e+00,5", "are not three numbers"),
        (b"e+00", b"x+00", "are not three numbers"),
        (b"  endfacet", b"  endfacet\nvertex 1 2 3", "not exactly three corners"),
        (b"vertex ", b"vertex 7 ", "has not three numbers"),
    ],
)
def test_damage_deep_in_a_large_file_is_found_with_its_line(tmp_path, old, new, message):
    corners = np.random.default_rng(4).uniform(1, 9, (12_000, 3, 3))
    data = text_stl(corners, corners[:, 0])
    at = data.index(old, len(data) // 2)
    broken = data[:at] + new + data[at + len(old) :]
    with pytest.raises(FileError, match=message) as caught:
        mapped(tmp_path, broken)
    line = data[:at].count(b"\n") + 1
    said = int(re.search(r"line (\d+)", caught.value.line)[1])
    assert line <= said <= line + 8  # the end of a facet is where its corners are counted


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e35])
def test_a_normal_that_is_no_number_becomes_zero_in_either_way(tmp_path, monkeypatch, value):
    corners = np.random.default_rng(4).uniform(1, 9, (50, 3, 3))
    data = text_stl(corners, [[value, 0, 1]] * 50)
    _, target = mapped(tmp_path, data)
    first = target.read_bytes()
    assert b"facet normal 0 0 0" in first
    by_line(monkeypatch)
    assert mapped(tmp_path, data)[1].read_bytes() == first


@pytest.mark.parametrize(
    ("joined", "message"),
    [(b"outer loop", "has not three numbers"), (b"vertex", "has not three numbers|three corners")],
)
def test_words_that_share_a_line_are_refused_in_whole_blocks_too(tmp_path, joined, message):
    corners = np.random.default_rng(4).uniform(1, 9, (50, 3, 3))
    data = re.sub(rb"\n *" + joined, b" " + joined, text_stl(corners, corners[:, 0]))
    with pytest.raises(FileError, match=message):
        mapped(tmp_path, data)


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
