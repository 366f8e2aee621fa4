"""Printers, nozzles, spools and instruments: adding, changing, looking up."""

from dataclasses import fields as dataclass_fields
from dataclasses import replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from calib.errors import StoreError
from calib.model.drive import Drive
from calib.model.instrument import DEFAULTS, Instrument
from calib.store.base import (
    StoreBase,
    check_name,
    check_version,
    check_words,
    find,
    find_nozzle,
    new_name,
)
from calib.store.fields import INSTRUMENT, NOZZLE, PRINTER, SPOOL, values, without_uid
from calib.store.records import Axis, Nozzle, Printer, Spool
from calib.store.tables import (
    AxisRow,
    InstrumentRow,
    MaterialRow,
    NozzleRow,
    PrinterRow,
    SpoolRow,
)
from patterns.errors import BadInput
from patterns.spec import PrintSetup

_DRIVE = tuple(f.name for f in dataclass_fields(Drive))


class Inventory(StoreBase):
    """The part of the store that knows what the user owns."""

    def add_printer(self, printer: Printer) -> Printer:
        """Add a printer; StoreError where its name is taken or its numbers make no sense."""
        check_printer(printer)
        name = check_name("printer", printer.name)
        with new_name("printer", name), self._write() as session:
            row = PrinterRow(
                **{**values(printer, without_uid(PRINTER)), "name": name}, **_uid(printer)
            )
            row.axes = [AxisRow(**_axis_values(a)) for a in printer.axes]
            session.add(row)
            session.flush()
            return printer_record(row)

    def change_printer(self, printer: Printer, seen: int | None = None) -> Printer:
        """Replace what is known of a printer.

        Parameters
        ----------
        seen : int or None
            The `version` that the change is based on; StoreError where it was changed since.
        """
        check_printer(printer)
        with self._write() as session:
            row = find(session, PrinterRow, "printer", printer.name)
            check_version(f"printer {row.name!r}", row.version, seen)
            _set(row, printer, PRINTER)
            old = {a.axis: a for a in row.axes}
            row.axes = [old.get(a.axis) or AxisRow() for a in printer.axes]
            for axis_row, axis in zip(row.axes, printer.axes, strict=True):
                _set_values(axis_row, _axis_values(axis))
            session.flush()
            return printer_record(row)

    def printer(self, name: str | None = None) -> Printer:
        """Return a printer; without a name the only one."""
        with self._read() as session:
            return printer_record(find(session, PrinterRow, "printer", name))

    def printers(self, *, retired: bool = False) -> list[Printer]:
        """Return the printers in use by name; with `retired` all of them."""
        with self._read() as session:
            rows = session.scalars(_used(PrinterRow, retired).order_by(PrinterRow.name))
            return [printer_record(row) for row in rows]

    def add_nozzle(self, nozzle: Nozzle) -> Nozzle:
        """Add a nozzle to a printer."""
        name = check_name("nozzle", nozzle.name)
        with new_name("nozzle", name), self._write() as session:
            printer = find(session, PrinterRow, "printer", nozzle.printer)
            setup(printer_record(printer), nozzle)  # refuses sizes that make no sense
            row = NozzleRow(**{**values(nozzle, without_uid(NOZZLE)), "name": name}, **_uid(nozzle))
            row.printer = printer
            session.add(row)
            session.flush()
            return nozzle_record(row)

    def change_nozzle(self, nozzle: Nozzle, seen: int | None = None) -> Nozzle:
        """Replace what is known of a nozzle; `seen` as in `change_printer`."""
        with self._write() as session:
            printer = find(session, PrinterRow, "printer", nozzle.printer)
            setup(printer_record(printer), nozzle)
            row = find_nozzle(session, printer, nozzle.name)
            check_version(f"nozzle {row.name!r}", row.version, seen)
            _set(row, nozzle, NOZZLE)
            session.flush()
            return nozzle_record(row)

    def nozzle(self, printer: str | None = None, name: str | None = None) -> Nozzle:
        """Return a nozzle; without names the only one of the only printer."""
        with self._read() as session:
            row = find(session, PrinterRow, "printer", printer)
            return nozzle_record(find_nozzle(session, row, name))

    def nozzles(self, printer: str | None = None, *, retired: bool = False) -> list[Nozzle]:
        """Return the nozzles in use, or those of one printer; with `retired` all of them."""
        with self._read() as session:
            query = _used(NozzleRow, retired).join(PrinterRow)
            query = query.order_by(PrinterRow.name, NozzleRow.name)
            if printer is not None:
                row = find(session, PrinterRow, "printer", printer)
                query = query.where(NozzleRow.printer_id == row.id)
            return [nozzle_record(row) for row in session.scalars(query)]

    def add_spool(self, spool: Spool) -> Spool:
        """Add a spool; its filament type is added to the list of types where it is new."""
        check_spool(spool)
        name = check_name("spool", spool.name)
        with new_name("spool", name), self._write() as session:
            row = SpoolRow(**{**values(spool, without_uid(SPOOL)), "name": name}, **_uid(spool))
            row.material = material_row(session, spool.material)
            session.add(row)
            session.flush()
            return spool_record(row)

    def change_spool(self, spool: Spool, seen: int | None = None) -> Spool:
        """Replace what is known of a spool; `seen` as in `change_printer`.

        Its filament type can't change, since corrections that other spools start from hang on it.
        """
        check_spool(spool)
        with self._write() as session:
            row = find(session, SpoolRow, "spool", spool.name)
            check_version(f"spool {row.name!r}", row.version, seen)
            if row.material.name != clean_type(spool.material):
                raise StoreError(
                    f"spool {row.name!r} is of {row.material.name}, not {spool.material}",
                    mend="add it under another name",
                )
            _set(row, spool, SPOOL)
            session.flush()
            return spool_record(row)

    def spool(self, name: str | None = None) -> Spool:
        """Return a spool; without a name the only one."""
        with self._read() as session:
            return spool_record(find(session, SpoolRow, "spool", name))

    def spools(self, *, retired: bool = False) -> list[Spool]:
        """Return the spools in use by name; with `retired` all of them."""
        with self._read() as session:
            rows = session.scalars(_used(SpoolRow, retired).order_by(SpoolRow.name))
            return [spool_record(r) for r in rows]

    def add_instrument(self, instrument: Instrument) -> Instrument:
        """Add an instrument."""
        check_instrument(instrument)
        name = check_name("instrument", instrument.name)
        with new_name("instrument", name), self._write() as session:
            session.add(
                InstrumentRow(**{**values(instrument, without_uid(INSTRUMENT)), "name": name})
            )
        return replace(instrument, name=name)

    def change_instrument(self, instrument: Instrument) -> Instrument:
        """Replace what is known of an instrument."""
        check_instrument(instrument)
        with self._write() as session:
            row = find(session, InstrumentRow, "instrument", instrument.name)
            _set(row, instrument, INSTRUMENT)
        return instrument

    def instrument(self, name: str) -> Instrument:
        """Return an instrument of the store, or one of the usual ones (caliper, balance, eye)."""
        with self._read() as session:
            row = session.scalar(select(InstrumentRow).where(InstrumentRow.name == name.strip()))
            if row is None and name.strip() in DEFAULTS:
                return DEFAULTS[name.strip()]
            row = row or find(session, InstrumentRow, "instrument", name)
            return instrument_record(row)

    def instruments(self, *, retired: bool = False) -> list[Instrument]:
        """Return the instruments in use by name; with `retired` all of them."""
        with self._read() as session:
            rows = session.scalars(_used(InstrumentRow, retired).order_by(InstrumentRow.name))
            return [instrument_record(row) for row in rows]

    def setup_for(
        self, printer: str | None = None, nozzle: str | None = None, spool: str | None = None
    ) -> PrintSetup:
        """Return what a piece has to know of a printer with a nozzle (and of a spool, if named)."""
        with self._read() as session:
            row = find(session, PrinterRow, "printer", printer)
            tip = nozzle_record(find_nozzle(session, row, nozzle))
            reel = spool_record(find(session, SpoolRow, "spool", spool)) if spool else None
            return setup(printer_record(row), tip, reel)


