"""A schedule made ready for use: which settings are wanted at a height, and the line that sets each.

The material a nozzle lays down at height z lies below z, so a layer belongs to the row that holds its middle.
"""

import csv
import io
import math
from bisect import bisect_right
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from calib.apply.gcode.state import State
from calib.apply.limits import Limits
from calib.errors import BadInput, FileError
from calib.files import read_limited
from patterns.schedule import SETTINGS, ScheduleRow

F64 = npt.NDArray[np.float64]

#: Slack on a row's edges against the rounding of heights, mm.
EDGE_SLACK_MM = 1e-6

#: Range in which a value makes sense, beside the printer's own limits; speeds and flows beyond are typing errors.
RANGES = {
    "hot_end_c": (0.0, 500.0),
    "flow_percent": (50.0, 200.0),
    "fan_percent": (0.0, 100.0),
    "speed_percent": (10.0, 300.0),
}


class Plan:
    """Rows of a schedule, looked up by height.

    Parameters
    ----------
    rows : iterable of ScheduleRow
        Rows of one setting must not overlap; gaps leave the file's own setting in force.
    limits : Limits
        A hot-end temperature needs a rated one to be checked against.
    wait : bool
        Whether a change of temperature waits until it is reached.

    Raises
    ------
    BadInput
        Rows overlap, a value is out of range or past the rating, or a setting cannot be put into G-code.
    """

    def __init__(self, rows: Iterable[ScheduleRow], limits: Limits, *, wait: bool = False) -> None:
        self.rows = tuple(sorted(rows, key=lambda r: (r.setting, r.z_from_mm)))
        self.wait = wait
        for row in self.rows:
            _check_row(row, limits)
        for low, high in zip(self.rows, self.rows[1:], strict=False):
            if low.setting == high.setting and low.z_to_mm > high.z_from_mm:
                raise BadInput(
                    f"two rows for {low.setting} overlap at {high.z_from_mm:g} mm",
                    where="schedule",
                    mend="end one row where the next begins",
                )
        self.settings = tuple(dict.fromkeys(row.setting for row in self.rows))
        self.edges_mm = sorted({z for row in self.rows for z in (row.z_from_mm, row.z_to_mm)})
        self.wanted = [self._at(i) for i in range(len(self.edges_mm) + 1)]

    def _at(self, interval: int) -> dict[str, float]:
        if not 0 < interval < len(self.edges_mm):
            return {}
        middle = (self.edges_mm[interval - 1] + self.edges_mm[interval]) / 2
        return {r.setting: r.value for r in self.rows if r.z_from_mm <= middle < r.z_to_mm}

    def interval(self, middle_mm: float) -> int:
        """Return which stretch between edges holds the middle of a layer (0: below all)."""
        return bisect_right(self.edges_mm, middle_mm + EDGE_SLACK_MM)

    def first_change(self, z_mm: F64, state: State) -> tuple[int, F64]:
        """Go through extruding moves in order.

        Parameters
        ----------
        z_mm : (n,) float
            Their heights.

        Returns
        -------
        int
            The first before which a setting has to change, or n.
        (n,) float
            The height of each one's layer, which is the last rise there was.
        """
        rise = np.diff(z_mm, prepend=state.layer_z_mm)
        last_rise = np.maximum.accumulate(np.where(rise > 0, np.arange(1, len(z_mm) + 1), 0))
        height = np.concatenate([[state.layer_h_mm], rise])[last_rise]
        inner = np.searchsorted(self.edges_mm, z_mm - height / 2 + EDGE_SLACK_MM, side="right")
        change = np.flatnonzero(inner != state.interval) if state.settled else np.zeros(1, np.int64)
        return int(change[0]) if len(change) else len(z_mm), height

    def line(self, setting: str, value: float) -> str:
        """Return the G-code that sets `setting`; a fan's full speed is 255 by common practice."""
        match setting:
            case "hot_end_c":
                return f"{'M109' if self.wait else 'M104'} S{value:g}"
            case "fan_percent":
                return f"M106 S{round(value * 2.55)}" if value else "M107"
            case "flow_percent":
                return f"M221 S{value:g}"
            case _:
                return f"M220 S{value:g}"


def _check_row(row: ScheduleRow, limits: Limits) -> None:
    where = f"schedule, {row.z_from_mm:g} to {row.z_to_mm:g} mm"
    if row.setting not in RANGES:
        raise BadInput(
            f"{row.setting} cannot be changed inside a sliced file",
            where=where,
            mend=f"use {', '.join(RANGES)}",
        )
    low, high = RANGES[row.setting]
    if not low <= row.value <= high:
        unit = SETTINGS[row.setting]
        raise BadInput(
            f"{row.setting} {row.value:g} is not between {low:g} and {high:g} {unit}", where=where
        )
    if row.setting != "hot_end_c":
        return
    if limits.hot_end_max_c is None:
        raise BadInput(
            "the hot end's highest rated temperature is not known",
            where=where,
            mend="give it with --hot-end-max, or name the --printer",
        )
    if row.value > limits.hot_end_max_c:
        raise BadInput(
            f"{row.value:g} degC is more than the hot end's rated {limits.hot_end_max_c:g} degC",
            where=where,
            mend="lower it, or correct the rating if it is wrong",
        )


#: A schedule of 100,000 rows has some 4 MB.
_LARGEST_BYTES = 20_000_000


def read_schedule(path: Path) -> tuple[ScheduleRow, ...]:
    """Read a `schedule.csv`.

    Raises
    ------
    FileError
        The file is missing, lacks a column, or a cell is not what it should be.
    """
    try:
        text = read_limited(path, _LARGEST_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as err:
        raise FileError(f"can't read the schedule ({err})", where=str(path)) from err
    reader = csv.DictReader(io.StringIO(text), strict=True)
    wanted = ["z_from_mm", "z_to_mm", "setting", "value"]
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
        rows = tuple(_read_row(path, reader.line_num, cells) for cells in reader)
    except csv.Error as err:
        raise FileError(str(err), where=f"{path} line {reader.line_num}") from err
    if not rows:
        raise FileError("the schedule has no rows", where=str(path))
    return rows


def _read_row(path: Path, line: int, cells: dict[str, str]) -> ScheduleRow:
    where = f"{path} line {line}"
    numbers = {}
    for name in ("z_from_mm", "z_to_mm", "value"):
        text = (cells[name] or "").strip()
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
        return ScheduleRow(setting=(cells["setting"] or "").strip(), **numbers)
    except ValueError as err:
        raise FileError(str(err), where=where) from err
