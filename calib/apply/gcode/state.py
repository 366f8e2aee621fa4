"""What a printer remembers between lines: units, modes, where it is, and what of that has been changed."""

from dataclasses import dataclass, field
from typing import Any

from calib.apply.decimals import ONE
from calib.apply.gcode.job import Job

MM_PER_INCH = 25.4

#: No coordinate or amount of filament is written with more; beyond it the file is damaged.
LARGEST = 4e6


@dataclass(slots=True)
class State:
    """Modal state of input and output; lengths are in the file's unit.

    An axis is `known` once an absolute move or G92 has given it since the last homing. Until then its place is
    taken to be the centre of the map, so that it pulls no other axis along.
    """

    job: Job
    unit_mm: float = 1.0
    absolute: bool = True
    e_relative: bool = False  # whether M83 is in force, not M82
    plane: int = 17
    motion: int = -1  # last of G0..G3 read (modal group 1)
    pos: list[float] = field(default_factory=list)  # logical, as the input sees it
    out: list[float] = field(default_factory=list)  # machine coordinates of the output
    pushed: bool = False  # whether a wall holds `out` away from where the map puts it
    known: list[bool] = field(default_factory=lambda: [False] * 3)
    off_in: list[float] = field(default_factory=lambda: [0.0] * 3)  # machine = logical + offset
    off_out: list[float] = field(default_factory=lambda: [0.0] * 3)
    e_in: float = 0.0
    e_base: float = 0.0  # logical E of the output at the last G92
    e_sum: float = 0.0  # filament wanted since then, not rounded
    e_units: int = 0  # the same as printed, in units of the last decimal place
    e_unsettled: bool = False  # E words came whose meaning the file leaves open
    layer_z_mm: float = 0.0
    layer_h_mm: float = 0.0
    line: int = 0  # lines read before the block
    number: int = -1  # of the last numbered line that was written
    shift: int = 0  # lines inserted since the numbering began

    def __post_init__(self) -> None:
        self.pos, self.out = self.centre, self.centre

    @property
    def centre(self) -> list[float]:
        """The fixed point of the map, in the file's unit and machine coordinates."""
        return [c / self.unit_mm for c in self.job.centre_mm]

    @property
    def grain(self) -> int:
        """Last place of E in units as written: 1e-5 mm, or 1e-6 inch. X, Y and Z are ten times coarser."""
        return 10 if self.unit_mm == 1.0 else 1

    def units(self, value: float) -> int:
        """Round a coordinate to the place it is written with."""
        step: int = 10 * self.grain
        count: int = round(value * (ONE / step))
        return step * count

    def units_e(self, value: float) -> int:
        """Round an amount of filament to the place it is written with."""
        count: int = round(value * (ONE / self.grain))
        return self.grain * count

    def change_unit(self, unit_mm: float) -> None:
        """Turn every stored length into the new unit (G20, G21)."""
        ratio = self.unit_mm / unit_mm
        rest = self.e_sum - self.e_units / ONE
        self.e_base = (self.e_base + self.e_units / ONE) * ratio
        self.e_sum, self.e_units = rest * ratio, 0
        self.e_in *= ratio
        for lengths in (self.pos, self.out, self.off_in, self.off_out):
            lengths[:] = [v * ratio for v in lengths]
        self.unit_mm = unit_mm

    def forget(self, axes: list[int]) -> None:
        """After homing: where the axis stands is not known, and offsets set by G92 are gone."""
        for i in axes:
            self.known[i] = False
            self.off_in[i] = self.off_out[i] = 0.0
            self.pos[i] = self.out[i] = self.centre[i]

    def declare(self, values: dict[int, float]) -> None:
        """G92: the present place gets new names; NIST IR 6556 section 3.5.18."""
        fresh = [i for i in values if not self.known[i]]
        for i, value in values.items():
            if self.known[i]:
                self.off_in[i] += self.pos[i] - value
                self.off_out[i] += self.units(self.out[i] - self.off_out[i]) / ONE - value
            self.pos[i] = value
            self.known[i] = True
        if fresh:
            self.out = self.map(self.pos)

    def map(self, place: list[Any]) -> list[Any]:
        """Return the output's machine coordinates of places (numbers or arrays) as the file names them."""
        if not self.job.moves_points:
            return [v + o if o else v for v, o in zip(place, self.off_in, strict=True)]
        c = self.centre
        d = [v + (self.off_in[i] - c[i]) for i, v in enumerate(place)]
        return [sum(a * v for a, v in zip(row, d, strict=True) if a) + c[i] for i, row in enumerate(self.job.matrix)]  # fmt: skip

    def reset_e(self, value: float) -> None:
        """G92 E: carry what rounding has left over, so that nothing is lost however often it is reset."""
        self.e_sum -= self.e_units / ONE
        self.e_units = 0
        self.e_base = self.e_in = value
        self.e_unsettled = False
