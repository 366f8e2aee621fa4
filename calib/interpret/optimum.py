"""Optimum: the best temperature or retraction of a tower, from scores and what was measured on it."""

import math
from dataclasses import dataclass, replace

import numpy as np

from calib.fit.optimum import (
    PLATEAU_LOSS,
    SCORE,
    Optimum,
    Response,
    Wish,
    as_estimate,
    find_optimum,
    further_range,
)
from calib.interpret.common import Measured, doubtful_repeats, key_number, measured, now, residual
from calib.interpret.finding import Context, Finding, Residual, Suspect
from calib.interpret.ladders import ladder_requests, nice, range_words
from calib.model.correction import Correction, Verdict
from calib.model.gate import ceiling, ratings_of, tightest
from calib.model.request import Request
from calib.model.setting import kept_setting
from calib.readings import Sheet
from calib.safety import SAFETY
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.filaments import Filament, filament

#: Sag or droop, roughness of an edge, and strings for each mm of a gap's length (two or three lines
#: across it) that are half as good as none: common practice, no source.
_HALF_SAG_MM, _HALF_ROUGHNESS_MM, _HALF_STRINGS_MM = 0.4, 0.1, 1.0
#: Standard uncertainty of a measured defect at least: how far a band differs from its twin. Common
#: practice, no source.
_LEAST_U = {"mm": 0.03, "mm2": 0.5}


def _is_score(f: Feature) -> bool:
    return f.kind is Kind.SCORE and f.rung is not None


def _is_measured(f: Feature) -> bool:
    return f.rung is not None and (f.group == "sag" or f.instrument == "photo")


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return _is_score(f) or _is_measured(f)


def applies(sheet: Sheet) -> bool:
    """Whether bands printed at three settings or more were scored or measured."""
    rungs = {m.feature.rung for m in measured(sheet, reads)}
    return bool(sheet.piece.schedule) and len(rungs) >= 3


@dataclass(frozen=True)
class _Tower:
    """The bands' readings by group, and the range they cover.

    `aside` are the groups whose scores don't count, because the same was measured.
    """

    setting: str
    unit: str
    groups: dict[str, list[Measured]]
    aside: tuple[str, ...]
    weights: dict[str, float]
    tested: tuple[float, float]
    floor: float
    ceiling: float
    result: Optimum

    @property
    def in_unit(self) -> str:
        """The unit behind a number; a setting of the user's own has none."""
        return f" {self.unit}" if self.unit else ""


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Find the best setting, how sure it is, and how far off it does not matter."""
    tower = _tower(sheet, context)
    correction = _correction(sheet, context, tower)
    best = tower.result.best
    return Finding(
        topic=kept_setting(tower.setting).topic,
        estimates=(best.estimate,),
        corrections=(correction,),
        suspects=tuple(_suspects(context, tower)),
        residuals=tuple(_residuals(tower)),
        summary=tuple([*_summary(tower, correction), *_care(correction)]),
        why=tuple(_why(sheet, tower)),
        evidence=_plain(tower),
        requests=_surer(sheet, tower) if correction.verdict is not Verdict.PRINT_AGAIN else (),
    )


def _tower(sheet: Sheet, context: Context) -> _Tower:
    setting = sheet.piece.schedule[0].setting
    groups, aside = _groups(sheet)
    weights = {}
    for name in groups:
        stated = key_number(sheet, f"weight_{name}", 0.0, 100.0)
        weights[name] = 1.0 if stated is None else stated
    if not any(weights.values()):
        weights = dict.fromkeys(groups, 1.0)
    responses = [_response(name, items, weights[name], context) for name, items in groups.items()]
    rungs = [m.feature.rung or 0.0 for items in groups.values() for m in items]
    return _Tower(
        setting=setting,
        unit=kept_setting(setting).unit,
        groups=groups,
        aside=aside,
        weights=weights,
        tested=(min(rungs), max(rungs)),
        floor=kept_setting(setting).limits[0],
        ceiling=ceiling(setting, tightest(ratings_of(sheet.piece.setup), context.ratings)),
        result=find_optimum(responses, kept_setting(setting).unit, setting),
    )


def _groups(sheet: Sheet) -> tuple[dict[str, list[Measured]], tuple[str, ...]]:
    """Return the readings by group, and the groups of which scores are left aside.

    What was both scored and measured counts once: as measured, unless more bands were scored.
    """
    scored: dict[str, list[Measured]] = {}
    other: dict[str, list[Measured]] = {}
    for m in measured(sheet, reads):
        group = m.feature.group or m.feature.kind.value
        (scored if _is_score(m.feature) else other).setdefault(group, []).append(m)
    better = {g for g in other if len(other[g]) >= len(scored.get(g, []))}
    kept = {g: other[g] if g in better else scored.get(g, []) for g in scored | other}
    return kept, tuple(g for g in scored if g in better)


def _response(name: str, items: list[Measured], weight: float, context: Context) -> Response:
    x = np.array([m.feature.rung for m in items], float)
    if _is_score(items[0].feature):
        eye = context.instruments["eye"]
        most = max(len(m.readings) for m in items)
        u = eye.u_reading / most**0.5
        y = np.array([m.mean for m in items])
        return Response(name=name, x=x, y=y, u=u, wish=SCORE, weight=weight)
    caliper = context.instruments["caliper"]
    y = np.array([m.mean - m.feature.nominal for m in items])
    least = _LEAST_U[items[0].feature.unit]
    us = np.array([np.hypot(m.u(caliper), least) for m in items])
    wish = Wish(sort="none", low=0.0, high=_half(items[0].feature))
    return Response(name=name, x=x, y=y, u=us, wish=wish, weight=weight)


def _half(f: Feature) -> float:
    """Return how much of a defect is half as good as none, in the feature's unit."""
    if f.kind is Kind.STRANDS:
        return _HALF_STRINGS_MM * math.dist(f.start, f.end)
    return _HALF_ROUGHNESS_MM if f.kind is Kind.ROUGHNESS else _HALF_SAG_MM


