"""Which columns of the tables make up a record that leaves the store: read off the tables, listed nowhere else."""

from typing import Any

from calib.store.tables import (
    AxisRow,
    Base,
    CorrectionRow,
    EventRow,
    InstrumentRow,
    NozzleRow,
    PlaceRow,
    PrinterRow,
    ReadingRow,
    SheetRow,
    SpoolRow,
)

_LOCAL = ("id", "version", "added_at")  # mean something in this one database only


def _columns(table: type[Base], *but: str) -> tuple[str, ...]:
    """Return the columns of a table that say something by themselves: no keys of rows, none of `but`."""
    return tuple(
        c.key
        for c in table.__table__.columns
        if not c.foreign_keys and c.key not in (*_LOCAL, *but)
    )


PRINTER = _columns(PrinterRow)
AXIS = _columns(AxisRow)
NOZZLE = _columns(NozzleRow)
SPOOL = _columns(SpoolRow)
INSTRUMENT = _columns(InstrumentRow)
READING = _columns(ReadingRow)
# Times are written in their own way, and two columns of a sheet follow from the others.
SHEET = _columns(SheetRow, "keep_key", "sheet_sha256", "kept_at")
CORRECTION = _columns(CorrectionRow, "kept_at")
EVENT = _columns(EventRow, "at")
PLACE = _columns(PlaceRow, "at")


def without_uid(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the fields that the user gave: all but the name that stores know a thing by."""
    return tuple(n for n in names if n != "uid")


def values(row: Any, names: tuple[str, ...]) -> dict[str, Any]:
    """Return fields of a row, or of plain data with attributes of the same names."""
    return {n: getattr(row, n) for n in names}
