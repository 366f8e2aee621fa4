"""`truebead profile`: what is in force, where it comes from, and how it came about."""

from dataclasses import asdict
from typing import Annotated

import typer

from calib.commands import options as o
from calib.commands.common import answer, print_json, say_safety
from calib.commands.show import say, say_line, say_table
from calib.report import kept_words as words
from calib.report.plain import correction_json, influence_json, profile_json
from calib.report.words import iso

profile = typer.Typer(
    invoke_without_command=True,
    help="Show the values in force, their history, and take back.",
)


@profile.callback()
def profile_itself(ctx: typer.Context) -> None:
    """Show the values in force, their history, and take back."""
    if ctx.invoked_subcommand is None:
        show()


def register(app: typer.Typer) -> None:
    """Hang the verbs on the command line."""
    app.add_typer(profile, name="profile")


@profile.command(epilog="Example: truebead profile show --spool white-1")
def show(
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    why: Annotated[
        str | None, typer.Option(help="Which sheets make this setting what it is.")
    ] = None,
    rests: Annotated[
        bool, typer.Option("--rests", help="Also: what each rests on, what the last sheet changed.")
    ] = False,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Show each value, how sure it is, and what is to be set.

    Every sheet that still counts takes part: those of other spools say what this type is like.
    """
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        if why is not None:
            sheets = workshop.why(why, printer=printer, nozzle=nozzle, spool=spool)
            if as_json:
                print_json([influence_json(i) for i in sheets])
            else:
                say_table(f"What makes {why}", words.WHY_COLUMNS, words.why_rows(sheets, why))
            return
        found = workshop.profile(printer=printer, nozzle=nozzle, spool=spool)
    if as_json:
        print_json(profile_json(found))
        say_safety(as_json=True)
        return
    title = f"Profile of {found.who.words}"
    if not found.settings and not found.to_do_once:
        say(f"{title}: nothing is known yet. See what to print: truebead next{found.who.options}")
        return
    say_table(title, words.PROFILE_COLUMNS, words.profile_rows(found.settings))
    below = words.profile_lines(found.settings, found.to_do_once, found.who.options)
    above = words.rests_lines(found.settings, found.rests) if rests else ()
    for line, style in (*above, *words.odd_lines(found.odd), *below):
        say(line, style)
    say_safety()


@profile.command(epilog="Example: truebead profile history --setting skew_xy_deg")
def history(
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    setting: Annotated[str | None, typer.Option(help="Only this setting.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="How many, newest first.")] = 30,
    sheet: Annotated[
        str | None, typer.Option(help="Show the kept sheet of this id, as it was read.")
    ] = None,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Show every correction that was ever kept.

    Also those that were taken back; nothing is ever deleted.
    """
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        if sheet is not None:
            kept = workshop.store().sheet(sheet)
            if as_json:
                print_json({**asdict(kept), "kept_at": iso(kept.kept_at)})
            else:
                print(words.sheet_words(kept))
            return
        found = workshop.history(setting, limit, printer=printer, nozzle=nozzle, spool=spool)
        one = printer or (found[0].printer if len({k.printer for k in found}) == 1 else None)
        said = workshop.store().places(one, limit) if one else []
    if as_json:
        print_json([correction_json(k) for k in found])
        return
    say("Kept corrections, newest first, by sheet", "bold")
    for line in words.history_lines(found):
        say_line(line)
    said = [p for p in said if setting in (None, p.setting) and spool in (None, p.spool)]
    if said:
        say("Where they take effect, as it was said, newest first", "bold")
    for p in said:
        say_line(f"{p.at:%Y-%m-%d %H:%M} {words.said_line(p)}")


@profile.command(epilog="Example: truebead profile diff --spool white-1 --against white-2")
def diff(
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    against: Annotated[str | None, typer.Option(help="Another spool to compare with.")] = None,
    at: Annotated[str | None, typer.Option(help="An earlier day to compare with.")] = None,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Compare a profile with another spool's, or an earlier day's."""
    from calib.workshop import open_workshop
    from calib.workshop.planning import moment

    with open_workshop(store) as workshop:
        then = moment(at, "--at") if at else None
        rows = workshop.differences(against=against or "", at=then, printer=printer, nozzle=nozzle, spool=spool)  # fmt: skip
    if as_json:
        print_json([asdict(r) for r in rows])
        return
    say_table("Differences", *words.difference_table(rows, against or "", at or ""))


@profile.command(epilog="Example: truebead profile undo --why 'measured over the seam'")
def undo(
    id_: Annotated[
        str | None,
        typer.Argument(
            metavar="ID", help="Of a correction or a sheet; the newest sheet if not given."
        ),
    ] = None,
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    why: Annotated[str, typer.Option(help="Why, in your words.")] = "",
    by: o.By = "",
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Take corrections back. They stay in the history; earlier values are in force again."""
    from calib.workshop import open_workshop

    with open_workshop(store, by=by) as workshop:
        done = workshop.undo(id_, why, printer=printer, nozzle=nozzle, spool=spool)
    data = [correction_json(k) for k in done.corrections]
    answer(data, words.taken_back_lines(done), as_json=as_json)


@profile.command(epilog="Example: truebead profile drift")
def drift(
    printer: o.Printer = None,
    setting: Annotated[str | None, typer.Option(help="Only this setting.")] = None,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Show how a printer's own settings moved over time.

    And whether to look at the machine.

    A value outside the mean and three standard deviations (from the mean moving range), or eight
    in a row on one side of it, asks for a new calibration (Shewhart's control chart).
    """
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        found = workshop.store().drift(printer, setting)
    data = [words.drift_json(one) for one in found]
    answer(data, words.drift_lines(found), as_json=as_json)


@profile.command(epilog="Example: truebead profile split")
def split(
    printer: o.Printer = None,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Split size errors into machine scale and shrinkage.

    Every kept sheet counts, of all printers and spools: a material measured on one printer sharpens
    the others. The share from readings is what is left when the mechanics and the table of filament
    types are taken out.
    """
    from calib.workshop import open_workshop

    with open_workshop(store) as workshop:
        rows = workshop.split(printer)
    if as_json:
        print_json([words.split_json(*row) for row in rows])
        return
    title = "Machine and material, at the steps/mm that the mechanics give"
    say_table(title, words.SPLIT_COLUMNS, [words.split_row(*row) for row in rows])
    say(words.SPLIT_NOTE)