def _correction(sheet: Sheet, context: Context, tower: _Tower) -> Correction:
    result, best = tower.result, tower.result.best
    old = now(context, tower.setting, _before(sheet))
    step = _step(tower)
    low, high = tower.tested
    value = min(max(round(best.estimate.value / step) * step, low), high)
    value = min(value, tower.ceiling)
    a, b = result.plateau
    size = f"best at {value:g}{tower.in_unit} ({best.low:.3g} to {best.high:.3g})"
    flat = f"from {a:.3g} to {b:.3g}{tower.in_unit} it makes no difference that shows"
    estimate = as_estimate(best)
    further = further_range(result, tower.tested, tower.floor, tower.ceiling)
    verdict, reason = Verdict.APPLY, f"{size}; {flat}"
    requests: tuple[Request, ...] = ()
    if further is not None:
        verdict, requests = Verdict.PRINT_AGAIN, _further(sheet, tower, further)
        where = range_words(requests[0], tower.unit) if requests else "beyond it"
        reason = (
            f"the best is at the end of the range, and may lie further: look {where}"
            f"{_past_usual(sheet, tower, further[1])}"
        )
    elif old is not None and a <= old <= b:
        verdict, reason = Verdict.LEAVE, f"{size}; {flat}, and {old:g} is among them"
    elif (a, b) == tower.tested:
        verdict = Verdict.LEAVE
        reason = f"{flat}: the bands can't be told apart, take what prints easiest"
    elif result.p_high_end >= 0.5 or result.p_low_end >= 0.5:
        reason = (
            f"{size}, at the end of the range, and there is no room beyond it within the limits"
        )
    return Correction(
        setting=tower.setting,
        old=old,
        new=value,
        u_new=estimate.u,
        unit=tower.unit,
        error=replace(estimate, value=value - (old or 0.0)),
        verdict=verdict,
        scope=kept_setting(tower.setting).scope,
        evidence=f"{len(tower.groups)} judgements on each of {_bands(tower)} bands",
        reason=reason,
        requests=requests,
    )


def _before(sheet: Sheet) -> float | None:
    """Return what was set before the piece was printed, where its maker had to say so."""
    try:
        return float(sheet.piece.spec.as_text().get("before", ""))
    except ValueError:
        return None


def _step(tower: _Tower) -> float:
    """Return the smallest change worth making; a tenth of a band of a setting of the user's own."""
    known = kept_setting(tower.setting).step
    return known or nice((tower.tested[1] - tower.tested[0]) / max(1, _bands(tower) - 1) / 10)


def _further(sheet: Sheet, tower: _Tower, further: tuple[float, float]) -> tuple[Request, ...]:
    """Return the tower about and beyond the end at which the best was found."""
    near, far = further if tower.result.p_high_end >= 0.5 else further[::-1]
    return ladder_requests(
        sheet,
        near,
        far,
        f"print a tower that goes on from {near:.3g}{tower.in_unit}",
        settles=tower.setting,
    )


def _past_usual(sheet: Sheet, tower: _Tower, high: float) -> str:
    """Warn where a further range leaves what the type of filament is usually printed at."""
    usual = _usual(sheet) if tower.setting == "hot_end_c" else None
    if usual is None or high <= usual.hot_end_to_c:
        return ""
    return (
        f"; {usual.type} usually stays at or below {usual.hot_end_to_c:g} degC: look at the spool's"
        " own range first, and ventilate"
    )


def _usual(sheet: Sheet) -> Filament | None:
    try:
        return filament(sheet.piece.spec.as_text().get("filament", ""))
    except SpecError:
        return None


def _bands(tower: _Tower) -> int:
    return len({m.feature.rung for items in tower.groups.values() for m in items})


def _care(correction: Correction) -> list[str]:
    """Return the cautions where the answer asks for more heat."""
    hotter = correction.old is None or correction.new > correction.old
    again = correction.verdict is Verdict.PRINT_AGAIN
    return [SAFETY] if correction.setting == "hot_end_c" and (hotter or again) else []


