"""`truebead read` and `truebead sheet`: readings typed in, and sheets made without the solid."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from calib.commands import options as o
from calib.commands.common import answer, print_json, say_safety
from calib.errors import BadInput
from calib.report.made_words import made_json, made_lines
from calib.report.words import place_lines
from calib.workshop.context import Assumed
from calib.workshop.typed import numbers, pairs, setup_given


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(
        "sheet",
        help="Make a measurement sheet without the solid.\n\n"
        "For a folder the page sheet.html is made again, with --semicolons also its sheet.csv: readings,"
        " id and parameters stay.",
        epilog="Example: truebead sheet step-gauge --set pitch_mm=30 --out gauge",
    )(sheet)
    app.command(
        "read",
        help="Type in the readings of a sheet, one after the other.\n\n"
        "Each answer is written to the sheet at once: stop when you like and go on later.\n\n"
        "With --part the readings are of a part of your own: they are kept at once.",
        epilog="Examples: truebead read step-gauge/sheet.csv\n\n"
        "truebead read --part ring-segment --length 150 --axis X 149.87",
    )(read)


def read(
    what: Annotated[list[str], typer.Argument(metavar="SHEET|READING...", help="The sheet.csv, or the folder it is in; with --part what the caliper shows.")],
    part: Annotated[str, typer.Option(help="A part of your own that you printed: its name.")] = "",
    length: Annotated[float | None, o.number_option("Its length as drawn, mm.")] = None,
    axis: Annotated[str, typer.Option(help="The axis of the printer that this length lay along.")] = "X",
    inside: Annotated[bool, typer.Option("--inside", help="The length is between faces, not over them.")] = False,
    corrected: Annotated[bool | None, typer.Option("--corrected/--as-drawn", help="Was its file one that `apply` put corrections into?")] = None,
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    now: o.Now = None,
    instrument: o.Instruments = None,
    accept: o.Accept = False,
    by: o.By = "",
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:  # fmt: skip
    """Ask until all is there, the user stops, or the input ends; or keep what was read of a part."""
    if not part:
        _read_sheet(_only_sheet(what, length), as_json=as_json)
        return
    if length is None:
        raise BadInput("how long is the part as drawn?", where="--length", mend="such as 150")
    from calib.commands.keep import say_kept
    from calib.report.plain import kept_json
    from calib.workshop import open_workshop
    from calib.workshop.own_part import OwnLength

    one = OwnLength(
        axis=axis, drawn_mm=length, readings=tuple(what), kind="inside" if inside else "outside"
    )
    assumed = Assumed(now=numbers(now or [], "--now"), instruments=instrument or (), accept=accept)
    with open_workshop(store, by=by) as workshop:
        kept = workshop.keep_part(
            part, [one], printer=printer, nozzle=nozzle, spool=spool, corrected=corrected,
            assumed=assumed,
        )  # fmt: skip
    if as_json:
        print_json(kept_json(kept, part))
    else:
        say_kept(part, kept)
    say_safety(as_json=as_json)


def _only_sheet(what: list[str], length: float | None) -> Path:
    if length is not None or len(what) > 1:
        raise BadInput(
            "that is more than one sheet",
            mend="give one sheet, or --part NAME for readings of a part of your own",
        )
    return Path(what[0])


def _read_sheet(sheet_file: Path, *, as_json: bool) -> None:
    from calib.workshop import open_workshop
    from calib.workshop.asking import Sitting, Stop

    def say(words: str) -> None:
        typer.echo(words, err=as_json)

    interrupted = False
    with open_workshop() as workshop:
        sitting = Sitting(workshop, sheet_file, lambda prompt: _ask(prompt, say), say)
        try:
            sitting.run()
        except Stop:
            pass
        except KeyboardInterrupt:
            interrupted = True
    report = sitting.report()
    if as_json:
        print_json(report)
    else:
        typer.echo("\n" + sitting.in_words(report))
    if interrupted:
        raise typer.Exit(130)  # what a shell gives for Ctrl-C


def _ask(prompt: str, say: Callable[[str], None]) -> str:
    """Return one line; the end of the input stops the asking."""
    from calib.workshop.asking import Stop

    try:
        if sys.stdin.isatty():
            return input(prompt).strip()
        say(prompt)
        line = sys.stdin.readline()
    except (EOFError, UnicodeDecodeError):
        raise Stop from None
    if not line:
        raise Stop
    return line.strip()


def sheet(
    what: Annotated[str, typer.Argument(metavar="PATTERN|FOLDER", help="A pattern, or a piece.")],
    settings: o.Settings = None,
    out: o.Folder = None,
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    store: o.Store = None,
    nozzle_mm: o.NozzleMm = None,
    layer_mm: o.LayerMm = None,
    line_mm: o.LineMm = None,
    build: o.Build = "",
    unit: o.Unit = "mm",
    repeats: o.Repeats = 1,
    semicolons: Annotated[
        bool,
        typer.Option("--semicolons", help="For spreadsheets that write a decimal comma."),
    ] = False,
    force: o.Force = False,
    as_json: o.Json = False,
) -> None:
    """Write sheet.csv and sheet.html, or sheet.html alone for a folder."""
    from calib.workshop import open_workshop
    from calib.workshop.folders import sheet_again
    from patterns import registry

    path = Path(what)
    known = registry.all_patterns() | registry.all_checks()
    new = [settings, out, printer, nozzle, spool, nozzle_mm, layer_mm, line_mm, build, unit != "mm", repeats != 1]  # fmt: skip
    if path.exists() and (what not in known or ((path / "sheet.csv").exists() and not any(new))):
        again = sheet_again(path, semicolons=semicolons, force=force)
        lines: list[str] = []
    else:
        with open_workshop(store) as workshop:
            made = workshop.make(
                what, out=out, printer=printer, nozzle=nozzle, spool=spool,
                parameters=pairs(settings or [], "--set"),
                setup=setup_given(
                    nozzle_mm=nozzle_mm, layer_mm=layer_mm, line_mm=line_mm, build=build
                ),
                unit=unit, repeats=repeats, separator=";" if semicolons else ",", solid=False,
                force=force,
            )  # fmt: skip
        again = made.pieces[0]
        lines = [*made.notes, *place_lines(made.in_force, made.who.options)]
    answer(made_json(again), (*lines, *made_lines(again)), as_json=as_json)
    if again.piece.printed:
        say_safety(as_json=as_json)
