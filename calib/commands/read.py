"""`truebead read` and `truebead sheet`: readings typed in, and sheets made without the solid."""

from pathlib import Path
from typing import Annotated, Any

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
    setup_from,
)
from calib.commands.piece_folder import kept_setup, make_folder, open_folder, page
from calib.commands.show import NozzleOption, PrinterOption, SpoolOption, StoreOption


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(
        "sheet",
        help="Make the sheet of a piece again, or of a pattern without its solid.\n\n"
        "For a folder only the page sheet.html is made again; its sheet.csv keeps your readings.",
        epilog="Example: truebead sheet step-gauge --set pitch_mm=30 --out gauge",
    )(sheet)
    app.command(
        "read",
        help="Type in the readings of a sheet, one after the other.\n\n"
        "Each answer is written to the sheet at once: stop when you like and go on later.",
        epilog="Example: truebead read step-gauge/sheet.csv",
    )(read)


def read(
    sheet_file: Annotated[
        Path, typer.Argument(metavar="SHEET", help="The sheet.csv, or the folder it is in.")
    ],
    as_json: JsonOption = False,
) -> None:
    """Ask until all is there, the user stops, or the input ends."""
    from calib.commands.typing_in import Stop, Typing

    sitting = Typing(sheet_file, say=lambda words: typer.echo(words, err=as_json))
    interrupted = False
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


def sheet(
    what: Annotated[str, typer.Argument(metavar="PATTERN|FOLDER", help="A pattern, or a piece.")],
    settings: Annotated[
        list[str] | None,
        typer.Option("--set", help="A parameter, such as size_mm=40.", metavar="NAME=VALUE"),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder to write to (default: the pattern's name).")
    ] = None,
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    store: StoreOption = None,
    nozzle_mm: NozzleMmOption = None,
    layer_mm: LayerOption = None,
    line_mm: LineOption = None,
    build: BuildOption = "",
    unit: Annotated[
        str, typer.Option("--unit", help="What your caliper shows: mm or inch.")
    ] = "mm",
    repeats: Annotated[
        int, typer.Option("--repeats", help="Readings per feature on the sheet.")
    ] = 3,
    semicolons: Annotated[
        bool,
        typer.Option("--semicolons", help="For spreadsheets that write a decimal comma."),
    ] = False,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Write sheet.csv and sheet.html, or sheet.html alone for a folder."""
    from patterns import registry

    path = Path(what)
    told: tuple[str, ...] = ()
    if path.exists() and what not in registry.all_patterns() | registry.all_checks():
        report = _again(path, force=force)
    else:
        kept = kept_setup(printer, nozzle, spool, store)
        setup = setup_from(
            kept.setup, nozzle_mm=nozzle_mm, layer_mm=layer_mm, line_mm=line_mm, build=build
        )
        piece = kept.piece(registry.get(what), pairs(settings or [], "--set"), setup)
        told = kept.told if piece.printed else ()
        report, _ = make_folder(
            piece, out or Path(what), unit=unit, repeats=repeats,
            separator=";" if semicolons else ",", force=force, keys=kept.keys, solid=False,
        )  # fmt: skip
    if as_json:
        print_json(report)
    else:
        for line in told:
            typer.echo(line)
        typer.echo(f"{report['pattern']} is in {report['folder']}: {', '.join(report['files'])}")


def _again(path: Path, *, force: bool) -> dict[str, Any]:
    """Make the page of a piece again from its sheet, which is left as it is."""
    from calib.files import write_atomic
    from calib.readings import read_table, sheet_of

    found = sheet_of(table := read_table(path))
    folder = path if path.is_dir() else path.parent
    open_folder(folder, ["sheet.html"], force=force)
    repeats = len([c for c in table.reading_columns if table.header.cell(c)])
    made = found.keys.get("made", "")[:10]
    html = page(found.piece, found.piece_id, made=made, unit=found.unit, repeats=repeats)
    write_atomic(folder / "sheet.html", html, force=force)
    return {"pattern": found.piece.pattern, "piece": found.piece_id, "folder": str(folder),
            "files": ["sheet.html"]}  # fmt: skip
