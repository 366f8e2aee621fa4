"""`truebead make` and `truebead list`: pieces into folders, and what there is to make."""

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.commands.common import (
    SAFETY,
    BuildOption,
    ForceOption,
    JsonOption,
    LayerOption,
    LineOption,
    NozzleMmOption,
    pairs,
    print_json,
    setup_from,
)
from calib.commands.piece_folder import kept_line, kept_setup, make_folder, open_folder
from calib.commands.show import NozzleOption, PrinterOption, SpoolOption, StoreOption
from calib.errors import BadInput

if TYPE_CHECKING:
    from patterns.filaments import Filament
    from patterns.mesh import Mesh
    from patterns.piece import Piece
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
    from patterns import registry

    if show_help or not names:
        typer.echo(_pattern_help(registry.get(names[0])) if names else ctx.get_help())
        raise typer.Exit(0 if show_help else 2)
    kept = kept_setup(printer, nozzle, spool, store)
    setup = setup_from(
        kept.setup,
        nozzle_mm=nozzle_mm,
        layer_mm=layer_mm,
        line_mm=line_mm,
        build=build,
        hot_end_max_c=hot_end_max_c,
    )
    given = pairs(settings or [], "--set")
    pieces = [
        kept.piece(registry.get(name), _given_for(name, names, given), setup) for name in names
    ]
    folders = _folders(pieces, out)
    plate_file = (out or Path()) / "plate.3mf"
    shifts = _arranged(pieces, plate_file, force=force) if plate else []
    made, meshes = [], []
    for piece, folder in zip(pieces, folders, strict=True):
        report, mesh = make_folder(
            piece, folder, unit=unit, repeats=repeats, force=force, keys=kept.keys
        )
        made.append(report)
        meshes.append(mesh)
    if plate:
        _write_plate(plate_file, pieces, meshes, shifts, force=force)
    if as_json:
        print_json(made)
        return
    for report in made:
        typer.echo(f"{report['pattern']} is in {report['folder']}: {', '.join(report['files'])}")
        if line := kept_line(report):
            typer.echo(line)
    if plate:
        typer.echo(f"All on one bed: {plate_file}")
    first = "Print it, measure it" if pieces[0].printed else "Measure"
    sheet = shlex.quote(f"{made[0]['folder']}/sheet.csv")
    if pieces[0].printed:
        for line in kept.told:
            typer.echo(line)
    typer.echo(f"{first}, fill in sheet.csv, then: truebead solve {sheet}")
    typer.echo(SAFETY)


def _given_for(name: str, names: list[str], given: dict[str, str]) -> dict[str, str]:
    """Return the parameters for one pattern: those for all, and those written PATTERN.NAME=VALUE."""
    found = {}
    for key, value in given.items():
        pattern, dot, parameter = key.rpartition(".")
        if dot and pattern not in names:
            raise BadInput(
                f"{key} is for {pattern}, which is not being made",
                where="--set",
                mend=f"write {names[0]}.{parameter}={value}",
            )
        if pattern in ("", name):
            found[parameter] = value
    return found


def _folders(pieces: "list[Piece]", out: Path | None) -> list[Path]:
    """Return a folder for each piece: --out itself for one, folders inside it for several."""
    if len(pieces) == 1:
        return [out or Path(pieces[0].pattern)]
    names = [p.pattern for p in pieces]
    if len(set(names)) < len(names):
        raise BadInput("a pattern is named twice", mend="make it twice with another --out")
    return [(out or Path()) / name for name in names]


def _arranged(
    pieces: "list[Piece]", plate_file: Path, *, force: bool
) -> list[tuple[float, float, float]]:
    """Find places before anything is made."""
    from patterns.plate import arrange

    open_folder(plate_file.parent, [plate_file.name], force=force)
    return arrange(pieces)


def _write_plate(
    plate_file: Path,
    pieces: "list[Piece]",
    meshes: "list[Mesh | None]",
    shifts: list[tuple[float, float, float]],
    *,
    force: bool,
) -> None:
    from calib.files import write_atomic
    from patterns.export import threemf_bytes

    placed = [
        (piece.pattern, mesh, shift)
        for piece, mesh, shift in zip(pieces, meshes, shifts, strict=True)
        if mesh is not None
    ]
    write_atomic(plate_file, threemf_bytes(placed), force=force)


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
