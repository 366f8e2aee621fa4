"""What a solved sheet says, in lines for people: what to do, what to leave, what to print again."""

from typing import TYPE_CHECKING

from calib.model.setting import label
from calib.report.words import request_lines

if TYPE_CHECKING:
    from calib.interpret.solve import Finding, Solution, Suspect
    from calib.model.correction import Correction


def as_text(solution: "Solution", *, why: bool = False) -> str:
    """Return the answer for people: what to do, what to leave, what to print again."""
    sheet = solution.sheet
    measured = len({r.feature for r in sheet.readings})
    lines = [
        f"{sheet.piece.pattern} {sheet.piece_id}: {len(sheet.readings)} readings of {measured} features"
    ]
    lines += _suspects_text(solution)
    for finding in solution.findings:
        lines += ["", *_finding_text(finding, why=why)]
    return "\n".join(lines)


def _suspects_text(solution: "Solution") -> list[str]:
    """List the doubtful readings; one explanation of several readings is said once."""
    lines: list[str] = []
    said = ""
    for s in solution.suspects:
        if s.explanation != said:
            lines.append(f"  ? {s.explanation}")
        said = s.explanation
        lines.append(f"      {s.reading.where or s.reading.feature}: {_fate(s)}")
    if any(s.proposal is not None and not s.used for s in solution.suspects):
        lines.append("  To take what was probably meant, add --accept.")
    return lines


def _fate(s: "Suspect") -> str:
    """Say what became of a doubtful reading."""
    words = ["used" if s.used else "not used"]
    if s.proposal is not None and not s.used:
        words.append(f"{s.proposal:g} was probably meant")
    return "; ".join([*words, s.effect] if s.effect else words)


def _finding_text(finding: "Finding", *, why: bool) -> list[str]:
    from calib.model.correction import Verdict

    lines = [finding.topic.upper()]
    lines += [f"  {text}" for text in finding.summary]
    headings = {
        Verdict.APPLY: "  Change:",
        Verdict.LEAVE: "  Leave alone:",
        Verdict.PRINT_AGAIN: "  Not settled:",
    }
    for verdict, heading in headings.items():
        chosen = [c for c in finding.corrections if c.verdict is verdict]
        texts = _changes(chosen) if verdict is Verdict.APPLY else _reasons(chosen)
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


def _reasons(chosen: "list[Correction]") -> list[str]:
    """Say why and what to print, once where two settings would correct the same error."""
    lines: list[str] = []
    for reason in dict.fromkeys(c.reason for c in chosen):
        mine = [r for c in chosen if c.reason == reason for r in c.requests]
        lines += [f"{reason}.", *(f"  {text}" for text in request_lines(mine))]
    return lines


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
