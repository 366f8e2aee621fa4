"""`truebead keep`: solve a sheet and keep its corrections for a printer, a nozzle and a spool."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypedDict

import typer

from calib.commands.common import JsonOption, print_json
from calib.commands.profile import correction_json
from calib.commands.show import (
    NozzleOption,
    PrinterOption,
    SpoolOption,
    StoreOption,
    half_width,
    number,
    say,
    say_table,
)
from calib.instruments import DEFAULTS, Instrument

if TYPE_CHECKING:
    from calib.readings import Sheet
    from calib.solve import Context, Solution
    from calib.store.records import KeptCorrection
    from calib.store.store import Store

_TRIES = 4


class Names(TypedDict):
    """What a sheet is kept for; None means the only one there is."""

    printer: str
    nozzle: str | None
    spool: str | None


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
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Solve sheets and keep the corrections with their readings; a sheet is kept only once."""
    from calib.store import open_store

    answers: list[dict[str, Any]] = []
    again = False
    with open_store(store) as opened:
        names: Names = {
            "printer": opened.printer(printer).name, "nozzle": nozzle, "spool": spool,
        }  # fmt: skip
        for path in sheets:
            solution, kept = _keep_one(opened, path, names, use or [])
            again = again or solution.needs_user
            answers.append({"sheet": str(path), "corrections": [correction_json(k) for k in kept]})
            if not as_json:
                _say_kept(path, solution, kept)
    if as_json:
        print_json(answers)
    if again:
        raise typer.Exit(1)


def _keep_one(
    opened: "Store", path: Path, names: Names, use: list[str]
) -> tuple["Solution", list["KeptCorrection"]]:
    """Solve with what is set now and keep; anew where somebody else was quicker meanwhile."""
    from calib.solve import check_made_for, solve_sheet, with_settings_of
    from calib.store.base import ChangedMeanwhile

    text, sheet = load(path)
    check_made_for(sheet, {k: names[k] for k in ("printer", "nozzle", "spool")})
    for last in (False,) * _TRIES + (True,):
        seen = opened.revision(names["printer"])
        known = opened.context_for(**names, printed=sheet.piece.printed)
        context = with_settings_of(sheet, known)
        solution = solve_sheet(sheet, replace(context, instruments=instruments(sheet, context)))
        found, fit = solution.corrections, solution.to_json()
        try:
            uids = opened.keep(text, sheet, found, fit, use=use, seen=seen, **names)
        except ChangedMeanwhile:
            if last:
                raise
        else:
            break
    return solution, opened.corrections(uids)


def load(path: Path) -> tuple[str, "Sheet"]:
    """Return the text of a sheet and what is read from it."""
    from calib.readings import read_sheet
    from calib.readings.decode import read_bytes, text_of

    data, file = read_bytes(path)
    text = text_of(data, str(file))
    return text, read_sheet(text, str(file))


def instruments(sheet: "Sheet", context: "Context") -> dict[str, "Instrument"]:
    """Return what measured: as the sheet says, or the user's own where it only says the usual."""
    return {
        kind: context.instruments.get(kind, said) if said == DEFAULTS.get(kind) else said
        for kind, said in sheet.instruments.items()
    }


def _say_kept(path: Path, solution: "Solution", kept: list["KeptCorrection"]) -> None:
    columns = ("setting", "old>", "new>", "95 %>", "unit", "verdict", "for")
    of = kept[0] if kept else None
    names = " / ".join(filter(None, (of.printer, of.nozzle, of.spool))) if of else ""
    say_table(f"Kept {path}" + (f" for {names}" if names else ""), columns, [_row(k) for k in kept])
    for s in solution.suspects:
        say(f"Doubtful: {s.reading.where or s.reading.feature}: {s.explanation}", "yellow")
    for k in kept:
        c = k.correction
        if c.verdict == "print again":
            say(f"{c.setting}: {c.reason}", "yellow")
    spare = [k.correction.setting for k in kept if not k.chosen]
    if spare:
        use = " ".join(f"--use {name}" for name in spare)
        say(
            f"Not used, since each would correct an error twice: {', '.join(spare)}. To use them"
            f" instead: truebead profile undo {kept[0].sheet_uid[:8]}, then keep with {use}"
        )


def _row(k: "KeptCorrection") -> tuple[str, ...]:
    c = k.correction
    half = c.u_new * c.error.expanded() / c.error.u if c.error.u else 0.0
    verdict = str(c.verdict) if k.chosen else "not used"
    return (
        c.setting, number(c.old, c.u_new), number(c.new, c.u_new), half_width(half), c.unit,
        verdict, str(c.scope),
    )  # fmt: skip
