"""The printer's limits held against a file, with messages that say which line passes which."""

from calib.apply.limits import SLACK_MM, Limits
from calib.errors import FileError

_AXES = "XYZ"


class Walls:
    """Refuses temperatures over the rating and places outside the build volume."""

    def __init__(self, limits: Limits, name: str) -> None:
        self.limits, self.name = limits, name
        self.box = limits.box()

    def check(self, axis: int, place_mm: float, where: str) -> None:
        """Refuse a place of the nozzle beyond a wall."""
        low, high = self.box[axis]
        if not low - SLACK_MM <= place_mm <= high + SLACK_MM:
            raise FileError(
                f"{_AXES[axis]} {place_mm:.3f} mm is outside the build volume, {low:g} to {high:g} mm",
                where=where,
                mend="move the part, or correct the build volume if the printer reaches further",
            )

    def hot_end(self, value_c: float, where: str) -> None:
        """Refuse a hot end set above its rating."""
        self._temperature("hot end", value_c, self.limits.hot_end_max_c, where)

    def bed(self, value_c: float, where: str) -> None:
        """Refuse a bed set above its rating."""
        self._temperature("bed", value_c, self.limits.bed_max_c, where)

    def _temperature(self, what: str, value_c: float, rated_c: float | None, where: str) -> None:
        if rated_c is not None and not value_c <= rated_c:
            raise FileError(
                f"the file sets the {what} to {value_c:g} degC; it is rated for {rated_c:g} degC",
                where=where,
                mend="slice again with a lower temperature",
            )
