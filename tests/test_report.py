"""Reports: complete, self-contained, true to the data, and readable by everyone."""

import html
import json
import math
import os
import re
import shutil
import subprocess
from functools import cache
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from typer.testing import CliRunner

from calib.cli import build_app
from calib.model.correction import Scope
from calib.model.setting import label
from calib.report.plot import Plot, padded, ticks
from calib.report.report_page import calibration_page, printer_page
from calib.store import open_store
from calib.store.base import plain_json
from tests.reportkit import solved
from tests.storekit import correction, filled_sheet, fresh_url, keep, workshop

#: One for each sort of plot, and a check without plastic.
NAMES = (
    "bed-patches", "bridge-ladder", "dimensional-cube", "extruder-feed", "fit-gauge",
    "carriage-travel", "hole-plate", "temperature-tower", "wall-box",
)  # fmt: skip


@cache
def page_of(name):
    sheet, solution = solved(name)
    fit = plain_json(solution.to_json())
    return calibration_page(sheet, "# the sheet's text <&>\n", fit), fit


def drifting(store):
    for i, value in enumerate((0.05, 0.051, 0.049, 0.05, 0.052, 0.05, 0.25)):
        skew = correction("skew_xy_deg", value, 0.05, u=0.005, unit="deg", scope=Scope.PRINTER)
        keep(store, f"f{i}", corrections=[skew, correction(new=97 + i)])
    store.add_event("stored-damp", spool="white-1", note="<left open>")
    return store


def printer_report(store):
    profile = {("brass", "white-1"): store.in_force("lantern", "brass", "white-1")}
    return printer_page(store.printer(), profile, store.drift(), store.events())


def svgs(page):
    return [
        ElementTree.fromstring(s.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))
        for s in re.findall(r"<svg viewBox.*?</svg>", page, re.DOTALL)
        if "-t " in s[:200]
    ]


@pytest.mark.parametrize("name", NAMES)
def test_every_piece_has_a_report_that_needs_nothing_else(name):
    page, fit = page_of(name)
    assert not re.search(r"""(?:src|href)=["']?(?:https?:)?//""", page)
    assert "<script" not in page
    assert "@import" not in page
    assert "url(" not in page
    text = html.unescape(page)
    for finding in fit["findings"]:
        for c in finding["corrections"]:
            assert label(c["setting"]) in text
            assert c["reason"] in text
        for line in finding["summary"]:
            assert line in text
    assert "Do not leave a printer unattended" in text
    assert "# the sheet's text <&>" in text


