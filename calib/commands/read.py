"""`truebead read` and `truebead sheet`: readings typed in, and sheets made without the solid."""

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
from calib.commands.piece_folder import kept_line, kept_setup, make_folder, open_folder, page
from calib.commands.show import NozzleOption, PrinterOption, SpoolOption, StoreOption

if TYPE_CHECKING:
    from calib.readings import Sheet
    from calib.readings.table import Table


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(
        "sheet",
        help="Make the sheet of a piece again, or of a pattern without its solid.\n\n"
        "For a folder the page sheet.html is made again, with --semicolons also its sheet.csv: readings,"
        " id and parameters stay.",
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
    known = registry.all_patterns() | registry.all_checks()
    new = [settings, out, printer, nozzle, spool, nozzle_mm, layer_mm, line_mm, build, unit != "mm", repeats != 3]  # fmt: skip
    if path.exists() and (what not in known or ((path / "sheet.csv").exists() and not any(new))):
        report = _again(path, semicolons=semicolons, force=force)
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
        if line := kept_line(report):
            typer.echo(line)


def _again(path: Path, *, semicolons: bool, force: bool) -> dict[str, Any]:
    """Make the page of a piece again from its sheet; the sheet itself only gets other separators."""
    from calib.files import write_atomic
    from calib.readings import read_table, sheet_of

    found = sheet_of(table := read_table(path))
    folder = path if path.is_dir() else path.parent
    file = path / "sheet.csv" if path.is_dir() else path
    files = [file.name, "sheet.html"] if semicolons else ["sheet.html"]
    open_folder(folder, files, force=force)
    repeats = len([c for c in table.reading_columns if table.header.cell(c)])
    made = found.keys.get("made", "")[:10]
    html = page(found.piece, found.piece_id, made=made, unit=found.unit, repeats=repeats)
    kept = _with_semicolons(file, table, found) if semicolons else None
    write_atomic(folder / "sheet.html", html, force=force)
    return {"pattern": found.piece.pattern, "piece": found.piece_id, "folder": str(folder),
            "files": files, "kept_beside": None if kept is None else kept.name}  # fmt: skip


def _with_semicolons(file: Path, table: "Table", sheet: "Sheet") -> Path | None:
    """Write a sheet with other separators; where it would not read the same, keep the old one beside."""
    from calib.files import keep_beside, write_atomic
    from calib.readings import read_sheet

    text = table.with_separator(";").text()
    again = read_sheet(text, str(file))
    same = [(r.feature, r.value, r.u) for r in again.readings] == [
        (r.feature, r.value, r.u) for r in sheet.readings
    ] and again.keys == sheet.keys
    kept = None if same else keep_beside(file)
    write_atomic(file, text, force=True)
    return kept
