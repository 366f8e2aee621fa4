"""The walls of the build volume: what only a correction pushes past one is held there, or refused if it extrudes."""

from dataclasses import dataclass

import numpy as np

from calib.apply.decimals import F64, Bool
from calib.apply.limits import SLACK_MM, Limits

#: What the file itself puts outside may be held back by this much while it extrudes: lines that prime the nozzle.
OUTSIDE_SLACK_MM = 0.1


@dataclass(slots=True)
class Held:
    """Places held at the walls; one entry for each place, axes together."""

    mapped: list[F64]  # where the map puts them
    places: list[F64]
    moved: Bool  # held away from where the map puts it
    beyond: Bool  # by more than rounding
    outside: Bool  # where the file itself was outside

    def at(self, k: int) -> tuple[list[float], list[float]]:
        """Return where the map puts one of them, and where it is held."""
        there, kept = ([float(v[k]) for v in places] for places in (self.mapped, self.places))
        return there, kept


@dataclass(frozen=True, slots=True)
class Walls:
    """The box a nozzle may be in, in the unit in force."""

    limits: Limits
    unit_mm: float

    def hold(self, mapped: list[F64], own: list[F64], known_from: list[int]) -> Held:
        """Hold places at the walls, or where the file itself puts them if that is further out.

        Parameters
        ----------
        mapped, own : three of (n,) float
            Places along X, Y, Z after and before the map.
        known_from : three int
            The first place at which it is known where the axis stands.
        """
        count = len(mapped[0])
        result = Held(mapped, list(mapped), *(np.zeros(count, np.bool_) for _ in range(3)))
        for i, (low_mm, high_mm) in enumerate(self.limits.box()):
            low, high = low_mm / self.unit_mm, high_mm / self.unit_mm
            k = known_from[i]
            there = mapped[i][k:]
            if not len(there) or (low <= there.min() and there.max() <= high):
                continue
            before = own[i][k:]
            held = np.clip(there, np.minimum(low, before), np.maximum(high, before))
            over_mm = np.abs(there - held) * self.unit_mm
            slack = SLACK_MM / self.unit_mm
            was_out = (before < low - slack) | (before > high + slack)
            result.places[i] = np.concatenate([mapped[i][:k], held])
            result.moved[k:] |= over_mm > 0
            result.outside[k:] |= was_out
            result.beyond[k:] |= over_mm > np.where(was_out, OUTSIDE_SLACK_MM, SLACK_MM)
        return result

    def refusal(self, mapped: list[float], held: list[float], layer_mm: float) -> tuple[str, str]:
        """Return what to say, and how to mend it, where a correction pushes an extruding move past a wall."""
        over_mm = [abs(a - b) * self.unit_mm for a, b in zip(mapped, held, strict=True)]
        i = over_mm.index(max(over_mm))
        low, high = self.limits.box()[i]
        place = mapped[i] * self.unit_mm
        what = (
            f"{'XYZ'[i]} {place:.3f} mm is outside the build volume, {low:g} to {high:g} mm: the correction puts"
            f" it {over_mm[i]:.3f} mm further out while it extrudes, in the layer at {layer_mm:.2f} mm"
        )
        reach = f"{min(low, place):.1f} to {max(high, place):.1f} mm"
        return (
            what,
            f"move the part, or state with --build and --origin that the printer reaches {reach}",
        )
