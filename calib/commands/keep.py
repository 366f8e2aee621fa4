"""`truebead keep`: solve a sheet and keep its corrections for a printer, a nozzle and a spool."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
from calib.commands.kept_json import correction_json
from calib.commands.show import (
    ByOption,
    NozzleOption,
    PrinterOption,
    SpoolOption,
    StoreOption,
    change,
    half_width,
    place_lines,
    say,
    say_table,
)
from calib.workshop.knowing import PART_MM, TOLERANCE_MM

if TYPE_CHECKING:
    from calib.store.records import KeptCorrection
    from calib.workshop.results import Kept


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(
        epilog="Example: truebead keep cube/sheet.csv --printer lantern --nozzle brass"
        " --spool white-1"
    )(keep)


def keep(
    sheets: Annotated[list[Path], typer.Argument(metavar="SHEET...", help="Filled-in sheets.")],
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    use: Annotated[
        list[str] | None,
        typer.Option(help="Setting to use where two would correct the same error."),
    ] = None,
    now: NowOption = None,
    filament: FilamentOption = "",
    instrument: InstrumentOption = None,
    tolerance_mm: ToleranceOption = TOLERANCE_MM,
    part_mm: PartOption = PART_MM,
    accept: AcceptOption = False,
    by: ByOption = "",
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Solve sheets as `solve` does and keep the corrections; a sheet is kept only once.

    Printer, nozzle and spool are those that the sheet names, else the only ones in the store.
    """
    from calib.workshop import open_workshop

    answers: list[dict[str, Any]] = []
    again = False
    with open_workshop(store, by=by) as workshop:
        for path in sheets:
            kept = workshop.keep(
                path, printer=printer, nozzle=nozzle, spool=spool, use=use or (),
                now=numbers(now or [], "--now"), filament=filament,
                instruments=instrument or (), tolerance_mm=tolerance_mm, part_mm=part_mm,
                accept=accept,
            )  # fmt: skip
            again = again or kept.solved.solution.needs_user
            answers.append(_kept_json(path, kept))
            if not as_json:
                _say_kept(path, kept)
    if as_json:
        print_json(answers)
    if again:
        raise typer.Exit(1)


def _kept_json(path: Path, kept: "Kept") -> dict[str, Any]:
    return {
        "sheet": str(path), "printer": kept.who.printer, "nozzle": kept.who.nozzle,
        "spool": kept.who.spool, "corrections": [correction_json(k) for k in kept.corrections],
        "doubts": list(kept.doubts),
    }  # fmt: skip


def _say_kept(path: Path, kept: "Kept") -> None:
    _say_corrections(path, kept)
    for line in kept.doubts:
        say(line, "yellow")
    _say_in_force(kept)


def _say_corrections(path: Path, kept: "Kept") -> None:
    columns = ("setting", "change>", "95 %>", "unit", "verdict", "for")
    names = f" for {kept.who.words}" if kept.corrections else ""
    say_table(f"Kept {path}{names}", columns, [_row(k) for k in kept.corrections])
    for s in kept.solved.solution.suspects:
        say(f"Doubtful: {s.reading.where or s.reading.feature}: {s.explanation}", "yellow")
    for line in again_lines(kept.corrections):
        say(line, "yellow")
    spare = [k for k in kept.corrections if not k.chosen and k.correction.verdict == "apply"]
    if spare:
        names = ", ".join(k.correction.setting for k in spare)
        use = " ".join(f"--use {k.correction.setting}" for k in spare)
        say(
            f"Not used, since each would correct an error twice: {names}. To use them"
            f" instead: truebead profile undo {spare[0].sheet_uid[:8]}, then keep with {use}"
        )


def _say_in_force(kept: "Kept") -> None:
    """Say where the kept values take effect."""
    uids = {k.uid for k in kept.corrections}
    mine = [v for v in kept.in_force if v.source.uid in uids]
    for line in place_lines(mine, kept.who.options):
        say(line)


def again_lines(kept: Sequence["KeptCorrection"]) -> list[str]:
    """Say what to print again, each reason once: scale and steps share theirs."""
    names: dict[str, list[str]] = {}
    for k in kept:
        if k.correction.verdict == "print again":
            names.setdefault(k.correction.reason, []).append(k.correction.setting)
    return [f"{', '.join(settings)}: {reason}" for reason, settings in names.items()]


def _row(k: "KeptCorrection") -> tuple[str, ...]:
    c = k.correction
    half = c.u_new * c.error.expanded() / c.error.u if c.error.u else 0.0
    verdict = str(c.verdict) if k.chosen else "not used"
    return (
        c.setting, change(c.old, c.new, c.u_new, c.unit), half_width(half), c.unit, verdict,
        str(c.scope),
    )  # fmt: skip
