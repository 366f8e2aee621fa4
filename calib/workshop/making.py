"""Make pieces: laid out for the printer that is meant, as files in memory or in folders."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.errors import BadInput
from calib.model.instrument import DEFAULTS, Instrument
from calib.safety import SAFETY
from calib.workshop import folders
from calib.workshop.context import who_named
from calib.workshop.results import Made, MadePiece, Who

if TYPE_CHECKING:
    from calib.store.records import ProfileValue
    from calib.store.store import Store
    from patterns.mesh import Mesh
    from patterns.piece import Piece
    from patterns.registry import Pattern
    from patterns.spec import PrintSetup

Parameters = Mapping[str, float | str]


@dataclass(frozen=True, slots=True, kw_only=True)
class MakeContext:
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
    in_force: "tuple[ProfileValue, ...]" = ()
    instruments: Mapping[str, Instrument] = field(default_factory=lambda: DEFAULTS)
    notes: tuple[str, ...] = ()


def make_context(store: "Store | None", asked: Who, *, printed: bool = True) -> MakeContext:
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
        return MakeContext(notes=_usual_notes())
    printer = store.printer(asked.printer or None)
    notes = []
    tip = reel = None
    if asked.nozzle or store.nozzles(printer.name):
        tip = store.nozzle(printer.name, asked.nozzle or None) if printed or asked.nozzle else None
    elif printed:
        notes.append(f"No nozzle of {printer.name} is in the store: 0.4 mm is taken. Tell its size: truebead add nozzle NAME{who_named(store, printer.name, '', '').options} --size 0.4")  # fmt: skip
    if asked.spool or store.spools():
        reel = store.spool(asked.spool or None) if printed or asked.spool else None
    elif printed:
        notes.append("No spool is in the store, so nothing is known of the filament: truebead add spool NAME --type PLA")  # fmt: skip
    who = who_named(
        store, printer.name, tip.name if tip else "", reel.name if reel else "",
        nozzle_asked=bool(asked.nozzle),
    )  # fmt: skip
    if who.fitted_last:
        notes.append(f"For the nozzle {who.nozzle}, which was fitted last.")
    return _looked_up(store, who, tuple(notes))


def _looked_up(store: "Store", who: Who, notes: tuple[str, ...]) -> MakeContext:
    from calib.model.place import neutral_values
    from calib.readings.now import lines_of
    from calib.store.places import to_set

    full = bool(who.nozzle and who.spool)
    context = store.context_for(who.printer, who.nozzle or None, who.spool or None, printed=full)
    reel = store.spool(who.spool) if who.spool else None
    in_force = tuple(store.in_force(who.printer, who.nozzle, who.spool)) if full else ()
    keys = {what: name for what, name in who.names.items() if name}
    if reel and reel.density_g_cm3:
        keys["density_g_cm3"] = repr(reel.density_g_cm3)
    # Neutral values too: a piece made before anything was corrected must not be taken for one made
    # with what is corrected by the time it is measured.
    keys |= lines_of({**neutral_values(), **context.now}, to_set(in_force))
    return MakeContext(
        who=who,
        setup=_setup(store, who),
        keys=keys,
        filament=reel.material if reel else "",
        in_force=in_force,
        instruments=context.instruments,
        notes=notes,
    )


def _setup(store: "Store", who: Who) -> "PrintSetup":
    from calib.store.inventory import setup
    from calib.store.records import Nozzle

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
    names: Sequence[str], parameters: Parameters, known: MakeContext, setup: "PrintSetup"
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
    pattern: "Pattern", given: Mapping[str, str], known: MakeContext, setup: "PrintSetup"
) -> "Piece":
    """Lay a piece out for the spool's type of filament, unless another is given."""
    asks = known.filament and "filament" in pattern.spec_type.params()
    return pattern.piece({**({"filament": known.filament} if asks else {}), **given}, setup)


def given_for(name: str, names: Sequence[str], parameters: Parameters) -> dict[str, str]:
    """Return the parameters for one pattern as words, those for all and its own.

    Raises
    ------
    BadInput
        A parameter is named for a pattern that is not being made.
    """
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
    known: MakeContext,
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
    from calib.readings.now import leaving_out
    from patterns.schedule import schedule_csv

    piece_id, made = secrets.token_hex(4), datetime.now(UTC)
    keys = leaving_out(known.keys, piece.without)
    files: dict[str, bytes | str] = {
        "sheet.csv": sheet_csv(
            piece, piece_id, made, {**DEFAULTS, **known.instruments}, unit=unit, repeats=repeats,
            separator=separator, keys=keys,
        )
    }  # fmt: skip
    mesh = None
    if piece.printed and solid:
        mesh, solid_files = solids_of(piece)
        files |= solid_files
    if paper:
        files["sheet.html"] = folders.page(
            piece, piece_id, made=f"{made:%Y-%m-%d}", unit=unit, repeats=repeats, mesh=mesh,
            keys=keys, filament=known.filament,
        )  # fmt: skip
    if piece.schedule and solid:
        files["schedule.csv"] = schedule_csv(piece.schedule, SAFETY)
    return MadePiece(
        piece=piece,
        piece_id=piece_id,
        who=known.who,
        files=files,
        filament=known.filament,
        instruments={**DEFAULTS, **known.instruments},
        mesh=mesh,
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


def plates_of(pieces: "Sequence[Piece]") -> list[bytes]:
    """Build the solids of some pieces, and return each plate that they need as a 3MF."""
    from patterns.plate import arrange

    placed = arrange(pieces)
    return folders.plate_files([(p, solids_of(p)[0]) for p in pieces if p.printed], placed)


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
    known = make_context(store, asked, printed=printed)
    printer = setup_with(known.setup, setup)
    pieces = laid_out(names, parameters, known, printer)
    pieces += [piece_from_step(part, printer) for part in parts]
    places = folders.folders_for(pieces, out)
    placed, plates = folders.arranged(pieces, out or Path(), force=force) if plate else ([], [])
    made = []
    for piece, folder in zip(pieces, places, strict=True):
        one = files_of(piece, known, unit=unit, repeats=repeats, separator=separator, solid=solid)
        made.append(folders.write_folder(one, folder, force=force))
    folders.write_plates(plates, made, placed, force=force)
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
    from calib.report.inventory_words import assumed_lines

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

    known = make_context(store, asked, printed=pattern in registry.all_patterns())
    piece = laid_out([pattern], parameters, known, setup_with(known.setup, {}))[0]
    return files_of(piece, known, unit=unit, repeats=repeats, solid=False, paper=False)
