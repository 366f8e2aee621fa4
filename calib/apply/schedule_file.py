"""A schedule of settings by height, read from its `schedule.csv`."""

import csv
import math
from pathlib import Path

from calib.errors import FileError
from calib.files import read_limited, refuse_odd
from patterns.schedule import ScheduleRow

#: A schedule of 100,000 rows has some 4 MB.
_LARGEST_BYTES = 20_000_000

#: Columns of a schedule that hold numbers; those of X may be missing, or empty.
_NUMBERS = ("z_from_mm", "z_to_mm", "value", "x_from_mm", "x_to_mm")


def read_schedule(path: Path, *, any_setting: bool = False) -> tuple[ScheduleRow, ...]:
    """Read a `schedule.csv`.

    Parameters
    ----------
    any_setting : bool
        Whether its settings may be others than the ones known here.

    Raises
    ------
    FileError
        The file is missing, lacks a column, or a cell is not what it should be.
    """
    refuse_odd(path)
    try:
        text = read_limited(path, _LARGEST_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as err:
        raise FileError(f"can't read the schedule ({err})", where=str(path)) from err
    reader = csv.DictReader(text.splitlines(), strict=True)
    wanted = [*_NUMBERS[:2], "setting", "value"]
    try:
        names = [name.strip() for name in reader.fieldnames or ()]
        missing = [name for name in wanted if name not in names]
        if missing:
            raise FileError(
                f"no column {missing[0]}",
                where=str(path),
                mend=f"the first line must read {','.join(wanted)}",
            )
        reader.fieldnames = names
        rows = tuple(_read_row(path, reader.line_num, cells, any_setting) for cells in reader)
    except csv.Error as err:
        raise FileError(str(err), where=f"{path} line {reader.line_num}") from err
    if not rows:
        raise FileError("the schedule has no rows", where=str(path))
    return rows


def _read_row(path: Path, line: int, cells: dict[str, str], any_setting: bool) -> ScheduleRow:
    where = f"{path} line {line}"
    numbers = {}
    for name in _NUMBERS:
        text = (cells.get(name) or "").strip()
        if not text and name.startswith("x_"):
            continue
        try:
            numbers[name] = float(text)
        except ValueError:
            mend = "use a decimal point" if "," in text else "fill in a number"
            raise FileError(
                f"{text!r} is not a number", where=f"{where}, column {name}", mend=mend
            ) from None
        if not math.isfinite(numbers[name]):
            raise FileError(f"{text!r} is not a finite number", where=f"{where}, column {name}")
    try:
        return ScheduleRow(
            setting=(cells["setting"] or "").strip(), any_setting=any_setting, **numbers
        )
    except ValueError as err:
        raise FileError(str(err), where=where) from err
