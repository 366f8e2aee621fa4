"""Play: what each axis loses when it turns round, where that comes from, and what it does to parts."""

import math
from collections.abc import Mapping

import numpy as np

from calib.fit.reversal import Reversal, fit_reversal
from calib.interpret.common import Measured, estimate_words, measured, now, plus_minus, residual
from calib.interpret.finding import Context, Finding, Suspect
from calib.model.correction import Correction, Verdict, judge
from calib.model.setting import setting
from calib.readings import Sheet
from patterns.feature import Feature

#: Half-width of a 95 % interval that is good enough, mm.
_WANTED_MM = 0.03
#: A reading that stands off from the others of its side by this many of their median deviations was misread.
_STANDS_OUT = 6.0


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return f.group == "reversal"


def applies(sheet: Sheet) -> bool:
    """Whether a place was come to twice or more from both sides."""
    return bool(_axes(sheet))


def _axes(sheet: Sheet) -> dict[str, tuple[list[Measured], list[Measured]]]:
    """Return axis -> the approaches from below and from above."""
    found: dict[str, tuple[list[Measured], list[Measured]]] = {}
    for m in measured(sheet, reads):
        axis = m.feature.axis
        from_above = m.feature.direction["XYZ".index(axis)] < 0
        found.setdefault(axis, ([], []))[from_above].append(m)
    return {a: sides for a, sides in found.items() if min(map(len, sides)) >= 2}


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Work out reversal value and repeatability of every axis, and judge them."""
    resolution = context.instruments["caliper"].resolution
    axes = _axes(sheet)
    fits = {
        a: fit_reversal(_values(below), _values(above), resolution)
        for a, (below, above) in axes.items()
    }
    corrections = {a: _correction(a, f, len(axes[a][0]), context) for a, f in fits.items()}
    return Finding(
        topic="play",
        estimates=tuple(f.value for f in fits.values()),
        corrections=tuple(corrections.values()),
        suspects=tuple(s for sides in axes.values() for side in sides for s in _suspects(side)),
        residuals=tuple(
            residual(m, float(np.mean(_values(side))), max(s, resolution))
            for a, sides in axes.items()
            for side, s in zip(sides, fits[a].repeats, strict=True)
            for m in side
        ),
        summary=tuple(
            line for a, f in fits.items() for line in _summary(a, f, corrections[a], context)
        ),
        why=tuple(_why(fits)),
        evidence={
            "reversal_mm": {a: f.value.value for a, f in fits.items()},
            "repeatability_mm": {a: f.repeatability for a, f in fits.items()},
        },
    )


def _values(side: list[Measured]) -> np.ndarray:
    return np.array([r.value for m in side for r in m.readings])


def _suspects(side: list[Measured]) -> list[Suspect]:
    """Show a reading that stands far off from the others of its side; it stays in."""
    values = _values(side)
    if len(values) < 4:
        return []
    off = np.abs(values - np.median(values))
    worst = int(np.argmax(off))
    if off[worst] <= _STANDS_OUT * max(float(np.median(off)), 0.01):
        return []
    reading = [r for m in side for r in m.readings][worst]
    text = f"{reading.value:g} mm stands {off[worst]:.2f} mm off from the others of its side: do it again"
    return [Suspect(reading=reading, explanation=text, used=True)]


def _correction(axis: str, f: Reversal, runs: int, context: Context) -> Correction:
    about = setting(f"reversal_{axis.lower()}_mm")
    verdict = judge(f.value, about.step, _WANTED_MM)
    old = now(context, about.name, 0.0) or 0.0
    size = f"{axis} loses {plus_minus(f.value)} when it turns round"
    reasons = {
        Verdict.APPLY: f"{size}: {_look(axis, context)}, then measure again; what is left, a printer that"
        " makes up for lost motion takes as this number",
        Verdict.LEAVE: f"{size}: not distinguishable from none, leave it alone",
        Verdict.PRINT_AGAIN: f"{size}: too uncertain; use a dial gauge, or more approaches",
    }
    return Correction(
        setting=about.name,
        old=old,
        new=old + f.value.value,
        u_new=f.value.u,
        unit="mm",
        error=f.value,
        verdict=verdict,
        scope=about.scope,
        evidence=f"{runs} approaches from each side",
        reason=reasons[verdict],
    )


def _look(axis: str, context: Context) -> str:
    """Name the parts in which an axis has play."""
    drive = context.drives.get(axis)
    screw = drive.screw_lead_mm > 0 if drive else axis == "Z"
    if screw:
        return (
            f"look for a loose nut or coupling on the screw of {axis}, and for play in its slides"
        )
    return (
        f"tighten the belt of {axis}, the screws of its pulleys and the carriage's slides or wheels"
    )


def _summary(axis: str, f: Reversal, c: Correction, context: Context) -> list[str]:
    lines = [
        f"{axis}: reversal value {plus_minus(f.value)}, repeatability {f.repeatability:.3f} mm (ISO 230-2,"
        " at one place)."
    ]
    if c.verdict is not Verdict.APPLY:
        return lines
    lines.append(f"{axis}: {_look(axis, context)}.")
    if axis in "XY":
        lines.append(
            f"{axis}: it makes outside and inside lengths along {axis} up to {f.value.value:.2f} mm too small"
            " alike, and leaves pitches as they are; an outline offset moves outside and inside lengths"
            " apart, so it can't mend this."
        )
    return lines


def _why(fits: Mapping[str, Reversal]) -> list[str]:
    lines = [
        "The reversal value is the difference of the means from both sides; its uncertainty comes of how"
        " far the approaches of one side scatter, or of the display where they do not. What the"
        " instrument reads wrong altogether drops out of the difference.",
        "Repeatability is max(2 s + 2 s' + B, 4 s, 4 s') with s and s' of the two sides (ISO 230-2, formulas"
        " from memory).",
        "A nozzle that lags by half of it on either side stands inside of where it should on every outline,"
        " whichever way it goes round: outsides and holes both close by the whole of it.",
    ]
    lines += [f"{axis}: {estimate_words(f.value)}" for axis, f in fits.items()]
    worst = max(fits, key=lambda a: fits[a].repeatability)
    if fits[worst].repeatability > 2 * fits[worst].value.value and math.isfinite(
        fits[worst].value.u
    ):
        lines.append(
            f"{worst} repeats worse than it reverses: look for something that slips or rubs, not for play."
        )
    return lines
