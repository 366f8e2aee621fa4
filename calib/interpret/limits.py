"""Limits: the steepest overhang and the longest bridge, from what was seen and from measured sag."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.fit.threshold import Limit, SagFit, Thresholds, fit_sag, fit_thresholds
from calib.interpret.common import Measured, doubtful_repeats, key_number, measured, now, residual
from calib.interpret.corrected import best_found
from calib.interpret.finding import Context, Finding, Residual, Suspect
from calib.interpret.ladders import ladder_requests
from calib.model.correction import Correction, Verdict
from calib.model.estimate import Estimate
from calib.model.request import Request
from calib.model.setting import kept_setting
from calib.readings import Sheet
from patterns.feature import Feature, Kind

#: Sag that still looks right, mm, where the sheet does not say: common practice, no source.
ALLOWED_SAG_MM = 0.3
#: A limit is set where this share of prints comes out clean.
_SAFE = 0.9

#: Pattern -> setting, unit, and its words.
_SETTINGS = {
    "overhang-ladder": ("overhang_limit_deg", "deg", "a lean of"),
    "bridge-ladder": ("bridge_limit_mm", "mm", "a span of"),
}


def _is_judged(f: Feature) -> bool:
    return f.kind is Kind.PASS and f.rung is not None and not f.grades and f.group == "pass"


def _is_sag(f: Feature) -> bool:
    return f.rung is not None and f.group == "sag"


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return _is_judged(f) or _is_sag(f)


def applies(sheet: Sheet) -> bool:
    """Whether a ladder was judged or its sag measured (a tower's sag is a matter of settings)."""
    if sheet.piece.schedule:
        return False
    judged, sag = _ladder(sheet)
    return any(len(_rungs(part)) >= 2 for part in (judged, sag))


def _ladder(sheet: Sheet) -> tuple[list[Measured], list[Measured]]:
    return measured(sheet, _is_judged), measured(sheet, _is_sag)


def _rungs(items: Sequence[Measured]) -> list[float]:
    return sorted({m.feature.rung or 0.0 for m in items})


@dataclass(frozen=True)
class _Found:
    """Where the ladder ends, by eye and by caliper."""

    looks: Thresholds | None
    looks_safe: Limit | None
    sag: SagFit | None
    rungs: list[float]

    @property
    def limits(self) -> list[Limit]:
        """The limits found, the lower (safer) first.

        By eye it is the value at which most come out clean, no further than the last clean rung
        where the change is clean, with the uncertainty of the place of the change.
        """
        found = []
        if self.looks is not None and self.looks_safe is not None:
            lower = self.looks.still_clean(self.looks_safe)
            found.append(_existing(lower, lower.estimate.name))
        if self.sag and self.sag.limit:
            found.append(self.sag.limit)
        return sorted(found, key=lambda lim: lim.estimate.value)


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Find how far the ladder came out clean."""
    setting, unit, words = _SETTINGS.get(
        sheet.piece.pattern, (f"{sheet.piece.pattern.replace('-', '_')}_limit", "", "a rung of")
    )
    judged, sagged = _ladder(sheet)
    allowed = key_number(sheet, "allowed_sag_mm", 0.01, 20.0) or ALLOWED_SAG_MM
    found = _fit(judged, sagged, context, allowed, unit, setting)
    correction = _correction(sheet, context, found, setting, unit, words)
    caliper = context.instruments["caliper"]
    return Finding(
        topic="limit",
        estimates=tuple(lim.estimate for lim in found.limits),
        corrections=(correction,),
        suspects=tuple([*doubtful_repeats(sagged, caliper), *_contradictions(judged, found)]),
        residuals=tuple(_residuals(sagged, found)),
        summary=tuple(_summary(found, unit, allowed, words)),
        why=tuple(_why(sheet, found, unit, allowed)),
        evidence=_plain(judged, found, allowed),
        requests=_surer(sheet, found, setting),
    )


def _fit(
    judged: list[Measured],
    sagged: list[Measured],
    context: Context,
    allowed: float,
    unit: str,
    name: str,
) -> _Found:
    looks = safe = sag = None
    if len(_rungs(judged)) >= 2:
        looks = _thresholds(judged, unit)
        looks = replace(looks, limits=tuple(_existing(lim, name) for lim in looks.limits))
        safe = _existing(looks.where(0, 1 - _SAFE, name), name)
    if len(_rungs(sagged)) >= 2:
        caliper = context.instruments["caliper"]
        sag = fit_sag(
            np.array([m.feature.rung for m in sagged]),
            np.array([m.mean - m.feature.nominal for m in sagged]),
            np.array([m.u(caliper) for m in sagged]),
            allowed,
            unit,
            name,
        )
        if sag.limit:
            sag = replace(sag, limit=_existing(sag.limit, name))
    return _Found(looks, safe, sag, sorted({*_rungs(judged), *_rungs(sagged)}))


def _existing(limit: Limit, name: str) -> Limit:
    """Keep a limit and its interval within what exists: there is no span of less than nothing."""
    least, most = kept_setting(name).limits
    low, value, high = (
        min(max(v, least), most) for v in (limit.low, limit.estimate.value, limit.high)
    )
    return _about(replace(limit, estimate=replace(limit.estimate, value=value), low=low, high=high))


def _about(limit: Limit) -> Limit:
    """Widen an interval so that it holds its own value."""
    value = limit.estimate.value
    return replace(limit, low=min(limit.low, value), high=max(limit.high, value))


def _thresholds(judged: Sequence[Measured], unit: str) -> Thresholds:
    pairs = [(m.feature.rung, 1 - round(r.value)) for m in judged for r in m.readings]
    x, failed = np.array(pairs, float).T
    return fit_thresholds(x, failed.astype(int), 2, unit)


def _correction(
    sheet: Sheet, context: Context, found: _Found, setting: str, unit: str, words: str
) -> Correction:
    old = now(context, setting)
    again, requests = _again(sheet, found, setting)
    lowest, highest = found.rungs[0], found.rungs[-1]
    limit = found.limits[0] if found.limits else None
    if limit is None:
        beyond = highest if found.sag and found.sag.beyond == "above" else lowest
        estimate = Estimate(name=setting, value=beyond, u=highest - lowest, unit=unit)
        limit = Limit(estimate=estimate, low=lowest, high=highest)
    value = min(max(limit.estimate.value, lowest), highest)
    limit = _about(replace(limit, estimate=replace(limit.estimate, value=value)))
    settled = old is not None and limit.low <= old <= limit.high
    size = f"clean up to {words} {value:.3g} {unit} ({limit.low:.3g} to {limit.high:.3g})"
    verdict, reason = Verdict.APPLY, f"{size}: support what goes further"
    if again:
        verdict, reason = Verdict.PRINT_AGAIN, f"{size}; {again}"
    elif settled:
        verdict, reason = Verdict.LEAVE, f"{size}: the value now set is within that, leave it alone"
    half = max(limit.high - value, value - limit.low)
    return best_found(
        setting,
        old,
        value,
        replace(limit.estimate, u=half / 1.96),
        verdict,
        reason,
        _evidence_words(found),
        requests=requests,
    )


def _evidence_words(found: _Found) -> str:
    ways = [w for w, has in (("looks", found.looks), ("measured sag", found.sag)) if has]
    return f"{' and '.join(ways)} of {len(found.rungs)} rungs"


def _again(sheet: Sheet, found: _Found, setting: str) -> tuple[str, tuple[Request, ...]]:
    """Say why this ladder does not settle it, and which one would; empty where it does."""
    lowest, highest = found.rungs[0], found.rungs[-1]
    step = (highest - lowest) / max(1, len(found.rungs) - 1)
    span = highest - lowest
    limit = found.limits[0] if found.limits else None
    passed_all = found.looks is not None and found.looks.brackets[0] is not None and np.isinf(
        found.looks.brackets[0][1]
    )  # fmt: skip
    failed_all = found.looks is not None and found.looks.brackets[0] is not None and np.isinf(
        found.looks.brackets[0][0]
    )  # fmt: skip
    if found.sag is not None and found.looks is None:
        passed_all, failed_all = found.sag.beyond == "above", found.sag.beyond == "below"
    if passed_all and not (found.sag and found.sag.limit):
        further = ladder_requests(
            sheet, highest, highest + span, "print a ladder that goes further", settles=setting
        )
        return "everything came out clean", further
    if failed_all:
        lower = ladder_requests(
            sheet, lowest, lowest - span, "print a ladder that begins lower", settles=setting
        )
        left = "" if lower else ", and there is no lower ladder: look at temperature and cooling"
        return f"nothing came out clean{left}", lower
    if limit is not None and limit.high - limit.low > 3.0 * step:
        a, b = max(limit.low, lowest - step), min(limit.high, highest + step)
        more = ladder_requests(
            sheet, a, b, "print more rungs there", settles=setting, step=(b - a) / 8
        )
        return "too uncertain", more
    return "", ()


def _contradictions(judged: list[Measured], found: _Found) -> list[Suspect]:
    """Show a judgement that goes against all its neighbours, with what it does to the limit."""
    if found.looks is None or found.looks.separated or len(judged) < 5:
        return []
    ordered = sorted(judged, key=lambda m: m.feature.rung or 0.0)
    suspects = []
    for i, m in enumerate(ordered):
        beside = [n.mean for n in ordered[max(0, i - 1) : i + 2] if n is not m]
        against = all(abs(b - m.mean) > 0.5 for b in beside) and len(beside) == 2
        rest = [n for n in ordered if n is not m]
        if not against or _thresholds(rest, "").brackets[0] is None:
            continue
        with_it, without = found.looks.limits[0], _thresholds(rest, "").limits[0]
        suspects.append(
            Suspect(
                reading=m.readings[0],
                explanation=f"{m.feature.id} ({m.feature.rung:g}) goes against its neighbours: look"
                " again",
                used=True,
                effect=f"the change lies at {with_it.estimate.value:.3g} with it,"
                f" {without.estimate.value:.3g} without",
            )
        )
    return suspects


def _summary(found: _Found, unit: str, allowed: float, words: str) -> list[str]:
    lines = []
    if found.looks_safe is not None and found.looks is not None:
        t = found.looks.limits[0]
        bracket = found.looks.brackets[0]
        clean = ""
        if bracket is not None and np.isfinite(bracket).all():
            clean = f"; it changes cleanly between {bracket[0]:g} and {bracket[1]:g}"
        lines.append(
            f"By eye: half come out clean at {words} {t.estimate.value:.3g} {unit}"
            f" ({t.low:.3g} to {t.high:.3g}){clean}."
        )
    if found.sag is not None:
        if found.sag.limit is not None:
            e = found.sag.limit
            lines.append(
                f"Measured: the sag passes {allowed:g} mm at {words} {e.estimate.value:.3g} {unit}"
                f" ({e.low:.3g} to {e.high:.3g})."
            )
        else:
            where = "nowhere on" if found.sag.beyond == "above" else "everywhere on"
            lines.append(f"Measured: the sag is over {allowed:g} mm {where} this ladder.")
    return lines


def _why(sheet: Sheet, found: _Found, unit: str, allowed: float) -> list[str]:
    lines = []
    if found.looks is not None:
        lines.append(
            "Looks: logistic regression of clean or not on the rung, with weak prior knowledge so"
            " that a clean change still gives an honest interval."
        )
        if found.looks.spread is None:
            lines.append(
                "All rungs below the change came out clean and all above did not, so how gradual"
                " the change is can't be told and no slope is given."
            )
        else:
            lines.append(
                f"The change is spread over about {4 * found.looks.spread.value:.2g} {unit}."
            )
        lines.append(
            f"The limit is set where {_SAFE:.0%} come out clean, below the place where half do."
        )
    if found.sag is not None:
        lines.append(
            f"Sag: regression that may only rise with the rung; allowed are {allowed:g} mm (change it"
            " with # allowed_sag_mm: in the sheet's head). The lower of both limits counts."
        )
    return lines


def _surer(sheet: Sheet, found: _Found, setting: str) -> tuple[Request, ...]:
    """Return the ladder that would make a settled limit surer."""
    if _again(sheet, found, setting)[0]:
        return ()
    a, b = found.rungs[0], found.rungs[-1]
    if found.limits:
        a, b = max(found.limits[0].low, a), min(found.limits[0].high, b)
    step = max((b - a) / 6, 1e-3)
    return ladder_requests(
        sheet, a, b, "print finer rungs about the change", settles=setting, step=step
    )


def _residuals(sagged: list[Measured], found: _Found) -> list[Residual]:
    if found.sag is None:
        return []
    at = {float(x): float(y) for x, y in zip(found.sag.rungs, found.sag.fitted, strict=True)}
    return [residual(m, m.feature.nominal + at[float(m.feature.rung or 0.0)], 0.02) for m in sagged]


def _plain(judged: list[Measured], found: _Found, allowed: float) -> dict[str, object]:
    plain: dict[str, object] = {"plot": "threshold", "rungs": found.rungs, "allowed_mm": allowed}
    if found.looks is not None:
        x = np.linspace(found.rungs[0], found.rungs[-1], 81)
        plain |= {
            "judged": [[m.feature.rung, r.value] for m in judged for r in m.readings],
            "x": x.tolist(),
            "p_clean": found.looks.curve(x)[0].tolist(),
            "separated": found.looks.separated,
        }
    if found.sag is not None:
        plain |= {
            "sag_rungs": found.sag.rungs.tolist(),
            "sag_mean": found.sag.mean.tolist(),
            "sag_fitted": found.sag.fitted.tolist(),
        }
    plain["limits"] = [[lim.estimate.value, lim.low, lim.high] for lim in found.limits]
    return plain