def setup(printer: Printer, nozzle: Nozzle, spool: Spool | None = None) -> PrintSetup:
    """Return the setup of a printer with a nozzle.

    A printer's usual layer that is too thick for a small nozzle becomes half its bore.
    """
    filament_mm = (spool.filament_mm if spool else None) or printer.filament_mm
    layer_mm = printer.layer_mm
    if layer_mm > 0.8 * nozzle.bore_mm:
        layer_mm = round(0.5 * nozzle.bore_mm, 3)
    return PrintSetup(
        nozzle_mm=nozzle.bore_mm,
        line_mm=nozzle.line_mm,
        layer_mm=layer_mm,
        build_x_mm=printer.build_x_mm,
        build_y_mm=printer.build_y_mm,
        build_z_mm=printer.build_z_mm,
        hot_end_max_c=printer.hot_end_max_c,
        bed_max_c=printer.bed_max_c,
        filament_mm=filament_mm,
    )


def check_printer(printer: Printer) -> None:
    """Refuse a printer whose numbers no setup would take, naming the number."""
    layer = {"layer_mm": printer.layer_mm, "nozzle_mm": max(0.4, min(2.0, 2 * printer.layer_mm))}
    given = values(printer, without_uid(PRINTER))
    PrintSetup(**{n: v for n, v in given.items() if n not in ("name", "layer_mm")}, **layer)
    axes = [a.axis for a in printer.axes]
    if len(set(axes)) != len(axes):
        raise StoreError("an axis of the printer is described twice", mend="give each axis once")


