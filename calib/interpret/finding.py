"""What interpreters are told and what they answer: context, findings, suspects, residuals."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from calib.model.correction import Correction
from calib.model.drive import Drive
from calib.model.estimate import Estimate
from calib.model.instrument import DEFAULTS, Instrument
from calib.model.request import Request
from calib.readings import Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What is known besides the sheet.

    Attributes
    ----------
    now : mapping
        Setting -> value set when the piece was printed, such as ``steps_x_per_mm`` -> 80.0.
    in_force : mapping or None
        Setting -> value in force today, wherever it takes effect; None where it is not known.
    drives : mapping
        Axis X, Y, Z -> its drive, where known.
    travel : mapping
        Axis -> the machine's own scale error as a fraction, where carriage travel was measured.
    filament : str
        Type of the filament, "" where not known.
    instruments : mapping
        Kind of instrument -> the one in use.
    tolerance_mm : float
        Size error that does not matter to the user, over `part_mm`.
    part_mm : float
        Length of part that the user cares about.
    ratings : mapping
        The printer's ratings as they are now (`calib.model.gate.ratings_of`); they limit beside those
        of the set-up that the piece was made for.
    """

    now: Mapping[str, float] = field(default_factory=dict)
    in_force: Mapping[str, float] | None = None
    drives: Mapping[str, Drive] = field(default_factory=dict)
    travel: Mapping[str, Estimate] = field(default_factory=dict)
    filament: str = ""
    instruments: Mapping[str, Instrument] = field(default_factory=lambda: DEFAULTS)
    tolerance_mm: float = 0.2
    part_mm: float = 100.0
    ratings: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A reading that does not belong with the others.

    `proposal` is a value that explains it, only where exactly one explanation fits; `used` says
    whether the reading took part in the fit; `effect` compares the result with and without it.
    """

    reading: Reading
    explanation: str
    proposal: float | None = None
    used: bool = False
    effect: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """One line of the table of what was read against what the fit says, in the feature's unit."""

    feature: str
    nominal: float
    reading: float
    fitted: float
    repeats: int
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """What one interpreter says about a sheet.

    Attributes
    ----------
    topic : str
        One or two words: size, flow, temperature.
    summary : lines
        The short answer.
    why : lines
        The whole chain, for those who ask.
    evidence : mapping
        Plain data for machines and plots: lists, numbers and words only.
    requests : tuple of Request
        What would make the answer surer, the best first; what a correction asks for stands with it.
    factors : mapping
        Setting -> by what to multiply it, where its value is not known, so that no correction is given.
    """

    topic: str
    estimates: tuple[Estimate, ...] = ()
    corrections: tuple[Correction, ...] = ()
    suspects: tuple[Suspect, ...] = ()
    residuals: tuple[Residual, ...] = ()
    summary: tuple[str, ...] = ()
    why: tuple[str, ...] = ()
    evidence: Mapping[str, Any] = field(default_factory=dict)
    requests: tuple[Request, ...] = ()
    factors: Mapping[str, float] = field(default_factory=dict)


def finding_json(f: Finding) -> dict[str, Any]:
    """Return a finding as plain data."""
    return {
        "topic": f.topic,
        "summary": list(f.summary),
        "why": list(f.why),
        "estimates": [_estimate_json(e) for e in f.estimates],
        "corrections": [asdict(c) | {"error": _estimate_json(c.error)} for c in f.corrections],
        "suspects": [asdict(s) for s in f.suspects],
        "residuals": [asdict(r) for r in f.residuals],
        "evidence": dict(f.evidence),
        "requests": [r.plain() for r in f.requests],
        "factors": dict(f.factors),
    }


def _estimate_json(e: Estimate) -> dict[str, Any]:
    low, high = e.interval()
    return asdict(e) | {"low": low, "high": high}
