"""`truebead make` and `truebead list`: pieces into folders, and what there is to make."""

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.commands.common import (
    BuildOption,
    ForceOption,
    JsonOption,
    LayerOption,
    LineOption,
    NozzleMmOption,
    pairs,
    print_json,
    say_safety,
    setup_given,
)
from calib.commands.show import NozzleOption, PrinterOption, SpoolOption, StoreOption
from calib.report.words import place_lines

if TYPE_CHECKING:
    from calib.workshop.results import Made, MadePiece
    from patterns.filaments import Filament
    from patterns.registry import Pattern


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
        "list", help="List the patterns and what each answers.", epilog="Example: truebead list"
    )(list_patterns)


def make(
    ctx: typer.Context,
    names: Annotated[
        list[str] | None, typer.Argument(metavar="PATTERN...", help="What to make.")
    ] = None,
    settings: Annotated[
        list[str] | None,
        typer.Option("--set", help="A parameter, such as size_mm=40.", metavar="NAME=VALUE"),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder to make (default: the pattern's name).")
    ] = None,
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    store: StoreOption = None,
    nozzle_mm: NozzleMmOption = None,
    layer_mm: LayerOption = None,
    line_mm: LineOption = None,
    build: BuildOption = "",
    hot_end_max_c: Annotated[
        float | None, typer.Option("--hot-end-max", help="Highest rated hot-end temperature.")
    ] = None,
    plate: Annotated[
        bool, typer.Option("--plate", help="Also arrange the pieces on one bed, in plate.3mf.")
    ] = False,
    unit: Annotated[
        str, typer.Option("--unit", help="What your caliper shows: mm or inch.")
    ] = "mm",
    repeats: Annotated[
        int, typer.Option("--repeats", help="Readings per feature on the sheet.")
    ] = 3,
    force: ForceOption = False,
    as_json: JsonOption = False,
    show_help: Annotated[
        bool, typer.Option("--help", "-h", help="Show this, or a pattern's parameters.")
    ] = False,
) -> None:
    """Make one folder per pattern named."""
    from calib.workshop import open_workshop
    from patterns import registry

    if show_help or not names:
        typer.echo(_pattern_help(registry.get(names[0])) if names else ctx.get_help())
        raise typer.Exit(0 if show_help else 2)
    setup = setup_given(
        nozzle_mm=nozzle_mm, layer_mm=layer_mm, line_mm=line_mm, build=build,
        hot_end_max_c=hot_end_max_c,
    )  # fmt: skip
    with open_workshop(store) as workshop:
        made = workshop.make(
            *names, out=out, printer=printer, nozzle=nozzle, spool=spool,
            parameters=pairs(settings or [], "--set"), setup=setup, plate=plate, unit=unit,
            repeats=repeats, force=force,
        )  # fmt: skip
    if as_json:
        print_json([made_json(one) for one in made.pieces])
    else:
        _say_made(made)


def made_json(one: "MadePiece") -> dict[str, Any]:
    """Return what was made for machines."""
    return {
        "pattern": one.piece.pattern, "piece": one.piece_id, "folder": str(one.folder),
        "files": sorted(one.files), "features": len(one.piece.features),
        "kept_beside": None if one.kept_beside is None else one.kept_beside.name,
    }  # fmt: skip


def made_lines(one: "MadePiece") -> list[str]:
    """Say what was made and where it is, and where a filled-in sheet is that it took the place of."""
    lines = [f"{one.piece.pattern} is in {one.folder}: {', '.join(sorted(one.files))}"]
    if one.kept_beside is not None:
        lines.append(f"The sheet that was filled in is kept as {one.kept_beside}")
    return lines


def _say_made(made: "Made") -> None:
    for one in made.pieces:
        typer.echo("\n".join(made_lines(one)))
    if made.plate:
        typer.echo(f"All on one bed: {made.plate}")
    for line in (*made.notes, *place_lines(made.in_force, made.who.options)):
        typer.echo(line)
    printed = made.pieces[0].piece.printed
    first = "Print it, measure it" if printed else "Measure"
    sheet = shlex.quote(str(made.pieces[0].sheet))
    typer.echo(f"{first}, fill in sheet.csv, then: truebead solve {sheet}")
    if printed:
        say_safety()


def list_patterns(
    filament: Annotated[
        str, typer.Option("--filament", help="Type of filament, for the grams.")
    ] = "PLA",
    as_json: JsonOption = False,
) -> None:
    """Show every pattern and check with what it answers, and what it takes as it comes."""
    from patterns import registry
    from patterns.filaments import filament as known_filament

    material = known_filament(filament)
    rows = [
        {"name": p.name, "answers": p.answers, **_takes(p, material)}
        for p in (*registry.all_patterns().values(), *registry.all_checks().values())
    ]
    if as_json:
        print_json(rows)
        return
    width = max(len(row["name"]) for row in rows)
    for row in rows:
        takes = (
            f"{row['minutes']:4.0f} min {row['grams']:4.0f} g"
            if row["printed"]
            else "  no printing"
        )
        typer.echo(f"{row['name']:{width}} {takes:>15}  {row['answers']}")
    typer.echo(
        f"\nTimes are rough, for a 0.4 mm nozzle; grams of {material.type}."
        " More on one: truebead make --help PATTERN"
    )


def _takes(p: "Pattern", material: "Filament") -> dict[str, Any]:
    """Return rough minutes and grams of a pattern with its defaults."""
    from patterns.estimate import estimate
    from patterns.preview import preview_mesh
    from patterns.spec import PrintSetup

    piece = p.piece({}, PrintSetup())
    if not piece.printed:
        return {"printed": False, "minutes": 0.0, "grams": 0.0}
    cost = estimate(piece, preview_mesh(piece.body), material)
    return {"printed": True, "minutes": round(cost.minutes), "grams": round(cost.grams, 1)}


def _pattern_help(p: "Pattern") -> str:
    lines = [f"{p.name}: {p.answers}", "", "Parameters (--set NAME=VALUE):"]
    for name, (param, default) in p.spec_type.params().items():
        if param.choices:
            what = "one of " + ", ".join(param.choices)
        elif isinstance(default, str):
            what = "a word"
        else:
            what = f"{param.low:g} to {param.high:g} {param.unit}".rstrip()
        lines.append(f"  {name:20} {param.help} [{what}; default {default}]")
    lines += ["", f"Example: truebead make {p.name} --out {p.name}"]
    return "\n".join(lines)
