"""How well settings were known over time: by hand, against the posterior of each moment, and drawn."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree

import numpy as np
import pytest

from calib.profile.answers import Where, values
from calib.profile.blocks import Block, Coordinate
from calib.profile.events import Happened
from calib.profile.knowledge import World
from calib.profile.over_time import MOST_MOMENTS, over_time
from calib.profile.prior import Spread
from calib.profile.spreads import posterior
from calib.report.over_time_figure import knowledge_figures

T0 = datetime(2026, 3, 2, tzinfo=UTC)
DAY = timedelta(days=1)
WORLD = World(printer_of={"n": "p"}, materials={"r0": "PLA", "r1": "PLA"})
SKEW, FLOW = "skew_xy_deg", "flow_percent"
SPREADS = {("PLA", FLOW): Spread(2.0)}


def where(at):
    return Where(printer="p", nozzle="n", spool="r0", material="PLA", at=at)


def skew_sheet(uid, day, u_deg=0.05):
    """A sheet that tells the skew alone."""
    c = Coordinate("skew_xy", "printer", "p")
    u = np.radians(u_deg)
    return Block(uid=uid, at=T0 + day * DAY, coordinates=(c,), r=np.array([[1 / u]]), z=np.zeros(1))


def test_half_widths_by_hand():
    known = over_time(
        [skew_sheet("b", 2), skew_sheet("a", 0)], WORLD, where(T0 + 9 * DAY), [SKEW], {}
    )
    assert known.moments == (T0, T0 + 2 * DAY)
    prior, u = 0.4, 0.05  # degrees: how far printers lean before any reading, and one sheet
    by_hand = [1.959964 * (prior**-2 + n * u**-2) ** -0.5 for n in (0, 1, 2)]
    assert known.tracks[0].halves == pytest.approx(by_hand, rel=1e-5)


def test_an_event_takes_away_what_it_frees_and_is_marked():
    moved = Happened(kind="moved", at=T0 + DAY, printer="p")
    other = Happened(kind="moved", at=T0 + DAY, printer="another")
    world = replace(WORLD, events=[moved, other])
    known = over_time([skew_sheet("a", 0)], world, where(T0 + 9 * DAY), [SKEW], {})
    assert known.events == {1: ("moved",)}
    before, after, then = known.tracks[0].halves
    # A move adds 0.1 degrees: common practice, in the table of events.
    assert then == pytest.approx(np.hypot(after, 1.959964 * 0.1), rel=1e-4)
    assert after < then < before


def test_each_moment_is_what_the_posterior_of_its_sheets_says():
    rng = np.random.default_rng(3)
    flow = tuple(
        Coordinate(FLOW, k, o) for k, o in (("material", "PLA"), ("spool", "r0"), ("nozzle", "n"))
    )
    blocks = [
        Block(
            uid=f"{i}", at=T0 + int(rng.integers(0, 60)) * DAY, coordinates=flow,
            r=rng.normal(size=(1, 3)), z=rng.normal(size=1) + 80,
        )
        for i in range(12)
    ]  # fmt: skip
    known = over_time(blocks, WORLD, where(T0), [FLOW], SPREADS)
    for at, half in zip(known.moments, known.tracks[0].halves[1:], strict=True):
        then = posterior([b for b in blocks if b.at <= at], WORLD, SPREADS)
        assert half == pytest.approx(values(then, where(at), [FLOW])[FLOW].expanded(), rel=1e-9)


def test_of_very_many_moments_the_newest_are_worked_out():
    many = [skew_sheet(f"{d:03d}", d) for d in range(MOST_MOMENTS + 30)]
    known = over_time(many, WORLD, where(T0 + 99 * DAY), [SKEW], {})
    assert known.moments == tuple(b.at for b in many[-MOST_MOMENTS:])
    assert known.tracks[0].halves[0] == pytest.approx(
        1.959964 * (0.4**-2 + 30 * 0.05**-2) ** -0.5, rel=1e-5
    )


def test_the_picture_marks_sheets_and_events_and_says_it_in_words():
    world = replace(WORLD, events=[Happened(kind="moved", at=T0 + DAY, printer="p")])
    known = over_time(
        [skew_sheet("a", 0), skew_sheet("b", 4)], world, where(T0 + 9 * DAY), [SKEW], {}
    )
    (figure,) = knowledge_figures(known, "k")
    svg = ElementTree.fromstring(figure.svg)
    texts = [t.text for t in svg.iter("text")]
    assert "moved" in texts
    assert "good enough" in texts
    assert len(list(svg.iter("circle"))) == 2
    assert figure.caption.startswith("lean of Y towards +X: ±0.78 deg before anything was measured")
    assert knowledge_figures(over_time([], WORLD, where(T0), [SKEW], {}), "k") == []
