"""`truebead mat`, `photo` and `scan`: the printed mat, and readings from pictures of a piece."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.commands import options as o
from calib.commands.common import answer
from calib.errors import BadInput
from calib.workshop.typed import numbers

if TYPE_CHECKING:
    from calib.workshop.photographing import Photographed

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
    app.command(
        "scan",
        help="Measure a flat piece in a flatbed scan of it.\n\n"
        "Lay it on the glass with its rim down, a card (ID-1, as bank cards are) or an edge of a measured mat beside"
        " it, face down, and paper of a colour that the filament has not over all. Scan in colour at 300 to"
        " 600 dpi. Turn the lot by 90 degrees and scan again: two scans also tell how the scanner's X and Y"
        " differ.",
        epilog="Example: truebead scan strip one.png two.png --write",
    )(scan)


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
    answer(report, [report["words"]], as_json=as_json)


SheetFile = Annotated[
    Path, typer.Argument(metavar="SHEET", help="The sheet.csv, or the folder it is in.")
]
Known = Annotated[
    list[str] | None,
    typer.Option("--known", metavar="FEATURE=MM", help="One caliper reading, for scale."),
]
Write = Annotated[bool, typer.Option("--write", help="Fill clear values into the sheet.")]
Out = Annotated[
    Path | None, typer.Option("--out", help="Folder for results (default: the sheet's).")
]


def photo(
    sheet_file: SheetFile,
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
    known: Known = None,
    write: Write = False,
    out: Out = None,
    force: o.Force = False,
    as_json: o.Json = False,
) -> None:
    """Measure, write photo.csv and one annotated picture for each photo, and say what came out."""
    from calib.workshop import open_workshop
    from calib.workshop.photographing import PhotoOptions

    if (bar_x is None) != (bar_y is None):
        raise BadInput("one bar alone says half", mend="give both --bar-x and --bar-y")
    bars = (bar_x, bar_y) if bar_x is not None and bar_y is not None else None
    how = PhotoOptions(
        sides=side or (), bars_mm=bars, card=card, known_mm=numbers(known or [], "--known")
    )
    with open_workshop() as workshop:
        found = workshop.photo(
            sheet_file, photos, how, write=write, folder=_folder(out, sheet_file), force=force
        )
    _say(found, as_json=as_json)


def scan(
    sheet_file: SheetFile,
    scans: Annotated[list[Path], typer.Argument(metavar="SCAN...", help="Scans of one piece, turned by 90 degrees.")],
    dpi: Annotated[float | None, o.number_option("Pixels per inch (default: as the file states).", "--dpi")] = None,
    card: Annotated[str, typer.Option("--card", metavar="WIDTHxHEIGHT", help="What a caliper reads of the card, mm.")] = "",
    known: Known = None,
    write: Write = False,
    out: Out = None,
    force: o.Force = False,
    as_json: o.Json = False,
) -> None:  # fmt: skip
    """Measure, write scan.csv and one annotated picture for each scan, and say what came out."""
    from calib.workshop import open_workshop
    from calib.workshop.photographing import ScanOptions, card_size

    how = ScanOptions(dpi=dpi, card_mm=card_size(card), known_mm=numbers(known or [], "--known"))
    with open_workshop() as workshop:
        found = workshop.scan(
            sheet_file, scans, how, write=write, folder=_folder(out, sheet_file), force=force
        )
    _say(found, as_json=as_json)


def _folder(out: Path | None, sheet_file: Path) -> Path:
    return out or (sheet_file if sheet_file.is_dir() else sheet_file.parent)


def _say(found: "Photographed", *, as_json: bool) -> None:
    """Print what was measured; nothing clear means that it has to be measured again."""
    from calib.workshop.photographing import photo_json, photo_lines

    answer(photo_json(found), photo_lines(found), as_json=as_json)
    if not found.clear:
        raise typer.Exit(1)
