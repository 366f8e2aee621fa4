"""What the interpreters share: grouped readings, numbers in the sheet's head, doubtful repeats."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from calib.errors import SheetError
from calib.fit.doubts import Disagreement, disagreeing
from calib.fit.lengths import unseen_zero
from calib.fit.linear import Problem, outlying
from calib.interpret.finding import Context, Residual, Suspect
from calib.model.estimate import Estimate, coverage_factor
from calib.model.instrument import Instrument
from calib.readings import Reading, Sheet
from calib.readings.slips import explanations, only_proposal, said
from patterns.feature import Feature

#: How near a slip's true value must come to what the fit expects: mm, and a tenth of it at most.
_NARROW_MM = 0.08
#: How well closed jaws repeat, mm: common practice, no source.
JAWS_MM = 0.005


@dataclass(frozen=True, slots=True)
class Measured:
    """One feature with its readings."""

    feature: Feature
    readings: tuple[Reading, ...]

    @property
    def mean(self) -> float:
        """Mean of the readings."""
        return sum(r.value for r in self.readings) / len(self.readings)

    def u(self, instrument: Instrument) -> float:
        """Return the standard uncertainty of the mean, without what is common to all readings.

        Repeatability averages out over repeats, the resolution of one display does not; an
        uncertainty stated with a reading (a photo's) is taken as it is.
        """
        stated = [r.u for r in self.readings if r.u is not None]
        if stated:
            return sum(stated) / len(stated)
        return math.hypot(
            instrument.repeatability / math.sqrt(len(self.readings)),
            instrument.resolution / math.sqrt(12),
        )


def measured(sheet: Sheet, wanted: Callable[[Feature], bool]) -> list[Measured]:
    """Return the features asked for that have readings, in the piece's order."""
    by_feature: dict[str, list[Reading]] = {}
    for r in sheet.readings:
        by_feature.setdefault(r.feature, []).append(r)
    return [
        Measured(f, tuple(by_feature[f.id]))
        for f in sheet.piece.features
        if f.id in by_feature and wanted(f)
    ]


def key_number(sheet: Sheet, key: str, low: float, high: float) -> float | None:
    """Return a number from the sheet's head, None where the line is missing or empty.

    Raises
    ------
    SheetError
        It is not a number, or not within low and high.
    """
    numbers = key_numbers(sheet, key, low, high)
    if len(numbers) > 1:
        raise _bad_key(sheet, key, "holds more than one number", low, high)
    return numbers[0] if numbers else None


def key_numbers(sheet: Sheet, key: str, low: float, high: float) -> list[float]:
    """Return the numbers of a line of the sheet's head, apart by spaces or semicolons.

    Raises
    ------
    SheetError
        A word is not a number, or not within low and high.
    """
    words = sheet.keys.get(key, "").replace(";", " ").split()
    found = []
    for word in words:
        try:
            value = float(word.replace(",", "."))
        except ValueError:
            raise _bad_key(sheet, key, f"{word!r} is not a number", low, high) from None
        if not (math.isfinite(value) and low <= value <= high):
            raise _bad_key(sheet, key, f"{word} is out of range", low, high)
        found.append(value)
    return found


def _bad_key(sheet: Sheet, key: str, what: str, low: float, high: float) -> SheetError:
    return SheetError(
        f"# {key}: {what}",
        where=sheet.name,
        mend=f"write a number from {low:g} to {high:g}, or take the line out",
    )


def doubtful_repeats(items: Sequence[Measured], instrument: Instrument) -> list[Suspect]:
    """Show repeats that lie further apart than the instrument allows; they stay in the fit."""
    groups = {
        m.feature.id: [r.value for r in m.readings if r.u is None]
        for m in items
        if m.feature.unit in ("mm", "g")
    }
    readings = {m.feature.id: [r for r in m.readings if r.u is None] for m in items}
    return [
        _suspect(d, readings[d.name], instrument.unit)
        for d in disagreeing(groups, instrument.u_reading)
    ]


def _suspect(d: Disagreement, readings: list[Reading], unit: str) -> Suspect:
    reading = readings[d.furthest if d.furthest is not None else -1]
    effect = ""
    if d.furthest is not None:
        rest = [r.value for i, r in enumerate(readings) if i != d.furthest]
        with_it = sum(r.value for r in readings) / len(readings)
        effect = (
            f"the mean is {with_it:.4g} {unit} with it, {sum(rest) / len(rest):.4g} {unit} without"
        )
    return Suspect(reading=reading, explanation=d.words(unit), used=True, effect=effect)


def stand_out(m: Measured, expected: float, effect: str) -> list[Suspect]:
    """Show the readings of a feature that the fit set aside, with the likely slip of each.

    Parameters
    ----------
    expected : float
        What the fit without them says the feature should read.
    effect : str
        The result with and without them.
    """
    unit = m.feature.unit
    near = min(_NARROW_MM, 0.1 * abs(expected))
    found = []
    for i, r in enumerate(m.readings):
        slips = explanations(r.value, expected, {}, near, unit=unit, text=r.text)
        proposal = only_proposal(slips) if slips else None
        text = (
            f"{r.value:g} {unit} does not belong with the others, which give {expected:.2f} {unit}"
        )
        if slips:
            text += f"; {said(slips, proposal, unit)}"
        found.append(
            Suspect(reading=r, explanation=text, proposal=proposal, effect="" if i else effect)
        )
    return found


def outlying_rows(problem: Problem, rows: Sequence[int]) -> list[int]:
    """Return the rows, out of some, that a robust fit sets aside; none where it is no few."""
    aside, _ = outlying(problem)
    found = [i for i in rows if aside[i]]
    return found if len(found) <= max(1, len(rows) // 4) < len(rows) else []


def residual(m: Measured, fitted: float, u: float, reading: float | None = None) -> Residual:
    """Return one line of the table of residuals."""
    return Residual(
        feature=m.feature.id,
        nominal=m.feature.nominal,
        reading=m.mean if reading is None else reading,
        fitted=fitted,
        repeats=len(m.readings),
        u=u,
    )


def decimals_for(half: float) -> int:
    """Return the decimals that show two digits of an uncertainty (JCGM 100, 7.2.6)."""
    return 3 if half <= 0 else max(0, min(6, 1 - math.floor(math.log10(half))))


def plus_minus(e: Estimate, unit: str | None = None) -> str:
    """Write an estimate with its expanded uncertainty, both to the same digit."""
    half = e.expanded()
    digits = decimals_for(half)
    unit = e.unit if unit is None else unit
    return f"{e.value:.{digits}f} ± {half:.{digits}f} {unit}".strip()


def estimate_words(e: Estimate) -> str:
    """Write one line of the chain: an estimate, what it rests on."""
    k = coverage_factor(e.dof)
    value = e.value if abs(e.value) > 1e-9 * e.u else 0.0
    return (
        f"{e.name} = {value:.5g} {e.unit}, standard uncertainty {e.u:.2g}, times {k:.2f} for 95 %;"
        f" {max(e.from_data, 0.0):.0%} of it from the readings"
    )


def now(context: Context, setting: str, usual: float | None = None) -> float | None:
    """Return the value now set; `usual` where it is not known."""
    return context.now.get(setting, usual)


def zero_of(sheet: Sheet, caliper: Instrument) -> tuple[float, float]:
    """Return what the caliper shows with closed jaws, and its standard uncertainty.

    The line ``# jaws_closed_mm: 0.01`` in the sheet's head says it; without the line nobody looked.
    """
    return closed_jaws(sheet, caliper) or (0.0, unseen_zero(caliper))


def closed_jaws(sheet: Sheet, caliper: Instrument) -> tuple[float, float] | None:
    """Return what the caliper showed with closed jaws and its standard uncertainty, where written."""
    shown = key_number(sheet, "jaws_closed_mm", -1.0, 1.0)
    if shown is None:
        return None
    return shown, math.hypot(caliper.u_resolution, JAWS_MM)
