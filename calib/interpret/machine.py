"""Machine or material: what a size error along one axis says of each, and wrong parts by name."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from calib.drives import Drive
from calib.estimate import Estimate
from calib.fit.linear import LinearFit, Problem, fit
from calib.fit.mechanics import Fault, find_faults, mechanics_u
from calib.interpret.common import plus_minus
from calib.solve import Context

#: Steps set and steps by the mechanics that differ by less than this agree.
AGREE = 0.005
# Shrinkage of a filament nobody has named: common practice, no source.
_ANY_SHRINKAGE = (0.005, 0.005)


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisSplit:
    """One axis: the machine's own error and the shrinkage, both in %, with what they rest on."""

    axis: str
    machine: Estimate
    shrinkage: Estimate
    measured: bool  # the carriage was measured without plastic


def split_axis(axis: str, error: Estimate, context: Context) -> AxisSplit:
    """Split a size error (a fraction) into the machine's part and the filament's.

    error = machine - shrinkage, with the machine known from its mechanics or from carriage travel,
    and shrinkage from the filament's table. One error can't tell the two apart, so most of either
    number is prior; `from_data` says how much is not.
    """
    error = _without_model_scale(axis, error, context)
    mean, u = _machine_prior(axis, context)
    shrink, shrink_u = _shrinkage_prior(context)
    result = fit(
        Problem(
            names=("machine", "shrinkage"),
            x=np.array([[1.0, -1.0]]),
            y=np.array([error.value]),
            variance=np.array([error.u**2]),
            prior_mean=np.array([mean, shrink]),
            prior_sd=np.array([u, shrink_u]),
            units=("", ""),
        )
    )
    return AxisSplit(
        axis=axis,
        machine=_percent(result, "machine"),
        shrinkage=_percent(result, "shrinkage"),
        measured=axis in context.travel,
    )


def _without_model_scale(axis: str, error: Estimate, context: Context) -> Estimate:
    """Take out the scale that the model was printed with: what is left is machine and filament."""
    drawn = context.now.get(f"scale_{axis.lower()}_percent", 100.0) / 100
    return replace(error, value=(1 + error.value) / drawn - 1)


def _percent(result: LinearFit, name: str) -> Estimate:
    return result[name].times(100, "%")


def _machine_prior(axis: str, context: Context) -> tuple[float, float]:
    if axis in context.travel:
        return context.travel[axis].value, context.travel[axis].u
    drive = context.drives.get(axis)
    return set_over_mechanical(axis, context) - 1, mechanics_u(drive)


def _shrinkage_prior(context: Context) -> tuple[float, float]:
    from patterns.filaments import filament

    if not context.filament:
        return _ANY_SHRINKAGE
    known = filament(context.filament)
    return known.shrink_percent / 100, known.shrink_u_percent / 100


def steps_now(axis: str, context: Context) -> float | None:
    """Return the steps/mm now set; what the mechanics give where that is not known."""
    setting = f"steps_{axis.lower()}_per_mm"
    if setting in context.now:
        return context.now[setting]
    drive = context.drives.get(axis)
    return drive.steps_per_mm if drive else None


def set_over_mechanical(axis: str, context: Context) -> float:
    """Return steps/mm now set over what the mechanics give; 1 where either is not known."""
    drive, steps = context.drives.get(axis), steps_now(axis, context)
    return steps / drive.steps_per_mm if drive and steps else 1.0


def faults(axis: str, error: Estimate, context: Context, *, travel: bool) -> tuple[Fault, ...]:
    """Name wrong parts or settings that would explain a size or travel error (a fraction)."""
    drive: Drive | None = context.drives.get(axis)
    if not travel:
        error = _without_model_scale(axis, error, context)
    shrink = 0.0 if travel else sum(_shrinkage_prior(context))
    ratio = Estimate(name="ratio", value=1 + error.value, u=error.u, dof=error.dof, unit="")
    sound = math.hypot(mechanics_u(drive), shrink)
    return find_faults(ratio, drive, sound, set_over_mechanical(axis, context))


def advice(errors: Mapping[str, Estimate], context: Context) -> list[str]:
    """Say what setting the machine and setting the material would each do, and what is likelier."""
    lines = []
    if not all(axis in context.travel for axis in errors):
        lines.append(
            "One material alone can't tell the machine's scale from the filament's shrinkage."
            " Set steps/mm and every material changes; set the scale and only this spool does."
            " Use one of the two, never both."
        )
    known = [a for a in errors if a in context.travel or a in context.drives]
    for axis in known:
        lines.append(_axis_words(split_axis(axis, errors[axis], context), context))
    if any(axis not in context.travel for axis in errors):
        lines.append(
            "To settle it, measure the carriage without plastic: truebead make carriage-travel"
        )
    return lines


def _axis_words(s: AxisSplit, context: Context) -> str:
    source = "carriage travel" if s.measured else "the mechanics"
    parts = f"machine {plus_minus(s.machine)}, shrinkage {plus_minus(s.shrinkage)}"
    off = set_over_mechanical(s.axis, context)
    if not s.measured and abs(off - 1) > AGREE:
        return (
            f"{s.axis}: the mechanics give {context.drives[s.axis].steps_per_mm:g} steps/mm but"
            f" {steps_now(s.axis, context):g} are set: look at that first."
        )
    likely = abs(s.machine.value) < max(s.machine.expanded(), 0.1)
    conclusion = "most likely shrinkage: set the scale" if likely else "partly the machine's own"
    return f"{s.axis}: from {source}, {parts}; {conclusion}."