def _summary(tower: _Tower, correction: Correction) -> list[str]:
    best, (a, b) = tower.result.best, tower.result.plateau
    spread = f"({best.low:.3g} to {best.high:.3g})"
    flat = f"anywhere from {a:.3g} to {b:.3g} is as good for practical purposes"
    if correction.verdict is Verdict.PRINT_AGAIN:
        spread, flat = (
            "or beyond",
            "the best may lie beyond what was printed, so nothing is settled",
        )
    lines = [f"Best at {best.estimate.value:.3g}{tower.in_unit} {spread}; {flat}."]
    peaks = {name: tower.result.at[np.argmax(_wish_curve(tower, name))] for name in tower.groups}
    if len(peaks) > 1 and np.ptp(list(peaks.values())) > 0.3 * (tower.tested[1] - tower.tested[0]):
        each = ", ".join(f"{k} {v:.3g}" for k, v in peaks.items())
        lines.append(
            f"The judgements pull apart ({each}{tower.in_unit}): weigh what matters to you."
        )
    return lines


def _wish_curve(tower: _Tower, name: str) -> np.ndarray:
    curve = tower.result.curves[name][:, 0]
    return curve if _is_score(tower.groups[name][0].feature) else -curve


def _why(sheet: Sheet, tower: _Tower) -> list[str]:
    result = tower.result
    weights = ", ".join(f"{k} x {w:g}" for k, w in tower.weights.items())
    lines = [
        "Each judgement is a smooth curve of the setting plus noise (a Gaussian process, its"
        " smoothness averaged over). Curves drawn from it are turned into desirabilities from 0 to 1"
        f" and joined as a weighted geometric mean (Derringer and Suich, 1980): {weights}.",
        f"Change a weight with a line such as # weight_{next(iter(tower.groups))}: 2 in the sheet's"
        " head.",
        *_measured_words(tower),
        f"The plateau is where the joint desirability is within {PLATEAU_LOSS:g} of the best.",
        f"The best lies at the low end with probability {result.p_low_end:.0%}, at the high end with"
        f" {result.p_high_end:.0%}.",
    ]
    if tower.setting == "hot_end_c":
        lines += _temperature_cautions(sheet, tower)
    if further_range(result, tower.tested, tower.floor, tower.ceiling) is None:
        half = (result.best.high - result.best.low) / 2 / 2**0.5
        lines.append(
            "To be surer, let a second person score this one: the interval shrinks to about"
            f" ± {half:.2g}{tower.in_unit}."
        )
    return lines


def _measured_words(tower: _Tower) -> list[str]:
    """Say how good a measured defect is taken to be, and which scores it stands for."""
    halves = [
        f"{name} {_half(items[0].feature):g} {items[0].feature.unit}"
        for name, items in tower.groups.items()
        if not _is_score(items[0].feature)
    ]
    lines = []
    if halves:
        lines.append(
            f"Of what was measured none is best, and half as good is {', '.join(halves)} (common"
            " practice, no source)."
        )
    if tower.aside:
        lines.append(
            f"Measured and scored: {', '.join(tower.aside)}. The measured values count, the scores of"
            " the same do not."
        )
    return lines


def _surer(sheet: Sheet, tower: _Tower) -> tuple[Request, ...]:
    """Return a finer tower about the best."""
    best, step = tower.result.best, _step(tower)
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


def _temperature_cautions(sheet: Sheet, tower: _Tower) -> list[str]:
    lines = [f"Never above {tower.ceiling:g} degC, what this printer's hot end is rated for."]
    usual = _usual(sheet)
    if usual and not usual.hot_end_from_c <= tower.result.best.estimate.value <= usual.hot_end_to_c:
        lines.append(
            f"{usual.type} usually prints at {usual.hot_end_from_c:g} to {usual.hot_end_to_c:g}"
            " degC; this best lies outside: check the sensor, and the spool's own range."
        )
    return lines


def _suspects(context: Context, tower: _Tower) -> list[Suspect]:
    """Show sag repeats that disagree, and scores far off their curve."""
    caliper, eye = context.instruments["caliper"], context.instruments["eye"]
    found = []
    for name, items in tower.groups.items():
        found += doubtful_repeats(items, caliper)
        if not _is_score(items[0].feature):
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


def _residuals(tower: _Tower) -> list[Residual]:
    lines = []
    for name, items in tower.groups.items():
        curve = tower.result.curves[name][:, 0]
        for m in items:
            fitted = float(np.interp(m.feature.rung or 0.0, tower.result.at, curve))
            if not _is_score(m.feature):
                fitted += m.feature.nominal
            u = 0.7 if _is_score(m.feature) else _LEAST_U[m.feature.unit]
            lines.append(residual(m, fitted, u))
    return lines


def _plain(tower: _Tower) -> dict[str, object]:
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
                    [m.feature.rung, v.value - _shift(m)] for m in items for v in m.readings
                ],
                "curve": r.curves[name].tolist(),
            }
            for name, items in tower.groups.items()
        },
    }


def _shift(m: Measured) -> float:
    return 0.0 if _is_score(m.feature) else m.feature.nominal
