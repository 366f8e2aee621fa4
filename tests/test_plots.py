"""Pictures of findings: well-formed, complete, in the right place, readable ticks."""

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.report.chart import Chart, ticks, widened
from calib.report.plots import interval_plot, plots_of, residual_plot
from calib.solve import Residual, solve_sheet
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.readkit import bed, hole_plate, ladder, sheet, sockets, tower, wall_box

SVG = "{http://www.w3.org/2000/svg}"


def findings():
    feed = get("extruder-feed").piece({}, PrintSetup())
    gauge = get("step-gauge").piece({}, PrintSetup())
    rungs = tuple(np.arange(30.0, 80.0, 5.0))

    def over(f):
        return float(f.rung <= 55) if f.group == "pass" else f.nominal + 0.3 * (f.rung / 50) ** 4

    sheets = {
        "flow": sheet(wall_box(), lambda f: 0.47),
        "feed": sheet(feed, lambda f: 97.0 - 2.0 * max(0.0, f.rung - 9.0)),
        "threshold": sheet(ladder("overhang-ladder", rungs), over),
        "grades_round": sheet(
            sockets(np.arange(0, 0.6, 0.1).round(2)),
            lambda f: float(np.digitize(f.rung, [0.05, 0.25, 0.45])),
        ),
        "optimum": sheet(
            tower(tuple(np.arange(190.0, 235.0, 5.0))), lambda f: 9.0 - ((f.rung - 210) / 10) ** 2
        ),
        "holes_vertical": sheet(hole_plate(), lambda f: f.nominal - 0.2),
        "bed": sheet(bed(), lambda f: f.nominal + 0.001 * (f.start[0] - 110)),
        "errors_1": sheet(gauge, lambda f: 0.997 * f.nominal),
    }
    return {name: solve_sheet(s).findings[0] for name, s in sheets.items()}


FINDINGS = findings()


@pytest.mark.parametrize("first", FINDINGS)
def test_every_finding_has_its_pictures(first):
    plots = plots_of(FINDINGS[first])
    assert plots[0].name == first
    assert len({p.name for p in plots}) == len(plots)
    for p in plots:
        root = ET.fromstring(p.svg)
        assert root.find(f"{SVG}title").text == p.title
        assert root.find(f"{SVG}desc").text
        assert "nan" not in p.svg
        assert "inf" not in re.sub(r"<desc>.*?</desc>|<title>.*?</title>", "", p.svg)


def test_everything_drawn_stays_inside_the_picture():
    for finding in FINDINGS.values():
        for p in plots_of(finding):
            root = ET.fromstring(p.svg)
            width, height = float(root.get("width")), float(root.get("height"))
            for dot in root.iter(f"{SVG}circle"):
                assert 0 <= float(dot.get("cx")) <= width
                assert 0 <= float(dot.get("cy")) <= height


def test_one_dot_per_judgement():
    plots = {p.name: p for p in plots_of(FINDINGS["threshold"])}
    assert len(list(ET.fromstring(plots["threshold"].svg).iter(f"{SVG}circle"))) == 10
    assert {"threshold", "sag", "residuals"} == set(plots)


def test_a_point_lands_where_the_axes_say():
    chart = Chart(title="t", x_label="x", y_label="y", x=(0.0, 10.0), y=(-1.0, 1.0))
    left, top, right, bottom = chart.box
    assert chart.at(0, -1) == (left, bottom)
    assert chart.at(10, 1) == (right, top)
    assert chart.at(5, 0) == ((left + right) / 2, (top + bottom) / 2)
    assert chart.at(99, 0)[0] == right  # kept inside


def test_names_are_escaped():
    plot = interval_plot({"<b>&": (1.0, 0.5, 1.5)}, "a < b", "%")
    ET.fromstring(plot.svg)
    assert "&lt;b&gt;&amp;" in plot.svg


def test_many_residuals_show_the_largest():
    rows = [
        Residual(feature=f"f{k}", nominal=10, reading=10 + 0.01 * k, fitted=10, repeats=1, u=0.01)
        for k in range(40)
    ]
    svg = residual_plot(rows).svg
    assert "f39<" in svg
    assert "f3<" not in svg
    assert "16 smaller ones not shown" in svg


@given(low=st.floats(-1e6, 1e6), span=st.floats(1e-6, 1e6), count=st.integers(2, 10))
def test_ticks_are_round_evenly_spaced_and_inside(low, span, count):
    found = ticks(low, low + span, count)
    slack = 1e-6 * (span + abs(low))
    assert all(low - slack <= t <= low + span + slack for t in found)
    assert len(found) <= count + 1
    if len(found) > 2:
        steps = np.diff(found)
        assert steps.max() - steps.min() <= 1e-6 * (abs(low) + span)
        digit = steps[0] / 10 ** math.floor(math.log10(steps[0] * (1 + 1e-9)))
        assert min(abs(digit - d) for d in (1, 2, 5)) < 1e-3 * (1 + abs(low) / span)


@given(st.lists(st.floats(-1e9, 1e9), max_size=5))
def test_a_range_is_never_empty(values):
    low, high = widened(values)
    assert low < high
    assert all(low <= v <= high for v in values)
