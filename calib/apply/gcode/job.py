"""What is to be done to a G-code file: the map of coordinates, the flow, the schedule and the limits."""

import math
from dataclasses import dataclass, field

from calib.apply.limits import Limits
from calib.apply.linear import IDENTITY, Matrix, is_identity
from calib.errors import BadInput
from patterns.schedule import ScheduleRow

#: A flow beyond these is a wrong number (a percentage typed as a ratio, or the reverse), not a correction.
FLOW_RANGE = (0.5, 2.0)

#: So many rows of a schedule are told one by one.
_MOST_TOLD = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """All changes wanted in one pass; frozen, so that a file is changed in one way from end to end."""

    matrix: Matrix = IDENTITY
    centre_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    flow: float = 1.0
    schedule: tuple[ScheduleRow, ...] = ()
    limits: Limits = field(default_factory=Limits)
    arc_tolerance_mm: float = 0.01
    wait: bool = False  # wait for the hot end at each change of a schedule
    line: str = ""  # the user's own line for the schedule's one setting, with {value} in it
    e_in_g91: str = (
        ""  # how the printer reads E under G91 without M83: relative, absolute, not known
    )

    def __post_init__(self) -> None:
        if not (math.isfinite(self.flow) and FLOW_RANGE[0] <= self.flow <= FLOW_RANGE[1]):
            raise BadInput(
                f"a flow of {100 * self.flow:g} % is out of range",
                mend=f"give {100 * FLOW_RANGE[0]:g} to {100 * FLOW_RANGE[1]:g} %",
            )
        if not 0.001 <= self.arc_tolerance_mm <= 0.2:
            raise BadInput(
                f"an arc tolerance of {self.arc_tolerance_mm:g} mm is out of range",
                mend="give 0.001 to 0.2 mm",
            )
        if self.e_in_g91 not in ("", "relative", "absolute"):
            raise BadInput(
                f"E under G91 is relative or absolute, not {self.e_in_g91!r}", where="--e-in-g91"
            )
        if not all(
            math.isfinite(v) and abs(v) < 1e5 for row in (*self.matrix, self.centre_mm) for v in row
        ):
            raise BadInput("the map or its centre is not a plausible number")

    @property
    def moves_points(self) -> bool:
        """Whether coordinates change."""
        return not is_identity(self.matrix)

    @property
    def changes_flow(self) -> bool:
        """Whether the amount of filament changes."""
        return self.flow != 1.0

    @property
    def does_nothing(self) -> bool:
        """Whether the file must come out byte for byte as it went in."""
        return not (self.moves_points or self.changes_flow or self.schedule)

    @property
    def changes_e(self) -> bool:
        """Whether E words get new numbers."""
        return self.changes_flow or self.retracts

    @property
    def retracts(self) -> bool:
        """Whether retractions change with height, by new E words."""
        return not self.line and any(r.setting == "retraction_mm" for r in self.schedule)

    @property
    def rewrites(self) -> tuple[bool, bool, bool]:
        """Which of X, Y, Z get new numbers: those that change, or pull another axis along."""
        m = self.matrix
        x, y, z = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
        pulls = (False, m[0][1] != 0.0, m[0][2] != 0.0 or m[1][2] != 0.0)
        return m[0] != x, m[1] != y or pulls[1], m[2] != z or pulls[2]

    @property
    def keeps_arcs(self) -> bool:
        """Whether a flat arc stays an arc: the map is a similarity in the XY plane."""
        (a, b, _), (_, d, _), _ = self.matrix
        return a == d and b == 0.0

    @property
    def keeps_helices(self) -> bool:
        """Whether an arc that also climbs stays one: besides, Z must not pull X or Y along."""
        return self.keeps_arcs and self.matrix[0][2] == 0.0 and self.matrix[1][2] == 0.0


def describe_job(job: Job) -> list[str]:
    """Return lines that say what is changed, for the header comment and the summary."""
    lines = []
    if job.moves_points:
        (a, b, c), (_, d, e), (_, _, f) = job.matrix
        x, y, z = job.centre_mm
        lines.append(
            f"coordinates mapped about X{x:g} Y{y:g} Z{z:g} mm by rows"
            f" ({a:.6f} {b:.6f} {c:.6f}) (0 {d:.6f} {e:.6f}) (0 0 {f:.6f})"
        )
    if job.changes_flow:
        lines.append(f"extruded filament multiplied by {job.flow:g} (retractions are not changed)")
    for setting in dict.fromkeys(row.setting for row in job.schedule):
        rows = [row for row in job.schedule if row.setting == setting]
        values = ", ".join(f"{r.value:g} from {r.place}" for r in rows[:_MOST_TOLD])
        more = f" and {len(rows) - _MOST_TOLD} more" if len(rows) > _MOST_TOLD else ""
        own = f", by the user's own line {job.line!r}" if job.line else ""
        lines.append(f"{setting} by height{own}: {values}{more}, to {rows[-1].z_to_mm:g} mm")
    return lines
