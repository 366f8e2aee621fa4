"""`truebead keep`: solve a sheet and keep its corrections for a printer, a nozzle and a spool."""

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypedDict

import typer

from calib.commands.common import JsonOption, print_json
from calib.commands.kept_json import correction_json
from calib.commands.show import (
    NozzleOption,
    PrinterOption,
    SpoolOption,
    StoreOption,
    change,
    half_width,
    place_lines,
    request_lines,
    say,
    say_table,
)
from calib.errors import StoreError
from calib.model.correction import Verdict
from calib.model.instrument import DEFAULTS, Instrument
from calib.model.place import Place, in_files
from calib.model.setting import label

if TYPE_CHECKING:
    from calib.interpret.solve import Context, Solution
    from calib.readings import Sheet
    from calib.store.records import InForce, KeptCorrection
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
    with open_store(store, make=False) as opened:
        names: Names = {
            "printer": opened.printer(printer).name, "nozzle": nozzle, "spool": spool,
        }  # fmt: skip
        for path in sheets:
            solution, kept, doubts = _keep_one(opened, path, names, use or [])
            again = again or solution.needs_user
            answers.append(
                {
                    "sheet": str(path), "corrections": [correction_json(k) for k in kept],
                    "doubts": doubts,
                }
            )  # fmt: skip
            if not as_json:
                _say_kept(path, solution, kept)
                for line in doubts:
                    say(line, "yellow")
                _say_in_force(opened, kept)
    if as_json:
        print_json(answers)
    if again:
        raise typer.Exit(1)


def _keep_one(
    opened: "Store", path: Path, names: Names, use: list[str]
) -> tuple["Solution", list["KeptCorrection"], list[str]]:
    """Solve with what is set now and keep; anew where somebody else was quicker meanwhile.

    The lines say where the sheet and what was kept before do not go together.
    """
    from calib.interpret.solve import check_made_for, solve_sheet, with_settings_of
    from calib.store.base import ChangedMeanwhile

    text, sheet = load(path)
    check_made_for(sheet, {k: names[k] for k in ("printer", "nozzle", "spool")})
    for last in (False,) * _TRIES + (True,):
        seen = opened.revision(names["printer"])
        known = opened.context_for(**names, printed=sheet.piece.printed)
        before = opened.in_force(**names) if sheet.piece.printed else []
        context = with_settings_of(sheet, known)
        solution = solve_sheet(sheet, replace(context, instruments=instruments(sheet, context)))
        _check_extruder(solution, names["printer"])
        found, fit = solution.corrections, solution.to_json()
        try:
            uids = opened.keep(text, sheet, found, fit, use=use, seen=seen, **names)
        except ChangedMeanwhile:
            if last:
                raise
        else:
            break
    kept = opened.corrections(uids)
    return solution, kept, _doubts(before, kept)


def _doubts(before: Sequence["InForce"], kept: Sequence["KeptCorrection"]) -> list[str]:
    """Say where a piece looks as if it was printed with other settings than its sheet takes it to be.

    The error of before, found once more, was not corrected while the piece was printed; one that is
    gone was corrected, though the sheet says it was not. Either would undo, or double, a correction.
    """
    by_setting = {v.setting: v for v in before if v.value is not None and not v.stale}
    lines = []
    for k in kept:
        c, v = k.correction, by_setting.get(k.correction.setting)
        if not k.chosen or v is None or v.source.correction.verdict != Verdict.APPLY:
            continue
        then = v.source.correction.error
        near = 2 * math.hypot(then.u, c.error.u)
        repeated = abs(c.error.value - then.value) <= near
        mend = f"truebead profile undo {k.sheet_uid[:8]}"
        if (
            v.place == Place.PRINTER
            and c.old == v.value
            and c.verdict == Verdict.APPLY
            and repeated
        ):
            lines.append(
                f"{c.setting}: the very error of before is found once more, as if {c.old:.5g} had not"
                f" been set. If it had not: {mend}, put what was set into the sheet's line"
                f" # now.{c.setting}: and keep it again."
            )
        if in_files(v.place) and c.verdict == Verdict.LEAVE and c.old != v.value and not repeated:
            lines.append(
                f"{c.setting}: the error of before is gone, as if {v.value:.5g} had been set. If it"
                f" had: {mend}, write {v.value:.5g} into the sheet's line # now.{c.setting}: and keep"
                f" it again after truebead apply --in-printer {c.setting}."
            )
    return lines


def _check_extruder(solution: "Solution", printer: str) -> None:
    """Refuse a feed whose factor has no steps/mm to work on: kept like that it would be lost."""
    from shlex import quote

    for finding in solution.findings:
        settings = {c.setting for c in finding.corrections}
        if finding.topic == "extruder" and "steps_e_per_mm" not in settings:
            factor = 100 / finding.estimates[0].value
            raise StoreError(
                f"the extruder's steps/mm want {factor:.4f} times what is set, which is not known",
                where=solution.sheet.name,
                mend=f"say what is set: truebead add printer {quote(printer)} --replace --steps-e"
                " VALUE, then keep again; nothing was kept",
            )


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
    columns = ("setting", "change>", "95 %>", "unit", "verdict", "for")
    of = kept[0] if kept else None
    names = " / ".join(filter(None, (of.printer, of.nozzle, of.spool))) if of else ""
    say_table(f"Kept {path}" + (f" for {names}" if names else ""), columns, [_row(k) for k in kept])
    for s in solution.suspects:
        say(f"Doubtful: {s.reading.where or s.reading.feature}: {s.explanation}", "yellow")
    for line in again_lines(kept):
        say(line, "yellow")
    spare = [k.correction.setting for k in kept if not k.chosen and k.correction.verdict == "apply"]
    if spare:
        use = " ".join(f"--use {name}" for name in spare)
        say(
            f"Not used, since each would correct an error twice: {', '.join(spare)}. To use them"
            f" instead: truebead profile undo {kept[0].sheet_uid[:8]}, then keep with {use}"
        )


def _say_in_force(opened: "Store", kept: Sequence["KeptCorrection"]) -> None:
    """Say which kept values did not take a surer one's place, and where the others take effect."""
    if not kept or not kept[0].spool:
        return
    uids = {k.uid for k in kept}
    first = kept[0]
    in_force = opened.in_force(first.printer, first.nozzle, first.spool)
    for v in in_force:
        if v.vaguer is not None and v.vaguer.uid in uids:
            say(
                f"{v.setting}: the value from {v.source.pattern} of {v.source.kept_at:%Y-%m-%d}"
                " stays in force; this one agrees with it and is far less sure"
            )
    for line in place_lines([v for v in in_force if v.source.uid in uids]):
        say(line)


def again_lines(kept: Sequence["KeptCorrection"]) -> list[str]:
    """Say what to print again, each reason once: scale and steps share theirs."""
    names: dict[str, list[str]] = {}
    for k in kept:
        if k.correction.verdict == "print again":
            names.setdefault(k.correction.reason, []).append(label(k.correction.setting))
    lines = [f"{', '.join(settings)}: {reason}" for reason, settings in names.items()]
    again = (k.correction for k in kept if k.correction.verdict == "print again")
    return lines + request_lines(r for c in again for r in c.requests)


def _row(k: "KeptCorrection") -> tuple[str, ...]:
    c = k.correction
    half = c.u_new * c.error.expanded() / c.error.u if c.error.u else 0.0
    verdict = str(c.verdict) if k.chosen else "not used"
    return (
        c.setting, change(c.old, c.new, c.u_new, c.unit), half_width(half), c.unit, verdict,
        str(c.scope),
    )  # fmt: skip
