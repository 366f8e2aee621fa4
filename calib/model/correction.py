"""Corrections: a setting, its old and new value, how sure we are, and what to do about it."""

from dataclasses import dataclass
from enum import StrEnum

from calib.model.estimate import Estimate
from calib.model.request import Request


class Verdict(StrEnum):
    """What to do about a setting."""

    APPLY = "apply"
    LEAVE = "leave"  # the data can't tell the error from zero, or it is too small to set
    PRINT_AGAIN = "print again"  # the data can't settle it; the reason says what would


class Scope(StrEnum):
    """What a correction belongs to, from the widest to the narrowest."""

    PRINTER = "printer"
    NOZZLE = "nozzle"
    MATERIAL = "material"
    SPOOL = "spool"


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One setting to change, or to leave.

    Attributes
    ----------
    setting : str
        Physical name with unit, such as ``steps_x_per_mm`` or ``outline_offset_mm``.
    old, new : float or None
        Value now set (None: not known) and value to set, in `unit`.
    u_new : float
        Standard uncertainty of `new`, in `unit`.
    error : Estimate
        The error that was found, on which the verdict rests.
    evidence : str
        What was measured, in words.
    reason : str
        Why this verdict, in words.
    requests : tuple of Request
        What to print to settle it, the best first.
    mend, fill : tuple of str
        Features of the sheet that are to be measured again, or that were left empty: what to do
        first, before anything is printed.
    instead_of : str
        Name of a setting that would correct the same error; only one of the two may be used.
    """

    setting: str
    old: float | None
    new: float
    u_new: float
    unit: str
    error: Estimate
    verdict: Verdict
    scope: Scope
    evidence: str
    reason: str
    instead_of: str = ""
    requests: tuple[Request, ...] = ()
    mend: tuple[str, ...] = ()
    fill: tuple[str, ...] = ()


def judge(error: Estimate, smallest_step: float, wanted: float) -> Verdict:
    """Decide what to do about an error.

    Parameters
    ----------
    error : Estimate
        Error found, in the unit of the two others.
    smallest_step : float
        Smallest change that the setting takes.
    wanted : float
        Expanded uncertainty that is good enough for use; where the error can't be told from zero
        and its expanded uncertainty is larger than this, more data is asked for.
    """
    half = error.expanded()
    if abs(error.value) > max(half, smallest_step):
        return Verdict.APPLY
    return Verdict.LEAVE if half <= wanted else Verdict.PRINT_AGAIN
