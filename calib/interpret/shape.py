"""Skew from diagonals and the first layer from heights: what the fit of lengths says beside size and outline."""

import math

from calib.fit.linear import LinearFit
from calib.interpret.corrected import corrected
from calib.interpret.finding import Context
from calib.model.correction import Correction, Verdict, judge
from calib.model.setting import setting


def skew_correction(fit: LinearFit, context: Context, plane: str) -> list[Correction]:
    """Judge how far the second axis of a plane leans; nothing where no diagonals were read."""
    name = f"skew_{plane.lower()}"
    if name not in fit:
        return []
    error, about = fit[name].times(180 / math.pi, "deg"), setting(f"{name}_deg")
    slope = 100 * math.tan(fit[name].value)
    old = context.now.get(about.name, 0.0)
    size = (
        f"{plane[1]} leans {abs(error.value):.3f} degrees (± {error.expanded():.3f})"
        f" {'towards' if error.value > 0 else 'away from'} +{plane[0]},"
        f" {abs(slope):.2f} mm per 100 mm"
    )
    verdict = judge(error, about.step, about.wanted)
    reasons = {
        Verdict.APPLY: f"{size}; square the frame if it has play, else set it",
        Verdict.LEAVE: f"{size}: not distinguishable from square, leave it alone",
        Verdict.PRINT_AGAIN: f"{size}: read both diagonals three times each, or print a larger frame",
    }
    new, evidence = old + error.value, f"diagonals and sides in {plane}"
    return [corrected(about.name, old, new, error, verdict, reasons[verdict], evidence)]


def first_layer_correction(fit: LinearFit, context: Context) -> list[Correction]:
    """Judge the first layer's thickness; nothing where total heights do not show it apart from scale."""
    if "squeeze" not in fit or fit["squeeze"].from_data < 0.5:
        return []
    error, about = fit["squeeze"], setting("first_layer_gap_mm")
    verdict = judge(error, about.step, about.wanted)
    old = context.now.get(about.name, 0.0)
    thin = error.value < 0
    size = f"the first layer is {abs(error.value):.3f} mm too {'thin' if thin else 'thick'}"
    size += f" (± {error.expanded():.3f} mm)"
    reasons = {
        Verdict.APPLY: f"{size}: {'raise' if thin else 'lower'} the nozzle by that over the bed",
        Verdict.LEAVE: f"{size}: not distinguishable from zero, leave it alone",
        Verdict.PRINT_AGAIN: f"{size}: read total heights and steps three times each",
    }
    new, evidence = old - error.value, "total heights against steps"
    return [corrected(about.name, old, new, error, verdict, reasons[verdict], evidence)]
