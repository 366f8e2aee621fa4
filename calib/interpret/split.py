"""Machine or material? What the size error of one print says about steps and shrinkage."""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.fit.linear import Array
from calib.fit.mechanics import Fault, find_faults, mechanics_u
from calib.fit.split import AXES, DIRECTIONS, Errors, Priors, size, split
from calib.fit.warmth import CALIPER_EXPANSION_PER_K, refer_to_20c
from calib.interpret.scales import (
    INSTRUMENT_SD,
    UNKNOWN_SHRINK_U,
    expansion_of,
    percent,
    shrink_prior,
)
from calib.model.drive import Drive
from calib.model.estimate import Estimate

#: A size error that neither sound mechanics nor shrinkage make, as a fraction: common practice.
FAR_OFF = 0.025


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One way to correct a size error along an axis: what to set, and what it does elsewhere."""

    name: str
    steps_per_mm: float | None
    scale_percent: float
    words: str


@dataclass(frozen=True, eq=False, slots=True)
class _Sheet:
    """Scale errors as they were measured on a print, or on the carriage's travel."""

    found: Errors
    material: str
    part_c: float | None
    printed: bool

    def at_mechanics(self, drives: Mapping[str, Drive], steps: Mapping[str, float]) -> Errors:
        """Refer the errors to 20 degrees C and to the steps/mm that the mechanics give."""
        error, covariance = self.found.error, self.found.covariance
        if self.printed:
            error, u = refer_to_20c(error, expansion_of(self.material), self.part_c)
            covariance = covariance + u**2
        factor = 1 / np.array([_ratio(a, drives, steps) for a in AXES])
        return Errors((1 + error) * factor - 1, covariance * np.outer(factor, factor))


@dataclass(frozen=True, eq=False, kw_only=True)
class Explained:
    """What one sheet says of machine and material.

    Attributes
    ----------
    machine, size : axis -> Estimate, as fractions, at the steps now set
    shrinkage : "XY" or "Z" -> Estimate, as a fraction
    faults : axis -> wrong parts or settings that would explain the error
    far_off : axes whose error nothing explains: no shrinkage, no sound drive, no known fault
    choices : axis -> the ways to correct it
    drives : axis -> drive, as it is by the steps that are set: a wrong part that was named before and
        set right since counts as the part that is there
    short, lines : words
        The likely faults; and the whole chain.
    """

    machine: Mapping[str, Estimate]
    size: Mapping[str, Estimate]
    shrinkage: Mapping[str, Estimate]
    faults: Mapping[str, tuple[Fault, ...]]
    far_off: tuple[str, ...]
    choices: Mapping[str, tuple[Choice, ...]]
    drives: Mapping[str, Drive]
    short: tuple[str, ...]
    lines: tuple[str, ...]


