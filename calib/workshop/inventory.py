"""What the user owns: printers, nozzles, spools and instruments; adding, changing, renaming, retiring."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from calib.errors import BadInput
from calib.workshop.base import Base

if TYPE_CHECKING:
    from calib.model.instrument import Instrument
    from calib.store.changes import Change
    from calib.store.records import Nozzle, Printer, Spool

#: What is taken for ratings that nobody knows. Above 240 degC a PTFE liner in the hot end softens
#: and gives off harmful fumes; 80 degC suits the weakest heated beds. Common practice, no source.
CAUTIOUS = {"hot_end_max_c": 240.0, "bed_max_c": 80.0}


class InventoryPart(Base):
    """The part of the workshop that knows what the user owns."""

    def printers(self) -> "list[Printer]":
        """Return the printers in use by name."""
        return self.store().printers()

    def nozzles(self, printer: str | None = None) -> "list[Nozzle]":
        """Return the nozzles in use, or those of one printer."""
        return self.store().nozzles(printer)

    def spools(self) -> "list[Spool]":
        """Return the spools in use by name."""
        return self.store().spools()

    def instruments(self) -> "list[Instrument]":
        """Return the user's instruments by name."""
        return self.store().instruments()

    def add_printer(
        self,
        printer: "Printer | str",
        build_mm: tuple[float, float, float] | None = None,
        **known: Any,
    ) -> "Printer":
        """Add a printer: a record, or a name with what is known of it.

        A rating that nobody knows yet is taken low (`assumed` says which), and can be told later.

        Parameters
        ----------
        build_mm : (x, y, z)
            Build volume; it can't be taken as usual, for the nozzle must not leave it.
        known : fields of `calib.store.records.Printer`
            Such as ``hot_end_max_c=260``.

        Raises
        ------
        BadInput
            The printer is new and its build volume is not given, or a number makes no sense.
        """
        from calib.store.records import Printer

        store = self.store(make=True)
        if not isinstance(printer, str):
            return store.add_printer(printer)
        if build_mm is None:
            raise BadInput(
                f"printer {printer!r} needs --build",
                mend="measure how far nozzle and bed move, such as --build 220x220x250",
            )
        x, y, z = build_mm
        assumed = [name for name in CAUTIOUS if name not in known]
        record = Printer(
            name=printer, build_x_mm=x, build_y_mm=y, build_z_mm=z, **{**CAUTIOUS, **known}
        )
        added = store.add_printer(record)
        if assumed:
            store.say_assumed(added.name, assumed)
        return added

    def change_printer(self, printer: "Printer", seen: int | None = None) -> "Printer":
        """Replace what is known of a printer; `seen` is the version that the change is based on.

        A rating that differs from what was assumed counts as told.
        """
        store = self.store()
        changed = store.change_printer(printer, seen)
        assumed = store.assumed(changed.name)
        left = [n for n in assumed if getattr(changed, n) == CAUTIOUS.get(n)]
        if len(left) < len(assumed):
            store.say_assumed(changed.name, left)
        return changed

    def tell_printer(self, name: str | None, seen: int | None = None, **known: Any) -> "Printer":
        """Tell more of a printer: what is given replaces what was known, the rest stays."""
        store = self.store()
        changed = store.change_printer(replace(store.printer(name), **known), seen)
        assumed = store.assumed(changed.name)
        left = [n for n in assumed if n not in known]
        if len(left) < len(assumed):
            store.say_assumed(changed.name, left)
        return changed

    def assumed(self, printer: str | None = None) -> tuple[str, ...]:
        """Return which ratings of a printer nobody has told yet."""
        return self.store().assumed(printer)

    def add_nozzle(
        self, nozzle: "Nozzle | str", printer: str | None = None, bore_mm: float = 0.4, **known: Any
    ) -> "Nozzle":
        """Add a nozzle: a record, or a name with its bore, to a printer (the only one if not given)."""
        from calib.store.records import Nozzle

        store = self.store(make=True)
        if isinstance(nozzle, str):
            owner = store.printer(printer).name
            nozzle = Nozzle(name=nozzle, printer=owner, bore_mm=bore_mm, **known)
        return store.add_nozzle(nozzle)

    def change_nozzle(self, nozzle: "Nozzle", seen: int | None = None) -> "Nozzle":
        """Replace what is known of a nozzle."""
        return self.store().change_nozzle(nozzle, seen)

    def add_spool(self, spool: "Spool | str", material: str = "", **known: Any) -> "Spool":
        """Add a spool: a record, or a name with its type of filament.

        Raises
        ------
        BadInput
            The spool is new and its type of filament is not given, or a number makes no sense.
        """
        from calib.store.records import Spool

        if isinstance(spool, str):
            if not material:
                raise BadInput(
                    f"spool {spool!r} needs --type",
                    mend="give the filament's type, such as --type PLA",
                )
            spool = Spool(name=spool, material=material, **known)
        return self.store(make=True).add_spool(spool)

    def change_spool(self, spool: "Spool", seen: int | None = None) -> "Spool":
        """Replace what is known of a spool."""
        return self.store().change_spool(spool, seen)

    def add_instrument(
        self, instrument: "Instrument | str", kind: str = "caliper", **known: float
    ) -> "Instrument":
        """Add an instrument: a record, or a name and a kind; what is not told is that of a usual one.

        Raises
        ------
        BadInput
            There is no such kind of instrument, or a number makes no sense.
        """
        from calib.model.instrument import DEFAULTS

        if isinstance(instrument, str):
            if kind not in DEFAULTS:
                raise BadInput(
                    f"there is no kind of instrument {kind!r}",
                    mend=f"use {', '.join(DEFAULTS)}; a ruler is a caliper with --resolution 0.5 --mpe 0.3",
                )
            numbers: dict[str, Any] = dict(known)
            instrument = replace(DEFAULTS[kind], name=instrument, **numbers)
        return self.store(make=True).add_instrument(instrument)

    def change_instrument(self, instrument: "Instrument") -> "Instrument":
        """Replace what is known of an instrument."""
        return self.store().change_instrument(instrument)

    def to_tell(self, printer: str = "", spool: str = "") -> tuple[str, str]:
        """Return what a first piece still lacks (printer, nozzle, spool; empty: nothing), and options.

        The options name the printer and the spool that are given, where they are not the only ones.
        """
        from calib.workshop.context import who_named

        store = self.store()
        has = {
            "printer": store.printers(),
            "nozzle": store.nozzles(printer or None) if store.printers() else [],
            "spool": store.spools(),
        }
        missing = next((what for what, found in has.items() if not found), "")
        return missing, who_named(store, printer, "", spool).options

    def rename(self, what: str, name: str, new: str, printer: str | None = None) -> None:
        """Give a printer, nozzle, spool or instrument another name; its history stays its own."""
        self.store().rename(what, name, new, printer)

    def retire(
        self, what: str, name: str, printer: str | None = None, *, back: bool = False
    ) -> None:
        """Take a thing out of use, or back into it; its history stays."""
        self.store().retire(what, name, printer, back=back)

    def copy(self, what: str, name: str, new: str, printer: str | None = None) -> None:
        """Add a thing like another under a new name; what was found for the other stays its own."""
        self.store().copy(what, name, new, printer)

    def changes(self, limit: int = 50) -> "list[Change]":
        """Return what was renamed, retired or copied, and by whom, newest first."""
        return self.store().changes(limit)
