"""Machine or material, for one sheet: the split laid over what is set, and its short form in words."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from calib.fit.linear import Array
from calib.fit.split import AXES
from calib.interpret.common import plus_minus
from calib.interpret.finding import Context
from calib.interpret.scales import scales_of
from calib.interpret.split import Explained, explain_split
from calib.model.estimate import Estimate
from calib.model.instrument import Instrument
from calib.model.request import Request, makeable
from patterns.spec import PrintSetup

#: Steps set and steps by the mechanics that differ by less than this agree.
AGREE = 0.005


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


def explained(
    evidence: Mapping[str, Any],
    context: Context,
    caliper: Instrument,
    *,
    travel: bool,
    part_c: float | None,
) -> Explained:
    """Split the scale errors of one sheet.

    Parameters
    ----------
    evidence : mapping
        Of a size or travel finding, see `scales_of`.
    travel : bool
        The sheet is carriage travel, not a print.
    """
    error, covariance = scales_of(evidence)
    # The scale that the model was printed with is neither the machine's nor the filament's.
    drawn = np.array([context.now.get(f"scale_{a.lower()}_percent", 100.0) / 100 for a in AXES])
    moved = (error, covariance) if travel else _travel_known(context)
    printed = np.full(3, np.nan) if travel else (1 + error) / drawn - 1
    return explain_split(
        printed,
        np.eye(3) if travel else covariance,
        context.drives,
        context.filament,
        steps={a: s for a in AXES if (s := steps_now(a, context)) is not None},
        part_c=part_c,
        travel=moved,
        instrument_sd=caliper.u_scale,
    )


def _travel_known(context: Context) -> tuple[Array, Array] | None:
    """Return carriage travel measured before, in the form of a sheet's scale errors."""
    if not context.travel:
        return None
    error, variance = np.full(3, np.nan), np.ones(3)
    for k, axis in enumerate(AXES):
        if axis in context.travel:
            error[k], variance[k] = context.travel[axis].value, context.travel[axis].u ** 2
    return error, np.diag(variance)


def advice(split: Explained, axes: Sequence[str], context: Context) -> list[str]:
    """Say what setting the machine and setting the material would each do, and what is likelier."""
    sound = [a for a in axes if a not in split.faults and a not in split.far_off]
    open_axes = [a for a in sound if a not in context.travel]
    lines = []
    if open_axes:
        lines.append(
            "One material alone can't tell the machine's scale from the filament's shrinkage."
            " Set steps/mm and every material changes; set the scale and only this spool does."
            " Use one of the two, never both. Carriage travel, measured without plastic, tells them apart."
        )
    known = [a for a in sound if a in context.travel or a in context.drives]
    lines += [_axis_words(split, a, context) for a in known]
    return lines


def travel_requests(
    split: Explained, axes: Sequence[str], context: Context, setup: PrintSetup
) -> tuple[Request, ...]:
    """Return the check that tells machine from material, where an axis was never measured without plastic."""
    sound = [a for a in axes if a not in split.faults and a not in split.far_off]
    open_axes = [a for a in sound if a not in context.travel]
    asked = Request(
        pattern="carriage-travel",
        why="measure the carriage without plastic, to tell the machine from the filament",
        settles=tuple(f"steps_{a.lower()}_per_mm" for a in open_axes),
    )
    return makeable([asked], setup) if open_axes else ()


def _axis_words(split: Explained, axis: str, context: Context) -> str:
    measured = axis in context.travel
    if not measured and abs(set_over_mechanical(axis, context) - 1) > AGREE:
        return (
            f"{axis}: the mechanics give {context.drives[axis].steps_per_mm:g} steps/mm but"
            f" {steps_now(axis, context):g} are set: look at that first."
        )
    machine = split.machine[axis].times(100, "%")
    shrinkage = split.shrinkage["Z" if axis == "Z" else "XY"].times(100, "%")
    source = "carriage travel" if measured else "the mechanics"
    return (
        f"{axis}: from {source}, machine {plus_minus(machine)}, shrinkage {plus_minus(shrinkage)};"
        f" {_conclusion(machine)}."
    )


def _conclusion(machine: Estimate) -> str:
    if abs(machine.value) < max(machine.expanded(), 0.1):
        return "most likely shrinkage: set the scale"
    return "partly the machine's own"
