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
    from calib.plan.expected import Worth
    from calib.workshop.results import Made, MadePiece
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
    ] = 1,
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
        **worth_json(one.worth),
    }  # fmt: skip


def made_lines(one: "MadePiece") -> list[str]:
    """Say what was made and where it is, and where a filled-in sheet is that it took the place of."""
    from calib.report.worth_words import settles_words, takes_words

    lines = [f"{one.piece.pattern} is in {one.folder}: {', '.join(sorted(one.files))}"]
    settled = f" It would settle {settles_words(one.worth.settles)}." if one.worth.settles else ""
    lines.append(f"It takes {takes_words(one.worth)}.{settled}")
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
    from calib.plan.expected import worth
    from calib.report.worth_words import settles_words, takes_words
    from patterns import registry
    from patterns.filaments import filament as known_filament
    from patterns.spec import PrintSetup

    material = known_filament(filament)
    known = (*registry.all_patterns().values(), *registry.all_checks().values())
    found = [(p, worth(p.piece({}, PrintSetup()), material)) for p in known]
    if as_json:
        print_json([_listed(p, takes) for p, takes in found])
        return
    width = max(len(p.name) for p, _ in found)
    for p, takes in found:
        typer.echo(f"{p.name:{width}}  {p.answers}")
        typer.echo(f"{'':{width}}  {takes_words(takes)}")
        if takes.settles:
            typer.echo(f"{'':{width}}  {settles_words(takes.settles)}")
    typer.echo(
        f"\nTimes are rough, for a 0.4 mm nozzle; grams of {material.type}. ± holds for one reading of"
        " everything with usual instruments (95 %).\nMore on one: truebead make --help PATTERN"
    )


def _listed(p: "Pattern", takes: "Worth") -> dict[str, Any]:
    """Return what is listed of a pattern for machines."""
    return {
        "name": p.name,
        "answers": p.answers,
        "printed": takes.minutes > 0,
        **worth_json(takes),
    }


def worth_json(takes: "Worth") -> dict[str, Any]:
    """Return what a piece takes and settles for machines."""
    return {
        "minutes": round(takes.minutes),
        "grams": round(takes.grams, 1),
        "readings": takes.readings,
        "expected_95": [
            {"setting": e.setting, "half_width": e.half_width, "unit": e.unit}
            for e in takes.settles
        ],
    }


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
