"""What the printer must not be asked to pass: temperatures and build volume."""

import math
import re
from dataclasses import dataclass

from calib.errors import BadInput
from patterns.spec import PrintSetup

#: A coordinate may pass a wall by this much, which is rounding in the file and not a move.
SLACK_MM = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The printer's rated temperatures and the box its nozzle may be in; None is not known and not checked."""

    hot_end_max_c: float | None = None
    bed_max_c: float | None = None
    build_x_mm: float | None = None
    build_y_mm: float | None = None
    build_z_mm: float | None = None
    origin_x_mm: float = 0.0
    origin_y_mm: float = 0.0
    origin_z_mm: float = 0.0

    def __post_init__(self) -> None:
        for name in ("hot_end_max_c", "bed_max_c", "build_x_mm", "build_y_mm", "build_z_mm"):
            value = getattr(self, name)
            unheated = name == "bed_max_c" and value == 0  # a bed without a heater
            if value is not None and not (math.isfinite(value) and (value > 0 or unheated)):
                raise BadInput(f"{name} must be more than 0 (got {value:g})", where="limits")

    @classmethod
    def of(cls, setup: PrintSetup) -> "Limits":
        """Return the limits a printer's setup states; its corner is at 0, 0, 0."""
        return cls(
            hot_end_max_c=setup.hot_end_max_c,
            bed_max_c=setup.bed_max_c,
            build_x_mm=setup.build_x_mm,
            build_y_mm=setup.build_y_mm,
            build_z_mm=setup.build_z_mm,
        )

    @property
    def has_volume(self) -> bool:
        """Whether any wall of the build volume is known."""
        return any(v is not None for v in (self.build_x_mm, self.build_y_mm, self.build_z_mm))

    @property
    def middle_mm(self) -> tuple[float, float, float]:
        """The middle of the bed, which moves least when a file is scaled; the origin if not known."""
        x, y = ((size or 0.0) / 2 for size in (self.build_x_mm, self.build_y_mm))
        return self.origin_x_mm + x, self.origin_y_mm + y, self.origin_z_mm

    def box(self) -> tuple[tuple[float, float], ...]:
        """Return (low, high) in mm along X, Y, Z; infinite where not known."""
        sizes = (self.build_x_mm, self.build_y_mm, self.build_z_mm)
        origins = (self.origin_x_mm, self.origin_y_mm, self.origin_z_mm)
        return tuple(
            (-math.inf, math.inf) if size is None else (low, low + size)
            for low, size in zip(origins, sizes, strict=True)
        )


def parse_point(text: str, where: str) -> tuple[float, float, float]:
    """Read a point such as ``110,110,0`` in mm; `where` is the option it came in.

    Raises
    ------
    BadInput
        It is not three numbers with commas or blanks between them.
    """
    try:
        x, y, z = (float(part) for part in re.split(r"[,;\s]+", text.strip()))
    except ValueError:
        x = y = z = math.nan
    if not all(math.isfinite(v) for v in (x, y, z)):
        raise BadInput(f"{text!r} is not a point", where=where, mend="write it as 110,110,0 (mm)")
    return x, y, z
