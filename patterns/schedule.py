"""Settings that change with height on a piece, such as the temperature of a tower's bands."""

from dataclasses import dataclass, field

#: What a schedule may change, with its unit. Names are the trade's own words.
SETTINGS = {
    "hot_end_c": "degC",
    "flow_percent": "%",
    "fan_percent": "%",
    "speed_percent": "%",
    "retraction_mm": "mm",
    "retraction_speed_mm_s": "mm/s",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleRow:
    """One setting's value between two heights above the bed, `z_from_mm` <= z < `z_to_mm`.

    `any_setting` lets it be one that is not known here, for which the user gives the line that sets it.
    """

    z_from_mm: float
    z_to_mm: float
    setting: str
    value: float
    any_setting: bool = field(default=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        if self.setting not in SETTINGS and not (self.any_setting and self.setting):
            msg = f"setting {self.setting!r} is not one of {', '.join(SETTINGS)}"
            raise ValueError(msg)
        if not 0 <= self.z_from_mm < self.z_to_mm:
            msg = f"a schedule row needs 0 <= from < to (got {self.z_from_mm} to {self.z_to_mm} mm)"
            raise ValueError(msg)


def schedule_csv(rows: tuple[ScheduleRow, ...]) -> str:
    """Return the text of `schedule.csv`; columns in the order of the dataclass."""
    lines = ["z_from_mm,z_to_mm,setting,value"]
    lines += [f"{r.z_from_mm:g},{r.z_to_mm:g},{r.setting},{r.value:g}" for r in rows]
    return "\n".join(lines) + "\n"
