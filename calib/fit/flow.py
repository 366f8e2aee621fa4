"""Flow: the plastic that came out over the plastic that was asked for, from three sorts of evidence.

Walls (through the bead's cross-section), blocks on the balance, and the filament's diameter are
rows of one linear fit; what they share (the caliper's zero, the density) is a parameter with a
prior, so that the sorts are combined by their true weight.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.fit.bead import ROUNDING, width_ratio
from calib.fit.doubts import without_rows
from calib.fit.linear import Array, LinearFit, Problem, fit
from calib.model.estimate import Estimate

#: Real strands are not quite rounded rectangles: standard uncertainty of the width lost to the
#: rounding, as a share of it. A judgement after Comminal et al., Additive Manufacturing 20 (2018).
SECTION_U = 0.15
#: Scatter of a wall from layer to layer beside the caliper's, mm: common practice, no source.
WALL_SCATTER_MM = 0.012
#: How well the extruder's feed is known before it is checked, as a fraction: common practice.
FEED_U = 0.03
#: How well the table's density holds for a colour and maker, as a fraction: data-sheet ranges.
DENSITY_U = 0.012
#: How well the scatter of walls is known, in degrees of freedom.
_NOISE_DOF = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """Thickness of one wall: mean of its readings, and the standard uncertainty of that mean."""

    name: str
    read_mm: float
    nominal_mm: float
    u_mm: float
    side: str = ""
    lines: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Mass of one block, the volume asked for, and their standard uncertainties.

    `u_volume` is a fraction: small where the extruded length was read from the G-code, larger where
    the piece's own volume stands in for it.
    """

    name: str
    mass_g: float
    asked_mm3: float
    u_g: float
    u_volume: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Roll:
    """Diameter of the filament along the roll, in millimetres.

    Attributes
    ----------
    mean_mm, u_mm, dof : float
        Mean, its standard uncertainty without the caliper's zero, and how well that is known.
    ovality_mm : float
        Mean difference between the two directions at one place.
    spread_mm : float
        Largest less smallest place.
    effective_mm : float
        Diameter of the circle with the mean area: the one that flow depends on.
    """

    mean_mm: float
    u_mm: float
    ovality_mm: float
    spread_mm: float
    effective_mm: float
    places: int
    dof: float = math.inf


