"""Simulated judgements with known truth; what is measured is in `simulate_rest.py`.

Every function draws one case and returns name -> whether the 95 % interval holds the truth (None
where the case has no answer to judge). Tests run a few, `python -m bench.fits` runs thousands.
"""

import math
from collections.abc import Callable

import numpy as np

from calib.fit.optimum import Response, find_optimum
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
