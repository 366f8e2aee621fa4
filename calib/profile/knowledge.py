"""What is known before any sheet is read: drives, tables of filament, data sheets, events and time.

A quantity of a sheet is a sum of parts that belong to different things: what a wall stands off by is
partly the nozzle's and partly the spool's. Each part has a prior; an event adds variance to what it
touches, and time adds a little to what wears.
"""

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property, lru_cache

from calib.fit.mechanics import mechanics_u
from calib.fit.split import SPOOL_SD
from calib.model.correction import Scope
from calib.model.drive import Drive
from calib.model.instrument import DEFAULTS, Instrument
from calib.model.setting import Setting, kept_setting
from calib.profile.blocks import Coordinate
from calib.profile.events import Happened, event_kind

_DEGREE = math.pi / 180
#: Pieces of one spool on one printer differ by this much in size (fraction): a study gave 0.02 %.
#: X and Y of one piece share half of its variance.
PRINT_SD = 0.0002
_SHARED = math.sqrt(0.5)
#: What a pulley that runs out of true does to a length, one standard deviation: common practice.
RUNOUT_MM = 0.012


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A number that sheets speak of.

    Attributes
    ----------
    goes_with : str
        The setting with which events make it stale.
    parts : mapping
        Kind of thing -> standard deviation of its part before any reading; for a spool how much
        spools of a type usually differ.
    drift : float
        Standard deviation that time adds to the printer's or nozzle's part in a month.
    """

    name: str
    goes_with: str
    parts: Mapping[str, float]
    drift: float = 0.0


def _quantities() -> dict[str, Quantity]:
    """Return the quantities of the size model; the sds are judgements, common practice, no source."""
    found = [
        Quantity(
            name=f"scale_{a}", goes_with=f"steps_{a}_per_mm", parts={"printer": 0.01}, drift=3e-5
        )
        for a in "xyz"
    ]
    found += [
        Quantity(name=f"shrink_{d}", goes_with="", parts={"material": 0.003, "spool": SPOOL_SD})
        for d in ("xy", "z")
    ]
    found += [
        Quantity(
            name=f"offset_{a}", goes_with="outline_offset_mm", parts={"nozzle": 0.2}, drift=0.004
        )
        for a in "xyz"
    ]
    found += [
        Quantity(
            name=f"inside_{a}", goes_with="outline_offset_mm", parts={"nozzle": 0.06}, drift=0.002
        )
        for a in "xyz"
    ]
    found += [
        # How a roll's melt swells moves all walls alike.
        Quantity(name="swell", goes_with="", parts={"spool": 0.02, "piece": 0.01}),
        Quantity(name="swell_inside", goes_with="", parts={"spool": 0.01}),
    ]
    found += [
        Quantity(
            name=f"skew_{p}",
            goes_with=f"skew_{p}_deg",
            parts={"printer": 0.4 * _DEGREE},
            drift=0.01 * _DEGREE,
        )
        for p in ("xy", "xz", "yz")
    ]
    found += [
        Quantity(name="first_layer", goes_with="first_layer_gap_mm", parts={"printer": 0.1, "piece": 0.01}, drift=0.01),
        Quantity(name="print_xy", goes_with="", parts={"piece": PRINT_SD * _SHARED}),
        # What a pattern repeats on a printer (`evidence`), in units of its own standard deviation.
        *(Quantity(name=f"repeated_{q}_{a}", goes_with="", parts={"pattern": 1.0})
          for q in ("scale", "offset", "inside") for a in "xy"),
        # How far the bed is from level, in turns of a screw.
        Quantity(name="level", goes_with="level_any_turns", parts={"printer": 0.6}, drift=0.02),
        *(Quantity(name=f"print_{a}", goes_with="", parts={"piece": PRINT_SD * _SHARED}) for a in "xy"),
        Quantity(name="print_z", goes_with="", parts={"piece": PRINT_SD}),
    ]  # fmt: skip
    return {q.name: q for q in found}


QUANTITIES = _quantities()

#: Standard deviation that an event adds to a part that it only disturbs; all else that it makes stale
#: starts anew. Common practice, no source.
DISTURBED = {
    ("moved", "skew"): 0.1 * _DEGREE,
    ("drive-changed", "skew"): 0.1 * _DEGREE,
    ("filament-type-changed", "first_layer_gap"): 0.03,
}

#: Settings found one at a time: mean and standard deviation of what is usual, where neither the
#: table of settings nor that of filaments says. Common practice, no source.
_USUAL = {
    "retraction_mm": (1.5, 1.5),
    "retraction_speed_mm_s": (35.0, 15.0),
    "filament_mm": (1.75, 0.05),
    "flow_percent": (100.0, 8.0),
    "overhang_limit_deg": (50.0, 12.0),
    "bridge_limit_mm": (30.0, 25.0),
    "volumetric_rate_limit_mm3_s": (12.0, 8.0),
    "bed_c": (60.0, 20.0),
    "flow_lag_s": (0.05, 0.05),
    "smooth_speed_mm_s": (80.0, 60.0),
    "ripple_x_hz": (45.0, 25.0),
    "ripple_y_hz": (45.0, 25.0),
}
#: Steps set and steps by the mechanics that differ by more than this contradict each other.
_CONFLICT = 0.05
#: Pieces of one spool differ by this share of what spools of one type differ by: a judgement.
_PIECE_SHARE = 0.3


def of_setting(name: str) -> Quantity:
    """Return the quantity of a setting that is found by itself: its parts by where it belongs."""
    s = kept_setting(name)
    wide, own = usual(s)[1], s.spool_sd
    if s.scope is Scope.PRINTER:
        parts = {"printer": wide}
    elif s.scope is Scope.NOZZLE:
        parts = {"nozzle": wide} | ({"spool": own} if own else {})
    else:
        own = own or wide / 10
        parts = {"material": wide, "spool": own, "piece": own * _PIECE_SHARE}
        if s.per_nozzle:
            parts["nozzle"] = own
    return Quantity(name=name, goes_with=name, parts=parts)


def usual(s: Setting) -> tuple[float, float]:
    """Return mean and standard deviation of a setting before any reading."""
    if s.name in _USUAL:
        return _USUAL[s.name]
    low, high = s.limits
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1e3
    middle = s.neutral if s.neutral is not None else (low + high) / 2
    return middle, max(s.usual_sd, 5 * s.spool_sd) or (high - low) / 4


@lru_cache(maxsize=4096)
def quantity(name: str) -> Quantity:
    """Return a quantity by name: one of the size model, else a setting's own."""
    return QUANTITIES.get(name) or of_setting(name)


