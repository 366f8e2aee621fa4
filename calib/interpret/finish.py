"""The last look at what was found: no value past the gate, and the nearest remedy before another print."""

from collections.abc import Callable, Sequence
from dataclasses import replace

from calib.interpret.finding import Context, Finding, Suspect
from calib.model.correction import Correction, Verdict
from calib.model.gate import ratings_of, tightest, why_refused
from calib.model.setting import kept_setting
from calib.readings import Sheet
from patterns.feature import Feature


def finished(
    finding: Finding,
    reads: Callable[[Feature], bool],
    sheet: Sheet,
    context: Context,
    aside: Sequence[Suspect],
) -> Finding:
    """Return a finding with its corrections past the gate, each with what to do first.

    Parameters
    ----------
    reads : callable
        Whether a feature is one that the finding's interpreter fits.
    sheet : Sheet
        With the readings that were used.
    aside : sequence of Suspect
        Readings that were set aside before the fit.
    """
    unused = [s.reading.feature for s in (*aside, *finding.suspects) if not s.used]
    corrections = (_gated(c, sheet, context) for c in finding.corrections)
    done = tuple(_with_remedy(c, reads, sheet, unused) for c in corrections)
    return replace(finding, corrections=done)


def _gated(c: Correction, sheet: Sheet, context: Context) -> Correction:
    """Take the word "apply" from a value that makes no sense or that the printer is not rated for."""
    if c.verdict is not Verdict.APPLY:
        return c
    ratings = tightest(ratings_of(sheet.piece.setup), context.ratings)
    why = why_refused(c.setting, c.new, ratings)
    if not why:
        return c
    reason = f"{c.reason}; but {why}: look for a wrong reading, or a wrong value set, first"
    return replace(c, verdict=Verdict.PRINT_AGAIN, reason=reason, requests=())


def _with_remedy(
    c: Correction, reads: Callable[[Feature], bool], sheet: Sheet, unused: Sequence[str]
) -> Correction:
    """Put what can be done on the sheet itself in the place of another print."""
    if c.verdict is not Verdict.PRINT_AGAIN:
        return c
    features = {f.id: f for f in sheet.piece.features}
    mend = tuple(
        dict.fromkeys(i for i in unused if reads(features[i]) and _tells(c.setting, features[i]))
    )
    if mend:
        return replace(c, mend=mend, requests=())
    fill = _to_fill(c, reads, sheet)
    return replace(c, fill=fill, requests=()) if fill else c


def _to_fill(c: Correction, reads: Callable[[Feature], bool], sheet: Sheet) -> tuple[str, ...]:
    """Return the features that were left empty and would tell of a setting."""
    read = {r.feature for r in sheet.readings}
    groups = {f.group for f in sheet.piece.features if f.id in read}
    return tuple(
        f.id
        for f in sheet.piece.by_hand
        if f.id not in read
        and reads(f)
        and _tells(c.setting, f)
        and (f.rung is None or f.group in groups)  # a judgement left out as a whole is not missing
    )


def _tells(setting: str, feature: Feature) -> bool:
    """Whether a feature tells of a setting: it lies along the setting's axis, or in its plane."""
    axis = kept_setting(setting).axis
    return not axis or axis == "E" or (bool(feature.axis) and set(feature.axis) <= set(axis))
