"""`truebead make` and `truebead list`: pieces into folders, and what there is to make."""

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
from calib.commands.show import NozzleOption, PrinterOption, SpoolOption, StoreOption
from calib.errors import BadInput, FileError

if TYPE_CHECKING:
    from patterns.mesh import Mesh
    from patterns.piece import Piece
    from patterns.registry import Pattern
    from patterns.spec import PrintSetup


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
        float | None, typer.Option("--hot-end-max-c", help="Highest rated hot-end temperature.")
    ] = None,
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
    if out is not None and len(names) > 1:
        raise BadInput("--out takes one pattern at a time", mend="make the others without --out")
    known, keys = kept_setup(printer, nozzle, spool, store)
    setup = setup_from(
        known,
        nozzle_mm=nozzle_mm,
        layer_mm=layer_mm,
        line_mm=line_mm,
        build=build,
        hot_end_max_c=hot_end_max_c,
    )
    given = pairs(settings or [], "--set")
    pieces = [registry.get(name).piece(given, setup) for name in names]
    made = [
        make_folder(p, out or Path(p.pattern), unit=unit, repeats=repeats, force=force, keys=keys)
        for p in pieces
    ]
    if as_json:
        print_json(made)
        return
    for report in made:
        typer.echo(f"{report['pattern']} is in {report['folder']}: {', '.join(report['files'])}")
    first = "Print it, measure it" if pieces[0].printed else "Measure"
    typer.echo(f"{first}, fill in sheet.csv, then: truebead solve {made[0]['folder']}/sheet.csv")
    typer.echo(SAFETY)


def kept_setup(
    printer: str | None, nozzle: str | None, spool: str | None, store: str | None
) -> "tuple[PrintSetup | None, dict[str, str]]":
    """Return what the store knows of a printer that is named, and the sheet's lines of what is set."""
    if not (printer or nozzle or spool):
        return None, {}
    from calib.solve import NOW_PREFIX
    from calib.store import open_store

    with open_store(store) as opened:
        setup = opened.setup_for(printer, nozzle, spool)
        printed_with = bool(spool) or len(opened.spools()) == 1
        now = opened.context_for(printer, nozzle, spool, printed=printed_with).now
    return setup, {f"{NOW_PREFIX}{name}": repr(float(value)) for name, value in now.items()}


def make_folder(
    piece: "Piece", folder: Path, *, unit: str = "mm", repeats: int = 3, force: bool = False,
    keys: dict[str, str] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Write every file of a piece and say what was made."""
    import secrets
    from datetime import UTC, datetime

    from calib.files import write_atomic
    from calib.readings import sheet_csv
    from calib.report.sheet_page import sheet_html
    from patterns.drawing import draw_piece
    from patterns.schedule import schedule_csv

    piece_id = secrets.token_hex(4)
    made = datetime.now(UTC)
    files: dict[str, bytes | str] = {
        "sheet.csv": sheet_csv(piece, piece_id, made, unit=unit, repeats=repeats, keys=keys)
    }
    picture = ""
    if piece.printed:
        mesh, solid_files = _built(piece)
        files |= solid_files
        picture = draw_piece(piece, mesh)
    files["sheet.html"] = sheet_html(piece, picture, piece_id)
    if piece.schedule:
        files["schedule.csv"] = schedule_csv(piece.schedule)
    open_folder(folder, list(files), force=force)
    for name, data in files.items():
        write_atomic(folder / name, data, force=force)
    return {
        "pattern": piece.pattern,
        "piece": piece_id,
        "folder": str(folder),
        "files": sorted(files),
        "features": len(piece.features),
    }


def _built(piece: "Piece") -> "tuple[Mesh, dict[str, bytes | str]]":
    """Build the solid once; return its mesh and the content of its three files."""
    import tempfile

    from patterns import solid
    from patterns.export import stl_bytes, threemf_bytes

    shape = solid.build(piece.body)
    mesh = solid.mesh(shape)
    with tempfile.TemporaryDirectory() as scratch:  # the kernel writes to a path only
        step = Path(scratch) / "piece.step"
        solid.write_step(shape, step)
        step_bytes = step.read_bytes()
    return mesh, {
        "piece.stl": stl_bytes(mesh, piece.pattern),
        "piece.3mf": threemf_bytes([(piece.pattern, mesh, (0.0, 0.0, 0.0))]),
        "piece.step": step_bytes,
    }


def open_folder(folder: Path, names: list[str], *, force: bool) -> None:
    """Make the folder; refuse before anything is written where a file would be replaced."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise FileError(
            f"can't make the folder ({err.strerror})",
            where=str(folder),
            mend="choose another with --out",
        ) from err
    there = [n for n in names if (folder / n).exists()]
    if there and not force:
        raise FileError(
            f"{there[0]} is there already",
            where=str(folder),
            mend="add --force to replace it, or choose another --out",
        )


def list_patterns(as_json: JsonOption = False) -> None:
    """Show every pattern and check with what it answers."""
    from patterns import registry

    printed, checks = registry.all_patterns(), registry.all_checks()
    if as_json:
        rows = [{"name": p.name, "answers": p.answers, "printed": p.name in printed}
                for p in (*printed.values(), *checks.values())]  # fmt: skip
        print_json(rows)
        return
    width = max(len(name) for name in (*printed, *checks))
    for name, p in printed.items():
        typer.echo(f"{name:{width}}  {p.answers}")
    typer.echo("\nWithout printing:")
    for name, p in checks.items():
        typer.echo(f"{name:{width}}  {p.answers}")


def _pattern_help(p: "Pattern") -> str:
    lines = [f"{p.name}: {p.answers}", "", "Parameters (--set NAME=VALUE):"]
    for name, (param, default) in p.spec_type.params().items():
        what = "one of " + ", ".join(param.choices) if param.choices else (
            f"{param.low:g} to {param.high:g} {param.unit}".rstrip()
        )  # fmt: skip
        lines.append(f"  {name:20} {param.help} [{what}; default {default}]")
    lines += ["", f"Example: truebead make {p.name} --out {p.name}"]
    return "\n".join(lines)
