"""Play: what each axis loses when it turns round, where that comes from, and what it does to parts."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.fit.reversal import Reversal, fit_reversal
from calib.interpret.common import Measured, estimate_words, measured, now, plus_minus, residual
from calib.interpret.corrected import corrected
from calib.interpret.finding import Context, Finding, Residual, Suspect
from calib.model.correction import Correction, Verdict, judge
from calib.model.setting import setting
from calib.readings import Sheet
from patterns.feature import Feature

#: Half-width of a 95 % interval that is good enough, mm.
_WANTED_MM = 0.03
#: A reading that stands off from the others of its side by this many of their median deviations was misread.
_STANDS_OUT = 6.0
#: Places differ where chance makes as much in fewer cases than this.
_UNLIKE = 0.01


def reads(f: Feature) -> bool:
    """Whether the fit uses readings of a feature."""
    return f.group == "reversal"


def applies(sheet: Sheet) -> bool:
    """Whether a place was come to twice or more from both sides."""
    return bool(_axes(sheet))


@dataclass(frozen=True)
class _Place:
    """One place of an axis: where, and the approaches from below and from above."""

    at_mm: float
    sides: tuple[list[Measured], list[Measured]]


def _axes(sheet: Sheet) -> dict[str, list[_Place]]:
    """Return axis -> its places that were come to twice or more from both sides."""
    found: dict[str, dict[float, _Place]] = {}
    for m in measured(sheet, reads):
        axis = m.feature.axis
        k = "XYZ".index(axis)
        at = m.feature.end[k]
        place = found.setdefault(axis, {}).setdefault(at, _Place(at, ([], [])))
        place.sides[m.feature.direction[k] < 0].append(m)
    whole = {
        a: [p for p in places.values() if min(map(len, p.sides)) >= 2]
        for a, places in found.items()
    }
    return {a: places for a, places in whole.items() if places}


@dataclass(frozen=True)
class _Axis:
    """What the places of one axis say."""

    axis: str
    places: list[_Place]
    found: Reversal

    @property
    def differs(self) -> bool:
        """Whether it loses more in some places than in others."""
        return self.found.p_alike < _UNLIKE

    @property
    def worst_at_mm(self) -> float:
        return self.places[self.found.worst].at_mm


def interpret(sheet: Sheet, context: Context) -> Finding:
    """Work out reversal value and repeatability of every axis, and judge them."""
    resolution = context.instruments["caliper"].resolution
    axes = [
        _Axis(a, places, fit_reversal([_pair(p) for p in places], resolution))
        for a, places in _axes(sheet).items()
    ]
    corrections = [_correction(one, context) for one in axes]
    return Finding(
        topic="play",
        estimates=tuple(one.found.mean for one in axes),
        corrections=tuple(corrections),
        suspects=tuple(
            s for one in axes for p in one.places for side in p.sides for s in _suspects(side)
        ),
        residuals=tuple(r for one in axes for r in _residuals(one, resolution)),
        summary=tuple(
            line
            for one, c in zip(axes, corrections, strict=True)
            for line in _summary(one, c, context)
        ),
        why=tuple(_why(axes)),
        evidence={
            "reversal_mm": {one.axis: one.found.value for one in axes},
            "repeatability_mm": {one.axis: one.found.repeatability for one in axes},
        },
    )


def _residuals(one: _Axis, resolution: float) -> list[Residual]:
    """Hold each reading against the mean of its side."""
    return [
        residual(m, float(np.mean(_values(side))), max(s, resolution))
        for p, said in zip(one.places, one.found.places, strict=True)
        for side, s in zip(p.sides, said.repeats, strict=True)
        for m in side
    ]


def _pair(place: _Place) -> tuple[np.ndarray, np.ndarray]:
    below, above = place.sides
    return _values(below), _values(above)


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


def _correction(one: _Axis, context: Context) -> Correction:
    about, mean = setting(f"reversal_{one.axis.lower()}_mm"), one.found.mean
    verdict = judge(mean, about.step, _WANTED_MM)
    old = now(context, about.name, 0.0) or 0.0
    size = f"{one.axis} loses {plus_minus(mean)} when it turns round"
    if len(one.places) > 1:
        size += f" (the mean of {len(one.places)} places)"
    reasons = {
        Verdict.APPLY: f"{size}: {_look(one.axis, context)}, then measure again; what is left, a printer that"
        " makes up for lost motion takes as this number",
        Verdict.LEAVE: f"{size}: not distinguishable from none, leave it alone",
        Verdict.PRINT_AGAIN: f"{size}: too uncertain; use a dial gauge, or more approaches",
    }
    runs = sum(len(p.sides[0]) for p in one.places)
    evidence = f"{runs} approaches from each side"
    return corrected(about.name, old, old + mean.value, mean, verdict, reasons[verdict], evidence)


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


def _summary(one: _Axis, c: Correction, context: Context) -> list[str]:
    axis, f = one.axis, one.found
    lines = [_standard_words(one)]
    if one.differs:
        lines.append(
            f"{axis} does not lose the same everywhere, most at {one.worst_at_mm:g} mm: a worn or uneven belt or screw,"
            " a rail that rubs, or a pulley out of round; no one number makes up for that."
        )
    if c.verdict is not Verdict.APPLY:
        return lines
    lines.append(f"{axis}: {_look(axis, context)}.")
    if axis in "XY":
        lines.append(
            f"{axis}: it makes outside and inside lengths along {axis} up to {f.value:.2f} mm too small"
            " alike, and leaves pitches as they are; an outline offset moves outside and inside lengths"
            " apart, so it can't mend this."
        )
    return lines


def _standard_words(one: _Axis) -> str:
    """State reversal value and repeatability as the standard defines them."""
    f, repeats = one.found, f"repeatability {one.found.repeatability:.3f} mm"
    if len(one.places) == 1:
        return (
            f"{one.axis}: reversal value {plus_minus(f.mean)}, {repeats} (ISO 230-2, at one place)."
        )
    return (
        f"{one.axis}: reversal value {f.value:.3f} mm (at {one.worst_at_mm:g} mm, the largest of {len(one.places)} places),"
        f" mean reversal value {plus_minus(f.mean)}, {repeats} (ISO 230-2)."
    )


def _why(axes: Sequence[_Axis]) -> list[str]:
    lines = [
        "The reversal value of a place is the difference of the means from both sides, that of an axis the"
        " largest of its places; its uncertainty comes of how far the approaches of one side scatter, or of"
        " the display where they do not. What the instrument reads wrong altogether drops out of the difference.",
        "Repeatability is max(2 s + 2 s' + B, 4 s, 4 s') with s and s' of the two sides, the largest of all"
        " places (ISO 230-2, formulas from memory).",
        "A nozzle that lags by half of it on either side stands inside of where it should on every outline,"
        " whichever way it goes round: outsides and holes both close by the whole of it.",
    ]
    for one in axes:
        lines.append(f"{one.axis}: {estimate_words(one.found.mean)}")
        if len(one.places) > 1:
            each = ", ".join(
                f"{abs(said.reversal):.3f} mm at {p.at_mm:g}"
                for p, said in zip(one.places, one.found.places, strict=True)
            )
            lines.append(
                f"{one.axis}: place by place {each}; as far apart by chance in {one.found.p_alike:.1%}."
            )
    worst = max(axes, key=lambda a: a.found.repeatability).found
    if worst.repeatability > 2 * worst.value and math.isfinite(worst.mean.u):
        axis = next(a.axis for a in axes if a.found is worst)
        lines.append(
            f"{axis} repeats worse than it reverses: look for something that slips or rubs, not for play."
        )
    return lines