def roll(diameters_mm: Array, u_reading_mm: float) -> Roll:
    """Summarise a filament measured at several places in two directions.

    Parameters
    ----------
    diameters_mm : (places, directions) float
        NaN where a direction was not measured.
    u_reading_mm : float
        Standard uncertainty of one reading.

    Raises
    ------
    ValueError
        A diameter is not more than 0.

    Notes
    -----
    An oval of diameters a and b has the area pi a b / 4; the effective diameter is the root of the
    mean area. The mean's uncertainty is the spread of places over their number, or what the
    readings alone would give where that is larger.
    """
    if not np.nanmin(diameters_mm) > 0:
        msg = "a filament's diameter must be more than 0"
        raise ValueError(msg)
    places = np.nanmean(diameters_mm, axis=1)
    areas = np.exp(np.nanmean(np.log(diameters_mm), axis=1)) ** 2
    n = int(np.isfinite(diameters_mm).sum())
    both = np.isfinite(diameters_mm).sum(axis=1) >= 2
    oval = [np.nanmax(row) - np.nanmin(row) for row in diameters_mm[both]]
    between = float(np.std(places, ddof=1)) / math.sqrt(len(places)) if len(places) > 1 else 0.0
    by_reading = u_reading_mm / math.sqrt(n)
    return Roll(
        mean_mm=float(np.mean(places)),
        u_mm=max(between, by_reading),
        dof=len(places) - 1 if between > by_reading else math.inf,
        ovality_mm=float(np.mean(oval)) if oval else 0.0,
        spread_mm=float(np.ptp(places)),
        effective_mm=float(np.sqrt(np.mean(areas))),
        places=len(places),
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class FlowData:
    """Everything measured that says something about flow, and what is known beforehand.

    Attributes
    ----------
    u_zero_mm : float
        Standard uncertainty of the caliper's zero, common to walls and filament.
    u_balance_g : float
        Standard uncertainty of the balance, common to blocks.
    density_g_cm3, u_density
        Density, and its standard uncertainty as a fraction.
    set_filament_mm : float
        Diameter that the printing program takes the filament to have.
    """

    layer_mm: float
    set_filament_mm: float
    walls: Sequence[Wall] = ()
    blocks: Sequence[Block] = ()
    roll: Roll | None = None
    density_g_cm3: float = 1.24
    u_density: float = DENSITY_U
    u_zero_mm: float = 0.0173
    u_balance_g: float = 0.058
    u_feed: float = FEED_U


@dataclass(frozen=True, eq=False, kw_only=True)
class FlowFit:
    """The result: flow as a ratio (1 is right), each sort alone, and whether they agree.

    Attributes
    ----------
    routes : name -> Estimate
        Flow by each sort of evidence alone: "walls", "mass", "filament".
    rows : name -> row numbers of the fit
    chi2, chi2_dof, p_agree : float
        Test that all sorts tell of one flow; p is 1 where there is only one sort.
    pulls : name -> float
        How far each sort lies from all others, in standard uncertainties of that difference.
    """

    data: FlowData
    fit: LinearFit
    flow: Estimate
    routes: dict[str, Estimate]
    rows: dict[str, list[int]]
    names: tuple[str, ...]
    chi2: float
    chi2_dof: int
    p_agree: float
    pulls: dict[str, float]


def fit_flow(data: FlowData) -> FlowFit:
    """Combine walls, blocks and filament into one flow.

    The rows, with c = layer x (1 - pi/4) the width a rounded line gains over a rectangle:

    - wall: read - nominal = share (flow - 1) (nominal - c) + zero + c section
    - block: mass = flow volume density (1 + density error) + balance
    - filament: (d / set)^2 = flow + feed + (2 d / set^2) zero

    The share is 1 for a wall of one line. Of n lines side by side, some of what is too much goes
    into the gaps between them: the share lies from 1/n (all gaps open) to 1 (all closed).

    Raises
    ------
    ValueError
        There is no evidence at all.
    """
    if not data.walls and not data.blocks and data.roll is None:
        msg = "no walls, no blocks and no filament to work out flow from"
        raise ValueError(msg)
    problem, rows, names = _problem(data, 1.0)
    result = fit(problem)
    # The columns of density and packing hold the flow itself: again with the flow that was found.
    for _ in range(2):
        problem, rows, names = _problem(data, result["flow"].value)
        result = fit(problem)
    routes = {name: _alone(problem, own) for name, own in rows.items()}
    chi2, dof, p = _agreement(problem, rows)
    return FlowFit(
        data=data,
        fit=result,
        flow=result["flow"],
        routes=routes,
        rows=rows,
        names=names,
        chi2=chi2,
        chi2_dof=dof,
        p_agree=p,
        pulls=pulls(problem, rows) if len(rows) > 1 else {},
    )


def _problem(data: FlowData, flow: float) -> tuple[Problem, dict[str, list[int]], tuple[str, ...]]:
    table: list[tuple[str, str, dict[str, float], float, float]] = []
    c = data.layer_mm * ROUNDING
    for w in data.walls:
        share, body = (1 + 1 / w.lines) / 2, w.nominal_mm - c
        columns = {"flow": share * body, "zero": 1.0, "section": c}
        if w.lines > 1:
            columns["packing"] = (flow - 1) * body * (1 - 1 / w.lines) / math.sqrt(12)
        variance = w.u_mm**2 + WALL_SCATTER_MM**2
        table.append(("walls", w.name, columns, w.read_mm - w.nominal_mm + share * body, variance))
    for b in data.blocks:
        asked_g = b.asked_mm3 * data.density_g_cm3 / 1000
        columns = {"flow": asked_g, "density": asked_g * flow, "balance": 1.0}
        variance = b.u_g**2 + (b.u_volume * asked_g) ** 2
        table.append(("mass", b.name, columns, b.mass_g, variance))
    if data.roll is not None:
        d, was = data.roll.effective_mm, data.set_filament_mm
        columns = {"flow": 1.0, "feed": 1.0, "zero": 2 * d / was**2}
        variance = max((2 * d * data.roll.u_mm / was**2) ** 2, 1e-10)
        table.append(("filament", "filament", columns, (d / was) ** 2, variance))
    return _assembled(data, table)


def _assembled(
    data: FlowData, table: list[tuple[str, str, dict[str, float], float, float]]
) -> tuple[Problem, dict[str, list[int]], tuple[str, ...]]:
    priors = {
        "flow": math.inf,
        "zero": max(data.u_zero_mm, 1e-6),
        "section": SECTION_U,
        "packing": 1.0,  # its column holds the size
        "density": max(data.u_density, 1e-6),
        "balance": max(data.u_balance_g, 1e-6),
        "feed": max(data.u_feed, 1e-6),
    }
    used = [n for n in priors if any(n in columns for _, _, columns, _, _ in table)]
    rows: dict[str, list[int]] = {}
    for i, (route, *_rest) in enumerate(table):
        rows.setdefault(route, []).append(i)
    problem = Problem(
        names=tuple(used),
        x=np.array([[columns.get(n, 0.0) for n in used] for _, _, columns, _, _ in table]),
        y=np.array([y for *_, y, _ in table]),
        variance=np.array([v for *_, v in table]),
        prior_mean=np.zeros(len(used)),
        prior_sd=np.array([priors[n] for n in used]),
        noise_dof=_NOISE_DOF if data.walls else math.inf,
        units=tuple({"zero": "mm", "balance": "g"}.get(n, "ratio") for n in used),
    )
    return problem, rows, tuple(name for _, name, *_ in table)


def _alone(problem: Problem, rows: list[int]) -> Estimate:
    own = set(rows)
    return fit(without_rows(problem, [i in own for i in range(len(problem.y))]))["flow"]


def pulls(problem: Problem, groups: dict[str, list[int]]) -> dict[str, float]:
    """Return name -> how far each group of rows lies from all others, in standard uncertainties.

    Each group in turn is given a flow of its own (a further parameter); its difference from the
    others' flow over its uncertainty is the pull. What groups share stays shared.
    """
    found = {}
    for name, rows in groups.items():
        if len(rows) == len(problem.y):
            continue
        own = fit(_with_biases(problem, {name: rows}))[name]
        found[name] = own.value / own.u
    return found


def _with_biases(problem: Problem, groups: dict[str, list[int]]) -> Problem:
    extra = np.zeros((len(problem.y), len(groups)))
    for k, rows in enumerate(groups.values()):
        extra[rows, k] = problem.x[rows, 0]
    return replace(
        problem,
        names=(*problem.names, *groups),
        x=np.hstack([problem.x, extra]),
        prior_mean=np.concatenate([problem.prior_mean, np.zeros(len(groups))]),
        prior_sd=np.concatenate([problem.prior_sd, np.full(len(groups), math.inf)]),
        units=(),
    )


def _agreement(problem: Problem, rows: dict[str, list[int]]) -> tuple[float, int, float]:
    """Wald test that every sort of evidence tells of the same flow."""
    others = dict(list(rows.items())[1:])
    if not others:
        return 0.0, 0, 1.0
    from scipy.special import chdtrc

    result = fit(_with_biases(problem, others))
    at = [result.index[n] for n in others]
    bias = result.theta[at]
    chi2 = float(bias @ np.linalg.solve(result.covariance[np.ix_(at, at)], bias))
    return chi2, len(at), float(chdtrc(len(at), chi2))


def wall_ratios(walls: Sequence[Wall], layer_mm: float) -> tuple[float, float]:
    """Return mean area ratio and mean plain width ratio of walls (1: as asked); only the first is of plastic."""
    c = layer_mm * ROUNDING
    areas = [(w.read_mm - c) / (w.nominal_mm - c) for w in walls]
    widths = [width_ratio(w.read_mm, w.nominal_mm) for w in walls]
    return float(np.mean(areas)), float(np.mean(widths))
