"""What counts besides the sheet: which printer, nozzle and spool, which instruments, what is set.

One order of precedence for everything: what was given, else what the sheet says, else what the store
knows (a name that was not given is the store's only one), else the usual.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING

from calib.errors import BadInput, StoreError
from calib.model.instrument import DEFAULTS, Instrument
from calib.model.setting import plausible
from calib.workshop.results import Who

if TYPE_CHECKING:
    from calib.interpret.solve import Context
    from calib.readings import Sheet
    from calib.store.store import Store

#: What a size error may be that does not matter, and on what length; used where nothing is said.
TOLERANCE_MM = 0.2
PART_MM = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumed:
    """What somebody says besides the sheet when it is solved or kept.

    Attributes
    ----------
    now : mapping
        Setting -> value set while the piece was printed.
    instruments : sequence of str
        Names of instruments in the store that were used; where none is named, what the sheet says
        counts, else the only one of its kind in the store, else the usual one.
    tolerance_mm, part_mm : float
        Size error that does not matter, over a part of that length.
    accept : bool
        Take what was probably meant for readings that can't be right.

    Raises
    ------
    BadInput
        The tolerance or its length is not above 0, or a value makes no sense for its setting.
    """

    now: Mapping[str, float] = field(default_factory=dict)
    filament: str = ""
    instruments: Sequence[str] = ()
    tolerance_mm: float = TOLERANCE_MM
    part_mm: float = PART_MM
    accept: bool = False

    def __post_init__(self) -> None:
        if not (self.tolerance_mm > 0 and self.part_mm > 0):
            raise BadInput(
                "--tolerance-mm and --part-mm must be more than 0", mend="try 0.2 and 100"
            )
        for name, value in self.now.items():
            plausible(name, value, where="--now")


#: Nothing is said besides the sheet.
ASSUMED = Assumed()


def who_in_store(store: "Store", asked: Who, *, spool: bool = True, nozzle: bool = True) -> Who:
    """Return names that are in the store, where each that was not given is the only one.

    Raises
    ------
    StoreError
        A name is not in the store, or there are several: the message lists them.
    """
    printer = store.printer(asked.printer or None).name
    tip = store.nozzle(printer, asked.nozzle or None).name if nozzle or asked.nozzle else ""
    reel = store.spool(asked.spool or None).name if spool or asked.spool else ""
    return who_named(store, printer, tip, reel, nozzle_asked=bool(asked.nozzle))


def who_named(
    store: "Store", printer: str, nozzle: str, spool: str, *, nozzle_asked: bool = True
) -> Who:
    """Return names of the store, with which of them a command need not repeat."""
    nozzles = len(store.nozzles(printer)) if printer else 0
    of = {"printer": len(store.printers()), "nozzle": nozzles, "spool": len(store.spools())}
    return Who(
        printer=printer,
        nozzle=nozzle,
        spool=spool,
        only=frozenset(what for what, number in of.items() if number == 1),
        fitted_last=bool(nozzle) and nozzles > 1 and not nozzle_asked,
    )


def asked_of(sheet: "Sheet", given: Who) -> Who:
    """Return what is asked for: names that were given, else those of the sheet's head.

    Raises
    ------
    SheetError
        The piece was made for another printer, nozzle or spool than is given.
    """
    from calib.interpret.solve import check_made_for

    check_made_for(sheet, given.names)
    return Who.of({what: name or sheet.keys.get(what, "") for what, name in given.names.items()})


def who_for_solving(
    store: "Store | None", sheet: "Sheet", given: Who
) -> tuple[Who, tuple[str, ...]]:
    """Return for what a sheet is solved, as far as the store knows it, and notes on what it doesn't.

    A sheet can be solved without any store, so only a name that was given must be known.

    Raises
    ------
    StoreError
        A name that was given is not in the store.
    """
    asked = asked_of(sheet, given)
    if store is None:
        return Who(), ()
    printed = sheet.piece.printed
    try:
        return who_in_store(store, asked, spool=printed, nozzle=printed), ()
    except StoreError as err:
        if any((given.printer, given.nozzle, given.spool)):
            raise
        note = f"Nothing of the store was used: {err.what}; {err.mend}"
    try:
        machine = who_in_store(
            store, replace(asked, nozzle="", spool=""), spool=False, nozzle=False
        )
    except StoreError:
        return Who(), (note,) if store.printers() else ()
    return machine, (note.replace("Nothing of the store", "Only the printer's own values"),)


def context_for(store: "Store | None", sheet: "Sheet", who: Who, assumed: Assumed) -> "Context":
    """Return everything that an interpreter should know besides the sheet.

    Raises
    ------
    BadInput
        A value in the sheet's head is not a number, or an instrument is not in the store.
    """
    from calib.interpret.solve import Context, with_settings_of

    known = Context()
    if store is not None and who.printer:
        known = store.context_for(
            who.printer, who.nozzle or None, who.spool or None, printed=bool(who.spool)
        )
    own = own_instruments(store, assumed.instruments)
    known = with_settings_of(sheet, replace(known, instruments={**known.instruments, **own}))
    return replace(
        known,
        now={**known.now, **assumed.now},
        filament=assumed.filament or known.filament,
        instruments=instruments_for(sheet, known.instruments, own),
        tolerance_mm=assumed.tolerance_mm,
        part_mm=assumed.part_mm,
    )


def own_instruments(store: "Store | None", names: Sequence[str]) -> dict[str, Instrument]:
    """Return kind -> instrument for the instruments that are named.

    Raises
    ------
    BadInput
        There is no store, no instrument of that name, or two of one kind are named.
    """
    found: dict[str, Instrument] = {}
    for name in names:
        if store is None:
            raise StoreError(
                f"there is no instrument {name!r}: there is no store yet",
                mend=f"add it: truebead add instrument {name} --kind caliper --mpe 0.02",
            )
        instrument = store.instrument(name)
        if instrument.kind in found:
            raise BadInput(
                f"two instruments of the kind {instrument.kind} are named", mend="name one"
            )
        found[instrument.kind] = instrument
    return found


def instruments_for(
    sheet: "Sheet", known: Mapping[str, Instrument], named: Mapping[str, Instrument]
) -> dict[str, Instrument]:
    """Return kind -> what measured: as named, else as the sheet says, else the user's own, else usual.

    A line of the sheet's head says something where it differs from the usual instrument's.
    """
    return {
        kind: named.get(kind) or _laid_over(known.get(kind, usual), sheet.instruments.get(kind, usual), usual)
        for kind, usual in DEFAULTS.items()
    }  # fmt: skip


def _laid_over(own: Instrument, said: Instrument, usual: Instrument) -> Instrument:
    """Lay the numbers that a sheet states over those of the user's own instrument."""
    if said == usual:
        return own
    stated = {
        f.name: getattr(said, f.name)
        for f in fields(Instrument)
        if getattr(said, f.name) != getattr(usual, f.name)
    }
    return replace(own, **stated)
