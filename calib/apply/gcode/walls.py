"""The walls of the build volume: what only a correction pushes past one is held there, or refused if it extrudes."""

from dataclasses import dataclass

import numpy as np

from calib.apply.gcode.numbers import F64, PART, Bool, shifted
from calib.apply.gcode.path import AXES, Faults, Path
from calib.apply.limits import SLACK_MM, Limits

#: What the file itself puts outside may be held back by this much while it extrudes: lines that prime the nozzle.
OUTSIDE_SLACK_MM = 0.1

HELD = "travel moves that only the correction takes past a wall, held at it"
OUTSIDE = "moves outside the build volume, as they were before"
LOST = "moves to where the file does not say, not checked"


#: A place that a wall holds: axis, where the map puts it, and how far a wall keeps it from there, mm.
Pushed = tuple[int, float, float]


@dataclass(slots=True)
class Held:
    """Places in the build volume."""

    places: list[F64]
    beyond: Bool  # held away from where the map puts it, by more than rounding
    told: dict[str, Bool]  # what to tell, and of which steps
    pushed: Pushed | None  # the last place, if it is held


def hold(
    path: Path, mapped: list[F64], limits: Limits, pushed: Pushed | None, faults: Faults
) -> Held:
    """Hold places at the walls, or where the file itself puts them if that is further out.

    Parameters
    ----------
    mapped : three of (n,) float
        Places after the map, mm.
    pushed : (axis, place, over) or None
        The place before, if a wall holds it.
    """
    count = len(path.row)
    places, over = list(mapped), np.zeros((3, count))
    beyond, outside, lost = (np.zeros(count, np.bool_) for _ in range(3))
    for i, (low, high) in enumerate(limits.box()):
        if not path.known[i].all():
            lost |= path.has[AXES[i]] & ~path.known[i]
        there = mapped[i]
        if low <= there.min() and there.max() <= high:
            continue
        own = path.place[i] / PART
        held = np.clip(there, np.minimum(low, own), np.maximum(high, own))
        places[i] = np.where(path.known[i], held, there)
        over[i] = np.abs(there - places[i])
        was_out = path.known[i] & ((own < low - SLACK_MM) | (own > high + SLACK_MM))
        outside |= was_out
        beyond |= over[i] > np.where(was_out, OUTSIDE_SLACK_MM, SLACK_MM)

    def push(step: int) -> Pushed | None:
        if step < 0:
            return pushed
        i = int(over[:, step].argmax())
        return (i, float(mapped[i][step]), float(over[i, step])) if beyond[step] else None

    bad = np.flatnonzero(path.extruding & (beyond | shifted(pushed is not None, beyond)))
    if len(bad):
        step = int(bad[0])
        how = push(step) or push(step - 1)
        assert how is not None
        faults.add(int(path.row[step]), *_refusal(how, limits, path.place[2][step] / PART))
    arrived = path.is_move & path.last
    told = {HELD: beyond & arrived, OUTSIDE: outside & arrived, LOST: lost & path.last}
    return Held(places, beyond, told, push(count - 1))


def _refusal(pushed: Pushed, limits: Limits, layer_mm: float) -> tuple[str, str]:
    """Return what to say, and how to mend it, where a correction pushes an extruding move past a wall."""
    i, place, over = pushed
    low, high = limits.box()[i]
    what = (
        f"{AXES[i]} {place:.3f} mm is outside the build volume, {low:g} to {high:g} mm: the correction puts"
        f" it {over:.3f} mm further out while it extrudes, in the layer at {layer_mm:.2f} mm"
    )
    reach = f"{min(low, place):.1f} to {max(high, place):.1f} mm"
    return (
        what,
        f"move the part, or state with --build and --origin that the printer reaches {reach}",
    )