@dataclass(frozen=True, eq=False, kw_only=True)
class World:
    """What the store and the tables know; owners are named as in the blocks.

    Attributes
    ----------
    drives : (printer, axis) -> drive, where known
    steps : (printer, axis) -> steps/mm of reference, where the drive is not known
    printer_of : nozzle -> its printer
    materials : spool -> type
    instruments : name -> instrument
    events : in any order
    """

    drives: Mapping[tuple[str, str], Drive] = field(default_factory=dict)
    steps: Mapping[tuple[str, str], float] = field(default_factory=dict)
    printer_of: Mapping[str, str] = field(default_factory=dict)
    materials: Mapping[str, str] = field(default_factory=dict)
    instruments: Mapping[str, Instrument] = field(default_factory=dict)
    events: Sequence[Happened] = ()

    def material(self, spool: str) -> str:
        """Return the type of a spool."""
        return self.materials.get(spool, "")

    def usual_spread(self, name: str) -> float:
        """Return how much spools of one type usually differ in a quantity."""
        return quantity(name).parts["spool"]

    def reference_steps(self, printer: str, axis: str) -> float | None:
        """Return the steps/mm at which an axis's scale is stated: what the drive gives.

        Where quite other steps are set, the drive is not as described, and what is set counts.
        """
        drive, steps = self.drives.get((printer, axis)), self.steps.get((printer, axis))
        if drive is None or (steps and abs(steps / drive.steps_per_mm - 1) > _CONFLICT):
            return steps
        return drive.steps_per_mm

    def prior(self, c: Coordinate) -> tuple[float, float]:
        """Return mean and standard deviation before any reading."""
        if c.kind == "instrument":
            return 0.0, self._instrument_sd(c)
        sd = quantity(c.quantity).parts[c.kind]
        if c.kind == "printer" and c.quantity.startswith("scale_"):
            return 0.0, mechanics_u(self.drives.get((c.owner, c.quantity[-1].upper())))
        if c.kind == "printer" and c.quantity.startswith("steps_"):
            steps = self.reference_steps(c.owner, c.quantity[6].upper())
            return (steps, 0.05 * steps) if steps else (usual(kept_setting(c.quantity))[0], sd)
        if c.kind == "material":
            return _of_type(c.quantity, c.owner, sd)
        if c.quantity not in QUANTITIES and c.kind == next(iter(quantity(c.quantity).parts)):
            return usual(kept_setting(c.quantity))[0], sd
        return 0.0, sd

    def _instrument_sd(self, c: Coordinate) -> float:
        known = self.instruments.get(c.owner) or DEFAULTS["caliper"]
        if c.quantity == "caliper_scale":
            return max(known.u_scale, 1e-7)
        if c.quantity.startswith("caliper_at_"):
            return max(known.mpe / 3, 1e-4)
        return max(known.u_jaws, 1e-4)

    @cached_property
    def _breaks(self) -> dict[tuple[str, str, str], tuple[list[datetime], list[float | None]]]:
        return {}

    def _changes(self, c: Coordinate) -> tuple[list[datetime], list[float | None]]:
        """Return when a coordinate changed, and the variance each time added (None: starts anew)."""
        key = (c.quantity, c.kind, c.owner)
        if key not in self._breaks:
            found = sorted([*self._by_events(c), *_by_time(c)], key=lambda pair: pair[0])
            self._breaks[key] = ([at for at, _ in found], [added for _, added in found])
        return self._breaks[key]

    def _by_events(self, c: Coordinate) -> list[tuple[datetime, float | None]]:
        if c.kind not in ("printer", "nozzle", "spool"):
            return []
        about = quantity(c.quantity)
        if not about.goes_with:
            return []
        setting = kept_setting(about.goes_with)
        found: list[tuple[datetime, float | None]] = []
        for e in self.events:
            if self._touches(e, c) and event_kind(e.kind).why(setting, e.axis):
                words = about.goes_with.rsplit("_", 1)[0]
                sd = DISTURBED.get((e.kind, setting.topic)) or DISTURBED.get((e.kind, words))
                found.append((e.at, None if sd is None else sd**2))
        return found

    def _touches(self, e: Happened, c: Coordinate) -> bool:
        if (
            c.kind == "spool"
        ):  # the printer's other rolls are not damp, and a new nozzle is not the roll's
            return e.spool == c.owner and not e.printer
        if c.kind == "printer":
            return e.printer == c.owner
        return e.printer == self.printer_of.get(c.owner) and e.nozzle in ("", c.owner)

    def epoch(self, c: Coordinate, at: datetime) -> int:
        """Count the changes that events and time made to a coordinate before a moment."""
        if c.kind not in ("printer", "nozzle", "spool"):
            return 0
        return bisect_right(self._changes(c)[0], at)

    def link(self, earlier: Coordinate, later: Coordinate) -> float | None:
        """Return the variance that was added between two epochs; None: nothing carries over."""
        total = 0.0
        for added in self._changes(later)[1][earlier.epoch : later.epoch]:
            if added is None:
                return None
            total += added
        return total


def _by_time(c: Coordinate) -> list[tuple[datetime, float | None]]:
    """Return the turns of the half-year: time is cut coarsely, since what it adds is small."""
    drift = quantity(c.quantity).drift if c.kind in ("printer", "nozzle") else 0.0
    if not drift:
        return []
    return [
        (datetime(year, month, 1, tzinfo=UTC), 6 * drift**2)
        for year in range(2020, 2100)
        for month in (1, 7)
    ]


@lru_cache(maxsize=4096)
def _of_type(name: str, material: str, sd: float) -> tuple[float, float]:
    """Return what the table of filaments says of a type."""
    from patterns.filaments import filaments

    known = filaments().get(material)
    if name.startswith("shrink_"):
        return (known.shrink_percent / 100, known.shrink_u_percent / 100) if known else (0.004, sd)
    if name == "hot_end_c":
        if known is None:
            return 220.0, 25.0
        low, high = known.hot_end_from_c, known.hot_end_to_c
        return (low + high) / 2, (high - low) / 2
    if name == "bed_c" and known is not None:
        return known.bed_c, 10.0
    return usual(kept_setting(name))[0], sd
