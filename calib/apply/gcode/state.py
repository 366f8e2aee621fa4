"""What a printer remembers between lines: units, modes, where it is, and what of that has been changed."""

from dataclasses import dataclass, field

from calib.apply.gcode.job import Job

MM_PER_INCH = 25.4

#: Settings whose row in a schedule is a share of what the file itself asks for.
PERCENT_OF_OWN = ("flow_percent", "speed_percent")


@dataclass(slots=True)
class Printed:
    """What has come out so far, for the summary."""

    lines: int = 0
    numbers: int = 0  # numbers written anew
    arcs: int = 0  # arcs turned into straight moves
    inserted: list[tuple[int, float, str]] = field(default_factory=list)  # line, height mm, code
    low_mm: list[float] = field(default_factory=lambda: [float("inf")] * 3)
    high_mm: list[float] = field(default_factory=lambda: [float("-inf")] * 3)
    foreign: int = 0  # lines that are not words (macros, free text), copied as they are
    first_foreign: int = 0


@dataclass(slots=True)
class State:
    """Modal state of input and output; lengths are in the file's unit, decimal places belong to that unit.

    An axis is `known` once an absolute move or G92 has given it since the last homing. Until then its place is
    taken to be the centre of the map, so that it pulls no other axis along.
    """

    job: Job
    unit_mm: float = 1.0
    absolute: bool = True
    e_relative: bool = False
    motion: int | None = None  # last of G0..G3 read (modal group 1)
    motion_out: int | None = None  # the same as written; differs where arcs were turned into lines
    plane: int = 17
    pos: list[float] = field(default_factory=list)  # logical, as the input sees it
    known: list[bool] = field(default_factory=lambda: [False] * 3)
    off_in: list[float] = field(default_factory=lambda: [0.0] * 3)  # machine = logical + offset
    off_out: list[float] = field(default_factory=lambda: [0.0] * 3)
    e_in: float = 0.0
    e_base: float = 0.0  # logical E of the output at the last G92
    e_sum: float = 0.0  # filament wanted since then, not rounded
    e_units: int = 0  # the same as printed, in units of the last decimal place
    layer_z_mm: float = 0.0
    layer_h_mm: float = 0.0
    interval: int = 0
    settled: bool = False
    tool: int = 0
    own: dict[tuple[str, int], float] = field(
        default_factory=dict
    )  # what the file itself asked for
    in_force: dict[tuple[str, int], float] = field(default_factory=dict)
    numbered: bool = False
    shift: int = 0  # lines inserted since the numbering began
    line: int = 0
    printed: Printed = field(default_factory=Printed)

    def __post_init__(self) -> None:
        if not self.pos:
            self.pos = self.centre

    @property
    def centre(self) -> list[float]:
        """The fixed point of the map, in the file's unit and machine coordinates."""
        return [c / self.unit_mm for c in self.job.centre_mm]

    @property
    def places(self) -> int:
        """Decimal places of E; X, Y and Z get one less (0.1 um)."""
        return 5 if self.unit_mm == 1.0 else 6

    @property
    def largest(self) -> float:
        """No coordinate or amount of filament is written with more; beyond it the file is damaged."""
        return 4e11 / 10.0**self.places

    def units(self, value: float) -> int:
        """Round a coordinate to the place it is printed with, in units of E's last place."""
        return 10 * round(value * 10.0 ** (self.places - 1))

    def units_e(self, value: float) -> int:
        """Round an amount of filament to the place it is printed with."""
        return round(value * 10.0**self.places)

    def key(self, setting: str, tool: int | None = None) -> tuple[str, int]:
        """Return where a setting's value is kept; each tool has its own temperature and flow."""
        per_tool = setting in ("hot_end_c", "flow_percent")
        return setting, (self.tool if tool is None else tool) if per_tool else 0

    def value(self, of: dict[tuple[str, int], float], setting: str) -> float | None:
        """Return a setting's value for the tool in use; flow and speed are 100 % until set."""
        return of.get(self.key(setting), 100.0 if setting in PERCENT_OF_OWN else None)

    def map(self, pos: list[float]) -> list[float]:
        """Return the output's machine coordinates of an input position."""
        c = self.centre
        rows = self.job.matrix
        dx, dy, dz = (pos[i] + (self.off_in[i] - c[i]) for i in range(3))
        return [row[0] * dx + row[1] * dy + row[2] * dz + c[i] for i, row in enumerate(rows)]

    def out(self, pos: list[float]) -> list[int]:
        """Return the output's logical coordinates of an input position, as printed."""
        return [self.units(v - o) for v, o in zip(self.map(pos), self.off_out, strict=True)]

    def change_unit(self, unit_mm: float) -> None:
        """Turn every stored length into the new unit (G20, G21)."""
        ratio = self.unit_mm / unit_mm
        if ratio == 1.0:
            return
        rest = self.e_sum - self.e_units / 10.0**self.places
        self.e_base = (self.e_base + self.e_units / 10.0**self.places) * ratio
        self.e_sum, self.e_units = rest * ratio, 0
        self.e_in *= ratio
        for lengths in (self.pos, self.off_in, self.off_out):
            lengths[:] = [v * ratio for v in lengths]
        self.unit_mm = unit_mm

    def forget(self, axes: list[int]) -> None:
        """After homing: where the axis stands is not known, and offsets set by G92 are gone."""
        for i in axes:
            self.known[i] = False
            self.off_in[i] = self.off_out[i] = 0.0
            self.pos[i] = self.centre[i]

    def declare(self, values: dict[int, float]) -> None:
        """G92: the present place gets new names; NIST IR 6556 section 3.5.18."""
        printed = [u / 10.0**self.places for u in self.out(self.pos)]
        for i, value in values.items():
            if self.known[i]:
                self.off_in[i] += self.pos[i] - value
                self.off_out[i] += printed[i] - value
            self.pos[i] = value
            self.known[i] = True

    def add_e(self, amount: float) -> tuple[int, int]:
        """Add filament; return what stood there before and stands now, in units as printed."""
        before = self.e_units
        self.e_sum += amount
        self.e_units = round(self.e_sum * 10.0**self.places)
        return before, self.e_units

    def reset_e(self, value: float) -> None:
        """G92 E: carry what rounding has left over, so that nothing is lost however often it is reset."""
        self.e_sum -= self.e_units / 10.0**self.places
        self.e_units = 0
        self.e_base = self.e_in = value
