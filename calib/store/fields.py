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
    UndoRow,
    UtcTime,
)

_LOCAL = ("id", "version")  # mean something in this one database only


def _columns(table: type[Base], *but: str) -> tuple[str, ...]:
    """Return the columns of a table that say something by themselves: no keys of rows, none of `but`.

    Times are left out as well: they are written in their own way.
    """
    return tuple(
        c.key
        for c in table.__table__.columns
        if not (c.foreign_keys or isinstance(c.type, UtcTime) or c.key in (*_LOCAL, *but))
    )


PRINTER = _columns(PrinterRow)
AXIS = _columns(AxisRow)
NOZZLE = _columns(NozzleRow)
SPOOL = _columns(SpoolRow)
INSTRUMENT = _columns(InstrumentRow)
READING = _columns(ReadingRow)
SHEET = _columns(SheetRow, "keep_key", "sheet_sha256")  # they follow from the others
CORRECTION = _columns(CorrectionRow)
UNDO = _columns(UndoRow)
EVENT = _columns(EventRow)
PLACE = _columns(PlaceRow)


def without_uid(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the fields that the user gave: all but the name that stores know a thing by."""
    return tuple(n for n in names if n != "uid")


def values(row: Any, names: tuple[str, ...]) -> dict[str, Any]:
    """Return fields of a row, or of plain data with attributes of the same names."""
    return {n: getattr(row, n) for n in names}
