"""`truebead read` and `truebead sheet`: readings typed in, and sheets made without the solid."""

from collections.abc import Mapping
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
    setup_from,
)
from calib.commands.show import NozzleOption, PrinterOption, SpoolOption, StoreOption

if TYPE_CHECKING:
    from patterns.piece import Piece


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
    if path.exists() and what not in registry.all_patterns() | registry.all_checks():
        report = _again(path, force=force)
    else:
        from calib.commands.make import kept_setup

        kept = kept_setup(printer, nozzle, spool, store)
        setup = setup_from(
            kept.setup, nozzle_mm=nozzle_mm, layer_mm=layer_mm, line_mm=line_mm, build=build
        )
        piece = kept.piece(registry.get(what), pairs(settings or [], "--set"), setup)
        separator = ";" if semicolons else ","
        report = _new(piece, out or Path(what), unit, repeats, separator, kept.keys, force=force)
    if as_json:
        print_json(report)
    else:
        typer.echo(f"{report['pattern']} is in {report['folder']}: {', '.join(report['files'])}")


def _new(
    piece: "Piece",
    folder: Path,
    unit: str,
    repeats: int,
    separator: str,
    keys: Mapping[str, str],
    *,
    force: bool,
) -> dict[str, Any]:
    import secrets
    from datetime import UTC, datetime

    from calib.commands.make import open_folder
    from calib.files import write_atomic
    from calib.readings import sheet_csv

    piece_id, made = secrets.token_hex(4), datetime.now(UTC)
    text = sheet_csv(
        piece, piece_id, made, unit=unit, repeats=repeats, separator=separator, keys=keys
    )
    page = _page(piece, piece_id, made=f"{made:%Y-%m-%d}", unit=unit, repeats=repeats)
    files = {"sheet.csv": text, "sheet.html": page}
    open_folder(folder, list(files), force=force)
    for name, data in files.items():
        write_atomic(folder / name, data, force=force)
    return {"pattern": piece.pattern, "piece": piece_id, "folder": str(folder), "files": [*files]}


def _again(path: Path, *, force: bool) -> dict[str, Any]:
    """Make the page of a piece again from its sheet, which is left as it is."""
    from calib.commands.make import open_folder
    from calib.files import write_atomic
    from calib.readings import read_table, sheet_of

    found = sheet_of(table := read_table(path))
    folder = path if path.is_dir() else path.parent
    open_folder(folder, ["sheet.html"], force=force)
    repeats = len([c for c in table.reading_columns if table.header.cell(c)])
    made = found.keys.get("made", "")[:10]
    page = _page(found.piece, found.piece_id, made=made, unit=found.unit, repeats=repeats)
    write_atomic(folder / "sheet.html", page, force=force)
    return {"pattern": found.piece.pattern, "piece": found.piece_id, "folder": str(folder),
            "files": ["sheet.html"]}  # fmt: skip


def _page(piece: "Piece", piece_id: str, *, made: str, unit: str, repeats: int) -> str:
    from calib.report.sheet_page import sheet_html

    picture = ""
    if piece.printed:
        from patterns.drawing import draw_piece
        from patterns.preview import preview_mesh

        picture = draw_piece(piece, preview_mesh(piece.body))
    return sheet_html(piece, picture, piece_id, made=made, unit=unit, repeats=repeats)
