"""Optimum: the best temperature or retraction of a tower, from scores and what was measured on it."""

import numpy as np

from calib.fit.optimum import as_estimate, further_range
from calib.interpret.common import doubtful_repeats, measured, now, residual
from calib.interpret.corrected import best_found
from calib.interpret.finding import Context, Finding, Residual, Suspect
from calib.interpret.ladders import ladder_requests, range_words
from calib.interpret.optimum_words import care, past_usual, summary, why
from calib.interpret.tower import LEAST_U, Tower, is_score, reads, tower_of
from calib.model.correction import Correction, Verdict
from calib.model.request import Request
from calib.model.setting import kept_setting
from calib.readings import Sheet

__all__ = ["applies", "interpret", "reads"]


def applies(sheet: Sheet) -> bool:
    """Whether bands printed at three settings or more were scored or measured."""
    rungs = {m.feature.rung for m in measured(sheet, reads)}
    return bool(sheet.piece.schedule) and len(rungs) >= 3


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Find the best setting, how sure it is, and how far off it does not matter."""
    tower = tower_of(sheet, context)
    correction = _correction(sheet, context, tower)
    best = tower.result.best
    return Finding(
        topic=kept_setting(tower.setting).topic,
        estimates=(best.estimate,),
        corrections=(correction,),
        suspects=tuple(_suspects(context, tower)),
        residuals=tuple(_residuals(tower)),
        summary=tuple([*summary(tower, correction), *care(correction)]),
        why=tuple(why(sheet, tower)),
        evidence=_plain(tower),
        requests=_surer(sheet, tower) if correction.verdict is not Verdict.PRINT_AGAIN else (),
    )


def _correction(sheet: Sheet, context: Context, tower: Tower) -> Correction:
    best, (low, high) = tower.result.best, tower.tested
    old = now(context, tower.setting, _before(sheet))
    value = min(max(round(best.estimate.value / tower.step) * tower.step, low), high)
    value = min(value, tower.ceiling)
    verdict, reason, requests = _decided(sheet, tower, value, old)
    evidence = f"{len(tower.groups)} judgements on each of {tower.bands} bands"
    return best_found(
        tower.setting,
        old,
        value,
        as_estimate(best),
        verdict,
        reason,
        evidence,
        requests=requests,
    )


def _decided(
    sheet: Sheet, tower: Tower, value: float, old: float | None
) -> tuple[Verdict, str, tuple[Request, ...]]:
    """Return the verdict, why, and what to print where the best may lie beyond the bands."""
    result, (a, b) = tower.result, tower.result.plateau
    size = f"best at {value:g}{tower.in_unit} ({result.best.low:.3g} to {result.best.high:.3g})"
    flat = f"from {a:.3g} to {b:.3g}{tower.in_unit} it makes no difference that shows"
    further = further_range(result, tower.tested, tower.floor, tower.ceiling)
    if further is not None:
        requests = _further(sheet, tower, further)
        where = range_words(requests[0], tower.unit) if requests else "beyond it"
        reason = (
            f"the best is at the end of the range, and may lie further: look {where}"
            f"{past_usual(sheet, tower, further[1])}"
        )
        return Verdict.PRINT_AGAIN, reason, requests
    if old is not None and a <= old <= b:
        return Verdict.LEAVE, f"{size}; {flat}, and {old:g} is among them", ()
    if (a, b) == tower.tested:
        reason = f"{flat}: the bands can't be told apart, take what prints easiest"
        return Verdict.LEAVE, reason, ()
    if result.p_high_end >= 0.5 or result.p_low_end >= 0.5:
        reason = (
            f"{size}, at the end of the range, and there is no room beyond it within the limits"
        )
        return Verdict.APPLY, reason, ()
    return Verdict.APPLY, f"{size}; {flat}", ()


def _before(sheet: Sheet) -> float | None:
    """Return what was set before the piece was printed, where its maker had to say so."""
    try:
        return float(sheet.piece.spec.as_text().get("before", ""))
    except ValueError:
        return None


def _further(sheet: Sheet, tower: Tower, further: tuple[float, float]) -> tuple[Request, ...]:
    """Return the tower about and beyond the end at which the best was found."""
    near, far = further if tower.result.p_high_end >= 0.5 else further[::-1]
    return ladder_requests(
        sheet,
        near,
        far,
        f"print a tower that goes on from {near:.3g}{tower.in_unit}",
        settles=tower.setting,
    )


def _surer(sheet: Sheet, tower: Tower) -> tuple[Request, ...]:
    """Return a finer tower about the best."""
    best, step = tower.result.best, tower.step
    half = (best.high - best.low) / 2
    around = max(1.5 * half, 4 * step)
    a = max(best.estimate.value - around, tower.floor)
    b = min(best.estimate.value + around, tower.ceiling)
    return ladder_requests(
        sheet,
        a,
        b,
        "print finer bands about the best",
        settles=tower.setting,
        step=max((b - a) / 8, step),
    )


def _suspects(context: Context, tower: Tower) -> list[Suspect]:
    """Show sag repeats that disagree, and scores far off their curve."""
    caliper, eye = context.instruments["caliper"], context.instruments["eye"]
    found = []
    for name, items in tower.groups.items():
        found += doubtful_repeats(items, caliper)
        if not is_score(items[0].feature):
            continue
        fitted = np.interp(
            [m.feature.rung or 0.0 for m in items],
            tower.result.at,
            tower.result.curves[name][:, 0],
        )
        for m, f in zip(items, fitted, strict=True):
            if abs(m.mean - f) > 4 * eye.u_reading:
                found.append(
                    Suspect(
                        reading=m.readings[0],
                        explanation=f"{m.feature.id}: {m.mean:g} stands out, its neighbours make"
                        f" one expect {f:.1f}: look again",
                        used=True,
                    )
                )
    return found


def _residuals(tower: Tower) -> list[Residual]:
    lines = []
    for name, items in tower.groups.items():
        curve = tower.result.curves[name][:, 0]
        for m in items:
            fitted = float(np.interp(m.feature.rung or 0.0, tower.result.at, curve))
            if not is_score(m.feature):
                fitted += m.feature.nominal
            u = 0.7 if is_score(m.feature) else LEAST_U[m.feature.unit]
            lines.append(residual(m, fitted, u))
    return lines


def _plain(tower: Tower) -> dict[str, object]:
    r = tower.result
    return {
        "plot": "optimum",
        "unit": tower.unit,
        "x": r.at.tolist(),
        "desirability": r.mean.tolist(),
        "band": r.band.tolist(),
        "best": [r.best.estimate.value, r.best.low, r.best.high],
        "plateau": list(r.plateau),
        "responses": {
            name: {
                "points": [
                    [m.feature.rung, v.value - (0.0 if is_score(m.feature) else m.feature.nominal)]
                    for m in items
                    for v in m.readings
                ],
                "curve": r.curves[name].tolist(),
            }
            for name, items in tower.groups.items()
        },
    }
