"""From a sheet to corrections: every interpreter that knows a kind of feature takes its part."""

import importlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Protocol

from calib.corrections import Correction, Verdict
from calib.drives import Drive
from calib.errors import SheetError
from calib.estimate import Estimate
from calib.instruments import DEFAULTS, Instrument
from calib.readings import Reading, Sheet

#: Modules of `calib.interpret`, in the order in which their findings are shown.
INTERPRETERS = ("dimensions",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What is known besides the sheet.

    Attributes
    ----------
    now : mapping
        Setting -> value now set, such as ``steps_x_per_mm`` -> 80.0.
    drives : mapping
        Axis X, Y, Z -> its drive, where known.
    filament : str
        Type of the filament, "" where not known.
    instruments : mapping
        Kind of instrument -> the one in use.
    tolerance_mm : float
        Size error that does not matter to the user, over `part_mm`.
    part_mm : float
        Length of part that the user cares about.
    """

    now: Mapping[str, float] = field(default_factory=dict)
    drives: Mapping[str, Drive] = field(default_factory=dict)
    filament: str = ""
    instruments: Mapping[str, Instrument] = field(default_factory=lambda: DEFAULTS)
    tolerance_mm: float = 0.2
    part_mm: float = 100.0


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
    """

    topic: str
    estimates: tuple[Estimate, ...] = ()
    corrections: tuple[Correction, ...] = ()
    suspects: tuple[Suspect, ...] = ()
    residuals: tuple[Residual, ...] = ()
    summary: tuple[str, ...] = ()
    why: tuple[str, ...] = ()
    evidence: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Everything found on one sheet."""

    sheet: Sheet
    findings: tuple[Finding, ...]

    @property
    def corrections(self) -> tuple[Correction, ...]:
        """The corrections of every finding, in order."""
        return tuple(c for f in self.findings for c in f.corrections)

    @property
    def suspects(self) -> tuple[Suspect, ...]:
        """The doubtful readings of every finding, in order."""
        return tuple(s for f in self.findings for s in f.suspects)

    @property
    def needs_user(self) -> bool:
        """Whether something must be printed or measured again."""
        again = any(c.verdict is Verdict.PRINT_AGAIN for c in self.corrections)
        return again or any(not s.used for s in self.suspects)

    def to_json(self) -> dict[str, Any]:
        """Return everything as plain data: dicts, lists, numbers and words."""
        return {
            "pattern": self.sheet.piece.pattern,
            "piece": self.sheet.piece_id,
            "needs_user": self.needs_user,
            "findings": [_finding_json(f) for f in self.findings],
        }


def _finding_json(f: Finding) -> dict[str, Any]:
    return {
        "topic": f.topic,
        "summary": list(f.summary),
        "why": list(f.why),
        "estimates": [_estimate_json(e) for e in f.estimates],
        "corrections": [asdict(c) | {"error": _estimate_json(c.error)} for c in f.corrections],
        "suspects": [asdict(s) for s in f.suspects],
        "residuals": [asdict(r) for r in f.residuals],
        "evidence": dict(f.evidence),
    }


def _estimate_json(e: Estimate) -> dict[str, Any]:
    low, high = e.interval()
    return asdict(e) | {"low": low, "high": high}


class Interpreter(Protocol):
    """What a module of `calib.interpret` offers."""

    def applies(self, sheet: Sheet) -> bool:
        """Whether the sheet has readings this interpreter understands."""

    def interpret(self, sheet: Sheet, context: Context) -> Finding:
        """Fit them and judge the result."""


def solve_sheet(sheet: Sheet, context: Context | None = None) -> Solution:
    """Interpret every reading on a sheet.

    Raises
    ------
    SheetError
        The sheet has no reading yet, or none that can be interpreted.
    """
    if not sheet.readings:
        raise SheetError(
            "the sheet has no readings yet",
            where=sheet.keys.get("file", "sheet"),
            mend="fill in the empty cells, or run: truebead read sheet.csv",
        )
    context = context or Context()
    findings = []
    for name in INTERPRETERS:
        module: Interpreter = importlib.import_module(f"calib.interpret.{name}")
        if module.applies(sheet):
            findings.append(module.interpret(sheet, context))
    if not findings:
        raise SheetError(
            f"nothing can be worked out from the readings of a {sheet.piece.pattern}",
            where=sheet.keys.get("file", "sheet"),
            mend="read more of its features",
        )
    return Solution(sheet=sheet, findings=tuple(findings))