def check_spool(spool: Spool) -> None:
    """Refuse a spool whose numbers make no sense, or whose colour is no word."""
    check_words("colour", spool.colour)
    for what, value, low, high in (
        ("price", spool.price, 0, 1e6),
        ("grams", spool.grams, 1, 1e5),
        ("density_g_cm3", spool.density_g_cm3, 0.3, 10),
        ("filament_mm", spool.filament_mm, 1, 3.5),
    ):
        if value is not None and not low <= value <= high:
            raise StoreError(
                f"{what} of spool {spool.name!r} must be {low:g} to {high:g} (got {value:g})",
                mend="look at the spool's label",
            )


def check_instrument(instrument: Instrument) -> None:
    """Refuse an instrument whose numbers make no sense."""
    check_name("instrument's kind", instrument.kind)
    check_name("instrument's unit", instrument.unit)
    for what in ("resolution", "mpe", "repeatability", "jaw_mpe"):
        if not 0 <= getattr(instrument, what) <= 100:
            raise BadInput(
                f"{what} of instrument {instrument.name!r} must be 0 to 100 {instrument.unit}",
                mend="look at its data sheet",
            )
    if not 0 < instrument.reach < 1e5:
        raise BadInput(f"reach of instrument {instrument.name!r} must be more than 0")


def clean_type(material: str) -> str:
    """Return the name of a filament type; known types are written as in the table."""
    from patterns.filaments import filaments

    name = check_name("filament type", material)
    return name.upper() if name.upper() in filaments() else name


def material_row(session: Session, material: str) -> MaterialRow:
    """Return the row of a filament type, adding it where it is new."""
    name = clean_type(material)
    row = session.scalar(select(MaterialRow).where(MaterialRow.name == name))
    if row is None:
        row = MaterialRow(name=name)
        session.add(row)
        session.flush()
    return row


def _used(table: Any, retired: bool) -> Any:
    """Return the query for all rows of things, or for those in use."""
    return select(table) if retired else select(table).where(table.retired_at.is_(None))


def _uid(record: Any) -> dict[str, str]:
    return {"uid": record.uid} if record.uid else {}


def _set(row: Any, record: Any, names: tuple[str, ...]) -> None:
    """Lay what is given upon a row; its name and its uid stay."""
    _set_values(row, {n: v for n, v in values(record, without_uid(names)).items() if n != "name"})
    flag_modified(row, "name")  # counts as a change even where only its axes change


def _set_values(row: Any, values: dict[str, Any]) -> None:
    for name, value in values.items():
        setattr(row, name, value)


def printer_record(row: PrinterRow) -> Printer:
    """Return a row as plain data."""
    axes = tuple(_axis_record(a) for a in row.axes)
    return Printer(**values(row, (*PRINTER, "version")), axes=axes)


def _axis_values(axis: Axis) -> dict[str, Any]:
    drive = {n: getattr(axis.drive, n) if axis.drive else None for n in _DRIVE}
    return {"axis": axis.axis, "steps_per_mm": axis.steps_per_mm, **drive}


def _axis_record(row: AxisRow) -> Axis:
    drive = None if row.motor_steps is None else Drive(**values(row, _DRIVE))
    return Axis(axis=row.axis, steps_per_mm=row.steps_per_mm, drive=drive)


def nozzle_record(row: NozzleRow) -> Nozzle:
    """Return a row as plain data."""
    return Nozzle(**values(row, (*NOZZLE, "version")), printer=row.printer.name)


def spool_record(row: SpoolRow) -> Spool:
    """Return a row as plain data."""
    return Spool(**values(row, (*SPOOL, "version")), material=row.material.name)


def instrument_record(row: InstrumentRow) -> Instrument:
    """Return a row as plain data."""
    return Instrument(**values(row, without_uid(INSTRUMENT)))
