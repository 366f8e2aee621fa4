"""Solved sheets of every sort, for the tests that look at reports."""

import numpy as np

from calib.interpret.solve import Context, solve_sheet
from patterns.feature import Kind
from patterns.registry import get
from patterns.spec import PrintSetup
from tests.readkit import sheet


def reader(seed=3):
    """Return what a printer that is a little off would give, for features of any kind."""
    rng = np.random.default_rng(seed)

    def read(f):
        if f.kind is Kind.SCORE:
            return float(
                np.clip(
                    round(9 - 5 * (((f.rung or 0) - 208) / 25) ** 2 + rng.normal(0, 0.4)), 0, 10
                )
            )
        if f.kind is Kind.PASS:
            if f.group in ("round", "square"):
                return float(np.digitize(f.rung, (0.08, 0.22, 0.42)))
            return float((f.rung or 0) + rng.normal(0, 3) <= 52)
        if f.kind is Kind.MASS:
            return f.nominal * 1.03 if f.nominal else 20.0
        if f.kind is Kind.DIAMETER and f.nominal < 3:
            return 1.74 + rng.normal(0, 0.01)
        side = {Kind.OUTSIDE: 0.1, Kind.INSIDE: -0.1, Kind.WALL: 0.03}.get(f.kind, 0.0)
        tilt = 0.1 * (f.start[0] - 110) / 80 if f.group == "patch" else 0.0
        return f.nominal * 1.003 + side + tilt + rng.normal(0, 0.012)

    return read


SETS = {"temperature-tower": {"filament": "PLA"}, "extruder-feed": {}}


def solved(name, seed=3):
    """Return a sheet of a default piece and what the fits say of it."""
    piece = get(name).piece(SETS.get(name, {}), PrintSetup(hot_end_max_c=260.0))
    if name == "extruder-feed":
        read = lambda f: 97.5 - 2.0 * max(0.0, (f.rung or 0) - 9.0)  # noqa: E731
    elif name == "carriage-travel":
        read = lambda f: f.nominal * 1.001  # noqa: E731
    else:
        read = reader(seed)
    made = sheet(piece, read, repeats=2, jaws_closed_mm="0.00", extruded_mm="8315.03")
    now = {"steps_x_per_mm": 80.0, "steps_y_per_mm": 80.0, "steps_e_per_mm": 93.0}
    return made, solve_sheet(made, Context(now=now, filament="PLA"))
