"""The folder of a piece: written whole, and nothing that was filled in is ever lost."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from calib.errors import BadInput, FileError
from calib.workshop.results import MadePiece, Who

if TYPE_CHECKING:
    from calib.readings import Sheet
    from calib.readings.table import Table
    from patterns.mesh import Mesh
    from patterns.piece import Piece
    from patterns.plate import PlatePosition


def write_folder(made: MadePiece, folder: Path, *, force: bool = False) -> MadePiece:
    """Write the files of a piece into its folder; a sheet that was filled in is kept beside."""
    from calib.files import write_atomic

    open_folder(folder, list(made.files), force=force)
    kept = keep_filled(folder / "sheet.csv")
    for name, data in made.files.items():
        write_atomic(folder / name, data, force=force)
    return replace(made, folder=folder, kept_beside=kept)


def keep_filled(sheet: Path) -> Path | None:
    """Keep a sheet beside, under a number of its own, unless nobody has written anything into it.

    Returns
    -------
    Path or None
        Where it is kept; None where there is none, or it is as it was made.
    """
    from calib.files import keep_beside
    from calib.readings import read_sheet

    if not sheet.exists():
        return None
    try:
        found = read_sheet(sheet)
    except BadInput:  # whatever it is, somebody has been at it
        return keep_beside(sheet)
    return keep_beside(sheet) if _is_filled(found) else None


def _is_filled(sheet: "Sheet") -> bool:
    """Whether there are readings, or lines of the head that are made empty are filled in."""
    lines = (sheet.keys.get(line.key, "") for line in sheet.piece.head_lines)
    return bool(sheet.readings) or sheet.part_c is not None or any(lines)


def folders_for(pieces: "Sequence[Piece]", out: Path | None) -> list[Path]:
    """Return a folder for each piece: `out` itself for one, folders inside it for several.

    Raises
    ------
    BadInput
        A pattern is named twice: its pieces would go into one folder.
    """
    if len(pieces) == 1:
        return [out or Path(pieces[0].pattern)]
    names = [p.pattern for p in pieces]
    if len(set(names)) < len(names):
        raise BadInput("a pattern is named twice", mend="make it twice with another --out")
    return [(out or Path()) / name for name in names]


def arranged(
    pieces: "Sequence[Piece]", folder: Path, *, force: bool
) -> "tuple[list[PlatePosition], list[Path]]":
    """Find places before anything is made; return them, and the file of each plate."""
    from patterns.plate import arrange

    placed = arrange(pieces)
    count = 1 + max(p.plate for p in placed)
    names = ["plate.3mf" if k == 0 else f"plate-{k + 1}.3mf" for k in range(count)]
    open_folder(folder, names, force=force)
    return placed, [folder / name for name in names]


def write_plates(
    files: Sequence[Path],
    made: Sequence[MadePiece],
    placed: "Sequence[PlatePosition]",
    *,
    force: bool,
) -> None:
    """Write the pieces of each plate as one 3MF."""
    from calib.files import write_atomic

    if files:
        content = plate_files([(one.piece, one.mesh) for one in made], placed)
        for file, data in zip(files, content, strict=True):
            write_atomic(file, data, force=force)


def plate_files(
    solids: "Sequence[tuple[Piece, Mesh | None]]", placed: "Sequence[PlatePosition]"
) -> list[bytes]:
    """Return each plate as a 3MF with its pieces in their places; those without a mesh are left out."""
    from patterns.export import threemf_bytes

    return [
        threemf_bytes(
            [
                (piece.pattern, mesh, place.shift)
                for (piece, mesh), place in zip(solids, placed, strict=True)
                if mesh is not None and place.plate == plate
            ]
        )
        for plate in range(1 + max(p.plate for p in placed))
    ]


def sheet_again(path: Path, *, semicolons: bool = False, force: bool = False) -> MadePiece:
    """Make the page of a piece again from its sheet; the sheet itself only gets other separators."""
    from calib.files import write_atomic
    from calib.readings import read_table, sheet_of

    found = sheet_of(table := read_table(path))
    folder = path if path.is_dir() else path.parent
    file = path / "sheet.csv" if path.is_dir() else path
    names = [file.name, "sheet.html"] if semicolons else ["sheet.html"]
    open_folder(folder, names, force=force)
    repeats = len([c for c in table.reading_columns if table.header.cell(c)])
    made = found.keys.get("made", "")[:10]
    html = page(
        found.piece, found.piece_id, made=made, unit=found.unit, repeats=repeats, keys=found.keys
    )
    kept = _with_semicolons(file, table, found) if semicolons else None
    write_atomic(folder / "sheet.html", html, force=force)
    who = Who.of(found.keys)
    return MadePiece(
        piece=found.piece, piece_id=found.piece_id, who=who, files=dict.fromkeys(names, ""),
        folder=folder, kept_beside=kept,
    )  # fmt: skip


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


def open_folder(folder: Path, names: Sequence[str], *, force: bool) -> None:
    """Make the folder; refuse before anything is written where a file would be replaced.

    Raises
    ------
    FileError
        Files are there already and `force` is not given, or readings would be lost.
    """
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


def page(
    piece: "Piece",
    piece_id: str,
    *,
    made: str,
    unit: str,
    repeats: int,
    mesh: "Mesh | None" = None,
    keys: Mapping[str, str] | None = None,
    filament: str = "",
) -> str:
    """Return the page of a sheet; its picture is drawn from `mesh`, else from a preview.

    Parameters
    ----------
    keys : mapping
        The lines of the sheet's head: who it is for, and what is to be set for the print.
    """
    from calib.report.sheet_page import sheet_html

    picture = ""
    if piece.printed:
        from patterns.drawing import draw_piece, drawn

        picture = draw_piece(piece, mesh) if mesh else drawn(piece)
    return sheet_html(
        piece, picture, piece_id, made=made, unit=unit, repeats=repeats, keys=keys,
        filament=filament,
    )  # fmt: skip
