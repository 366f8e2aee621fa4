"""`truebead make` and `truebead list`: pieces into folders, and what there is to make."""

import shlex
from collections.abc import Mapping
from dataclasses import dataclass, field
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
from calib.commands.show import NozzleOption, PrinterOption, SpoolOption, StoreOption, place_lines
from calib.errors import BadInput, FileError

if TYPE_CHECKING:
    from patterns.filaments import Filament
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What the store knows of a printer, nozzle and spool that were named; empty where none was.

    Attributes
    ----------
    keys : mapping
        The sheet's lines that say what is set now.
    filament : str
        Type of the spool's filament.
    told : lines
        What is to be set before the piece is printed, and what it is printed without.
    """

    setup: "PrintSetup | None" = None
    keys: Mapping[str, str] = field(default_factory=dict)
    filament: str = ""
    told: tuple[str, ...] = ()

    def piece(self, pattern: "Pattern", given: Mapping[str, str], setup: "PrintSetup") -> "Piece":
        """Lay a piece out for the spool's type of filament, unless another is given."""
        own = {"filament": self.filament} if self.filament else {}
        asks = "filament" in pattern.spec_type.params()
        return pattern.piece({**(own if asks else {}), **given}, setup)


def kept_setup(
    printer: str | None, nozzle: str | None, spool: str | None, store: str | None
) -> Kept:
    """Look up in the store what was named."""
    if not (printer or nozzle or spool):
        return Kept()
    from calib.places import NEUTRAL
    from calib.solve import NOW_PREFIX
    from calib.store import open_store

    with open_store(store, make=False) as opened:
        setup = opened.setup_for(printer, nozzle, spool)
        printed_with = bool(spool) or len(opened.spools()) == 1
        context = opened.context_for(printer, nozzle, spool, printed=printed_with)
        reel = opened.spool(spool) if printed_with else None
        in_force = opened.in_force(printer, nozzle, spool) if printed_with else []
        names = {
            "printer": opened.printer(printer).name,
            "nozzle": opened.nozzle(printer, nozzle).name,
            "spool": reel.name if reel else "",
            "density_g_cm3": repr(reel.density_g_cm3) if reel and reel.density_g_cm3 else "",
        }
    # Neutral values too: a piece made before anything was corrected must not be taken for one made
    # with what is corrected by the time it is measured.
    now = {**NEUTRAL, **context.now}
    keys = {name: value for name, value in names.items() if value}
    keys |= {f"{NOW_PREFIX}{name}": repr(float(value)) for name, value in now.items()}
    told = tuple(place_lines(in_force, _options(names)))
    return Kept(setup=setup, keys=keys, filament=context.filament, told=told)


def _options(names: Mapping[str, str]) -> str:
    named = ((what, names[what]) for what in ("printer", "nozzle", "spool"))
    return "".join(f" --{what} {shlex.quote(name)}" for what, name in named if name)


def make_folder(
    piece: "Piece", folder: Path, *, unit: str = "mm", repeats: int = 3, force: bool = False,
    keys: Mapping[str, str] | None = None,
) -> "tuple[dict[str, Any], Mesh | None]":  # fmt: skip
    """Write every file of a piece; return what was made, and its mesh where there is a solid."""
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
    picture, mesh = "", None
    if piece.printed:
        mesh, solid_files = _built(piece)
        files |= solid_files
        picture = draw_piece(piece, mesh)
    files["sheet.html"] = sheet_html(
        piece, picture, piece_id, made=f"{made:%Y-%m-%d}", unit=unit, repeats=repeats
    )
    if piece.schedule:
        files["schedule.csv"] = schedule_csv(piece.schedule)
    open_folder(folder, list(files), force=force)
    for name, data in files.items():
        write_atomic(folder / name, data, force=force)
    report = {
        "pattern": piece.pattern,
        "piece": piece_id,
        "folder": str(folder),
        "files": sorted(files),
        "features": len(piece.features),
    }
    return report, mesh


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
