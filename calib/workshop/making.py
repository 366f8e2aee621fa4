"""Make pieces: laid out for the printer that is meant, as files in memory or in folders."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.errors import BadInput, FileError
from calib.model.instrument import DEFAULTS, Instrument
from calib.workshop.results import Made, MadePiece, Who

if TYPE_CHECKING:
    from calib.readings import Sheet
    from calib.readings.table import Table
    from calib.store.records import InForce
    from calib.store.store import Store
    from patterns.mesh import Mesh
    from patterns.piece import Piece
    from patterns.plate import Placed
    from patterns.registry import Pattern
    from patterns.spec import PrintSetup

Parameters = Mapping[str, float | str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of a printer, nozzle and spool before a piece is made.

    Attributes
    ----------
    keys : mapping
        The sheet's lines that say what is set now, and for whom the piece is.
    notes : lines
        What was taken as usual because nobody has told it.
    """

    who: Who = field(default_factory=Who)
    setup: "PrintSetup | None" = None
    keys: Mapping[str, str] = field(default_factory=dict)
    filament: str = ""
    in_force: "tuple[InForce, ...]" = ()
    instruments: Mapping[str, Instrument] = field(default_factory=lambda: DEFAULTS)
    notes: tuple[str, ...] = ()


def known_of(store: "Store | None", asked: Who, *, printed: bool = True) -> Known:
    """Look up what the store knows; a name that is not given is the only one there.

    Parameters
    ----------
    printed : bool
        Whether any of the pieces is printed: a check without plastic needs neither nozzle nor spool.

    Raises
    ------
    StoreError
        A name is not in the store, or there are several and none was given.
    """
    asked_for = asked.printer or asked.nozzle or asked.spool
    if store is None or not (asked_for or store.printers()):
        return Known(notes=_usual_notes())
    printer = store.printer(asked.printer or None)
    notes = []
    tip = reel = None
    if store.nozzles(printer.name) or asked.nozzle:
        tip = store.nozzle(printer.name, asked.nozzle or None) if printed or asked.nozzle else None
    elif printed:
        notes.append(f"No nozzle of {printer.name} is in the store: 0.4 mm is taken. Tell its size: truebead add nozzle NAME{Who(printer=printer.name).options} --size 0.4")  # fmt: skip
    if store.spools() or asked.spool:
        reel = store.spool(asked.spool or None) if printed or asked.spool else None
    elif printed:
        notes.append("No spool is in the store, so nothing is known of the filament: truebead add spool NAME --type PLA")  # fmt: skip
    who = Who(printer=printer.name, nozzle=tip.name if tip else "", spool=reel.name if reel else "")
    return _looked_up(store, who, tuple(notes))


def _looked_up(store: "Store", who: Who, notes: tuple[str, ...]) -> Known:
    from calib.model.place import neutral_values
    from calib.readings.now import lines_of
    from calib.store.placing import to_set

    full = bool(who.nozzle and who.spool)
    context = store.context_for(who.printer, who.nozzle or None, who.spool or None, printed=full)
    reel = store.spool(who.spool) if who.spool else None
    in_force = tuple(store.in_force(who.printer, who.nozzle, who.spool)) if full else ()
    keys = {k: v for k, v in asdict(who).items() if v}
    if reel and reel.density_g_cm3:
        keys["density_g_cm3"] = repr(reel.density_g_cm3)
    # Neutral values too: a piece made before anything was corrected must not be taken for one made
    # with what is corrected by the time it is measured.
    keys |= lines_of({**neutral_values(), **context.now}, to_set(in_force))
    return Known(
        who=who,
        setup=_setup(store, who),
        keys=keys,
        filament=reel.material if reel else "",
        in_force=in_force,
        instruments=context.instruments,
        notes=notes,
    )


def _setup(store: "Store", who: Who) -> "PrintSetup":
    from calib.store.records import Nozzle
    from calib.store.things import setup

    if who.nozzle or store.nozzles(who.printer):
        tips = store.nozzles(who.printer)
        named = who.nozzle or tips[0].name
        return store.setup_for(who.printer, named, who.spool or None)
    return setup(
        store.printer(who.printer),
        Nozzle(name="", printer=who.printer, bore_mm=0.4),
        store.spool(who.spool) if who.spool else None,
    )


def _usual_notes() -> tuple[str, ...]:
    from patterns.spec import PrintSetup

    usual = PrintSetup()
    return (
        f"No printer is in the store: a bed of {usual.build_x_mm:g} x {usual.build_y_mm:g} mm, a nozzle"
        f" of {usual.nozzle_mm:g} mm and a hot end rated for {usual.hot_end_max_c:g} degC are taken."
        " Tell yours: truebead add printer NAME --build 220x220x250",
    )


