"""`truebead mat` and `truebead photo`: the printed mat, and readings from photos of a piece on it."""

from pathlib import Path
from typing import Annotated

import typer

from calib.commands import options as o
from calib.commands.common import print_json
from calib.errors import BadInput
from calib.workshop.typed import numbers

BarX = Annotated[float | None, o.number_option("Measured length of the X bar, mm.", "--bar-x")]
BarY = Annotated[float | None, o.number_option("Measured length of the Y bar, mm.", "--bar-y")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(
        "mat",
        help="Make the mat that pieces are photographed on.\n\nOr, with --bar-x and --bar-y, keep how long its printed bars are.\n\n"
        "Its centre has a colour that your filament has not: so no shadow is taken for the piece. Printers"
        " scale paper: measure both bars of each printed mat once with a caliper.",
        epilog="Example: truebead mat --filament grey --out mat.pdf; then, once it is printed and"
        " measured: truebead mat --name A4-G-0427 --bar-x 139.82 --bar-y 140.05",
    )(mat)
    app.command(
        "photo",
        help="Measure a piece in photos of it on the mat.\n\n"
        "Lay the piece near the middle, fill the picture with the mat, hold the camera 8 to 18"
        " degrees off straight above. Two photos with the piece turned by 180 degrees are better.",
        epilog="Example: truebead photo corner-gauge one.jpg two.jpg --write",
    )(photo)


def mat(
    out: Annotated[Path | None, typer.Option("--out", help="File to write: .pdf or .png (default mat.pdf).")] = None,
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
    filament: Annotated[str, typer.Option("--filament", help="Its colour: the centre gets one that it has not.")] = "",
    centre: Annotated[str | None, typer.Option("--centre", help="green, magenta, white (to print on coloured paper) or dark.")] = None,
    number: Annotated[int | None, typer.Option("--number", help="0 to 9999 (default: drawn by lot).")] = None,
    name: Annotated[str | None, typer.Option("--name", help="Name on a printed mat whose bars were measured.")] = None,
    bar_x: BarX = None,
    bar_y: BarY = None,
    force: o.Force = False,
    as_json: o.Json = False,
) -> None:  # fmt: skip
    """Write a mat, or keep the bars of a printed one."""
    from calib.workshop.photographing import keep_mat, make_mat

    if name or bar_x is not None or bar_y is not None:
        report = keep_mat(name, bar_x, bar_y)
    else:
        report = make_mat(out or Path("mat.pdf"), paper, centre, filament, number, force=force)
    if as_json:
        print_json(report)
    else:
        typer.echo(report["words"])


def photo(
    sheet_file: Annotated[
        Path, typer.Argument(metavar="SHEET", help="The sheet.csv, or the folder it is in.")
    ],
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos of one piece.")],
    side: Annotated[
        list[str] | None,
        typer.Option(
            "--side", help="Side that is down: bottom, top, front, back, left or right; may repeat."
        ),
    ] = None,
    bar_x: BarX = None,
    bar_y: BarY = None,
    card: Annotated[
        bool, typer.Option("--card", help="An ID-1 card lies at its place, for scale.")
    ] = False,
    known: Annotated[
        list[str] | None,
        typer.Option("--known", metavar="FEATURE=MM", help="One caliper reading, for scale."),
    ] = None,
    write: Annotated[
        bool, typer.Option("--write", help="Fill clear values into the sheet.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for results (default: the sheet's).")
    ] = None,
    force: o.Force = False,
    as_json: o.Json = False,
) -> None:
    """Measure, write photo.csv and one annotated picture for each photo, and say what came out."""
    from calib.workshop import open_workshop
    from calib.workshop.photographing import PhotoOptions, photo_json, photo_lines

    if (bar_x is None) != (bar_y is None):
        raise BadInput("one bar alone says half", mend="give both --bar-x and --bar-y")
    bars = (bar_x, bar_y) if bar_x is not None and bar_y is not None else None
    how = PhotoOptions(
        sides=side or (), bars_mm=bars, card=card, known_mm=numbers(known or [], "--known")
    )
    folder = out or (sheet_file if sheet_file.is_dir() else sheet_file.parent)
    with open_workshop() as workshop:
        found = workshop.photo(sheet_file, photos, how, write=write, folder=folder, force=force)
    if as_json:
        print_json(photo_json(found))
        return
    for line in photo_lines(found):
        typer.echo(line)
