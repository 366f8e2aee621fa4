"""A large posterior read in part and brought up to date: the same as all sheets together, to 1e-9."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.profile.blocks import Block, Coordinate
from calib.profile.events import Happened
from calib.profile.excerpt import Excerpt, NotInOrder
from calib.profile.knowledge import World
from calib.profile.prior import Spread
from calib.profile.spools import summed
from calib.profile.spreads import posterior

T0 = datetime(2026, 2, 1, tzinfo=UTC)
PRINTERS, ROLLS, TYPES = 3, 6, ("PLA", "PETG")
EVENTS = [
    Happened(kind="moved", at=T0 + timedelta(days=20), printer="p0"),
    Happened(kind="nozzle-changed", at=T0 + timedelta(days=30), printer="p1", nozzle="n1"),
    Happened(kind="drive-changed", at=T0 + timedelta(days=50), printer="p2", axis="X"),
]
WORLD = World(
    printer_of={f"n{p}": f"p{p}" for p in range(PRINTERS)},
    materials={f"r{r}": TYPES[r % 2] for r in range(ROLLS)},
    events=EVENTS,
)
SPREADS = {(t, q): Spread(sd) for t in TYPES for q, sd in (("shrink_xy", 1e-3), ("swell", 0.02))}


def sheet(k: int, day: float, rng: np.random.Generator) -> Block:
    """A sheet of a random printer and roll that tells sums of sizes, as a gauge does."""
    p, r = int(rng.integers(PRINTERS)), int(rng.integers(ROLLS))
    kind = TYPES[r % 2]
    names = (
        ("scale_x", "printer", f"p{p}", 1e-4), ("skew_xy", "printer", f"p{p}", 5e-4),
        ("shrink_xy", "material", kind, 1e-4), ("shrink_xy", "spool", f"r{r}", 1e-4),
        ("offset_x", "nozzle", f"n{p}", 0.02), ("swell", "spool", f"r{r}", 0.02),
        ("swell", "piece", f"q{k}", 0.02), ("caliper_scale", "instrument", "left", 2e-4),
    )  # fmt: skip
    coordinates = tuple(Coordinate(*n[:3]) for n in names)
    u = np.array([n[3] for n in names])
    rows = rng.normal(size=(5, len(names))) / u
    return Block(
        uid=f"{k:03d}", at=T0 + timedelta(days=day), coordinates=coordinates, r=rows,
        z=rng.normal(size=5), steps={"X": 80.0},
    )  # fmt: skip


def by_roll(blocks):
    return summed(blocks, WORLD)


def asked(day=80.0):
    """Everything that may be asked of all printers and rolls at a moment."""
    at = T0 + timedelta(days=day)
    c = [Coordinate(q, "printer", f"p{p}") for p in range(PRINTERS) for q in ("scale_x", "skew_xy")]
    c += [Coordinate("offset_x", "nozzle", f"n{p}") for p in range(PRINTERS)]
    c += [Coordinate("shrink_xy", "material", t) for t in TYPES]
    c += [Coordinate(q, "spool", f"r{r}") for r in range(ROLLS) for q in ("shrink_xy", "swell")]
    return [x._replace(epoch=WORLD.epoch(x, at)) for x in c]


def same(one, other):
    """Whether two posteriors say the same to 1e-9 of the uncertainties."""
    a, b = one.joint(asked()), other.joint(asked())
    sd = np.sqrt(np.diag(b.covariance))
    assert np.abs((a.mean - b.mean) / sd).max() < 1e-9
    assert np.abs((a.covariance - b.covariance) / np.outer(sd, sd)).max() < 1e-9


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 25), st.integers(0, 8), st.integers(0, 6))
def test_sheets_that_come_and_go_give_what_all_together_give(seed, old, new, undone):
    rng = np.random.default_rng(seed)
    days = np.sort(rng.uniform(0, 75, old + new))
    blocks = [sheet(k, day, rng) for k, day in enumerate(days)]
    gone = set(rng.permutation(old)[:undone])
    before, now = blocks[:old], [b for k, b in enumerate(blocks) if k not in gone]
    touched = {blocks[k].owner("spool") for k in [*gone, *range(old, old + new)]}
    were, are = by_roll(before), by_roll(now)
    whole = Excerpt.whole(posterior(before, WORLD, SPREADS))
    changes = [were[t] for t in touched if t in were], [are[t] for t in touched if t in are]
    try:
        found = whole.changed(*changes, WORLD, SPREADS)
    except NotInOrder:
        # Only where sheets were taken back of which a later epoch is the heir.
        assert gone
        return
    same(found.posterior(are, WORLD, SPREADS), posterior(now, WORLD, SPREADS))


def test_a_part_of_it_is_enough_where_it_holds_what_is_touched_and_asked():
    rng = np.random.default_rng(1)
    blocks = [sheet(k, 2.0 * k, rng) for k in range(30)]
    whole = posterior(blocks[:-1], WORLD, SPREADS)
    were, are, roll = by_roll(blocks[:-1]), by_roll(blocks), blocks[-1].owner("spool")
    owners = {c.owner for c in are[roll].common}
    at = [i for i, c in enumerate(whole.coordinates) if c.owner in owners]
    part = Excerpt(
        coordinates=tuple(whole.coordinates[i] for i in at), mean=whole.mean[at],
        covariance=whole.covariance[np.ix_(at, at)], told=Excerpt.whole(whole).told[at],
    )  # fmt: skip
    found = part.changed([were[roll]], [are[roll]], WORLD, SPREADS)
    found = found.posterior({roll: are[roll]}, WORLD, SPREADS)
    mine = [c for c in asked() if c.owner in {roll, *owners}]
    a, b = found.joint(mine), posterior(blocks, WORLD, SPREADS).joint(mine)
    assert len(at) < len(whole.coordinates)
    assert a.mean == pytest.approx(b.mean, rel=1e-9, abs=1e-12)
    assert a.covariance == pytest.approx(b.covariance, rel=1e-9, abs=1e-15)


def test_a_sheet_of_a_time_between_others_is_refused():
    rng = np.random.default_rng(2)
    c = Coordinate("skew_xy", "printer", "p0")
    late = replace(sheet(0, 40.0, rng), coordinates=(c,), r=np.eye(1), z=np.zeros(1))
    early = replace(late, uid="e", at=T0)
    with pytest.raises(NotInOrder):
        Excerpt.whole(posterior([late], WORLD, {})).changed(
            [], list(by_roll([early]).values()), WORLD, {}
        )
