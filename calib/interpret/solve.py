"""From a sheet to corrections: every interpreter that knows a kind of feature takes its part."""

import importlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from shlex import quote
from typing import Any, Protocol

from calib.errors import SheetError
from calib.interpret.finding import Context as Context
from calib.interpret.finding import Finding, Suspect, finding_json
from calib.interpret.finish import finished
from calib.interpret.today import for_today
from calib.model.correction import Correction, Verdict
from calib.model.gate import why_refused
from calib.readings import Reading, Sheet
from calib.readings.cells import INCH_MM
from calib.readings.now import printed_with
from calib.readings.unmeasured import coarse_step_mm, coarse_words, copied, whole_grams
from patterns.feature import Feature

#: Modules of `calib.interpret`, in the order in which their findings are shown.
INTERPRETERS = (
    "dimensions",
    "flow",
    "extruder",
    "optimum",
    "limits",
    "clearance",
    "holes",
    "bed",
    "play",
    "ripple",
    "lag",
)

# Lengths of an axis that are off by one ratio, within this, point to its drive.
_ALIKE = 0.03
_LONG_ENOUGH_MM = 10.0
#: Ratios that a slip of unit or of the decimal point makes, and no drive.
_SLIPS = (INCH_MM, 1 / INCH_MM, 10.0, 0.1)
_COPIED = (
    "every length is its own nominal value to the last digit: measure the piece and write what the"
    " caliper shows"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Everything found on one sheet."""

    sheet: Sheet
    findings: tuple[Finding, ...]
    first_pass: tuple[Suspect, ...] = ()

    @property
    def corrections(self) -> tuple[Correction, ...]:
        """The corrections of every finding, in order."""
        return tuple(c for f in self.findings for c in f.corrections)

    @property
    def suspects(self) -> tuple[Suspect, ...]:
        """The doubtful readings: those that can't be right first, then those that stand out."""
        return self.first_pass + tuple(s for f in self.findings for s in f.suspects)

    @property
    def needs_user(self) -> bool:
        """Whether something must be printed or measured again."""
        again = any(c.verdict is Verdict.PRINT_AGAIN for c in self.corrections)
        unknown = any(f.factors for f in self.findings)
        return again or unknown or any(not s.used for s in self.suspects)

    @property
    def assumed(self) -> tuple[str, ...]:
        """What is taken for granted about how the piece was printed and read, in words."""
        return (*printed_with(self.sheet.keys, self.sheet.where).words, *coarse_words(self.sheet))

    def to_json(self) -> dict[str, Any]:
        """Return everything as plain data: dicts, lists, numbers and words."""
        return {
            "pattern": self.sheet.piece.pattern,
            "piece": self.sheet.piece_id,
            "needs_user": self.needs_user,
            "assumed": list(self.assumed),
            "suspects": [asdict(s) for s in self.first_pass],
            "findings": [finding_json(f) for f in self.findings],
        }


class Interpreter(Protocol):
    """What a module of `calib.interpret` offers."""

    def reads(self, feature: Feature) -> bool:
        """Whether its fit uses readings of a feature."""

    def applies(self, sheet: Sheet) -> bool:
        """Whether the sheet has readings this interpreter understands."""

    def interpret(self, sheet: Sheet, context: Context) -> Finding:
        """Fit them and judge the result."""


def solve_sheet(sheet: Sheet, context: Context | None = None, *, accept: bool = False) -> Solution:
    """Interpret every reading on a sheet.

    Parameters
    ----------
    accept : bool
        Take what was probably meant in place of readings that can't be right, where exactly one
        explanation fits; otherwise they are shown and not used.

    Raises
    ------
    SheetError
        The sheet has no reading yet, or none that can be interpreted.
    """
    if not sheet.readings:
        raise SheetError(
            "the sheet has no readings yet",
            where=sheet.name,
            mend=f"fill in the empty cells, or run: truebead read {quote(sheet.name or 'sheet.csv')}",
        )
    context = _as_read(sheet, context or Context(instruments=sheet.instruments))
    _check_now(sheet, context)
    used, suspects = _first_pass(sheet, accept=accept)
    findings = _interpreted(used, context, suspects)
    meant = {id(s.reading): s for f in findings for s in f.suspects if s.proposal is not None}
    if accept and meant:
        suspects += tuple(
            replace(s, used=True, effect=f"read as {s.proposal:g}") for s in meant.values()
        )
        used = replace(used, readings=tuple(_meant(r, meant.get(id(r))) for r in used.readings))
        findings = _interpreted(used, context, suspects)
    suspects = tuple(_with_effect(s, used, context) for s in suspects)
    if not findings:
        raise SheetError(
            suspects[0].explanation
            if suspects
            else f"nothing can be worked out from the readings of a {sheet.piece.pattern}",
            where=sheet.name,
            mend="correct the reading" if suspects else "read more of its features",
        )
    return Solution(sheet=sheet, findings=tuple(findings), first_pass=suspects)


def _as_read(sheet: Sheet, context: Context) -> Context:
    """Return the context with a caliper and a balance no finer than the readings."""
    instruments = dict(context.instruments)
    step = coarse_step_mm(sheet)
    if step is not None:
        instruments["caliper"] = replace(instruments["caliper"], resolution=step)
    if whole_grams(sheet):
        instruments["balance"] = replace(instruments["balance"], resolution=1.0, mpe=1.0)
    return replace(context, instruments=instruments)


def _check_now(sheet: Sheet, context: Context) -> None:
    """Refuse what is said to be set now where it makes no sense."""
    for name, value in context.now.items():
        if why := why_refused(name, value, {}):
            raise SheetError(f"{name}: {why}", where=sheet.name, mend="say what is set now")


def check_made_for(sheet: Sheet, names: Mapping[str, str | None]) -> None:
    """Refuse to take a piece of one printer, nozzle or spool for another's.

    Parameters
    ----------
    names : mapping
        ``printer``, ``nozzle``, ``spool`` -> the name that the sheet is to count for.
    """
    for what, name in names.items():
        made_for = sheet.keys.get(what, "")
        if name and made_for and made_for != name:
            raise SheetError(
                f"the piece was made for the {what} {made_for}, not for {name}",
                where=sheet.name,
                mend=f"give --{what} {made_for}, or correct the line # {what}: in the sheet",
            )


def with_settings_of(sheet: Sheet, context: Context) -> Context:
    """Lay the settings that the piece was printed with over those that are set today.

    A piece measured after its printer was corrected must not be corrected by today's values.

    Raises
    ------
    SheetError
        A value in the sheet's head is not a number, or makes no sense.
    """
    found = printed_with(sheet.keys, sheet.where)
    unknown = {n for n in found.to_set if n not in found.values}
    now = {n: v for n, v in context.now.items() if n not in unknown}
    return replace(context, now={**now, **found.values})


def believable(sheet: Sheet) -> Sheet:
    """Return a sheet without the readings that can't be right."""
    return _first_pass(sheet, accept=False)[0]


def _first_pass(sheet: Sheet, *, accept: bool) -> tuple[Sheet, tuple[Suspect, ...]]:
    """Set aside the readings that can't be right, or put in their place what was meant."""
    from calib.readings.blunders import find_blunders, mended

    blunders = [b for b in find_blunders(sheet) if not _axis_wide(b.readings, sheet)]
    taken = [b for b in blunders if accept and b.proposals]
    suspects = []
    for b in blunders:
        for i, reading in enumerate(b.readings):
            proposal = b.proposals[i] if b.proposals else None
            suspects.append(
                Suspect(
                    reading=reading,
                    explanation=b.explanation.removeprefix(f"{reading.where}: "),
                    proposal=proposal,
                    used=b in taken,
                    effect=f"read as {proposal:g}" if b in taken else "",
                )
            )
    doubted = () if suspects else copied(sheet)
    suspects += [Suspect(reading=r, explanation=_COPIED) for r in doubted]
    aside = {id(r) for b in blunders if b not in taken for r in b.readings} | set(map(id, doubted))
    kept = tuple(r for r in sheet.readings if id(r) not in aside)
    return mended(replace(sheet, readings=kept), taken), tuple(suspects)


def _interpreted(sheet: Sheet, context: Context, aside: Sequence[Suspect] = ()) -> list[Finding]:
    if not sheet.readings:
        return []
    return [
        finished(for_today(m.interpret(sheet, context), context), m.reads, sheet, context, aside)
        for m in _modules()
        if m.applies(sheet)
    ]


def _modules() -> list[Interpreter]:
    return [importlib.import_module(f"calib.interpret.{name}") for name in INTERPRETERS]


def _meant(reading: Reading, suspect: Suspect | None) -> Reading:
    if suspect is None or suspect.proposal is None:
        return reading
    return replace(reading, value=suspect.proposal)


def _with_effect(s: Suspect, used: Sheet, context: Context) -> Suspect:
    """Say what a reading that was set aside would do, where an interpreter can tell."""
    if s.used or s.effect:
        return s
    for module in _modules():
        effect_of = getattr(module, "effect_of", None)
        effect = effect_of(used, s.reading, context) if effect_of and used.readings else ""
        if effect:
            return replace(s, effect=effect)
    return replace(s, effect=_changed_by(s.reading, used, context))


def _changed_by(reading: Reading, used: Sheet, context: Context) -> str:
    """Compare the correction that a reading would change most, with and without it."""
    more = replace(used, readings=(*used.readings, reading))
    try:
        without, with_it = (
            {c.setting: c for f in _interpreted(s, context) for c in f.corrections}
            for s in (used, more)
        )
    except ValueError:
        return "nothing can be fitted with it"
    both = [(without[k], with_it[k]) for k in without if k in with_it]
    if not both:
        return ""
    a, b = max(both, key=lambda pair: abs(pair[0].new - pair[1].new) / max(pair[0].u_new, 1e-9))
    return f"{a.setting} would be {b.new:.4g} {b.unit} with it, it is {a.new:.4g} without it"


def _axis_wide(suspected: Sequence[Reading], sheet: Sheet) -> bool:
    """Whether all readings of an axis are off by one ratio: a wrong drive, not a slip of hand."""
    features = {f.id: f for f in sheet.piece.features}
    axes = {features[r.feature].axis for r in suspected}
    if len(axes) != 1 or "" in axes:
        return False
    ratios = [
        r.value / features[r.feature].nominal
        for r in sheet.readings
        if features[r.feature].axis in axes and features[r.feature].nominal >= _LONG_ENOUGH_MM
    ]
    middle = sorted(ratios)[len(ratios) // 2] if ratios else 1.0
    if middle <= 0:
        return False
    alike = sum(abs(r / middle - 1) < _ALIKE for r in ratios)
    ours = all(
        abs(r.value / features[r.feature].nominal / middle - 1) < 2 * _ALIKE for r in suspected
    )
    travel = all(features[r.feature].group == "travel" for r in suspected)
    return (
        len(ratios) >= (2 if travel else 3)
        and alike >= 0.8 * len(ratios)
        and abs(middle - 1) > 0.05
        and not any(abs(middle * s - 1) < 2 * _ALIKE for s in _SLIPS)
        and ours
    )
