"""What a solved sheet says, in lines for people: what to do, what to leave, what to print again."""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from calib.model.setting import label
from calib.report.words import request_lines

if TYPE_CHECKING:
    from calib.interpret.finding import Finding, Suspect
    from calib.interpret.solve import Solution
    from calib.model.correction import Correction


def as_text(solution: "Solution", *, why: bool = False) -> str:
    """Return the answer for people: what to do, what to leave, what to print again."""
    sheet = solution.sheet
    measured = len({r.feature for r in sheet.readings})
    lines = [
        f"{sheet.piece.pattern} {sheet.piece_id}: {len(sheet.readings)} readings of {measured} features"
    ]
    lines += [f"  {text}" for text in solution.assumed]
    numbers = {f.id: n for n, f in enumerate(sheet.piece.features, 1)}
    lines += _suspects_text(solution, numbers)
    for finding in solution.findings:
        lines += ["", *_finding_text(finding, numbers, why=why)]
    return "\n".join(lines)


def _suspects_text(solution: "Solution", numbers: "Mapping[str, int]") -> list[str]:
    """List the doubtful readings; one explanation of several readings is said once."""
    lines: list[str] = []
    said = ""
    for s in solution.suspects:
        if s.explanation != said:
            lines.append(f"  ? {s.explanation}")
        said = s.explanation
        row = f"row {numbers[s.reading.feature]}"
        where = f"{row} ({s.reading.where})" if s.reading.where else row
        lines.append(f"      {where}: {_fate(s)}")
    if any(s.proposal is not None and not s.used for s in solution.suspects):
        lines.append("  To take what was probably meant, add --accept.")
    return lines


def _fate(s: "Suspect") -> str:
    """Say what became of a doubtful reading."""
    words = ["used" if s.used else "not used"]
    if s.proposal is not None and not s.used:
        words.append(f"{s.proposal:g} was probably meant")
    return "; ".join([*words, s.effect] if s.effect else words)


def _finding_text(finding: "Finding", numbers: "Mapping[str, int]", *, why: bool) -> list[str]:
    from calib.model.correction import Verdict

    lines = [finding.topic.upper()]
    lines += [f"  {text}" for text in (*finding.summary, *_factor_lines(finding))]
    headings = {
        Verdict.APPLY: "  Change:",
        Verdict.LEAVE: "  Leave alone:",
        Verdict.PRINT_AGAIN: "  Not settled:",
    }
    for verdict, heading in headings.items():
        chosen = [c for c in finding.corrections if c.verdict is verdict]
        texts = _changes(chosen) if verdict is Verdict.APPLY else _reasons(chosen, numbers)
        lines += [heading, *(f"    {text}" for text in texts)] if chosen else []
    if why:
        lines += ["  Why:", *(f"    {text}" for text in finding.why)]
        lines += [f"    To be surer, {text}" for text in request_lines(finding.requests)]
        lines += [
            f"    {r.feature}: nominal {r.nominal:g}, read {r.reading:.3f} ({r.repeats} x),"
            f" fitted {r.fitted:.3f}, left over {r.reading - r.fitted:+.3f}"
            for r in finding.residuals
        ]
    return lines


def _reasons(chosen: "list[Correction]", numbers: "Mapping[str, int]") -> list[str]:
    """Say why and what to do, once where two settings would correct the same error."""
    lines: list[str] = []
    for reason in dict.fromkeys(c.reason for c in chosen):
        mine = [r for c in chosen if c.reason == reason for r in c.requests]
        first = dict.fromkeys(
            t for c in chosen if c.reason == reason for t in on_the_sheet(c, numbers)
        )
        lines += [f"{reason}.", *(f"  {text}" for text in (*first, *request_lines(mine)))]
    return lines


def on_the_sheet(c: "Correction", numbers: "Mapping[str, int]") -> list[str]:
    """Say what to do on the sheet itself before anything is printed: readings to mend, rows to fill in.

    Parameters
    ----------
    numbers : mapping
        Feature -> its number on the sheet.
    """
    lines = []
    if c.mend:
        lines.append(
            f"First mend what is marked ? above: {rows_words(c.mend, numbers)} of the sheet."
        )
    if c.fill:
        lines.append(f"First fill in {rows_words(c.fill, numbers)} of the sheet.")
    return lines


def rows_words(ids: "Iterable[str]", numbers: "Mapping[str, int]") -> str:
    """Return the rows of features as ``row 4`` or ``rows 2-7, 9``."""
    rows = sorted(numbers[i] for i in ids)
    runs: list[list[int]] = []
    for row in rows:
        if runs and row == runs[-1][-1] + 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    words = ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]}-{r[-1]}" for r in runs)
    return f"{'row' if len(rows) == 1 else 'rows'} {words}"


def _factor_lines(finding: "Finding") -> list[str]:
    """Say by what to multiply settings whose values are not known."""
    return [
        f"Multiply the {label(name)} by {factor:.4f}. To see the value, say what is set:"
        f" --now {name}=VALUE."
        for name, factor in finding.factors.items()
    ]


def _changes(chosen: "list[Correction]") -> list[str]:
    """Write what to set; the second way to correct the same error stands below the first."""
    by_name = {c.setting: c for c in chosen}
    lines: list[str] = []
    said: set[str] = set()
    for c in chosen:
        if c.setting in said:
            continue
        lines.append(_change(c))
        other = by_name.get(c.instead_of)
        if other:
            lines.append(f"  or, not both: {_change(other)}")
            said.add(other.setting)
        lines.append(f"    {c.reason}; from {c.evidence}.")
    lines += [f"  {t}" for t in request_lines(r for c in chosen for r in c.requests)]
    return lines


def _change(c: "Correction") -> str:
    from calib.model.estimate import coverage_factor

    half = c.u_new * coverage_factor(c.error.dof)
    places = _places(half)
    change = f"{c.new:.{places}f} {c.unit} (± {half:.{places}f})"
    if c.old is None:
        return f"{label(c.setting)}: {change}"
    return f"{label(c.setting)}: {c.old:.{places}f} -> {change}"


def _places(half: float) -> int:
    """Return the decimals that show two digits of an uncertainty (JCGM 100, 7.2.6)."""
    import math

    return 3 if half <= 0 else max(0, min(6, 1 - math.floor(math.log10(half))))