def setup_with(base: "PrintSetup | None", given: Mapping[str, float]) -> "PrintSetup":
    """Return the set-up of a printer with what was given laid over it.

    A rating that is given only tightens what is known: a command can't loosen what the printer's
    papers say.

    Parameters
    ----------
    given : mapping
        Field of `PrintSetup` -> number.
    """
    from patterns.spec import PrintSetup

    values: dict[str, Any] = asdict(base) if base else {}
    if "nozzle_mm" in given:
        values["line_mm"] = 0.0
    values |= given
    if base is not None:
        for rating in ("hot_end_max_c", "bed_max_c"):
            values[rating] = min(values[rating], getattr(base, rating))
    return PrintSetup(**values)


def laid_out(
    names: Sequence[str], parameters: Parameters, known: Known, setup: "PrintSetup"
) -> "list[Piece]":
    """Lay out the pieces that are named; parameters are for all, or ``PATTERN.NAME`` for one.

    Raises
    ------
    BadInput
        There is no such pattern or parameter, a value is out of range, or the printer is too small.
    """
    from patterns import registry

    return [
        _piece(registry.get(name), given_for(name, names, parameters), known, setup)
        for name in names
    ]


def _piece(
    pattern: "Pattern", given: Mapping[str, str], known: Known, setup: "PrintSetup"
) -> "Piece":
    """Lay a piece out for the spool's type of filament, unless another is given."""
    asks = known.filament and "filament" in pattern.spec_type.params()
    return pattern.piece({**({"filament": known.filament} if asks else {}), **given}, setup)


def given_for(name: str, names: Sequence[str], parameters: Parameters) -> dict[str, str]:
    """Return the parameters for one pattern as words, those for all and its own."""
    found = {}
    for key, value in parameters.items():
        pattern, dot, parameter = key.rpartition(".")
        text = value if isinstance(value, str) else repr(value)
        if dot and pattern not in names:
            raise BadInput(
                f"{key} is for {pattern}, which is not being made",
                where="--set",
                mend=f"write {names[0]}.{parameter}={text}",
            )
        if pattern in ("", name):
            found[parameter] = text
    return found


