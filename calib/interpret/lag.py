"""Lag: the time by which the flow is behind the feed, and what to set or to keep to."""

import math

import numpy as np

from calib.errors import SheetError
from calib.fit.lag import Lag, Track, fit_lag, largest_speed, worst_mm
from calib.interpret.common import (
    Measured,
    doubtful_repeats,
    key_number,
    measured,
    now,
    residual,
    zero_of,
)
from calib.interpret.corrected import best_found
from calib.interpret.finding import Context, Finding
from calib.interpret.ripple import acceleration_of
from calib.model.correction import Correction, Verdict
from calib.model.setting import setting
from calib.readings import Sheet
from patterns.feature import Feature, Kind

#: By how much a wall may be off, mm, where the sheet does not say. Common practice, no source.
_WANTED_MM = 0.05
#: A lag below this shows on no wall, s. Common practice, no source.
_TOO_LITTLE_S = 0.015
#: An interval this wide, as a share of the value on each side, is too wide to use.
_TOO_WIDE = 0.6


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return f.kind is Kind.WALL and f.group == "lag"


def applies(sheet: Sheet) -> bool:
    """Whether a wall was measured at four places or more beside a change of speed."""
    return len(measured(sheet, reads)) >= 4


def _track(sheet: Sheet) -> Track:
    """Return the fast stretch as the schedule has it, from the wall's left end."""
    rows = [r for r in sheet.piece.schedule if r.limited]
    fast = max(rows, key=lambda r: r.value)
    slow = min(r.value for r in rows)
    first = next(f for f in sheet.piece.features if reads(f))
    left = first.start[0] - (first.rung or 0.0)
    return Track(slow=slow, fast=fast.value, begin=fast.x_from_mm - left, end=fast.x_to_mm - left)


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Find the time constant, and say what to set, or which step of speed keeps the width.

    Raises
    ------
    SheetError
        The wall is thinner than a layer is high.
    """
    caliper = context.instruments["caliper"]
    zero, u_zero = zero_of(sheet, caliper)
    items = measured(sheet, reads)
    push, stated = acceleration_of(sheet)
    track, layer = _track(sheet), sheet.piece.setup.layer_mm
    found = fit_lag(
        np.array([m.feature.rung for m in items], float),
        np.array([m.mean - zero for m in items]),
        np.array([m.u(caliper) for m in items]),
        u_zero,
        layer,
        track,
        push,
    )
    if found.rest_mm <= layer:
        raise SheetError(
            f"the wall is {found.rest_mm:.2f} mm thick at rest, thinner than a layer is high",
            where=sheet.name,
            mend="look at the unit, and measure across the wall",
        )
    correction = _correction(context, found, len(items))
    return Finding(
        topic="lag",
        estimates=(found.time.estimate,),
        corrections=(correction,),
        suspects=tuple(doubtful_repeats(items, caliper)),
        residuals=tuple(
            residual(m, float(w) + zero, 0.02) for m, w in zip(items, found.fitted, strict=True)
        ),
        summary=tuple(_summary(sheet, found, track, push.value, layer)),
        why=tuple(_why(found, track, push.value, said=stated)),
        evidence=_plain(items, found, track, zero),
    )


def _correction(context: Context, found: Lag, count: int) -> Correction:
    about = setting("flow_lag_s")
    t, old = found.time, now(context, about.name)
    value = t.estimate.value
    half = max(t.high - value, value - t.low)
    size = f"the flow lags by {value:.3f} s ({t.low:.3f} to {t.high:.3f})"
    if t.high < _TOO_LITTLE_S:
        verdict, tail = Verdict.LEAVE, "too little to show, leave it alone"
    elif half > max(_TOO_WIDE * value, about.wanted):
        verdict, tail = (
            Verdict.PRINT_AGAIN,
            "too uncertain; measure all places, and say the acceleration",
        )
    elif old is not None and t.low <= old <= t.high:
        verdict, tail = Verdict.LEAVE, "the value now set is within that, leave it alone"
    else:
        verdict, tail = Verdict.APPLY, "set it where the printer can make up for it"
    return best_found(
        about.name,
        old,
        value,
        t.estimate,
        verdict,
        f"{size}; {tail}",
        f"thickness of the wall at {count} places",
        u=max(t.estimate.u, half / 1.96),
    )


def _summary(sheet: Sheet, found: Lag, track: Track, push: float, layer: float) -> list[str]:
    wanted = key_number(sheet, "wanted_width_mm", 0.005, 1.0) or _WANTED_MM
    t = found.time
    value = t.estimate.value
    worst = worst_mm(track, value, push, found.rest_mm, layer)
    fastest = largest_speed(track.slow, value, push, found.rest_mm, layer, wanted)
    lines = [
        f"The flow lags behind the feed by {value:.3f} s ({t.low:.3f} to {t.high:.3f}): {value:.3f} mm of filament"
        " for each mm/s that the filament has to go faster.",
        f"A step from {track.slow:g} to {track.fast:g} mm/s and back puts the wall off by up to {worst:.2f} mm.",
    ]
    if worst > wanted:
        lines.append(
            f"Where the printer can't make up for it: from {track.slow:g} mm/s step to {fastest:.0f} mm/s at most, which"
            f" keeps the wall within {wanted:g} mm; or accelerate more gently."
        )
    return lines


def _why(found: Lag, track: Track, push: float, *, said: bool) -> list[str]:
    source = "as the sheet says" if said else "taken, since the sheet does not say it"
    rise = push * found.time.estimate.value
    return [
        "Flow follows the feed as a first-order process: while the nozzle gains speed the flow is behind by up to"
        f" acceleration x lag = {push:g} x {found.time.estimate.value:.3f} = {rise:.0f} mm/s of the nozzle's speed, and"
        " catches up in about three times the lag.",
        f"An acceleration of {push:g} mm/s2 was {source}; what is not known of it, of the place of the jaws and of"
        " the caliper's zero is averaged over.",
        f"The line at rest is {found.rest_mm:.3f} mm wide. It was printed from left to right with a probability of"
        f" {found.forward:.0%}; both ways were tried.",
    ]


def _plain(items: list[Measured], found: Lag, track: Track, zero: float) -> dict[str, object]:
    return {
        "plot": "lag",
        "x": [m.feature.rung for m in items],
        "width": [m.mean - zero for m in items],
        "at": found.at.tolist(),
        "curve": found.curve.tolist(),
        "rest_mm": found.rest_mm,
        "fast": [track.begin, track.end],
        "lag_s": [found.time.estimate.value, found.time.low, found.time.high],
        "forward": found.forward if math.isfinite(found.forward) else None,
    }
