"""Simulated measurements with known truth for the fits beside the size model.

Every function draws one case and returns name -> whether the 95 % interval holds the truth (None
where the case has no answer to judge). Tests run a few, `python -m bench.fits` runs thousands.
"""

import math
from collections.abc import Callable

import numpy as np

from calib.fit.bed import Screw, fit_bed
from calib.fit.extruder import SLOPE_SD, fit_feed
from calib.fit.flow import SECTION_U, WALL_SCATTER_MM, Block, FlowData, Roll, Wall, fit_flow
from calib.fit.holes import (
    CURVATURE_SD_MM2,
    HOLE_SCATTER_MM,
    XY_SD_MM,
    fit_holes,
)
from calib.fit.holes import (
    SLOPE_SD as HOLE_SLOPE_SD,
)
from calib.fit.optimum import Response, find_optimum
from calib.fit.split import Prints, Priors, Travels, split
from calib.fit.threshold import fit_sag, fit_thresholds

Hits = dict[str, bool | None]
Draw = Callable[[np.random.Generator], Hits]


def coverage(draw: Draw, draws: int, seed: int) -> dict[str, float]:
    """Share of draws whose interval holds the truth, by name."""
    rng = np.random.default_rng(seed)
    hits: dict[str, list[bool]] = {}
    for _ in range(draws):
        for name, hit in draw(rng).items():
            if hit is not None:
                hits.setdefault(name, []).append(hit)
    return {name: float(np.mean(values)) for name, values in hits.items()}


def holds(estimate, truth) -> bool:
    low, high = estimate.interval()
    return bool(low <= truth <= high)


def within(limit, truth) -> bool:
    return bool(limit.low <= truth <= limit.high)


def flow(rng) -> Hits:
    """One print of walls of one line, a block on the balance, and a filament, as the priors say."""
    truth = rng.uniform(0.95, 1.05)
    zero, section = rng.normal(0, 0.0173), rng.normal(0, SECTION_U)
    c = 0.2 * (1 - math.pi / 4)
    scatter = math.hypot(0.01, WALL_SCATTER_MM)
    walls = [
        Wall(
            name=f"{n}-{i}",
            nominal_mm=n,
            read_mm=c + truth * (n - c) + zero + c * section + rng.normal(0, scatter),
            u_mm=0.01,
        )
        for n in (0.45, 0.86)
        for i in range(4)
    ]
    mass = truth * 20000 * 1.24e-3 * (1 + rng.normal(0, 0.012)) + rng.normal(0, 0.058)
    block = Block(name="b", mass_g=mass + rng.normal(0, 0.04), asked_mm3=20000.0, u_g=0.04)
    d = 1.75 * math.sqrt(truth + rng.normal(0, 0.03)) + zero + rng.normal(0, 0.004)
    roll = Roll(mean_mm=d, u_mm=0.004, ovality_mm=0, spread_mm=0, effective_mm=d, places=6)
    result = fit_flow(
        FlowData(layer_mm=0.2, set_filament_mm=1.75, walls=walls, blocks=[block], roll=roll)
    )
    return {
        "flow": holds(result.flow, truth),
        "flow by walls": holds(result.routes["walls"], truth),
        "flow by mass": holds(result.routes["mass"], truth),
    }


def feed(rng) -> Hits:
    """Two feeds at each of five rates, half of the extruders slipping from somewhere on."""
    truth, slips = rng.uniform(0.93, 1.07), rng.random() < 0.5
    onset, slope = rng.uniform(2, 14), abs(rng.normal(0, SLOPE_SD))
    rates = np.repeat(np.linspace(2.0, 14.0, 5), 2)
    ratio = truth + rng.normal(0, 0.003, 10)
    if slips:
        ratio -= slope * np.maximum(rates - onset, 0)
    result = fit_feed(rates, ratio, np.full(10, 0.003))
    low, high = result.onset_range
    return {
        "feed": holds(result.feed, truth),
        "slip onset": bool(low <= onset <= high) if slips and result.onset else None,
    }


def random_workshop(seed, printers=3, spools=7, materials=2, instruments=2, m=40, n=9):
    """Priors and designs of a workshop; the errors in it are noise without meaning."""
    rng = np.random.default_rng(seed)
    priors = Priors(
        machine_mean=rng.normal(0, 0.001, (printers, 3)),
        machine_sd=rng.uniform(0.0005, 0.003, (printers, 3)),
        material_of=rng.integers(0, materials, spools),
        material_mean=rng.uniform(0.001, 0.006, (materials, 2)),
        material_sd=rng.uniform(0.001, 0.002, (materials, 2)),
        instrument_sd=rng.uniform(0.0001, 0.0003, instruments),
    )
    half = rng.normal(0, 3e-4, (m, 3, 3))
    error = rng.normal(-0.003, 0.002, (m, 3))
    error[rng.random((m, 3)) < 0.2] = np.nan
    prints = Prints(
        printer=rng.integers(0, printers, m),
        spool=rng.integers(0, spools, m),
        instrument=rng.integers(0, instruments, m),
        error=error,
        covariance=half @ half.transpose(0, 2, 1) + 1e-8 * np.eye(3),
    )
    travels = Travels(
        printer=rng.integers(0, printers, n),
        axis=rng.integers(0, 3, n),
        instrument=rng.integers(0, instruments, n),
        error=rng.normal(0, 0.001, n),
        u=rng.uniform(1e-4, 3e-4, n),
    )
    return prints, priors, travels


