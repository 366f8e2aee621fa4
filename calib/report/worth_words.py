"""In words: what a piece takes, and how sure it would make us."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from calib.model.setting import setting
from calib.report.words import counted

if TYPE_CHECKING:
    from calib.plan.expected import Expected, Worth


def takes_words(worth: "Worth") -> str:
    """Return ``30 min, 6 g, 18 readings``; a check without plastic takes readings alone."""
    readings = counted(worth.readings, "reading")
    if not worth.minutes:
        return f"no printing, {readings}"
    return f"{worth.minutes:.0f} min, {worth.grams:.1f} g, {readings}"


def settles_words(settles: "Sequence[Expected]") -> str:
    """Return ``size along X ±0.04 %, flow ±3.0 %``, what is known equally well together."""
    widest: dict[str, tuple[float, str]] = {}
    for e in settles:
        about = setting(e.setting)
        label = "height of the bed at its screws" if about.done_once else about.label
        widest[label] = max((e.half_width, e.unit), widest.get(label, (0.0, e.unit)))
    groups: dict[str, list[str]] = {}
    for label, (half, unit) in widest.items():
        groups.setdefault(f"±{_two_digits(half)} {unit}".strip(), []).append(label)
    return ", ".join(f"{_joined(labels)} {half}" for half, labels in groups.items())


def _joined(labels: list[str]) -> str:
    """Say what several labels have in common once: ``size along X and Y``."""
    first = labels[0].rsplit(" ", 1)[0] + " "
    if len(labels) > 1 and all(label.startswith(first) for label in labels):
        return first + " and ".join(label.removeprefix(first) for label in labels)
    return " and ".join(labels)


def _two_digits(value: float) -> str:
    if not value > 0:
        return "0"
    return f"{value:.{max(0, 1 - math.floor(math.log10(value)))}f}"