def explain_split(
    error: Array,
    covariance: Array,
    drives: Mapping[str, Drive],
    material: str,
    *,
    steps: Mapping[str, float] | None = None,
    part_c: float | None = None,
    travel: tuple[Array, Array] | None = None,
    instrument_sd: float = INSTRUMENT_SD,
) -> Explained:
    """Say what the size error of one print is likely made of.

    Parameters
    ----------
    error, covariance : (3,) and (3, 3) float
        Measured over nominal less 1 along X, Y, Z, NaN where not measured (see `scales_of`).
    drives, steps : axis -> drive, steps/mm now set
    material : str
        Type of the filament, empty where not known.
    travel : (error, covariance) or None
        Carriage travel measured without plastic, in the same form.
    """
    steps = dict(steps or {})
    for axis, drive in drives.items():
        if axis in AXES:
            steps.setdefault(axis, drive.steps_per_mm)
    sheets = [_Sheet(Errors(error, covariance), material, part_c, printed=True)]
    if travel is not None:
        sheets.append(_Sheet(Errors(*travel), "", None, printed=False))
    faults = {a: _faults(a, sheets, drives, steps) for a in AXES}
    mended = {a: f.drive for a in AXES for f in faults[a] if f.drive and _is_set(f, steps.get(a))}
    drives = {**drives, **mended}
    faults = {a: () if a in mended else faults[a] for a in AXES}
    sound = [s.at_mechanics(drives, steps) for s in sheets]
    # An axis with a wrong part, or far off for whatever reason, says nothing of belts and shrinkage.
    far = {a for a in AXES if faults[a] or _far_off(a, sound)}
    sound = [_without(s, far) for s in sound]
    found = split(sound[0], _priors(material, drives, instrument_sd), *sound[1:])
    printed, moved = (
        [a for k, a in enumerate(AXES) if np.isfinite(s.error[k])] for s in (sound[0], sound[-1])
    )
    machine = {
        a: _at_steps(found[f"machine_{a.lower()}"], a, drives, steps)
        for a in AXES
        if a in printed or a in moved
    }
    sizes = {a: _at_steps(size(found, a), a, drives, steps) for a in printed}
    shrinkage = {
        d: found[f"shrinkage_{d.lower()}"]
        for d in DIRECTIONS
        if any(_direction(a) == d for a in printed)
    }
    choices = {a: _choices(machine[a], sizes[a], steps.get(a)) for a in printed}
    return Explained(
        machine=machine,
        size=sizes,
        shrinkage=shrinkage,
        faults={a: f for a, f in faults.items() if f},
        far_off=tuple(a for a in AXES if a in far and not faults[a]),
        choices=choices,
        drives=drives,
        short=tuple(_fault_words(a, f) for a, f in faults.items() if f),
        lines=tuple(_lines(sheets[0], machine, shrinkage, choices, travel is not None, drives)),
    )


def _is_set(fault: Fault, steps: float | None) -> bool:
    """Whether the steps/mm of a suspected part are those that are set."""
    theirs = fault.steps_per_mm
    return bool(steps and theirs and abs(steps / theirs - 1) < FAR_OFF)


def _far_off(axis: str, sheets: Sequence[Errors]) -> bool:
    errors = [s.error[AXES.index(axis)] for s in sheets]
    return any(abs(e) > FAR_OFF for e in errors if np.isfinite(e))


def _without(s: Errors, axes: Collection[str]) -> Errors:
    error = np.array([np.nan if a in axes else e for a, e in zip(AXES, s.error, strict=True)])
    return Errors(error, s.covariance)


def _priors(material: str, drives: Mapping[str, Drive], instrument_sd: float) -> Priors:
    shrinkage, sd = shrink_prior(material)
    return Priors(
        machine_sd=np.array([mechanics_u(drives.get(a)) for a in AXES]),
        shrinkage=shrinkage,
        shrinkage_sd=sd,
        instrument_sd=max(instrument_sd, 1e-7),
    )


def _direction(axis: str) -> str:
    return "Z" if axis == "Z" else "XY"


def _ratio(axis: str, drives: Mapping[str, Drive], steps: Mapping[str, float]) -> float:
    """Return the steps set over the steps by the mechanics."""
    drive = drives.get(axis)
    return steps[axis] / drive.steps_per_mm if drive is not None and axis in steps else 1.0


def _at_steps(
    e: Estimate, axis: str, drives: Mapping[str, Drive], steps: Mapping[str, float]
) -> Estimate:
    """Refer an error at the mechanical steps/mm to the steps/mm now set."""
    r = _ratio(axis, drives, steps)
    return replace(e, value=(1 + e.value) * r - 1, u=e.u * r)


