"""From a filled-in sheet to corrections, and from corrections to what is kept: one way for both."""

import math
from collections.abc import Sequence
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING

from calib.errors import StoreError
from calib.model.correction import Verdict
from calib.model.place import Place, in_files
from calib.model.setting import label, setting
from calib.workshop.context import (
    Assumed,
    asked_of,
    context_for,
    who_for_solving,
    who_in_store,
)
from calib.workshop.results import KeptSolution, Solved, Who

if TYPE_CHECKING:
    from calib.interpret.solve import Solution
    from calib.readings import Sheet
    from calib.store.records import KeptCorrection, KeptSheet, ProfileValue
    from calib.store.store import Store

#: How often a sheet is solved anew where somebody else keeps something in the same moment.
_TRIES = 5
#: Share of equal readings from which two sheets of a piece are of the same print: readings of two
#: prints that differ by their scatter are equal now and then (a judgement).
_SAME_PRINT = 2 / 3


def load(source: Path | str) -> tuple[str, "Sheet"]:
    """Return the text of a sheet and what is read from it.

    Parameters
    ----------
    source : Path or str
        A file, a piece's folder with a ``sheet.csv``; or, as str, a sheet's own text.
    """
    from calib.readings import read_sheet
    from calib.readings.decode import read_bytes, text_of

    if isinstance(source, str) and "\n" in source:
        return source, read_sheet(source)
    data, file = read_bytes(Path(source))
    text = text_of(data, str(file))
    return text, read_sheet(text, str(file))


def solve(store: "Store | None", source: Path | str, given: Who, assumed: Assumed) -> Solved:
    """Say what a sheet means, with what the store knows of it; works without any store."""
    text, sheet = load(source)
    who, notes = who_for_solving(store, sheet, given)
    return _solved(store, text, sheet, who, assumed, notes)


def _solved(
    store: "Store | None",
    text: str,
    sheet: "Sheet",
    who: Who,
    assumed: Assumed,
    notes: tuple[str, ...] = (),
) -> Solved:
    from calib.interpret.solve import solve_sheet

    context = context_for(store, sheet, who, assumed)
    return Solved(
        sheet=sheet,
        text=text,
        solution=solve_sheet(sheet, context, accept=assumed.accept),
        context=context,
        who=who,
        notes=notes,
    )


def keep(
    store: "Store", source: Path | str, given: Who, assumed: Assumed, use: Sequence[str] = ()
) -> KeptSolution:
    """Solve with what is set now and keep; anew where somebody else was quicker meanwhile.

    Raises
    ------
    StoreError
        Printer, nozzle or spool is not known, the sheet was kept before, or a factor was found for
        a value that nobody has told yet; nothing is kept.
    """
    from calib.store.base import ChangedMeanwhile

    text, sheet = load(source)
    printed = sheet.piece.printed
    who = who_in_store(store, asked_of(sheet, given), spool=printed, nozzle=printed)
    earlier = _earlier_of_this_print(store, text, sheet, who)
    before: Sequence[ProfileValue] = ()
    for attempt in range(_TRIES):
        seen = store.revision(who.printer)
        before = _in_force(store, who)
        solved = _solved(store, text, sheet, who, assumed)
        check_factors(solved.solution, who.printer)
        try:
            uids = store.keep(
                text, sheet, solved.solution.corrections, solved.solution.to_json(), use=use,
                seen=seen, instead_of=[s.uid for s in earlier], printer=who.printer, nozzle=who.nozzle or None, spool=who.spool or None,
            )  # fmt: skip
            break
        except ChangedMeanwhile:
            if attempt == _TRIES - 1:
                raise
    kept = store.corrections(uids)
    gone = {s.uid for s in earlier}
    return KeptSolution(
        solved=solved,
        corrections=tuple(kept),
        replaced=tuple(earlier),
        doubts=tuple(doubts([v for v in before if v.source.sheet_uid not in gone], kept)),
        in_force=tuple(_in_force(store, who)),
    )


def _earlier_of_this_print(
    store: "Store", text: str, sheet: "Sheet", who: Who
) -> "list[KeptSheet]":
    """Return the kept sheets that this one mends or completes: the same piece, most readings alike.

    Counted beside them, it would count one print twice. The same piece printed once more reads
    differently nearly everywhere.
    """
    from calib.store.keeping import text_sha256

    if not sheet.piece_id:
        return []
    now = _readings(sheet)
    found = []
    for kept in store.sheets_of_piece(sheet.piece_id, who.printer, who.nozzle, who.spool):
        then = _readings(load(kept.sheet_text)[1])
        both = now.keys() & then.keys()
        same = sum(now[k] == then[k] for k in both)
        if (
            text_sha256(kept.sheet_text) != text_sha256(text)
            and both
            and same >= _SAME_PRINT * len(both)
        ):
            found.append(kept)
    return found


def _readings(sheet: "Sheet") -> dict[tuple[str, int], float]:
    """Return (feature, which of its readings) -> what was read."""
    found: dict[tuple[str, int], float] = {}
    for r in sheet.readings:
        repeat = sum(name == r.feature for name, _ in found)
        found[r.feature, repeat] = r.value
    return found


def _in_force(store: "Store", who: Who) -> "Sequence[ProfileValue]":
    return store.in_force(who.printer, who.nozzle, who.spool) if who.nozzle and who.spool else ()


def doubts(before: "Sequence[ProfileValue]", kept: "Sequence[KeptCorrection]") -> list[str]:
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
        repeated = abs(c.error.value - then.value) <= 2 * math.hypot(then.u, c.error.u)
        undo = f"truebead profile undo {k.sheet_uid[:8]}"
        as_if_set = v.place == Place.PRINTER and c.old == v.value
        if as_if_set and c.verdict == Verdict.APPLY and repeated:
            lines.append(
                f"{label(c.setting)}: the very error of before is found once more, as if {c.old:.5g} had not"
                f" been set. If it had not: {undo}, put what was set into the sheet's line"
                f" # now.{c.setting}: and keep it again."
            )
        gone = c.verdict == Verdict.LEAVE and c.old != v.value and not repeated
        if in_files(v.place) and gone:
            lines.append(
                f"{label(c.setting)}: the error of before is gone, as if {v.value:.5g} had been set. If it"
                f" had: {undo}, write {v.value:.5g} into the sheet's line # now.{c.setting}: and keep"
                f" it again after truebead values --in-printer {c.setting}."
            )
    return lines


def check_factors(solution: "Solution", printer: str) -> None:
    """Refuse a factor that has no value to work on: kept like that it would be lost."""
    for finding in solution.findings:
        for name, factor in finding.factors.items():
            known = setting(name)
            raise StoreError(
                f"the {known.label} want {factor:.4f} times what is set, which is not known",
                where=solution.sheet.name,
                mend=f"say what is set: truebead add printer {quote(printer)} --replace"
                f" --steps-{known.axis.lower()} VALUE, then keep again; nothing was kept",
            )
