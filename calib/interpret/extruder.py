"""Extruder: new steps per millimetre of filament, and the volumetric rate where it slips."""

import math
from dataclasses import replace

import numpy as np

from calib.errors import SheetError
from calib.fit.doubts import effect
from calib.fit.extruder import FeedFit, fit_feed
from calib.interpret.common import (
    Measured,
    doubtful_repeats,
    estimate_words,
    measured,
    now,
    plus_minus,
    residual,
    stand_out,
)
from calib.interpret.corrected import best_found, corrected
from calib.interpret.finding import Context, Finding, Suspect
from calib.model.correction import Correction, Verdict, judge
from calib.model.instrument import Instrument
from calib.model.request import Request
from calib.readings import Sheet
from calib.safety import SAFETY
from patterns import registry
from patterns.feature import Feature

#: Placing and finding the mark on the filament, mm: common practice, no source.
_MARK_MM = 0.3
_SMALLEST_PERCENT = 0.1
_WANTED_PERCENT = 1.0
#: How many standard uncertainties a reading must stand off to be set aside.
_STANDS_OUT = 5.0
#: Less than this is no feed error but another quantity.
_LEAST_FEED = 0.3


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return f.group == "feed"


def applies(sheet: Sheet) -> bool:
    """Whether the extruder's feed was measured."""
    return bool(measured(sheet, reads))


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Fit consumed against commanded length over the rates, and judge steps and top rate.

    Raises
    ------
    SheetError
        So little was taken in that lengths left over were written.
    """
    caliper = context.instruments["caliper"]
    trials = measured(sheet, reads)
    nominal = trials[0].feature.nominal
    common = math.hypot(caliper.u_scale, caliper.u_zero / nominal)
    result, trials, aside = _robust(trials, caliper, common)
    rate, ratio, u = _arrays(trials, caliper)
    if result.feed.value < _LEAST_FEED:
        raise SheetError(
            f"the readings say that only {100 * result.feed.value:.0f} % was taken in",
            where=sheet.name,
            mend="write the length taken in, not the length left over",
        )
    fitted = np.interp(rate, *result.curve)
    percent = result.feed.times(100, "%")
    estimates = (percent, *((result.onset,) if result.onset else ()))
    # Repeats may differ by the mark as well as by the caliper.
    ruler = replace(caliper, repeatability=_MARK_MM)
    return Finding(
        topic="extruder",
        estimates=estimates,
        corrections=tuple(_corrections(context, trials, result)),
        suspects=(*aside, *doubtful_repeats(trials, ruler)),
        residuals=tuple(
            residual(m, float(_at(m, rate, fitted)) * nominal, _MARK_MM) for m in trials
        ),
        summary=(*_summary(context, result, rate), SAFETY),
        why=tuple(_why(result)),
        requests=_surer(trials, result),
        factors={} if _steps_now(context) else {"steps_e_per_mm": 1 / result.feed.value},
        evidence={
            "plot": "feed",
            "rate_mm3_s": rate.tolist(),
            "ratio": ratio.tolist(),
            "u": u.tolist(),
            "curve": [result.curve[0].tolist(), result.curve[1].tolist()],
            "p_slip": result.p_slip,
            "onset_range": list(result.onset_range) if result.onset else [],
        },
    )


def _at(m: Measured, rate: np.ndarray, fitted: np.ndarray) -> float:
    return float(fitted[np.argmin(np.abs(rate - (m.feature.rung or 0.0)))])


def _robust(
    trials: list[Measured], caliper: Instrument, common: float
) -> tuple[FeedFit, list[Measured], list[Suspect]]:
    """Fit the feed, setting aside one by one the readings that stand far from all the others."""
    kept, aside = trials, []
    rate, ratio, u = _arrays(kept, caliper)
    result = fit_feed(rate, ratio, u, common)
    for _ in range(len(rate) // 4):
        off = np.abs(ratio - np.interp(rate, *result.curve)) / u
        worst = int(np.argmax(off))
        if len(rate) < 4 or off[worst] <= _STANDS_OUT * max(1.0, float(np.median(off)) / 0.6745):
            break
        kept, out = _without(kept, worst)
        before = result
        rate, ratio, u = _arrays(kept, caliper)
        result = fit_feed(rate, ratio, u, common)
        expected = float(np.interp(out.feature.rung or 0.0, *result.curve)) * out.feature.nominal
        words = effect(before.feed.times(100, "%"), result.feed.times(100, "%"))
        aside += stand_out(out, expected, words)
    return result, kept, aside


def _without(trials: list[Measured], row: int) -> tuple[list[Measured], Measured]:
    """Take one reading out, counted through all trials; return what is left, and it."""
    readings = [(m, r) for m in trials for r in m.readings]
    owner, reading = readings[row]
    left = [Measured(m.feature, tuple(r for r in m.readings if r is not reading)) for m in trials]
    return [m for m in left if m.readings], Measured(owner.feature, (reading,))


def _arrays(
    trials: list[Measured], caliper: Instrument
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return one entry per reading: every trial was a feed of its own."""
    rows = [
        (m.feature.rung or 0.0, r.value / m.feature.nominal,
         (r.u or math.hypot(_MARK_MM, caliper.u_reading)) / m.feature.nominal)
        for m in trials
        for r in m.readings
    ]  # fmt: skip
    rate, ratio, u = np.array(rows).T
    return rate, ratio, u