def workshop(material_off: float = 0.0, machine_times: float = 1.0) -> Draw:
    """Return a draw of a workshop of 12 prints and 2 travels.

    Parameters
    ----------
    material_off : float
        How much more than the table says the materials really shrink: a wrong prior.
    machine_times : float
        How much truer or worse than thought the mechanics are.
    """

    def draw(rng) -> Hits:
        prints, priors, travels = random_workshop(rng.integers(1 << 31), m=12, n=2)
        m = rng.normal(priors.machine_mean, machine_times * priors.machine_sd)
        material = rng.normal(priors.material_mean, priors.material_sd) + material_off
        s = rng.normal(material[priors.material_of], priors.spool_sd)
        k = rng.normal(0, priors.instrument_sd)
        lower = np.linalg.cholesky(prints.covariance + priors.print_sd**2 * np.eye(3))
        noise = np.einsum("mij,mj->mi", lower, rng.normal(size=(12, 3)))
        error = m[prints.printer] - s[prints.spool][:, [0, 0, 1]]
        error = error + k[prints.instrument][:, None] + noise
        error[np.isnan(prints.error)] = np.nan
        moved = m[travels.printer, travels.axis] + k[travels.instrument]
        moved = moved + travels.u * rng.normal(size=2)
        result = split(
            Prints(
                printer=prints.printer,
                spool=prints.spool,
                instrument=prints.instrument,
                error=error,
                covariance=prints.covariance,
            ),
            priors,
            Travels(
                printer=travels.printer,
                axis=travels.axis,
                instrument=travels.instrument,
                error=moved,
                u=travels.u,
            ),
        )
        return {
            "machine scale": holds(result.machine_scale(1, "X"), m[1, 0]),
            "shrinkage": holds(result.shrinkage(2, "Z"), s[2, 1]),
            "size, their difference": holds(result.product(1, 2, "Y"), m[1, 1] - s[2, 0]),
        }

    return draw


def pass_fail(rng) -> Hits:
    """Ten rungs judged once; the change more or less gradual than the prior's middle."""
    x = np.arange(30.0, 80.0, 5.0)
    truth, spread = rng.uniform(38, 67), 5 * 0.35 * math.exp(0.7 * rng.normal())
    failed = (x + spread * rng.logistic(size=len(x)) > truth).astype(int)
    return {"threshold": within(fit_thresholds(x, failed, 2).limits[0], truth)}


def graded(rng) -> Hits:
    """Twelve sockets graded once."""
    x = np.arange(0.05, 0.65, 0.05)
    cuts = np.sort(rng.uniform(0.08, 0.55, 3))
    spread = 0.05 * 0.35 * math.exp(0.7 * rng.normal())
    result = fit_thresholds(x, np.digitize(x + spread * rng.logistic(size=len(x)), cuts), 4)
    return {
        "press fit": within(result.middle(0, "press"), cuts[:2].mean()),
        "press to slide": within(result.limits[1], cuts[1]),
    }


def sag(rng) -> Hits:
    """Ten rungs measured once, the sag growing by a power between 1 and 4."""
    x = np.arange(10.0, 60.0, 5.0)
    power, at_end = rng.uniform(1, 4), rng.uniform(0.6, 2.0)
    truth = 55 * (0.4 / at_end) ** (1 / power)
    if not 12 < truth < 53:
        return {}
    read = at_end * (x / 55) ** power + rng.normal(0, 0.04, len(x))
    limit = fit_sag(x, read, np.full(len(x), 0.04), 0.4).limit
    return {"sag limit": limit is not None and within(limit, truth)}


TEMPS = np.arange(190.0, 240.0, 5.0)


def tower_scores(best, rng, width=22.0, top=9.0, u=0.7):
    """Scores of a tower's bands, in whole numbers, best at one temperature."""
    y = top - 5 * ((TEMPS - best) / width) ** 2
    return np.clip(np.round(y + rng.normal(0, u, len(TEMPS))), 0, 10)


def tower(rng) -> Hits:
    """Two judgements of ten bands."""
    best, width = rng.uniform(200, 225), rng.uniform(18, 30)
    responses = [
        Response(name=n, x=TEMPS, y=tower_scores(best, rng, width), u=0.76)
        for n in ("bridge", "wall")
    ]
    return {"best temperature": within(find_optimum(responses, "degC", "t").best, best)}


BED_X, BED_Y = (a.ravel() for a in np.meshgrid([30.0, 110.0, 190.0], [30.0, 110.0, 190.0]))


def bed(rng) -> Hits:
    """Nine patches on a flat, tilted bed."""
    gx, gy = rng.normal(0, 1e-3, 2)
    noise = rng.normal(0, math.hypot(0.01, 0.01), 9) + rng.normal(0, 0.0173)
    thick = 0.2 + gx * BED_X + gy * BED_Y + noise
    result = fit_bed(BED_X, BED_Y, thick, np.full(9, 0.01), 0.0173)
    screw = Screw(name="s", x_mm=200, y_mm=20, pitch_mm=0.7)
    return {"bed at a screw": holds(result.tilt(screw), gx * 90 - gy * 90)}


DRAWN = np.repeat([3.0, 4, 5, 6, 8, 10, 15, 20], 2)
ALONG = np.tile([1.0, -1.0], 8)


def holes(rng) -> Hits:
    """Eight holes read along X and Y."""
    constant, slope = rng.normal(0.1, 0.1), rng.normal(0, HOLE_SLOPE_SD)
    curve, half = rng.normal(0, CURVATURE_SD_MM2), rng.normal(0, XY_SD_MM)
    over = constant + slope * DRAWN + curve / DRAWN - half * ALONG + rng.normal(0, 0.02)
    read = DRAWN - over + rng.normal(0, math.hypot(0.012, HOLE_SCATTER_MM), 16)
    result = fit_holes(DRAWN, read, np.full(16, 0.012), ALONG, 0.02)
    return {
        "hole oversize": holds(result.oversize(6.0), constant + slope * 6 + curve / 6),
        "holes, X less Y": holds(result.x_less_y, 2 * half),
    }
