"""What a public function may raise, and the shape of the arrays it takes, stand in its docstring."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
#: Whose functions are called from outside: by scripts, commands, pages and patterns of the user's own.
AREAS = [
    "calib/apply",
    "calib/fit",
    "calib/interpret",
    "calib/model",
    "calib/profile",
    "calib/workshop",
    "patterns",
]
#: Such as (n, 3), (k,) or (..., 2).
SHAPE = re.compile(r"\((?:[a-z0-9]+|\.\.\.),[^)]*\)")
ARRAYS = ("Array", "NDArray", "Floats", "Ints")


def public(path: Path) -> Iterator[tuple[ast.FunctionDef, str]]:
    """Yield functions and methods without an underscore, with what their docstring says.

    A class may say once what all its methods raise. A shape's `lay_out` is called by `Pattern.piece` alone.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    classes = [n for n in tree.body if isinstance(n, ast.ClassDef) and n.name[0] != "_"]
    for c in (tree, *classes):
        for_all = (ast.get_docstring(c) or "").partition("Every method may raise")
        for n in c.body:
            if isinstance(n, ast.FunctionDef) and n.name[0] != "_" and n.name != "lay_out":
                yield n, (ast.get_docstring(n) or "") + "".join(for_all[1:])


def raises(function: ast.FunctionDef) -> bool:
    """Whether it raises by itself, not in what it calls, nor again what it caught."""
    return any(isinstance(n, ast.Raise) and n.exc is not None for n in ast.walk(function))


def takes_arrays(function: ast.FunctionDef) -> bool:
    given = [*function.args.args, *function.args.kwonlyargs]
    said = " ".join(ast.unparse(a.annotation) for a in given if a.annotation)
    return any(word in said for word in ARRAYS)


def unsaid(area: str) -> Iterator[str]:
    for path in sorted((ROOT / area).rglob("*.py")):
        for f, doc in public(path):
            where = f"{path.relative_to(ROOT)}: {f.name}"
            told = "Raises\n" in doc or "Every method may raise" in doc or doc.startswith("Refuse")
            if raises(f) and not told:
                yield f"{where} does not say what it raises"
            if takes_arrays(f) and not SHAPE.search(doc):
                yield f"{where} does not say the shapes of its arrays"


@pytest.mark.parametrize("area", AREAS)
def test_a_public_function_says_what_it_raises_and_which_shapes_it_takes(area):
    assert list(unsaid(area)) == []


def test_the_check_sees_what_is_missing(tmp_path):
    code = 'def f(x: Array) -> None:\n    """Do."""\n    raise ValueError(x)\n'
    (tmp_path / "m.py").write_text(code, encoding="utf-8")
    ((found, _),) = public(tmp_path / "m.py")
    assert raises(found)
    assert takes_arrays(found)