def _corrections(context: Context, trials: list[Measured], result: FeedFit) -> list[Correction]:
    error = replace(
        result.feed.times(100, "%"), name="feed_error", value=100 * (result.feed.value - 1)
    )
    verdict = judge(error, _SMALLEST_PERCENT, _WANTED_PERCENT)
    way = "too much" if error.value > 0 else "too little"
    size = f"it takes in {abs(error.value):.2f} % {way} filament (± {error.expanded():.2f} %)"
    reasons = {
        Verdict.APPLY: f"{size}, more than the uncertainty",
        Verdict.LEAVE: f"{size}: not distinguishable from none, leave it alone",
        Verdict.PRINT_AGAIN: f"{size}: too uncertain",
    }
    again = verdict is Verdict.PRINT_AGAIN
    steps = _steps_now(context)
    found = []
    if steps:
        found.append(
            corrected(
                "steps_e_per_mm",
                steps,
                steps / result.feed.value,
                error,
                verdict,
                reasons[verdict],
                f"{sum(len(m.readings) for m in trials)} feeds of {trials[0].feature.nominal:g} mm",
                u_new=steps * result.feed.u / result.feed.value**2,
                requests=_surer(trials, result) if again else (),
            )
        )
    if result.onset is not None:
        found.append(_top_rate(context, result))
    return found


def _steps_now(context: Context) -> float | None:
    drive = context.drives.get("E")
    return now(context, "steps_e_per_mm", drive.steps_per_mm if drive else None)


def _top_rate(context: Context, result: FeedFit) -> Correction:
    low, high = result.onset_range
    assert result.onset is not None
    old = now(context, "volumetric_rate_limit_mm3_s")
    needed = old is None or old > low
    size = f"slip starts at {result.onset.value:.1f} mm3/s ({low:.1f} to {high:.1f})"
    return best_found(
        "volumetric_rate_limit_mm3_s",
        old,
        low,
        result.onset,
        Verdict.APPLY if needed else Verdict.LEAVE,
        f"{size}; stay below, or print hotter within the limits",
        "a feed that falls as the rate rises",
    )


def _surer(trials: list[Measured], result: FeedFit) -> tuple[Request, ...]:
    """Return longer feeds, and by how much they would help: the mark's error counts per length."""
    length = trials[0].feature.nominal
    half = 100 * result.feed.expanded() * length / (2.5 * length)
    longest = registry.get("extruder-feed").spec_type.params()["length_mm"][0].high
    if 2.5 * length > longest:
        return ()
    return (
        Request(
            pattern="extruder-feed",
            parameters={"length_mm": float(round(2.5 * length))},
            why=f"feed longer lengths, which brings it to about ± {half:.1f} %",
            settles=("steps_e_per_mm",),
        ),
    )


def _summary(context: Context, result: FeedFit, rate: np.ndarray) -> list[str]:
    lines = [f"The extruder takes in {plus_minus(result.feed.times(100, '%'))} of what is asked."]
    if result.onset is not None:
        low, high = result.onset_range
        end = float(np.interp(rate.max(), *result.curve))
        lines.append(
            f"It slips from {result.onset.value:.1f} mm3/s ({low:.1f} to {high:.1f}) upwards; at"
            f" {rate.max():g} mm3/s it takes in {100 * end:.0f} %."
        )
    elif len(np.unique(rate)) > 1:
        lines.append(f"No slip up to {rate.max():g} mm3/s.")
    return lines


def _why(result: FeedFit) -> list[str]:
    return [
        "A feed error is the same at every rate; slip grows with the rate. Every place where slip"
        " might begin, and none at all, was fitted and weighed by how well it explains the feeds.",
        f"Probability of slip within the rates tested: {result.p_slip:.0%}, from even odds.",
        estimate_words(result.feed),
    ]
