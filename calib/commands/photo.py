"""`truebead mat` and `truebead photo`: the printed mat, and readings from photos of a piece on it."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.commands.common import ForceOption, JsonOption, numbers, print_json
from calib.errors import BadInput

if TYPE_CHECKING:
    from calib.photo.corners import Seen
    from calib.photo.scale import PaperScale
    from calib.photo.session import Outcome

BarX = Annotated[float | None, typer.Option("--bar-x", help="Measured length of the X bar, mm.")]
BarY = Annotated[float | None, typer.Option("--bar-y", help="Measured length of the Y bar, mm.")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(
        "mat",
        help="Make the mat to print and photograph pieces on, or keep its measured bars.\n\n"
        "Printers scale paper: measure both bars of each printed mat once with a caliper.",
        epilog="Example: truebead mat --paper letter --out mat.pdf; then, once it is printed and"
        " measured: truebead mat --name LETTER-W-0427 --bar-x 139.82 --bar-y 140.05",
    )(mat)
    app.command(
        "photo",
        help="Measure a piece in photos of it on the mat.\n\n"
        "Lay the piece near the middle, fill the picture with the mat, hold the camera 8 to 18"
        " degrees off straight above. Two photos with the piece turned by 180 degrees are better.",
        epilog="Example: truebead photo step-gauge/sheet.csv one.jpg two.jpg --write",
    )(photo)


def mat(
    out: Annotated[
        Path | None, typer.Option("--out", help="File to write: .pdf or .png (default mat.pdf).")
    ] = None,
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
    centre: Annotated[
        str, typer.Option("--centre", help="green, magenta (for green and yellow filament), white or dark.")
    ] = "green",
    number: Annotated[
        int | None, typer.Option("--number", help="0 to 9999 (default: drawn by lot).")
    ] = None,
    name: Annotated[
        str | None, typer.Option("--name", help="Name on a printed mat whose bars were measured.")
    ] = None,
    bar_x: BarX = None,
    bar_y: BarY = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Write a mat, or keep the bars of a printed one."""
    if name or bar_x is not None or bar_y is not None:
        report = _keep_mat(name, bar_x, bar_y)
    else:
        report = _make_mat(out or Path("mat.pdf"), paper, centre, number, force=force)
    if as_json:
        print_json(report)
    else:
        typer.echo(report["words"])


def _keep_mat(name: str | None, bar_x: float | None, bar_y: float | None) -> dict[str, Any]:
    from calib.photo.mat import Mat
    from calib.photo.mats import keep_bars, mats_file

    if not name or bar_x is None or bar_y is None:
        raise BadInput(
            "a measured mat needs --name, --bar-x and --bar-y",
            mend="copy the name from the mat's lower edge",
        )
    known = Mat.from_name(name).name
    scale = keep_bars(mats_file(), known, bar_x, bar_y)
    x, y = (100 * (float(f) - 1) for f in scale.factors)
    words = f"{known}: printed {x:+.2f} % in X and {y:+.2f} % in Y; photos on it use that."
    return {"mat": known, "bar_x_mm": bar_x, "bar_y_mm": bar_y, "words": words}