@pytest.mark.parametrize("name", NAMES)
def test_every_plot_speaks_and_stays_within_its_frame(name):
    page, _fit = page_of(name)
    found = svgs(page)
    assert found
    ids = re.findall(r'id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    for svg in found:
        assert svg.get("role") == "img"
        title, description = svg[0].text, svg[1].text
        assert len(title) > 5
        assert len(description) > 10
        assert "nan" not in ElementTree.tostring(svg, encoding="unicode").lower().replace(
            "nant", ""
        )
        _x, _y, width, height = map(float, svg.get("viewBox").split())
        for mark in svg.iter():
            for key, room in (("cx", width), ("cy", height), ("x", width), ("y", height)):
                if key in mark.attrib:
                    assert -1 <= float(mark.get(key)) <= room + 1


def test_a_report_says_what_the_data_say():
    page, fit = page_of("dimensional-cube")
    c = next(c for c in fit["findings"][0]["corrections"] if c["setting"] == "scale_x_percent")
    assert f"100.00 → {c['new']:.2f} ± " in page  # two digits of the uncertainty
    residuals = fit["findings"][0]["residuals"]
    assert page.count("<circle") >= len(residuals)


def test_a_printers_page_shows_profile_drift_and_events(tmp_path):
    with fresh_url("sqlite", tmp_path) as url, open_store(url) as store:
        page = printer_report(drifting(workshop(store)))
    text = html.unescape(page)
    assert "outside the control limits" in text
    assert "the newest value 0.25" in text
    assert "stale: stored-damp on " in text
    assert "<left open>" not in page  # escaped
    assert "<left open>" in text
    assert 'fill="#fff" stroke="#8a2b00"' in page  # the odd value has a shape of its own


# --- the plots themselves ---------------------------------------------------------------------


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
@example(879609.9999999999, 1e-06)
def test_ticks_are_round_inside_and_few(low, span):
    high = low + span
    if not high > low:
        return
    found = ticks(low, high)
    assert len(found) <= 7
    slack = 1e-6 * span + 4 * math.ulp(
        max(abs(low), abs(high))
    )  # a float can be no nearer than that
    assert all(low - slack <= t <= high + slack for t in found)
    steps = {round((b - a) / (found[1] - found[0]), 6) for a, b in pairwise(found)}
    assert steps <= {1.0} or abs(low) > 1e5 * span


def test_places_follow_the_scale():
    plot = Plot((0.0, 10.0), (0.0, 1.0), "x", "y")
    assert plot.px(5.0) == (plot.px(0.0) + plot.px(10.0)) / 2
    assert plot.py(1.0) < plot.py(0.0)
    assert padded([3.0, 3.0])[0] < 3.0 < padded([3.0, 3.0])[1]
    assert padded([float("nan")]) == (-0.06, 1.06)


# --- the command ------------------------------------------------------------------------------


def test_report_command(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TRUEBEAD_STORE", str(tmp_path / "s.sqlite"))

    def run(*words, code=0):
        result = CliRunner().invoke(build_app(), words)
        assert result.exit_code == code, result.output
        return result.output

    assert "there is no store at" in run("report", code=2)
    path = filled_sheet(tmp_path)
    run("report", str(path), "--out", "solved.html")
    assert "not kept" in Path("solved.html").read_text(encoding="utf-8")
    run("add", "printer", "lantern", "--build", "220x220x250", "--hot-end-max", "260")
    run("add", "nozzle", "brass", "--size", "0.4")
    run("add", "spool", "white-1", "--type", "PLA")
    run("keep", str(path))
    run("report")
    assert "lantern" in Path("report.html").read_text(encoding="utf-8")
    assert "is there" in run("report", code=2)
    run("report", "--printer", "lantern", "--force")
    assert "Profile with nozzle brass" in Path("report.html").read_text(encoding="utf-8")
    assert "no sheet has the id" in run("report", "zz", code=2)


# --- accessibility ----------------------------------------------------------------------------

RUN_AXE = """<script>%s</script><script>
axe.run(document, {resultTypes: ["violations"]}).then(found => {
  const brief = found.violations.map(v => ({id: v.id, impact: v.impact, nodes: v.nodes.map(n => n.html.slice(0, 160))}));
  const wide = document.documentElement.scrollWidth > window.innerWidth;
  parent.postMessage(JSON.stringify({violations: brief, wide, width: window.innerWidth}), "*");
});</script></body>"""
# A headless window is never narrower than 500 px, so the phone is a frame of its width.
FRAME = """<!doctype html><pre id="axe"></pre>
<script>addEventListener("message", e => { document.getElementById("axe").textContent = e.data; });</script>
<iframe src="page.html" style="border:0;width:%dpx;height:900px"></iframe>"""


def looked_at(page, folder, width):
    """Return what axe finds on a page in a frame of some width."""
    script, chromium = axe_script()
    (folder / "page.html").write_text(page.replace("</body>", RUN_AXE % script), encoding="utf-8")
    frame = folder / "frame.html"
    frame.write_text(FRAME % width, encoding="utf-8")
    options = [
        "--headless", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files",
        "--virtual-time-budget=30000", f"--user-data-dir={folder / 'profile'}", "--dump-dom",
        "--window-size=1400,1000", frame.as_uri(),
    ]  # fmt: skip
    said = subprocess.run(
        [chromium, *options], capture_output=True, text=True, check=False, timeout=120
    )
    found = json.loads(
        html.unescape(re.search(r'<pre id="axe">(.*?)</pre>', said.stdout, re.DOTALL)[1])
    )
    assert found["width"] == width
    serious = [v for v in found["violations"] if v["impact"] in ("serious", "critical")]
    return serious, found["wide"]


def axe_script():
    """Return axe-core and Chromium, or skip: the package registry and Debian have them."""
    path = Path(os.environ.get("TRUEBEAD_AXE", "node_modules/axe-core/axe.min.js"))
    chromium = shutil.which("chromium")
    if not path.is_file() or chromium is None:
        message = "axe-core or Chromium is missing; see .ci/with-axe"
        if os.environ.get("TRUEBEAD_REQUIRE_AXE"):
            pytest.fail(message)
        pytest.skip(message)
    return path.read_text(encoding="utf-8"), chromium


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "width"),
    [("dimensional-cube", 390), ("dimensional-cube", 1280), ("temperature-tower", 390), ("printer", 390), ("printer", 1280)],
)  # fmt: skip
def test_no_serious_accessibility_finding(tmp_path, name, width):
    axe_script()
    if name == "printer":
        with fresh_url("sqlite", tmp_path) as url, open_store(url) as store:
            page = printer_report(drifting(workshop(store)))
    else:
        page, _fit = page_of(name)
    assert looked_at(page, tmp_path, width) == ([], False)


@pytest.mark.slow
def test_the_accessibility_check_sees_faults(tmp_path):
    page = '<!doctype html><html><body><img src="x.png"><p style="color:#ccc;width:2000px">pale</p></body></html>'
    serious, wide = looked_at(page, tmp_path, 390)
    assert {v["id"] for v in serious} >= {"image-alt", "color-contrast", "html-has-lang"}
    assert wide
