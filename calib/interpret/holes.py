"""Holes and pins: how much larger to draw them, by diameter, and X against Y."""

import math

import numpy as np

from calib.fit.doubts import effect
from calib.fit.holes import HoleFit, fit_holes
from calib.interpret.common import (
    Measured,
    doubtful_repeats,
    estimate_words,
    measured,
    now,
    outlying_rows,
    plus_minus,
    residual,
    stand_out,
    zero_of,
)
from calib.interpret.corrected import corrected
from calib.interpret.finding import Context, Finding, Residual, Suspect
from calib.model.correction import Correction, Verdict, judge
from calib.model.estimate import Estimate
from calib.model.instrument import Instrument
from calib.model.setting import setting as known_setting
from calib.readings import Sheet
from patterns.feature import Feature, Kind

#: Group of features -> setting and words.
_SETTINGS = {
    "vertical": ("hole_oversize_mm", "holes"),
    "horizontal": ("hole_horizontal_oversize_mm", "horizontal holes"),
    "pin": ("hole_pin_oversize_mm", "pins"),
}


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return f.kind is Kind.DIAMETER and f.rung is not None and f.group in _SETTINGS


def applies(sheet: Sheet) -> bool:
    """Whether holes or pins of drawn diameters were measured."""
    return bool(measured(sheet, reads))


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Fit oversize against diameter, group by group."""
    caliper = context.instruments["caliper"]
    groups: dict[str, list[Measured]] = {}
    for m in measured(sheet, reads):
        groups.setdefault(m.feature.group, []).append(m)
    fits: dict[str, HoleFit] = {}
    aside: list[Suspect] = []
    for name, found in groups.items():
        fits[name], groups[name], slips = _robust(sheet, name, found, caliper)
        aside += slips
    items = [m for group in groups.values() for m in group]
    return Finding(
        topic="holes",
        estimates=tuple(e for name in fits for e in _estimates(name, fits[name])),
        corrections=tuple(
            _correction(context, name, fits[name], groups[name], caliper) for name in fits
        ),
        suspects=(*aside, *doubtful_repeats(items, caliper)),
        residuals=tuple(r for name in fits for r in _residuals(fits[name], groups[name])),
        summary=tuple(line for name in fits for line in _summary(name, fits[name], groups[name])),
        why=tuple(line for name in fits for line in _why(name, fits[name], caliper)),
        evidence={"plot": "holes", "groups": {n: _plain(fits[n], groups[n]) for n in fits}},
    )


def _robust(
    sheet: Sheet, name: str, items: list[Measured], caliper: Instrument
) -> tuple[HoleFit, list[Measured], list[Suspect]]:
    """Fit a group, and once more without the holes that do not belong with the others."""
    first = _fit(sheet, name, items, caliper)
    rows = outlying_rows(first.fit.problem, range(len(items)))
    if not rows:
        return first, items, []
    kept = [m for i, m in enumerate(items) if i not in rows]
    again = _fit(sheet, name, kept, caliper)
    found = []
    for i in rows:
        size = items[i].feature.rung or 0.0
        words = effect(first.oversize(size), again.oversize(size), 3)
        found += stand_out(items[i], size - again.oversize(size).value, words)
    return again, kept, found


def _fit(sheet: Sheet, name: str, items: list[Measured], caliper: Instrument) -> HoleFit:
    zero, u_zero = zero_of(sheet, caliper)
    inside = name != "pin"
    return fit_holes(
        np.array([m.feature.rung for m in items], float),
        np.array([m.mean - zero for m in items]),
        np.array([m.u(caliper) for m in items]),
        np.array([{"X": 1.0, "Y": -1.0, "Z": -1.0}.get(m.feature.axis, 0.0) for m in items]),
        math.hypot(u_zero, caliper.u_jaws) if inside else u_zero,
        flats=inside,
    )


def _middle(items: list[Measured]) -> float:
    sizes = sorted({m.feature.rung or 0.0 for m in items})
    return sizes[len(sizes) // 2]


def _estimates(name: str, f: HoleFit) -> list[Estimate]:
    sizes = (f.smallest_mm, (f.smallest_mm + f.largest_mm) / 2, f.largest_mm)
    found = [f.oversize(d) for d in sizes]
    return [*found, f.x_less_y] if f.x_less_y is not None else found


def _correction(
    context: Context, name: str, f: HoleFit, items: list[Measured], caliper: Instrument
) -> Correction:
    setting, words = _SETTINGS[name]
    size = _middle(items)
    error = f.oversize(size)
    old = now(context, setting, 0.0) or 0.0
    verdict = judge(error, known_setting(setting).step, known_setting(setting).wanted)
    way = "small" if error.value > 0 else "large"
    text = (
        f"{words} of {size:g} mm come out {abs(error.value):.3f} mm too {way}"
        f" (± {error.expanded():.3f} mm)"
    )
    reasons = {
        Verdict.APPLY: f"{text}; {_by_size(f)}",
        Verdict.LEAVE: f"{text}: not distinguishable from true, leave them alone",
        Verdict.PRINT_AGAIN: f"{text}: too uncertain; {_surer(f, caliper)}",
    }
    evidence = f"{len(items)} diameters from {f.smallest_mm:g} to {f.largest_mm:g} mm"
    return corrected(setting, old, old + error.value, error, verdict, reasons[verdict], evidence)


def _by_size(f: HoleFit) -> str:
    sizes = np.unique(np.round(np.linspace(f.smallest_mm, f.largest_mm, 3), 1))
    return "draw " + ", ".join(f"{f.draw(d).value:.2f} for {d:g}" for d in sizes)


def _surer(f: HoleFit, caliper: Instrument) -> str:
    over, common = f.oversize(f.largest_mm).u, f.fit["zero"].u
    if common > 0.7 * over:
        half = 2 * math.sqrt(max(over**2 - common**2, 0.0) + caliper.u_reading**2)
        return (
            "check the jaws on a ring or a hole of known size and write what they read too much as"
            f" # jaws_closed_mm: (brings it to about ± {half:.2f} mm)"
        )
    return "read each diameter three times, or use gauge pins or drill shanks for the small holes"


def _residuals(f: HoleFit, items: list[Measured]) -> list[Residual]:
    return [
        residual(m, m.mean + float(left), 0.02)
        for m, left in zip(items, f.fit.residuals, strict=True)
    ]


def _summary(name: str, f: HoleFit, items: list[Measured]) -> list[str]:
    words = _SETTINGS[name][1]
    size = _middle(items)
    lines = [f"{words.capitalize()}: oversize at {size:g} mm {plus_minus(f.oversize(size))}."]
    small, large = f.oversize(f.smallest_mm), f.oversize(f.largest_mm)
    weights = {
        "slope": f.smallest_mm - f.largest_mm,
        "curvature": 1 / f.smallest_mm - 1 / f.largest_mm,
    }
    change = f.fit.combine(weights, "change", "mm")
    if abs(change.value) > change.expanded():
        lines.append(
            f"{words.capitalize()}: it changes with the diameter, {small.value:.2f} mm at"
            f" {f.smallest_mm:g}, {large.value:.2f} mm at {f.largest_mm:g}: {_by_size(f)}."
        )
    if f.x_less_y is not None:
        xy = f.x_less_y
        across = "Z" if any(m.feature.axis == "Z" for m in items) else "Y"
        if abs(xy.value) > xy.expanded():
            cause = "they sag at the roof" if across == "Z" else "look at belts and steps first"
            lines.append(
                f"{words.capitalize()} are {abs(xy.value):.3f} mm (± {xy.expanded():.3f})"
                f" {'larger' if xy.value > 0 else 'smaller'} along X than along {across}: {cause}."
            )
    return lines


def _why(name: str, f: HoleFit, caliper: Instrument) -> list[str]:
    words = _SETTINGS[name][1]
    lines = [
        f"{words}: drawn less read is a constant (the outline's offset), a share of the diameter"
        " (scale) and a part that grows as the hole gets smaller (plastic dragged inwards on a tight"
        " curve). Inside jaws end in flats, which read small holes too small: that is taken out.",
    ]
    lines += [f"{words}: {estimate_words(e)}" for e in f.fit.estimates]
    return [*lines, f"To be surer: {_surer(f, caliper)}."]


def _plain(f: HoleFit, items: list[Measured]) -> dict[str, object]:
    at = np.linspace(f.smallest_mm, f.largest_mm, 41)
    curve = [f.oversize(float(d)) for d in at]
    return {
        "points": [
            [m.feature.rung, (m.feature.rung or 0.0) - m.mean, m.feature.axis] for m in items
        ],
        "x": at.tolist(),
        "curve": [[e.value, *e.interval()] for e in curve],
        "draw": {
            f"{d:g}": f.draw(float(d)).value for d in sorted({m.feature.rung or 0.0 for m in items})
        },
    }
