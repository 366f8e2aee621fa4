"""Settings that change with height on a piece, such as the temperature of a tower's bands."""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

#: What a schedule may change, with its unit. Names are the trade's own words.
SETTINGS = {
    "hot_end_c": "degC",
    "flow_percent": "%",
    "fan_percent": "%",
    "speed_percent": "%",
    "speed_mm_s": "mm/s",
    "retraction_mm": "mm",
    "retraction_speed_mm_s": "mm/s",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleRow:
    """One setting's value between two heights above the bed, `z_from_mm` <= z < `z_to_mm`.

    `any_setting` lets it be one that is not known here, for which the user gives the line that sets it.
    The speed of extruding may also be limited to a stretch of the bed along X.
    """

    z_from_mm: float
    z_to_mm: float
    setting: str
    value: float
    x_from_mm: float = -math.inf
    x_to_mm: float = math.inf
    any_setting: bool = field(default=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        if self.setting not in SETTINGS and not (self.any_setting and self.setting):
            msg = f"setting {self.setting!r} is not one of {', '.join(SETTINGS)}"
            raise ValueError(msg)
        if not 0 <= self.z_from_mm < self.z_to_mm:
            msg = f"a schedule row needs 0 <= from < to (got {self.z_from_mm} to {self.z_to_mm} mm)"
            raise ValueError(msg)
        if not self.x_from_mm < self.x_to_mm:
            msg = f"a schedule row needs x from < to (got {self.x_from_mm} to {self.x_to_mm} mm)"
            raise ValueError(msg)
        if self.limited and self.setting != "speed_mm_s":
            msg = f"{self.setting} changes with height alone, not along X"
            raise ValueError(msg)

    @property
    def limited(self) -> bool:
        """Whether it holds on a stretch of X only."""
        return math.isfinite(self.x_from_mm) or math.isfinite(self.x_to_mm)

    @property
    def span(self) -> str:
        """The stretch of X, in words, such as ``85 to 135`` or ``up to 85``; empty where it has none."""
        if not self.limited:
            return ""
        low, high = (f"{x:g}" for x in (self.x_from_mm, self.x_to_mm))
        if not math.isfinite(self.x_to_mm):
            return f"from {low}"
        return f"{low} to {high}" if math.isfinite(self.x_from_mm) else f"up to {high}"

    @property
    def place(self) -> str:
        """Where it begins, in words: ``3 mm`` of height, and the stretch of X where it is limited."""
        return f"{self.z_from_mm:g} mm" + (f" at X {self.span}" if self.limited else "")

    def overlaps(self, other: "ScheduleRow") -> bool:
        """Whether two rows ask something of the same place."""
        return (
            max(self.z_from_mm, other.z_from_mm) < min(self.z_to_mm, other.z_to_mm)
            and max(self.x_from_mm, other.x_from_mm) < min(self.x_to_mm, other.x_to_mm)
        )  # fmt: skip


def schedule_csv(rows: Sequence[ScheduleRow], cautions: str) -> str:
    """Return the text of `schedule.csv`; the columns of X only where a row is limited along it.

    The cautions stand in a column of their own, so that whatever reads tables reads it.
    """
    limited = any(r.limited for r in rows)
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    ends = ["x_from_mm", "x_to_mm"] if limited else []
    table.writerow(["z_from_mm", "z_to_mm", "setting", "value", *ends, "cautions"])
    for r in rows:
        reach = [r.x_from_mm, r.x_to_mm] if limited else []
        ends = [f"{x:g}" if math.isfinite(x) else "" for x in reach]
        table.writerow(
            [f"{r.z_from_mm:g}", f"{r.z_to_mm:g}", r.setting, f"{r.value:g}", *ends, cautions]
        )
        cautions = ""  # once is enough
    return out.getvalue()
