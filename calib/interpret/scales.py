"""Scale errors of sheets, and their split into machine and material over many of them, by name."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from calib.fit.linear import Array
from calib.fit.mechanics import mechanics_u
from calib.fit.split import AXES, DIRECTIONS, Prints, Priors, Split, Travels, refer_to_20c, split
from calib.interpret.common import plus_minus
from calib.model.drive import Drive
from calib.model.estimate import Estimate
from patterns.errors import SpecError
from patterns.filaments import filament

#: Shrinkage of a filament type that the table lacks: middle and standard uncertainty, fractions.
UNKNOWN_SHRINK, UNKNOWN_SHRINK_U = 0.004, 0.003


_UNKNOWN_EXPANSION = 80e-6


#: Scale error of an instrument that is not described, as a fraction.
INSTRUMENT_SD = 1.2e-4


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
        Temperature of the piece when it was measured; None where nobody wrote it down.
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
class MachineAndMaterial:
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
            f"{axis}: machine {percent(self.machine(printer, axis))},"
            f" {self.machine(printer, axis).from_data:.0%} from readings, the rest from its mechanics"
            for axis in AXES
        ]
        for spool in self.spools:
            for d in DIRECTIONS:
                e = self.shrinkage(spool, d)
                said.append(
                    f"{spool} shrinks {percent(e)} along {d}, {e.from_data:.0%} from readings"
                )
        return said


def percent(e: Estimate) -> str:
    """Write a fraction in % with its expanded uncertainty."""
    return plus_minus(e.times(100, "%"))


def split_sheets(
    sheets: Sequence[SheetScales],
    drives: Mapping[str, Mapping[str, Drive]],
    instrument_sd: Mapping[str, float] | None = None,
) -> MachineAndMaterial:
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
    means, sds = zip(*(shrink_prior(m) for m in materials), strict=True)
    priors = Priors(
        machine_mean=np.zeros((len(printers), 3)),
        machine_sd=np.array(
            [[mechanics_u(drives.get(p, {}).get(a)) for a in AXES] for p in printers]
        ),
        material_of=np.array([materials.index(m) for _, m in spools] or [0]),
        material_mean=np.array(means)[:, None] * np.ones(2),
        material_sd=np.array(sds)[:, None] * np.ones(2),
        instrument_sd=np.array([max(sd.get(i, INSTRUMENT_SD), 1e-7) for i in instruments]),
    )
    names = [name for name, _ in spools]
    printed = [at_mechanics(s, drives) for s in sheets if s.spool]
    moved = [at_mechanics(s, drives) for s in sheets if not s.spool]
    prints = Prints(
        printer=np.array([printers.index(s.printer) for s in printed], np.int64),
        spool=np.array([names.index(s.spool) for s in printed], np.int64),
        instrument=np.array([instruments.index(s.instrument) for s in printed], np.int64),
        error=np.array([s.error for s in printed]).reshape(-1, 3),
        covariance=np.array([s.covariance for s in printed]).reshape(-1, 3, 3),
    )
    result = split(prints, priors, _travels(moved, printers, instruments))
    return MachineAndMaterial(
        split=result,
        printers=tuple(printers),
        spools=tuple(names) or ("",),
        materials=tuple(materials),
    )


def shrink_prior(material: str) -> tuple[float, float]:
    """Return what is known of a type's shrinkage: middle and standard uncertainty, fractions."""
    try:
        found = filament(material)
    except SpecError:
        return UNKNOWN_SHRINK, UNKNOWN_SHRINK_U
    return found.shrink_percent / 100, found.shrink_u_percent / 100


def at_mechanics(s: SheetScales, drives: Mapping[str, Mapping[str, Drive]]) -> SheetScales:
    """Refer a sheet's errors to 20 degrees C and to the steps/mm that the mechanics give."""
    error, covariance = s.error, s.covariance
    if s.spool:
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
