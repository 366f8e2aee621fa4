"""The folder of a piece, or its sheet alone, with what the store knows of printer, nozzle and spool."""

import shlex
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.commands.show import place_lines
from calib.errors import FileError

if TYPE_CHECKING:
    from calib.readings import Sheet
    from patterns.mesh import Mesh
    from patterns.piece import Piece
    from patterns.registry import Pattern
    from patterns.spec import PrintSetup


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
    from calib.interpret.solve import NOW_PREFIX
    from calib.model.place import neutral_values
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
    now = {**neutral_values(), **context.now}
    keys = {name: value for name, value in names.items() if value}
    keys |= {f"{NOW_PREFIX}{name}": repr(float(value)) for name, value in now.items()}
    told = tuple(place_lines(in_force, _options(names)))
    return Kept(setup=setup, keys=keys, filament=context.filament, told=told)


def _options(names: Mapping[str, str]) -> str:
    named = ((what, names[what]) for what in ("printer", "nozzle", "spool"))
    return "".join(f" --{what} {shlex.quote(name)}" for what, name in named if name)


def make_folder(
    piece: "Piece", folder: Path, *, unit: str = "mm", repeats: int = 3, separator: str = ",",
    force: bool = False, keys: Mapping[str, str] | None = None, solid: bool = True,
) -> "tuple[dict[str, Any], Mesh | None]":  # fmt: skip
    """Write every file of a piece; return what was made, and its mesh where there is a solid.

    Parameters
    ----------
    solid : bool
        Whether the solid and its schedule are wanted, or the sheet and its page alone.
    """
    import secrets
    from datetime import UTC, datetime

    from calib.files import write_atomic
    from calib.readings import sheet_csv
    from patterns.schedule import schedule_csv

    piece_id, made = secrets.token_hex(4), datetime.now(UTC)
    files: dict[str, bytes | str] = {
        "sheet.csv": sheet_csv(
            piece, piece_id, made, unit=unit, repeats=repeats, separator=separator, keys=keys
        )
    }
    mesh = None
    if piece.printed and solid:
        mesh, solid_files = _built(piece)
        files |= solid_files
    files["sheet.html"] = page(
        piece, piece_id, made=f"{made:%Y-%m-%d}", unit=unit, repeats=repeats, mesh=mesh
    )
    if piece.schedule and solid:
        files["schedule.csv"] = schedule_csv(piece.schedule)
    open_folder(folder, list(files), force=force)
    kept = keep_filled(folder / "sheet.csv")
    for name, data in files.items():
        write_atomic(folder / name, data, force=force)
    report = {
        "pattern": piece.pattern,
        "piece": piece_id,
        "folder": str(folder),
        "files": sorted(files),
        "features": len(piece.features),
        "kept_beside": None if kept is None else kept.name,
    }
    return report, mesh


def keep_filled(sheet: Path) -> Path | None:
    """Keep a sheet beside, under a number of its own, unless nobody has written anything into it.

    Returns
    -------
    Path or None
        Where it is kept; None where there is none, or it is as it was made.
    """
    from calib.errors import BadInput
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


def kept_line(report: Mapping[str, Any]) -> str:
    """Say where the filled-in sheet is that a new one took the place of; else empty."""
    if not report["kept_beside"]:
        return ""
    return f"The sheet that was filled in is kept as {report['folder']}/{report['kept_beside']}"


def page(
    piece: "Piece", piece_id: str, *, made: str, unit: str, repeats: int, mesh: "Mesh | None" = None
) -> str:
    """Return the page of a sheet; its picture is drawn from `mesh`, else from a preview."""
    from calib.report.sheet_page import sheet_html

    picture = ""
    if piece.printed:
        from patterns.drawing import draw_piece
        from patterns.preview import preview_mesh

        picture = draw_piece(piece, mesh or preview_mesh(piece.body))
    return sheet_html(piece, picture, piece_id, made=made, unit=unit, repeats=repeats)


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
