"""Clearance: what to leave between parts that shall press or slide, from graded sockets."""

from dataclasses import dataclass, replace

import numpy as np

from calib.fit.threshold import Limit, Thresholds, fit_thresholds, summary
from calib.interpret.common import Measured, measured, now
from calib.interpret.corrected import best_found
from calib.interpret.finding import Context, Finding
from calib.interpret.ladders import ladder_requests
from calib.model.correction import Correction, Verdict
from calib.model.request import Request
from calib.readings import Sheet
from patterns.feature import Feature, Kind

#: Grades in the order of growing clearance.
GRADES = ("stuck", "press", "slide", "loose")
_PRESS, _SLIDE, _LOOSE = 0, 1, 2  # index of the threshold at which that grade begins
_SURE = 0.9


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return f.kind is Kind.PASS and f.rung is not None and bool(f.grades)


def applies(sheet: Sheet) -> bool:
    """Whether sockets were graded."""
    rungs = {m.feature.rung for m in measured(sheet, reads)}
    return len(rungs) >= 2


@dataclass(frozen=True)
class _Shape:
    """One shape of peg: its thresholds, and the two numbers they lead to."""

    name: str
    items: list[Measured]
    fit: Thresholds
    press: Limit
    slide: Limit

    @property
    def rungs(self) -> list[float]:
        return sorted({m.feature.rung or 0.0 for m in self.items})

    @property
    def seen(self) -> set[int]:
        """Grades that occurred."""
        return {round(r.value) for m in self.items for r in m.readings}


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Find the clearances for press and sliding fits, for each shape of peg."""
    groups: dict[str, list[Measured]] = {}
    for m in measured(sheet, reads):
        groups.setdefault(m.feature.group, []).append(m)
    shapes = [
        _shape(name, items)
        for name, items in groups.items()
        if len({m.feature.rung for m in items}) >= 2
    ]
    corrections = [c for s in shapes for c in _corrections(sheet, context, s)]
    return Finding(
        topic="clearance",
        estimates=tuple(lim.estimate for s in shapes for lim in (s.press, s.slide)),
        corrections=tuple(corrections),
        summary=tuple(_summary(shapes)),
        why=tuple(_why(sheet, context, shapes)),
        requests=_surer(sheet, shapes[0]),
        evidence={"plot": "grades", "grades": list(GRADES), "shapes": [_plain(s) for s in shapes]},
    )


def _shape(name: str, items: list[Measured]) -> _Shape:
    pairs = [(m.feature.rung, round(r.value)) for m in items for r in m.readings]
    x, grade = np.array(pairs, float).T
    fit = fit_thresholds(x, grade.astype(int), len(GRADES), "mm")
    return _Shape(
        name=name,
        items=items,
        fit=fit,
        press=fit.middle(_PRESS, f"clearance_press_{name}"),
        slide=_sliding(fit, f"clearance_slide_{name}"),
    )


def _sliding(fit: Thresholds, name: str) -> Limit:
    """Smallest clearance at which nine in ten slide, but no more than the middle of the slide band."""
    sure = fit.draws[:, _SLIDE] + fit.spreads * np.log(_SURE / (1 - _SURE))
    middle = fit.draws[:, _SLIDE : _LOOSE + 1].mean(axis=1)
    return summary(np.minimum(sure, middle), name, "mm")


def _corrections(sheet: Sheet, context: Context, s: _Shape) -> list[Correction]:
    found = []
    for kind, limit, needs, words in (
        ("press", s.press, {0, 1}, "goes in by hand and holds"),
        ("slide", s.slide, {1, 2}, "moves and does not rattle"),
    ):
        setting = f"clearance_{kind}_{s.name}_mm"
        old = now(context, setting)
        again, requests = _again(sheet, s, limit, needs, setting)
        size = f"{s.name}: {words} at {limit.estimate.value:.2f} mm ({limit.low:.2f} to {limit.high:.2f})"
        verdict, reason = Verdict.APPLY, f"{size}, on the whole diameter or width"
        if again:
            verdict, reason = Verdict.PRINT_AGAIN, f"{size}; {again}"
        elif old is not None and limit.low <= old <= limit.high:
            verdict, reason = Verdict.LEAVE, f"{size}: the value now used is within that"
        value = max(limit.estimate.value, 0.0)
        half = max(limit.high - value, value - limit.low)
        found.append(
            best_found(
                setting,
                old,
                value,
                replace(limit.estimate, u=half / 1.96),
                verdict,
                reason,
                f"{len(s.items)} graded {s.name} sockets",
                requests=requests,
            )
        )
    return found


def _again(
    sheet: Sheet, s: _Shape, limit: Limit, needs: set[int], setting: str
) -> tuple[str, tuple[Request, ...]]:
    """Say why these sockets do not settle it, and which would; empty where they do."""
    low, high = s.rungs[0], s.rungs[-1]
    step = (high - low) / max(1, len(s.rungs) - 1)
    missing = needs - s.seen
    if missing and min(s.seen) > min(missing):
        floor = max(0.0, low - (high - low) / 2)
        if low <= 1e-9:
            return "even without clearance it is that loose: correct the outline offset first", ()
        tighter = ladder_requests(sheet, low, floor, "print tighter sockets", settles=setting)
        return f"nothing was {GRADES[min(missing)]}", tighter
    if missing and max(s.seen) < max(missing):
        looser = ladder_requests(
            sheet, high, high + (high - low), "print looser sockets", settles=setting
        )
        return f"nothing was {GRADES[max(missing)]}", looser
    if limit.high - limit.low > 3.5 * step:
        a, b = max(limit.low, 0.0), limit.high
        finer = ladder_requests(
            sheet, a, b, "print finer steps", settles=setting, step=max((b - a) / 6, 0.02)
        )
        return "too uncertain", finer
    return "", ()


def _summary(shapes: list[_Shape]) -> list[str]:
    return [
        f"{s.name}: press fit {max(s.press.estimate.value, 0):.2f} mm"
        f" ({s.press.low:.2f} to {s.press.high:.2f}), sliding fit {s.slide.estimate.value:.2f} mm"
        f" ({s.slide.low:.2f} to {s.slide.high:.2f}), on the whole diameter or width."
        for s in shapes
    ]


def _why(sheet: Sheet, context: Context, shapes: list[_Shape]) -> list[str]:
    lines = [
        "Grades rise with clearance by a proportional-odds model: three thresholds and one spread."
        " Press fit: the middle of the clearances that press. Sliding fit: the smallest clearance at"
        " which nine in ten slide, or the middle of those that slide where that is smaller."
    ]
    for s in shapes:
        for j, (limit, bracket) in enumerate(zip(s.fit.limits, s.fit.brackets, strict=True)):
            clean = f", clean between {bracket[0]:g} and {bracket[1]:g}" if bracket else ", mixed"
            lines.append(
                f"{s.name}: {GRADES[j]} to {GRADES[j + 1]} at {limit.estimate.value:.3f} mm"
                f" ({limit.low:.3f} to {limit.high:.3f}){clean}."
            )
    lines += _pegs(sheet)
    lines.append(
        "To be surer: grade every socket twice, or print finer steps (the interval is about one and"
        " a half steps wide)."
    )
    return lines


def _surer(sheet: Sheet, first: _Shape) -> tuple[Request, ...]:
    a, b = max(first.press.low, 0.0), first.slide.high
    return ladder_requests(
        sheet, a, b, "print finer steps", settles="clearance", step=max((b - a) / 8, 0.02)
    )


def _pegs(sheet: Sheet) -> list[str]:
    pegs = measured(sheet, lambda f: f.group == "peg")
    if not pegs:
        return []
    off = float(np.mean([m.mean - m.feature.nominal for m in pegs]))
    return [
        f"The pegs themselves measure {off:+.2f} mm against the drawing: the clearances hold for"
        " parts printed with that error. Correct the outline offset first if you mean to."
    ]


def _plain(s: _Shape) -> dict[str, object]:
    x = np.linspace(s.rungs[0], s.rungs[-1], 81)
    return {
        "name": s.name,
        "judged": [[m.feature.rung, r.value] for m in s.items for r in m.readings],
        "x": x.tolist(),
        "p": s.fit.curve(x).tolist(),
        "limits": [[lim.estimate.value, lim.low, lim.high] for lim in (s.press, s.slide)],
    }
