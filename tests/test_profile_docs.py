"""The page on profiles says what is true: its table is the code's, its stories run from nothing."""

import csv
import io
import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from calib.cli import build_app
from calib.profile.events import events_table
from calib.readings import read_sheet
from patterns.feature import Kind
from tests.reportkit import reader

PAGE = Path(__file__).parent.parent / "docs" / "profiles.md"
TEXT = PAGE.read_text(encoding="utf-8")
STORY = re.compile(r"^```console story\n(.*?)^```", re.MULTILINE | re.DOTALL)


def test_the_events_table_is_the_codes():
    found = re.search(r"<!-- events: generated[^\n]*-->\n(.*?)<!-- /events -->", TEXT, re.DOTALL)
    assert found[1] == events_table(), "put the output of calib.profile.events.events_table() there"


def fill(path):
    """Write into every reading's cell what a printer that is a little off gives."""
    text = path.read_text(encoding="utf-8")
    known = {f.id: f for f in read_sheet(text).piece.features}
    read, feed = reader(), np.random.default_rng(5)
    lines = []
    for line in text.splitlines():
        if line.startswith("# jaws_closed_mm:"):
            line = "# jaws_closed_mm: 0.00"  # the page says to write it down
        row = next(csv.reader([line]), [""])
        feature = known.get(row[1]) if len(row) > 1 else None
        if feature is not None:
            width = 7
            for i in range(width, len(row)):
                row[i] = word(feature, read, feed)
            out = io.StringIO()
            csv.writer(out, lineterminator="").writerow(row)
            line = out.getvalue()
        lines.append(line)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def word(feature, read, feed):
    if feature.kind is Kind.SCORE:
        return str(round(read(feature)))
    if feature.kind is Kind.PASS:
        return "yes" if read(feature) >= 1 else "no"
    if feature.group == "travel":
        return f"{feature.nominal * 1.0005 + feed.normal(0, 0.01):.2f}"
    if feature.rung is not None and feature.nominal >= 50:  # the extruder's feeds
        return f"{97.5 + feed.normal(0, 0.2):.2f}"
    return f"{read(feature):.2f}"


@pytest.mark.kernel
@pytest.mark.slow
def test_the_stories_run_from_nothing_to_a_profile_in_use(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TRUEBEAD_STORE", str(tmp_path / "store.sqlite"))
    app, said = build_app(), []
    for block in STORY.findall(TEXT):
        for line in block.splitlines():
            words = shlex.split(line.removeprefix("$ truebead "))
            result = CliRunner().invoke(app, words)
            assert result.exit_code in (0, 1), (line, result.output)
            said.append((line, result.output))
            if words[0] == "make":
                folder = words[words.index("--out") + 1] if "--out" in words else words[1]
                fill(tmp_path / folder / "sheet.csv")
    by_start = lambda start: next(v for k, v in said if k.startswith(start))  # noqa: E731
    second = lambda line: [v for k, v in said if k == line][1]  # noqa: E731
    assert "hot end up to 240 degC" in by_start("$ truebead add printer lantern --build")
    assert "lantern / brass-04 / lamp-white" in by_start("$ truebead values --card")
    assert "good" in by_start("$ truebead overview")
    assert "1. bed-patches" in by_start("$ truebead next")
    assert "Still good" in by_start("$ truebead next --goal size")
    assert "steps of X, Y and Z" in second("$ truebead next")
    assert "brass-06 (fitted last)" in second("$ truebead next")
    assert "\nflow " in second("$ truebead profile show")
    assert "temperature-tower" in by_start("$ truebead next --spool rail-black")
    assert "inherited from white-1, white-2" in by_start("$ truebead profile show --printer beacon")
    assert "All is well" in by_start("$ truebead store check")
    assert "Printer beacon" in (tmp_path / "beacon.html").read_text(encoding="utf-8")
    export = json.loads((tmp_path / "makerspace.json").read_text(encoding="utf-8"))
    assert sum(r["record"] == "spool" for r in export) == 14
    assert sum(r["record"] == "printer" for r in export) == 2
