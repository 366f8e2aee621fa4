"""Measurement sheets in and out, and the readings on them in the units of the fits.

`sheet_csv` writes the sheet of a piece, `read_sheet` reads it back as people really fill it in.
Inside: `decode` (bytes to text), `table` (text to rows), `head` (the ``# key: value`` lines),
`cells` (one cell to a number), `sheet` (all of it together).
"""

from calib.readings.data import Reading, Sheet
from calib.readings.sheet import read_sheet, read_table, sheet_of
from calib.readings.write import sheet_csv

__all__ = ["Reading", "Sheet", "read_sheet", "read_table", "sheet_csv", "sheet_of"]
