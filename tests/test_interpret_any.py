"""Whatever is read off any piece, solving answers or says in one line what is wrong."""

import json

import numpy as np
import pytest

from calib.errors import BadInput
from calib.interpret.solve import Context, solve_sheet
from calib.model.correction import Verdict
from calib.readings import Reading, Sheet
from calib.report.figures import figures
from calib.report.plain import finite
from patterns import registry
from patterns.feature import Kind
from patterns.spec import PrintSetup

PIECES = {
    name: registry.get(name).piece({}, PrintSetup())
    for name in registry.all_patterns() | registry.all_checks()
}
WILD = (0.0, 1e-9, -3.0, 25.4, 1e4, 1e9)


def taken(piece, rng):
    """Read some of the features, near the truth or now and then wildly."""
    share = rng.uniform(0.2, 1.0)
    readings = []
    for f in piece.features:
        for _ in range(rng.integers(1, 3) if rng.random() < share else 0):
            if f.kind is Kind.PASS:
                value = float(rng.integers(0, max(2, len(f.grades))))
            elif f.kind is Kind.SCORE:
                value = float(rng.integers(0, 11))
            else:
                near = f.nominal * rng.uniform(0.7, 1.3)
                value = float(rng.choice(WILD)) if rng.random() < 0.1 else near
            readings.append(Reading(feature=f.id, value=value, where=f"{f.id} here"))
    return tuple(readings)


def solved(sheet):
    """Return the solution, or None where it was refused in one line that says how to mend it."""
    try:
        return solve_sheet(sheet, Context(filament="PLA"))
    except BadInput as err:
        message = err
    assert "\n" not in message.line
    assert message.mend
    return None


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", PIECES)
def test_any_reading_gives_an_answer_or_one_line(name, seed):
    piece = PIECES[name]
    readings = taken(piece, np.random.default_rng(seed))
    solution = solved(Sheet(piece=piece, piece_id="t", readings=readings))
    if solution is None:
        return
    json.dumps(finite(solution.to_json()), allow_nan=False)
    shown = {s.reading.feature for s in solution.suspects}
    assert shown <= {f.id for f in piece.features}
    for c in solution.corrections:
        assert c.u_new >= 0
        assert c.reason
        if c.setting == "hot_end_c":
            assert c.new <= piece.setup.hot_end_max_c
        if c.verdict is Verdict.APPLY:
            assert abs(c.new) < float("inf")
    for finding in finite(solution.to_json())["findings"]:
        for figure in figures(finding, "1"):
            assert "<svg" in figure.svg
            assert "nan" not in figure.svg


@pytest.mark.parametrize("name", PIECES)
def test_true_readings_change_nothing(name):
    """A piece that reads as drawn gives no correction to apply, but for values found for the first time."""
    piece = PIECES[name]
    first_found = ("hot_end_c", "retraction", "overhang", "bridge", "clearance")
    readings = tuple(
        # Not the nominal values themselves: a sheet that holds nothing else was not measured.
        Reading(feature=f.id, value=f.nominal + off)
        for f in piece.features
        if f.kind not in (Kind.PASS, Kind.SCORE)
        for off in (-0.001, 0.001)
    )
    if not readings:
        pytest.skip("nothing on it is measured")
    solution = solved(Sheet(piece=piece, piece_id="t", readings=readings))
    if solution is None:
        # Judged more than measured, or nothing is drawn for what is measured.
        assert name in ("temperature-tower", "fit-gauge", "ripple-wall")
        return
    applied = [c for c in solution.corrections if c.verdict is Verdict.APPLY]
    assert all(c.setting.startswith(first_found) for c in applied)
    assert not solution.suspects