def files_of(
    piece: "Piece",
    known: Known,
    *,
    unit: str = "mm",
    repeats: int = 1,
    separator: str = ",",
    solid: bool = True,
    paper: bool = True,
) -> MadePiece:
    """Make every file of a piece in memory.

    Parameters
    ----------
    solid : bool
        Whether the solid and its schedule are wanted, or the sheet and its page alone.
    paper : bool
        Whether the sheet's page is wanted: its picture is what takes the time.
    """
    import secrets
    from datetime import UTC, datetime

    from calib.readings import sheet_csv
    from patterns.schedule import schedule_csv

    piece_id, made = secrets.token_hex(4), datetime.now(UTC)
    files: dict[str, bytes | str] = {
        "sheet.csv": sheet_csv(
            piece, piece_id, made, {**DEFAULTS, **known.instruments}, unit=unit, repeats=repeats,
            separator=separator, keys=known.keys,
        )
    }  # fmt: skip
    mesh = None
    if piece.printed and solid:
        mesh, solid_files = solids_of(piece)
        files |= solid_files
    if paper:
        files["sheet.html"] = page(
            piece, piece_id, made=f"{made:%Y-%m-%d}", unit=unit, repeats=repeats, mesh=mesh,
            keys=known.keys, filament=known.filament,
        )  # fmt: skip
    if piece.schedule and solid:
        files["schedule.csv"] = schedule_csv(piece.schedule)
    return MadePiece(
        piece=piece,
        piece_id=piece_id,
        who=known.who,
        files=files,
        filament=known.filament,
        instruments={**DEFAULTS, **known.instruments},
        mesh=mesh,
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
        from patterns.drawing import draw_piece
        from patterns.preview import preview_mesh

        picture = draw_piece(piece, mesh or preview_mesh(piece.body))
    return sheet_html(
        piece,
        picture,
        piece_id,
        made=made,
        unit=unit,
        repeats=repeats,
        keys=keys,
        filament=filament,
    )


def solids_of(piece: "Piece") -> "tuple[Mesh, dict[str, bytes | str]]":
    """Build the solid once; return its mesh and the content of its three files.

    Raises
    ------
    BadInput
        The kernel can't build it so, such as a chamfer that leaves nothing of a thin wall.
    """
    from calib.files import scratch
    from patterns import solid
    from patterns.export import stl_bytes, threemf_bytes
    from patterns.solid_parts import SolidError

    try:
        shape = solid.build(piece.body)
        mesh = solid.mesh(shape)
        with scratch() as folder:  # the kernel writes to a path only
            step = folder / "piece.step"
            solid.write_step(shape, step, piece.pattern)
            step_bytes = step.read_bytes()
    except SolidError as err:
        raise BadInput(
            f"this piece can't be built: {err}",
            where=piece.pattern,
            mend="choose less extreme values, such as a smaller chamfer",
        ) from err
    return mesh, {
        "piece.stl": stl_bytes(mesh, piece.pattern),
        "piece.3mf": threemf_bytes([(piece.pattern, mesh, (0.0, 0.0, 0.0))]),
        "piece.step": step_bytes,
    }


def make(
    store: "Store | None",
    names: Sequence[str],
    asked: Who,
    *,
    parameters: Parameters,
    setup: Mapping[str, float],
    out: Path | None,
    plate: bool,
    unit: str,
    repeats: int,
    separator: str,
    solid: bool,
    force: bool,
    parts: Sequence[Path] = (),
) -> Made:
    """Make one folder for each pattern and each STEP file in `parts`; see `Workshop.make`."""
    from patterns import registry
    from patterns.own import piece_from_step

    # A slip in a name is said before anything of the store; a user's file gives its pattern's name.
    names = [registry.get(name).name for name in names]
    printed = bool(parts) or any(name in registry.all_patterns() for name in names)
    known = known_of(store, asked, printed=printed)
    printer = setup_with(known.setup, setup)
    pieces = laid_out(names, parameters, known, printer)
    pieces += [piece_from_step(part, printer) for part in parts]
    folders = _folders(pieces, out)
    placed, plates = _arranged(pieces, out or Path(), force=force) if plate else ([], [])
    made = []
    for piece, folder in zip(pieces, folders, strict=True):
        one = files_of(piece, known, unit=unit, repeats=repeats, separator=separator, solid=solid)
        made.append(write_folder(one, folder, force=force))
    _write_plates(plates, made, placed, force=force)
    heats = any(p.schedule for p in pieces)
    return Made(
        pieces=tuple(made),
        who=known.who,
        plates=tuple(plates),
        in_force=known.in_force if printed else (),
        notes=(*(known.notes if printed else ()), *(_assumed(store, known.who) if heats else ())),
    )


def _assumed(store: "Store | None", who: Who) -> list[str]:
    """Say which ratings are taken low because nobody has told them."""
    from calib.report.things_words import assumed_lines

    if store is None or not who.printer:
        return []
    return assumed_lines(store.printer(who.printer), store.assumed(who.printer))


def made_for(
    store: "Store | None",
    pattern: str,
    parameters: Parameters,
    asked: Who,
    *,
    unit: str,
    repeats: int,
) -> MadePiece:
    """Make the sheet of one piece in memory, for whoever is asked; no solid."""
    from patterns import registry

    known = known_of(store, asked, printed=pattern in registry.all_patterns())
    piece = laid_out([pattern], parameters, known, setup_with(known.setup, {}))[0]
    return files_of(piece, known, unit=unit, repeats=repeats, solid=False, paper=False)


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


def _folders(pieces: "Sequence[Piece]", out: Path | None) -> list[Path]:
    """Return a folder for each piece: `out` itself for one, folders inside it for several."""
    if len(pieces) == 1:
        return [out or Path(pieces[0].pattern)]
    names = [p.pattern for p in pieces]
    if len(set(names)) < len(names):
        raise BadInput("a pattern is named twice", mend="make it twice with another --out")
    return [(out or Path()) / name for name in names]


def _arranged(
    pieces: "Sequence[Piece]", folder: Path, *, force: bool
) -> "tuple[list[Placed], list[Path]]":
    """Find places before anything is made; return them, and the file of each plate."""
    from patterns.plate import arrange

    placed = arrange(pieces)
    count = 1 + max(p.plate for p in placed)
    names = ["plate.3mf" if k == 0 else f"plate-{k + 1}.3mf" for k in range(count)]
    open_folder(folder, names, force=force)
    return placed, [folder / name for name in names]


def _write_plates(
    files: Sequence[Path], made: Sequence[MadePiece], placed: "Sequence[Placed]", *, force: bool
) -> None:
    from calib.files import write_atomic
    from patterns.export import threemf_bytes

    for plate, file in enumerate(files):
        here = [
            (one.piece.pattern, one.mesh, place.shift)
            for one, place in zip(made, placed, strict=True)
            if one.mesh is not None and place.plate == plate
        ]
        write_atomic(file, threemf_bytes(here), force=force)


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
    who = Who(**{k: found.keys.get(k, "") for k in ("printer", "nozzle", "spool")})
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
