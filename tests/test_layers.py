"""The map of the project holds: data flows one way, and no module needs itself, not even lazily."""

import ast
import importlib
from graphlib import TopologicalSorter
from pathlib import Path

ROOT = Path(__file__).parent.parent

#: From the ground up; a package imports from its own layer and those below.
LAYERS = (
    ("patterns",),
    ("calib.errors", "calib.version", "calib.safety"),
    ("calib.files", "calib.model"),
    ("calib.readings",),
    ("calib.fit",),
    ("calib.interpret",),
    ("calib.profile",),
    ("calib.plan", "calib.store"),
    ("calib.photo", "calib.apply"),
    ("calib.report",),
    ("calib.workshop",),
    ("calib", "demo"),
    ("calib.desk",),
    ("calib.commands",),
    ("calib.cli",),
    ("calib.__main__",),
)
RANK = {name: k for k, layer in enumerate(LAYERS) for name in layer}
#: The demo plays the commands themselves.
ALLOWED = {("calib.commands.demo", "calib.cli")}


def modules():
    """Return name -> file of every module that is shipped, migrations left out."""
    files = (p for top in ("calib", "patterns", "demo") for p in (ROOT / top).rglob("*.py"))
    named = {".".join(p.relative_to(ROOT).with_suffix("").parts): p for p in files}
    return {n.removesuffix(".__init__"): p for n, p in named.items() if ".migrations." not in n}


def imported(name, path, known):
    """Return what a module imports of ours when it runs: at the top and inside functions."""
    found = set()

    def visit(node):
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test):
                continue
            if isinstance(child, ast.ImportFrom) and child.module:
                parts = (f"{child.module}.{alias.name}" for alias in child.names)
                found.update(p if p in known else child.module for p in parts)
            if isinstance(child, ast.Import):
                found.update(alias.name for alias in child.names)
            visit(child)

    visit(ast.parse(path.read_text(encoding="utf-8")))
    return {m for m in found if m in known and m != name}


def package(name):
    top, _, rest = name.partition(".")
    return f"calib.{rest.partition('.')[0]}" if top == "calib" and rest else top


def graph():
    known = modules()
    return {name: imported(name, path, known) for name, path in known.items()}


def test_no_module_needs_itself_not_even_inside_a_function():
    needs = {n: {m for m in of if (n, m) not in ALLOWED} for n, of in graph().items()}
    assert list(TopologicalSorter(needs).static_order())  # CycleError names the circle


def test_every_package_imports_from_below_only():
    wrong = [
        f"{name} imports {other}"
        for name, others in graph().items()
        for other in others
        if RANK[package(other)] > RANK[package(name)] and (name, other) not in ALLOWED
    ]
    assert wrong == []


def test_nobody_but_the_door_knows_of_terminal_or_browser():
    for name, path in modules().items():
        if package(name) in ("calib.commands", "calib.desk", "calib.cli", "calib.__main__"):
            continue
        text = path.read_text(encoding="utf-8")
        for library in ("typer", "rich", "starlette", "uvicorn"):
            assert f"import {library}" not in text, name
            assert f"from {library}" not in text, name


def test_every_public_name_is_there():
    calib = importlib.import_module("calib")
    for name in calib.__all__:
        assert getattr(calib, name) is not None
