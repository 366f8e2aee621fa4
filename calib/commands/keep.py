"""`truebead keep`: solve a sheet and keep its corrections for a printer, a nozzle and a spool."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.commands.show import (
    JsonOption,
    NozzleOption,
    PrinterOption,
    SpoolOption,
    StoreOption,
    half_width,
    number,
    say,
    say_json,
    say_table,
)
from calib.errors import SheetError

if TYPE_CHECKING:
    from calib.readings import Sheet
    from calib.solve import Solution
    from calib.store.store import Store


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
    json: JsonOption = False,
) -> None:
    """Solve sheets and keep the corrections with their readings; a sheet is kept only once."""
    from calib.store import open_store

    answers: list[dict[str, Any]] = []
    again = False
    with open_store(store) as opened:
        names = {
            "printer": opened.printer(printer).name,
            "nozzle": opened.nozzle(printer, nozzle).name,
            "spool": opened.spool(spool).name,
        }
        for path in sheets:
            solution, uids = _keep_one(opened, path, names, use or [])
            again = again or solution.needs_user
            answers.append({"sheet": str(path), **names, "corrections": uids})
            if not json:
                _say_kept(path, solution, names)
    if json:
        say_json(answers)
    if again:
        raise typer.Exit(1)


def _keep_one(
    opened: "Store", path: Path, names: dict[str, str], use: list[str]
) -> tuple["Solution", list[str]]:
    from calib.solve import solve_sheet

    text, sheet = load(path)
    context = opened.context_for(**names)
    solution = solve_sheet(sheet, context)
    uids = opened.keep(text, sheet, solution.corrections, fit_json(solution), use=use, **names)
    return solution, uids


def load(path: Path) -> tuple[str, "Sheet"]:
    """Return the text of a sheet and what is read from it."""
    from calib.readings import read_sheet

    try:
        raw = path.read_bytes()
    except OSError as err:
        raise SheetError(
            f"can't be read ({err.strerror})", where=str(path), mend="look at the path"
        ) from err
    sheet = read_sheet(path)
    return raw.decode("utf-8-sig", errors="replace"), sheet


def fit_json(solution: "Solution") -> dict[str, Any]:
    """Return what the fit said, as plain data for the history and the report."""
    from dataclasses import asdict

    return {"findings": [asdict(f) for f in solution.findings]}


def _say_kept(path: Path, solution: "Solution", names: dict[str, str]) -> None:
    rows = [
        (
            c.setting,
            number(c.old, c.u_new),
            number(c.new, c.u_new),
            half_width(c.u_new * c.error.expanded() / c.error.u) if c.error.u else "-",
            c.unit,
            str(c.verdict),
        )
        for c in solution.corrections
    ]
    title = f"Kept {path} for {names['printer']} / {names['nozzle']} / {names['spool']}"
    say_table(title, ("setting", "old>", "new>", "95 %>", "unit", "verdict"), rows)
    for s in solution.suspects:
        say(f"Doubtful: {s.reading.where or s.reading.feature}: {s.explanation}", "yellow")
    for c in solution.corrections:
        if c.verdict == "print again":
            say(f"{c.setting}: {c.reason}", "yellow")
