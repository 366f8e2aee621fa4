"""Machine or material? What a size error says about steps and shrinkage, for one sheet or a store.

`explain_split` serves one sheet; `split_workshop` takes every kept sheet of a workshop at once.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calib.drives import Drive
from calib.estimate import Estimate
from calib.fit.linear import Array
from calib.fit.mechanics import Fault, find_faults, mechanics_u
from calib.fit.split import (
    AXES,
    DIRECTIONS,
    Prints,
    Priors,
    Split,
    Travels,
    refer_to_20c,
    split,
)
from calib.interpret.common import plus_minus
from patterns.errors import SpecError
from patterns.filaments import filament

#: Shrinkage of a filament type that the table lacks: middle and standard uncertainty, fractions.
_UNKNOWN_SHRINK, _UNKNOWN_SHRINK_U = 0.004, 0.003
_UNKNOWN_EXPANSION = 80e-6
#: Scale error of an instrument that is not described, as a fraction.
_INSTRUMENT_SD = 1.2e-4


@dataclass(frozen=True, eq=False, kw_only=True)
class SheetScales:
    """Scale errors found on one sheet, with what the piece was made with.

    Attributes
    ----------
    printer, spool, material, instrument : str
        `spool` is empty for carriage travel measured without plastic.
    error : (3,) float
        Measured over nominal less 1 along X, Y, Z; NaN where not measured.
    covariance : (3, 3) float
        Without the instrument's own scale error.
    steps : mapping
        Axis -> steps/mm set when it was made, where known.
    part_c : float or None
        Temperature of the piece when it was measured.
    """

    printer: str
    spool: str
    material: str
    error: Array
    covariance: Array
    instrument: str = "caliper"
    steps: Mapping[str, float] = field(default_factory=dict)
    part_c: float | None = None


def scales_of(evidence: Mapping[str, Any]) -> tuple[Array, Array]:
    """Return scale errors and their covariance from the evidence of a size finding.

    The instrument's scale error looks exactly like a scale of the piece; it is fixed at zero here
    (the normal's conditional distribution), so that the split can share it between sheets.

    Raises
    ------
    KeyError
        The evidence is not that of a size finding.
    """
    names = list(evidence["parameters"])
    values = np.asarray(evidence["values"], float)
    covariance = np.asarray(evidence["covariance"], float)
    for name in ("caliper_scale", "photo_scale"):
        if name in names:
            k = names.index(name)
            gain = covariance[:, k] / covariance[k, k]
            values = values - gain * values[k]
            covariance = covariance - np.outer(gain, covariance[k])
    error, spread = np.full(3, np.nan), np.eye(3)
    at = [
        (a, names.index(f"scale_{n.lower()}"))
        for a, n in enumerate(AXES)
        if f"scale_{n.lower()}" in names
    ]
    for a, i in at:
        error[a] = values[i]
        for b, j in at:
            spread[a, b] = covariance[i, j]
    return error, spread


@dataclass(frozen=True, eq=False, kw_only=True)
class Workshop:
    """The split over every sheet, by name."""

    split: Split
    printers: tuple[str, ...]
    spools: tuple[str, ...]
    materials: tuple[str, ...]

    def machine(self, printer: str, axis: str) -> Estimate:
        """Scale error of an axis at the steps/mm its mechanics give, as a fraction."""
        return self.split.machine_scale(self.printers.index(printer), axis)

    def shrinkage(self, spool: str, direction: str) -> Estimate:
        """Shrinkage of a spool along XY or Z, as a fraction."""
        return self.split.shrinkage(self.spools.index(spool), direction)

    def product(self, printer: str, spool: str, axis: str) -> Estimate:
        """Size error of this spool on this printer, at the steps/mm its mechanics give."""
        return self.split.product(self.printers.index(printer), self.spools.index(spool), axis)

    def lines(self, printer: str) -> list[str]:
        """Return what is known of one printer and of every spool, in words."""
        said = [
            f"{axis}: machine {_percent(self.machine(printer, axis))},"
            f" {self.machine(printer, axis).from_data:.0%} from readings, the rest from its mechanics"
            for axis in AXES
        ]
        for spool in self.spools:
            for d in DIRECTIONS:
                e = self.shrinkage(spool, d)
                said.append(
                    f"{spool} shrinks {_percent(e)} along {d}, {e.from_data:.0%} from readings"
                )
        return said


def _percent(e: Estimate) -> str:
    return plus_minus(e.times(100, "%"))


def split_workshop(
    sheets: Sequence[SheetScales],
    drives: Mapping[str, Mapping[str, Drive]],
    instrument_sd: Mapping[str, float] | None = None,
) -> Workshop:
    """Split the size errors of every sheet at once.

    Parameters
    ----------
    drives : printer -> axis -> drive
        The mechanics, where known: they give the machine's prior.
    instrument_sd : instrument -> float
        Standard uncertainty of its scale, as a fraction.
    """
    printers = sorted({s.printer for s in sheets})
    spools = sorted({(s.spool, s.material) for s in sheets if s.spool})
    materials = sorted({m for _, m in spools}) or [""]
    instruments = sorted({s.instrument for s in sheets})
    sd = instrument_sd or {}
    means, sds = zip(*(_shrink_prior(m) for m in materials), strict=True)
    priors = Priors(
        machine_mean=np.zeros((len(printers), 3)),
        machine_sd=np.array(
            [[mechanics_u(drives.get(p, {}).get(a)) for a in AXES] for p in printers]
        ),
        material_of=np.array([materials.index(m) for _, m in spools] or [0]),
        material_mean=np.array(means)[:, None] * np.ones(2),
        material_sd=np.array(sds)[:, None] * np.ones(2),
        instrument_sd=np.array([max(sd.get(i, _INSTRUMENT_SD), 1e-7) for i in instruments]),
    )
    names = [name for name, _ in spools]
    printed = [_at_mechanics(s, drives) for s in sheets if s.spool]
    moved = [_at_mechanics(s, drives) for s in sheets if not s.spool]
    prints = Prints(
        printer=np.array([printers.index(s.printer) for s in printed], np.int64),
        spool=np.array([names.index(s.spool) for s in printed], np.int64),
        instrument=np.array([instruments.index(s.instrument) for s in printed], np.int64),
        error=np.array([s.error for s in printed]).reshape(-1, 3),
        covariance=np.array([s.covariance for s in printed]).reshape(-1, 3, 3),
    )
    result = split(prints, priors, _travels(moved, printers, instruments))
    return Workshop(
        split=result,
        printers=tuple(printers),
        spools=tuple(names) or ("",),
        materials=tuple(materials),
    )


def _shrink_prior(material: str) -> tuple[float, float]:
    try:
        found = filament(material)
    except SpecError:
        return _UNKNOWN_SHRINK, _UNKNOWN_SHRINK_U
    return found.shrink_percent / 100, found.shrink_u_percent / 100


def _at_mechanics(s: SheetScales, drives: Mapping[str, Mapping[str, Drive]]) -> SheetScales:
    """Refer a sheet's errors to 20 degrees C and to the steps/mm that the mechanics give."""
    error, covariance = s.error, s.covariance
    if s.part_c is not None and s.spool:
        error, u = refer_to_20c(error, expansion_of(s.material), s.part_c)
        covariance = covariance + u**2
    factor = np.ones(3)
    for k, axis in enumerate(AXES):
        drive = drives.get(s.printer, {}).get(axis)
        if drive is not None and axis in s.steps:
            factor[k] = drive.steps_per_mm / s.steps[axis]
    return replace(
        s,
        error=(1 + error) * factor - 1,
        covariance=covariance * np.outer(factor, factor),
    )


def expansion_of(material: str) -> float:
    """Return a filament type's thermal expansion per kelvin; a usual one where it is not known."""
    try:
        return filament(material).expansion_per_k
    except SpecError:
        return _UNKNOWN_EXPANSION


def _travels(moved: list[SheetScales], printers: list[str], instruments: list[str]) -> Travels:
    rows = [
        (printers.index(s.printer), k, instruments.index(s.instrument), s.error[k],
         math.sqrt(s.covariance[k, k]))
        for s in moved
        for k in range(3)
        if np.isfinite(s.error[k])
    ]  # fmt: skip
    columns = list(zip(*rows, strict=True)) or [()] * 5
    return Travels(
        printer=np.array(columns[0], np.int64),
        axis=np.array(columns[1], np.int64),
        instrument=np.array(columns[2], np.int64),
        error=np.array(columns[3], float),
        u=np.array(columns[4], float),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One way to correct a size error along an axis: what to set, and what it does elsewhere."""

    name: str
    steps_per_mm: float | None
    scale_percent: float
    words: str


@dataclass(frozen=True, eq=False, kw_only=True)
class Explained:
    """What one sheet says of machine and material.

    Attributes
    ----------
    machine, size : axis -> Estimate, as fractions, at the steps now set
    shrinkage : "XY" or "Z" -> Estimate, as a fraction
    faults : axis -> wrong parts or settings that would explain the error
    choices : axis -> the ways to correct it
    short, lines : words
        The likely faults; and the whole chain.
    """

    machine: Mapping[str, Estimate]
    size: Mapping[str, Estimate]
    shrinkage: Mapping[str, Estimate]
    faults: Mapping[str, tuple[Fault, ...]]
    choices: Mapping[str, tuple[Choice, ...]]
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
    instrument_sd: float = _INSTRUMENT_SD,
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
    one = SheetScales(
        printer="it", spool="it", material=material, error=error, covariance=covariance,
        steps=steps, part_c=part_c,
    )  # fmt: skip
    sheets = [one]
    if travel is not None:
        sheets.append(replace(one, spool="", error=travel[0], covariance=travel[1]))
    faults = {a: _faults(a, sheets, drives, steps) for a in AXES}
    # An axis with a wrong part says nothing of belts and shrinkage.
    sheets = [_without(s, [a for a in AXES if faults[a]]) for s in sheets]
    printed = [a for k, a in enumerate(AXES) if np.isfinite(sheets[0].error[k])]
    moved = [a for k, a in enumerate(AXES) if np.isfinite(sheets[-1].error[k])]
    workshop = split_workshop(sheets, {"it": drives}, {"caliper": instrument_sd})
    machine = {
        a: _at_steps(workshop.machine("it", a), a, drives, steps)
        for a in AXES
        if a in printed or a in moved
    }
    size = {a: _at_steps(workshop.product("it", "it", a), a, drives, steps) for a in printed}
    shrinkage = {
        d: workshop.shrinkage("it", d)
        for d in DIRECTIONS
        if any(_direction(a) == d for a in printed)
    }
    choices = {a: _choices(machine[a], size[a], steps.get(a)) for a in printed}
    return Explained(
        machine=machine,
        size=size,
        shrinkage=shrinkage,
        faults={a: f for a, f in faults.items() if f},
        choices=choices,
        short=tuple(_fault_words(a, f) for a, f in faults.items() if f),
        lines=tuple(_lines(one, machine, shrinkage, choices, travel is not None, drives)),
    )


def _without(s: SheetScales, axes: Sequence[str]) -> SheetScales:
    error = np.array([np.nan if a in axes else e for a, e in zip(AXES, s.error, strict=True)])
    return replace(s, error=error)


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
    sheets: Sequence[SheetScales],
    drives: Mapping[str, Drive],
    steps: Mapping[str, float],
) -> tuple[Fault, ...]:
    """Look for a wrong part: in the carriage's travel where it was measured, else in the print."""
    k = AXES.index(axis)
    s = sheets[-1] if np.isfinite(sheets[-1].error[k]) else sheets[0]
    if not np.isfinite(s.error[k]):
        return ()
    drive = drives.get(axis)
    value, u_sound = 1 + float(s.error[k]), mechanics_u(drive) if drive else _UNKNOWN_SHRINK_U
    if s.spool:
        shrink, u_shrink = _shrink_prior(s.material)
        value, u_sound = value + shrink, math.hypot(u_sound, u_shrink)
    ratio = Estimate(name=f"ratio_{axis.lower()}", value=value, u=math.sqrt(s.covariance[k, k]))
    return find_faults(ratio, drive, u_sound, _ratio(axis, drives, steps))


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
    one: SheetScales,
    machine: Mapping[str, Estimate],
    shrinkage: Mapping[str, Estimate],
    choices: Mapping[str, Sequence[Choice]],
    travel: bool,
    drives: Mapping[str, Drive],
) -> list[str]:
    kind = one.material or "the filament"
    lines = [
        f"{kind} shrinks {_percent(e)} along {d}: {max(e.from_data, 0):.0%} of that from the readings,"
        f" the rest from the {'table' if one.material else 'usual'} range of the type."
        for d, e in shrinkage.items()
    ]
    for axis, e in machine.items():
        source = "its mechanics" if axis in drives else "a guess, its drive is not known"
        lines.append(
            f"{axis} by itself moves {_percent(e)} too far: {max(e.from_data, 0):.0%} from the readings,"
            f" the rest from {source}."
        )
    if one.part_c is not None and abs(one.part_c - 20) > 0.5:
        warm = 100 * expansion_of(one.material) * (one.part_c - 20)
        lines.append(
            f"Measured at {one.part_c:g} degC: {warm:+.3f} % of the size is warmth and was taken out"
            " (sizes hold at 20 degC, ISO 1)."
        )
    for axis, ways in choices.items():
        lines += [f"{axis}: {c.words}." for c in ways]
    if not travel:
        lines.append(
            "What settles it: carriage travel without plastic (truebead make carriage-travel), which"
            " brings the machine's share to about ± 0.03 %; a second material helps less."
        )
    return lines
