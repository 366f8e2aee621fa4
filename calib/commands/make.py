"""`truebead make` and `truebead list`: pieces into folders, and what there is to make."""

from typing import Annotated

import typer

from calib.commands import options as o
from calib.commands.common import answer, say_safety
from calib.errors import BadInput
from calib.workshop.completing import patterns
from calib.workshop.typed import pairs, setup_given


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(
        "make",
        help="Make the folder of a piece: solid, sheet and picture.\n\n"
        "truebead make --help PATTERN shows the parameters of a pattern.",
        epilog="Example: truebead make step-gauge --set pitch_mm=30 --out gauge",
        add_help_option=False,
    )(make)
    app.command(
        "list",
        help="List what can be made, and what each answers.",
        epilog="Example: truebead list",
    )(list_patterns)


def make(
    ctx: typer.Context,
    names: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="PATTERN...",
            help="What to make; ./my_ring.py for one of your own.",
            autocompletion=patterns,
        ),
    ] = None,
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
    hot_end_max_c: o.HotEndMax = None,
    plate: o.Plate = False,
    solid: o.Solid = None,
    unit: o.Unit = "mm",
    repeats: o.Repeats = 1,
    force: o.Force = False,
    as_json: o.Json = False,
    show_help: o.Help = False,
) -> None:
    """Make one folder per pattern named."""
    from calib.report.made_words import all_made_lines, made_json, pattern_help
    from calib.workshop import open_workshop
    from patterns import registry

    if show_help:
        typer.echo(pattern_help(registry.get(names[0])) if names else ctx.get_help())
        return
    if not (names or solid):
        raise BadInput(
            "which piece?",
            mend="truebead list shows all; a good first one: truebead make corner-gauge",
        )
    setup = setup_given(
        nozzle_mm=nozzle_mm, layer_mm=layer_mm, line_mm=line_mm, build=build,
        hot_end_max_c=hot_end_max_c,
    )  # fmt: skip
    with open_workshop(store) as workshop:
        made = workshop.make(
            *(names or ()), parts=solid or (), out=out, printer=printer, nozzle=nozzle, spool=spool,
            parameters=pairs(settings or [], "--set"), setup=setup, plate=plate, unit=unit,
            repeats=repeats, force=force,
        )  # fmt: skip
    answer([made_json(one) for one in made.pieces], all_made_lines(made), as_json=as_json)
    if made.pieces[0].piece.printed:
        say_safety(as_json=as_json)


def list_patterns(
    filament: Annotated[
        str, typer.Option("--filament", help="Type of filament, for the grams.")
    ] = "PLA",
    as_json: o.Json = False,
) -> None:
    """Show every pattern and check with what it answers, and what it takes as it comes."""
    from calib.report.made_words import pattern_json, pattern_lines, pattern_rows

    material, rows = pattern_rows(filament)
    data = [pattern_json(p, takes) for p, takes in rows]
    answer(data, pattern_lines(rows, material), as_json=as_json)