def _make_mat(
    out: Path, paper: str, centre: str, number: int | None, *, force: bool
) -> dict[str, Any]:
    import secrets

    from calib.files import write_atomic
    from calib.photo.mat import SERIALS, Mat
    from calib.photo.mat_draw import mat_pdf, mat_png

    drawn = Mat(
        paper.lower(), centre.lower(), secrets.randbelow(SERIALS) if number is None else number
    )
    makers = {".pdf": mat_pdf, ".png": mat_png}
    maker = makers.get(out.suffix.lower())
    if maker is None:
        raise BadInput(
            f"{out.name} is neither .pdf nor .png", where="--out", mend="name it mat.pdf"
        )
    write_atomic(out, maker(drawn), force=force)
    words = (
        f"{out}: mat {drawn.name}. Print it at 100 % (no fitting to the page), measure both bars, then:"
        f" truebead mat --name {drawn.name} --bar-x ... --bar-y ..."
    )
    return {"mat": drawn.name, "file": str(out), "words": words}


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
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Measure, write photo.csv and one annotated picture for each photo, and say what came out."""
    from calib.photo.image import load_photo
    from calib.photo.session import check_measurable, measure_photos
    from calib.photo.view import look_at_mats
    from calib.readings import read_table, sheet_of

    sheet = sheet_of(table := read_table(sheet_file))
    if not sheet.piece.printed:
        raise BadInput(
            f"{sheet.piece.pattern} has no piece to photograph", mend="use another sheet"
        )
    folder = out or (sheet_file if sheet_file.is_dir() else sheet_file.parent)
    sides = _sides(side, sheet.piece.pattern)
    check_measurable(sheet.piece.body, sheet.piece.features, sides)
    loaded = [load_photo(p) for p in photos]
    seen = look_at_mats(loaded)
    outcome = measure_photos(
        loaded,
        sheet.piece.body,
        sheet.piece.features,
        seen=seen,
        scale=_scale(seen, bar_x, bar_y),
        sides=sides,
        card=card,
        known_mm=numbers(known or [], "--known"),
    )
    files = _write_results(folder, photos, outcome, force=force)
    filled = 0
    if write:
        from calib.files import write_atomic
        from calib.photo.rows import fill_sheet, readings_of, shared_of, with_shared

        target = sheet_file / "sheet.csv" if sheet_file.is_dir() else sheet_file
        table, filled = fill_sheet(
            table, sheet.piece, readings_of(outcome.lengths, outcome.defects)
        )
        if filled and (shared := shared_of(outcome.lengths)) is not None:
            table = with_shared(table, shared)
        write_atomic(target, table.text(), force=True)
    _report(outcome, files, filled, as_json=as_json)


def _sides(given: list[str] | None, pattern: str) -> list[str]:
    from calib.photo.lying import SIDES
    from calib.photo.side_views import USUAL_SIDES

    for name in given or []:
        if name not in SIDES:
            raise BadInput(
                f"{name!r} is no side", where="--side", mend=f"one of {', '.join(SIDES)}"
            )
    return given or list(USUAL_SIDES.get(pattern, ("bottom", "top")))


def _scale(seen: "list[Seen]", bar_x: float | None, bar_y: float | None) -> "PaperScale | None":
    from calib.photo.mats import mats_file, scale_of
    from calib.photo.scale import from_bars

    if (bar_x is None) != (bar_y is None):
        raise BadInput("one bar alone says half", mend="give both --bar-x and --bar-y")
    if bar_x is not None and bar_y is not None:
        return from_bars(bar_x, bar_y)
    names = {s.mat.name for s in seen if s.serial_known}
    scales = [s for s in (scale_of(mats_file(), n) for n in names) if s is not None]
    return scales[0] if len(names) == 1 and scales else None


def _write_results(
    folder: Path, photos: list[Path], outcome: "Outcome", *, force: bool
) -> list[str]:
    from calib.files import write_atomic
    from calib.photo.annotate import annotated
    from calib.photo.rows import csv_of

    files = [folder / "photo.csv", *(folder / f"{p.stem}-measured.jpg" for p in photos)]
    there = [f for f in files if f.exists()]
    if there and not force:
        raise BadInput(
            "the file is there already", where=str(there[0]), mend="add --force to replace it"
        )
    write_atomic(files[0], csv_of(outcome.lengths, outcome.defects, outcome.notes), force=force)
    for path, view, lengths in zip(files[1:], outcome.views, outcome.single, strict=True):
        write_atomic(path, annotated(view, lengths, outcome.defects), force=True)
    return [str(f) for f in files]


def _report(outcome: "Outcome", files: list[str], filled: int, *, as_json: bool) -> None:
    from calib.photo.rows import COLUMNS, defect_rows, rows_of

    rows = rows_of(outcome.lengths) + defect_rows(outcome.defects)
    if as_json:
        print_json(
            {
                "measured": [dict(zip(COLUMNS, r, strict=True)) for r in rows],
                "scale": {"source": outcome.scale.source, "x": float(outcome.scale.factors[0]),
                          "y": float(outcome.scale.factors[1])},
                "notes": list(outcome.notes), "files": files, "filled": filled,
            }
        )  # fmt: skip
        return
    for feature, quantity, _, value, u, unit, nominal, flags, _ in rows:
        name = feature if quantity == "length" else f"{feature} {quantity}"
        typer.echo(
            f"{name:<28} {value:>9} \u00b1 {2 * float(u):.3f} {unit}  (drawn {nominal})  {flags}".rstrip()
        )
    typer.echo(f"Paper's scale: {outcome.scale.source}. \u00b1 is twice the standard uncertainty.")
    for note in outcome.notes:
        typer.echo(f"Note: {note}")
    doubtful = sum(1 for r in rows if r[7])
    typer.echo(
        f"{len(rows) - doubtful} values clear, {doubtful} doubtful, {filled} filled in. {', '.join(files)}"
    )