def _faults(
    axis: str,
    sheets: Sequence[_Sheet],
    drives: Mapping[str, Drive],
    steps: Mapping[str, float],
) -> tuple[Fault, ...]:
    """Look for a wrong part: in the carriage's travel where it was measured, else in the print."""
    k = AXES.index(axis)
    drive = drives.get(axis)
    for s in reversed(sheets):
        if not np.isfinite(s.found.error[k]):
            continue
        value, u_sound = (
            1 + float(s.found.error[k]),
            mechanics_u(drive) if drive else UNKNOWN_SHRINK_U,
        )
        if s.printed:
            shrink, u_shrink = shrink_prior(s.material)
            value, u_sound = value * (1 + shrink), math.hypot(u_sound, u_shrink)
        ratio = Estimate(
            name=f"ratio_{axis.lower()}", value=value, u=math.sqrt(s.found.covariance[k, k])
        )
        found = find_faults(ratio, drive, u_sound, _ratio(axis, drives, steps), printed=s.printed)
        if found:
            return found
    return ()


def _fault_words(axis: str, faults: Sequence[Fault]) -> str:
    causes = ", or ".join(f.words for f in faults)
    ratio = faults[0].ratio
    known = sorted({f.steps_per_mm for f in faults if f.steps_per_mm})
    then = f"; if so, set {known[0]:g} steps/mm" if len(known) == 1 else ""
    return (
        f"{axis} moves {ratio:.4g} times what it should: likely {causes}. Look at the part before"
        f" you scale the error away{then}."
    )


def _choices(machine: Estimate, size: Estimate, steps: float | None) -> tuple[Choice, ...]:
    own = 100 / (1 + size.value)
    found = [
        Choice(
            name="scale",
            steps_per_mm=steps,
            scale_percent=own,
            words=f"scale this spool's parts to {own:.3f} %: other spools stay as they are",
        )
    ]
    if steps:
        all_of_it = steps / (1 + size.value)
        machine_only = steps / (1 + machine.value)
        rest = 100 * (1 + machine.value) / (1 + size.value)
        found += [
            Choice(
                name="steps",
                steps_per_mm=all_of_it,
                scale_percent=100.0,
                words=f"set {all_of_it:.3f} steps/mm: right for this spool, and every other material"
                " is then off by the difference of their shrinkage",
            ),
            Choice(
                name="both",
                steps_per_mm=machine_only,
                scale_percent=rest,
                words=f"set {machine_only:.3f} steps/mm for the machine"
                f" (± {steps * machine.expanded():.3f}) and scale this spool to {rest:.3f} %: right"
                " for all materials if the split is",
            ),
        ]
    return tuple(found)


def _lines(
    one: _Sheet,
    machine: Mapping[str, Estimate],
    shrinkage: Mapping[str, Estimate],
    choices: Mapping[str, Sequence[Choice]],
    travel: bool,
    drives: Mapping[str, Drive],
) -> list[str]:
    kind = one.material or "the filament"
    lines = [
        f"{kind} shrinks {percent(e)} along {d}: {max(e.from_data, 0):.0%} of that from the readings,"
        f" the rest from the {'table' if one.material else 'usual'} range of the type."
        for d, e in shrinkage.items()
    ]
    for axis, e in machine.items():
        source = "its mechanics" if axis in drives else "a guess, its drive is not known"
        lines.append(
            f"{axis} by itself moves {percent(e)} too far: {max(e.from_data, 0):.0%} from the readings,"
            f" the rest from {source}."
        )
    if one.part_c is not None and abs(one.part_c - 20) > 0.5:
        seen = expansion_of(one.material) - CALIPER_EXPANSION_PER_K
        warm = 100 * seen * (one.part_c - 20)
        lines.append(
            f"Measured at {one.part_c:g} degC: {warm:+.3f} % of the size is warmth, the caliper's own"
            " taken off, and was taken out"
            " (sizes hold at 20 degC, ISO 1)."
        )
    for axis, ways in choices.items():
        lines += [f"{axis}: {c.words}." for c in ways]
    if not travel:
        lines.append(
            "What settles it: carriage travel without plastic, which"
            " brings the machine's share to about ± 0.03 %; a second material helps less."
        )
    return lines
