"""The docs say what is true: README's commands run, its pictures are what the tool draws today."""

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from demo import fill_in

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCK = re.compile(r"^```console( no-run)?\n(.*?)^```", re.MULTILINE | re.DOTALL)


def commands():
    for skipped, block in BLOCK.findall(README):
        for line in block.splitlines():
            if line.startswith("$ truebead") and not skipped:
                yield line.removeprefix("$ truebead ")


@pytest.mark.kernel
def test_every_command_of_the_readme_runs_in_order(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TRUEBEAD_STORE", str(tmp_path / "store.db"))
    app = build_app()
    ran = 0
    for command in commands():
        result = CliRunner().invoke(app, shlex.split(command))
        assert result.exit_code in (0, 1), (command, result.output)
        if command.startswith("make corner-gauge"):
            fill_in(tmp_path / "corner-gauge" / "sheet.csv", "corner-gauge")
        ran += 1
    assert ran >= 10


def test_every_pattern_and_every_dependency_is_spoken_of():
    import tomllib

    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = project["dependencies"] + project["optional-dependencies"]["dev"]
    for line in wanted:
        name = re.split(r"[<>=\[ ]", line)[0]
        assert name in developers, f"{name} has no reason in DEVELOPERS.md"


def test_links_and_pictures_are_there():
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target


def test_the_pictures_are_what_the_tool_draws_today():
    import importlib.util

    spec = importlib.util.spec_from_file_location("draw", ROOT / "docs" / "draw.py")
    draw = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(draw)
    for name, svg in draw.pictures().items():
        kept = (ROOT / "docs" / name).read_text(encoding="utf-8")
        assert draw.without_shading(kept) == draw.without_shading(svg), (
            f"run: python docs/draw.py ({name})"
        )


def test_the_page_on_the_api_runs_from_top_to_bottom(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    page = (ROOT / "docs" / "api.md").read_text(encoding="utf-8")
    code = "\n".join(re.findall(r"^```python\n(.*?)^```", page, re.MULTILINE | re.DOTALL))
    names = {}
    exec(compile(code, "docs/api.md", "exec"), names)
    assert names["kept"].corrections
    assert names["happened"].stale
    assert names["taken"].value == 4.1
