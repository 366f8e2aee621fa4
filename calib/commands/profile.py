"""`truebead profile`: what is in force, where it comes from, and how it came about."""

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from calib.commands.common import JsonOption, print_json
from calib.commands.profile_split import split
from calib.commands.show import (
    ByOption,
    NozzleOption,
    PrinterOption,
    SpoolOption,
    StoreOption,
    say,
    say_line,
    say_table,
)
from calib.report.kept_words import (
    PROFILE_COLUMNS,
    history_lines,
    profile_lines,
    profile_rows,
    said_line,
)
from calib.report.plain import correction_json, setting_json
from calib.report.words import half_width, iso, number

if TYPE_CHECKING:
    from calib.store.records import KeptSheet

profile = typer.Typer(
    no_args_is_help=True, help="Show the corrections in force, their history, and take them back."
)

profile.command(epilog="Example: truebead profile split --printer lantern")(split)


def register(app: typer.Typer) -> None:
    """Hang the verbs on the command line."""
    app.add_typer(profile, name="profile")


@profile.command(
    epilog="Example: truebead profile show --printer lantern --nozzle brass --spool white-1"
)
def show(
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show each value with where it comes from, how old it is and how sure.

    The narrowest layer that has a value wins: spool, then material, then nozzle, then printer.
    """
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        found = workshop.profile(printer, nozzle, spool)
    if as_json:
        print_json({
            **asdict(found.who),
            "settings": [setting_json(v) for v in found.settings],
            "to_do_once": [setting_json(v) for v in found.deeds],
        })  # fmt: skip
        return
    title = f"Profile of {found.who.words}"
    if not found.settings and not found.deeds:
        say(f"{title}: nothing is known yet. See what to print: truebead next{found.who.options}")
        return
    say_table(title, PROFILE_COLUMNS, profile_rows(found.settings))
    for line, style in profile_lines(found.settings, found.deeds, found.who.options):
        say(line, style)


@profile.command(epilog="Example: truebead profile history --printer lantern --setting skew_xy_deg")
def history(
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    setting: Annotated[str | None, typer.Option(help="Only this setting.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="How many, newest first.")] = 30,
    sheet: Annotated[
        str | None, typer.Option(help="Show the kept sheet of this id, as it was read.")
    ] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show every kept correction, also those that were taken back; nothing is ever deleted."""
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        if sheet is not None:
            _say_sheet(workshop.store().sheet(sheet), as_json)
            return
        found = workshop.history(printer, nozzle, spool, setting, limit)
        one = printer or (found[0].printer if len({k.printer for k in found}) == 1 else None)
        said = workshop.store().places(one, limit) if one else []
    if as_json:
        print_json([correction_json(k) for k in found])
        return
    say("Kept corrections, newest first, by sheet", "bold")
    for line in history_lines(found):
        say_line(line)
    said = [p for p in said if setting in (None, p.setting) and spool in (None, p.spool)]
    if said:
        say("Where they take effect, as it was said, newest first", "bold")
    for p in said:
        say_line(f"{p.at:%Y-%m-%d %H:%M} {said_line(p)}")


def _say_sheet(kept: "KeptSheet", as_json: bool) -> None:
    if as_json:
        print_json({**asdict(kept), "kept_at": iso(kept.kept_at)})
        return
    say(f"Sheet {kept.uid} of {kept.pattern} {kept.piece_id}, kept {kept.kept_at:%Y-%m-%d %H:%M} UTC by Truebead {kept.by_version}", "bold")  # fmt: skip
    print(kept.sheet_text)


@profile.command(
    epilog="Example: truebead profile diff --printer lantern --spool white-1 --against white-2"
)
def diff(
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    against: Annotated[str | None, typer.Option(help="Another spool to compare with.")] = None,
    at: Annotated[str | None, typer.Option(help="An earlier day to compare with.")] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare a profile with that of another spool, or with itself at an earlier day."""
    from calib.commands.event import moment
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        then = moment(at, "--at") if at else None
        rows = workshop.differences(printer, nozzle, spool, against=against or "", at=then)
    if as_json:
        print_json([asdict(r) for r in rows])
        return
    own, other = "now>" if at else "value>", f"{against or at}>"
    columns = ("setting", own, other, "difference>", "95 %>", "")
    say_table("Differences", columns, [
        (r.setting, number(r.value, r.u), number(r.other, r.u), number(r.difference, r.u),
         half_width(r.expanded_95), r.says)
        for r in rows
    ])  # fmt: skip


@profile.command(epilog="Example: truebead profile undo --why 'measured over the seam'")
def undo(
    id_: Annotated[
        str | None,
        typer.Argument(
            metavar="ID", help="Of a correction or a sheet; the newest sheet if not given."
        ),
    ] = None,
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    why: Annotated[str, typer.Option(help="Why, in your words.")] = "",
    by: ByOption = "",
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take corrections back. They stay in the history; earlier values are in force again."""
    from calib.workshop import open_workshop

    with open_workshop(store, by=by) as workshop:
        done = workshop.undo(id_, why, printer=printer, nozzle=nozzle, spool=spool)
    if as_json:
        print_json([correction_json(k) for k in done.corrections])
        return
    first = done.corrections[0]
    names = ", ".join(k.correction.setting for k in done.corrections)
    of = " / ".join(filter(None, (first.printer, first.nozzle, first.spool)))
    say(f"Taken back: {names} of {first.pattern} {first.piece_id} (sheet {first.sheet_uid[:8]}), {of}.")  # fmt: skip
    say("They stay in the history; the same sheet can be kept again.")
    if done.set_back:
        u = {k.correction.setting: k.correction.u_new for k in done.corrections}
        back = ", ".join(f"{s} {number(value, u[s])}" for s, value in done.set_back.items())
        say(f"Set back in the printer or the slicing settings: {back}.", "yellow")


@profile.command(epilog="Example: truebead profile drift --printer lantern")
def drift(
    printer: PrinterOption = None,
    setting: Annotated[str | None, typer.Option(help="Only this setting.")] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show how a printer's own settings moved over time, and whether to look at the machine.

    A value outside the mean and three standard deviations (from the mean moving range), or eight
    in a row on one side of it, asks for a new calibration (Shewhart's control chart).
    """
    from calib.profile.drift import LEAST
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        found = workshop.store().drift(printer, setting)
    if as_json:
        print_json([
            {"setting": s.setting, "values": list(s.values), "alarm": s.alarm,
             "kept_at": [iso(k.kept_at) for k in s.found]}
            for s in found
        ])  # fmt: skip
        return
    if not found:
        say("Nothing was kept for this printer since the last event that changed it.")
    for s in found:
        values = " ".join(number(v, s.found[-1].correction.u_new) for v in s.values[-12:])
        say(f"{s.setting}: {values}", "bold")
        if len(s.values) <= LEAST:
            say(f"   {len(s.values)} values; limits need {LEAST + 1}")
        else:
            say(f"   {s.alarm or 'in control'}", "yellow" if s.alarm else "")
