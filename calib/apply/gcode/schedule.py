"""A schedule, settings by height: read from a file, checked, and looked up."""

import csv
import math
import re
from bisect import bisect_right
from itertools import pairwise
from pathlib import Path

import numpy as np

from calib.apply.gcode.codes import SETTERS, Gate
from calib.apply.gcode.job import Job
from calib.apply.gcode.spelling import Foreign, read_words
from calib.apply.limits import Limits
from calib.apply.source import refuse_odd
from calib.errors import BadInput, FileError
from calib.files import read_limited
from calib.model.setting import SETTINGS, plausible
from patterns.schedule import ScheduleRow

#: Settings that can be put between the lines of a sliced file, and the one that changes its E words.
KNOWN = ("hot_end_c", "flow_percent", "fan_percent", "speed_percent", "retraction_mm")

#: A schedule of 100,000 rows has some 4 MB.
_LARGEST_BYTES = 20_000_000


class Plan:
    """Rows of a schedule, looked up by height.

    Parameters
    ----------
    job : Job
        Its rows of one setting must not overlap; gaps leave the file's own setting in force.

    Raises
    ------
    BadInput
        Rows overlap, a value is out of range or past the rating, or a setting cannot be put into G-code.
    """

    def __init__(self, job: Job) -> None:
        self.job = job
        rows = sorted(job.schedule, key=lambda r: (r.setting, r.z_from_mm))
        for row in rows:
            _check_row(row, job)
        for low, high in pairwise(rows):
            if low.setting == high.setting and low.z_to_mm > high.z_from_mm:
                raise BadInput(
                    f"two rows for {low.setting} overlap at {high.z_from_mm:g} mm",
                    where="schedule",
                    mend="end one row where the next begins",
                )
        self.rows: dict[str, list[ScheduleRow]] = {}
        for row in rows:
            self.rows.setdefault(row.setting, []).append(row)
        self.starts = {s: [r.z_from_mm for r in mine] for s, mine in self.rows.items()}
        self.edges_mm = np.array(sorted({z for r in rows for z in (r.z_from_mm, r.z_to_mm)}))
        if job.line and len(self.rows) > 1:
            raise BadInput(
                f"the schedule has {len(self.rows)} settings, the line is for one", where="--line"
            )

    def value(self, setting: str, interval: int) -> float | None:
        """Return what a row asks for between two edges (interval 0: below all)."""
        if not 0 < interval < len(self.edges_mm):
            return None
        middle = float(self.edges_mm[interval - 1] + self.edges_mm[interval]) / 2
        k = bisect_right(self.starts[setting], middle) - 1
        row = self.rows[setting][k] if k >= 0 else None
        return row.value if row and middle < row.z_to_mm else None

    def line(self, setting: str, value: float) -> str:
        """Return the line that sets `setting`; a fan's full speed is 255 by common practice."""
        if self.job.line:
            return f"{_filled(self.job.line, value)} ; a line of the user's own"
        code = SETTINGS[setting].code
        if setting == "fan_percent":
            return f"{code}{round(value * 2.55)}" if value else "M107"
        return f"{code.replace('M104', 'M109') if self.job.wait else code}{value:g}"


def _filled(line: str, value: float) -> str:
    return line.replace("{value}", f"{value:.10g}")


def _check_row(row: ScheduleRow, job: Job) -> None:
    where = f"schedule, {row.z_from_mm:g} to {row.z_to_mm:g} mm"
    if job.line:
        _check_line(_filled(job.line, row.value), job)
        return
    if row.setting not in KNOWN:
        raise BadInput(
            f"{row.setting} cannot be changed inside a sliced file",
            where=where,
            mend=f"use {', '.join(KNOWN)}, or give the line that sets it with --line",
        )
    plausible(row.setting, row.value, where=where)
    if row.setting == "hot_end_c":
        _check_rating(row.value, job.limits, where)


def _check_rating(value_c: float, limits: Limits, where: str) -> None:
    if limits.hot_end_max_c is None:
        raise BadInput(
            "the hot end's highest rated temperature is not known",
            where=where,
            mend="give it with --hot-end-max, or name the --printer",
        )
    if value_c > limits.hot_end_max_c:
        raise BadInput(
            f"{value_c:g} degC is more than the hot end's rated {limits.hot_end_max_c:g} degC",
            where=where,
            mend="lower it, or correct the rating if it is wrong",
        )


def _check_line(line: str, job: Job) -> None:
    """Refuse a line of the user's own that moves, changes a mode, or heats past a rating."""
    where = f"--line {job.line!r}"
    if "{value}" not in job.line or not line.isprintable() or not line.strip():
        raise BadInput("it must be one line with {value} in it", where=where)
    if line.lstrip()[0] in ";(/%*":
        raise BadInput("it is a comment, which sets nothing", where=where)
    try:
        words = read_words(line.partition(";")[0].encode(), where)
    except Foreign:
        if re.match(r"\s*(?:[GT]|N)\s*[0-9]", line.upper()):
            raise BadInput("it can't be read", where=where) from None
        return
    codes = [w for w in words if w[0] in "GMNT"]
    if [c for c, _ in codes] != ["M"] or codes[0][1] in (82, 83, 110):
        raise BadInput("it may not move the printer or change a mode", where=where)
    Gate(job.limits).check("M", codes[0][1], dict(words), 0, where)
    if SETTERS.get(int(codes[0][1])) == "hot_end_c":
        plausible("hot_end_c", dict(words).get("S", math.nan), where=where)


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
        rows = tuple(_read_row(path, reader.line_num, cells, any_setting) for cells in reader)
    except csv.Error as err:
        raise FileError(str(err), where=f"{path} line {reader.line_num}") from err
    if not rows:
        raise FileError("the schedule has no rows", where=str(path))
    return rows


def _read_row(path: Path, line: int, cells: dict[str, str], any_setting: bool) -> ScheduleRow:
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
        return ScheduleRow(
            setting=(cells["setting"] or "").strip(), any_setting=any_setting, **numbers
        )
    except ValueError as err:
        raise FileError(str(err), where=where) from err
