"""`truebead solve`: from a filled-in sheet to corrections with reasons."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.commands.common import JsonOption, numbers, print_json
from calib.commands.judging import (
    AcceptOption,
    FilamentOption,
    InstrumentOption,
    NowOption,
    PartOption,
    ToleranceOption,
)
from calib.commands.show import NozzleOption, PrinterOption, SpoolOption, StoreOption
from calib.workshop.knowing import PART_MM, TOLERANCE_MM

if TYPE_CHECKING:
    from calib.interpret.solve import Finding, Solution, Suspect
    from calib.model.correction import Correction


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        "solve",
        help="Work out the corrections from a filled-in sheet.\n\n"
        "Exits with 1 where something must be printed or measured again. What the store knows of the"
        " printer, nozzle and spool that the sheet names is used; it works without any store, too.",
        epilog="Example: truebead solve step-gauge/sheet.csv --now steps_x_per_mm=80 --why",
    )(solve)


def solve(
    sheet_file: Annotated[
        Path, typer.Argument(metavar="SHEET", help="The sheet.csv you filled in.")
    ],
    now: NowOption = None,
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    store: StoreOption = None,
    filament: FilamentOption = "",
    instrument: InstrumentOption = None,
    tolerance_mm: ToleranceOption = TOLERANCE_MM,
    part_mm: PartOption = PART_MM,
    why: Annotated[
        bool, typer.Option("--why", help="Show the whole chain from readings to verdict.")
    ] = False,
    accept: AcceptOption = False,
    as_json: JsonOption = False,
) -> None:
    """Read, fit, judge, print."""
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        solved = workshop.solve(
            sheet_file, printer=printer, nozzle=nozzle, spool=spool,
            now=numbers(now or [], "--now"), filament=filament, instruments=instrument or (),
            tolerance_mm=tolerance_mm, part_mm=part_mm, accept=accept,
        )  # fmt: skip
    if as_json:
        print_json(solved.solution.to_json())
    else:
        typer.echo(as_text(solved.solution, why=why))
        for line in solved.notes:
            typer.echo(f"\n{line}")
    raise typer.Exit(1 if solved.solution.needs_user else 0)


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
        lines += [
            f"    {r.feature}: nominal {r.nominal:g}, read {r.reading:.3f} ({r.repeats} x),"
            f" fitted {r.fitted:.3f}, left over {r.reading - r.fitted:+.3f}"
            for r in finding.residuals
        ]
    return lines


def _reasons(chosen: "list[Correction]") -> list[str]:
    """Say why, once where two settings would correct the same error."""
    return [f"{reason}." for reason in dict.fromkeys(c.reason for c in chosen)]


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
    return lines


def _change(c: "Correction") -> str:
    from calib.model.estimate import coverage_factor

    half = c.u_new * coverage_factor(c.error.dof)
    places = _places(half)
    change = f"{c.new:.{places}f} {c.unit} (± {half:.{places}f})"
    if c.old is None:
        return f"{c.setting}: {change}"
    return f"{c.setting}: {c.old:.{places}f} -> {change}"


def _places(half: float) -> int:
    """Return the decimals that show two digits of an uncertainty (JCGM 100, 7.2.6)."""
    import math

    return 3 if half <= 0 else max(0, min(6, 1 - math.floor(math.log10(half))))
