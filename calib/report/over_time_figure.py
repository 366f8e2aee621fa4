"""How well each setting was known over time, drawn: a step for each sheet, an upright line for each event."""

import math
from collections.abc import Sequence
from datetime import datetime

from calib.model.setting import label
from calib.profile.over_time import OverTime, Track
from calib.report.figures import Figure
from calib.report.plot import Plot, padded

#: Stands for "not known at all" on an axis of logarithms.
_UNKNOWN = 1e4


def knowledge_figures(known: OverTime, number: str) -> list[Figure]:
    """Draw how well each setting was known over time: sheets as dots, events as upright lines."""
    if not known.moments:
        return []
    return [_knowledge(known, t, f"{number}-{i}") for i, t in enumerate(known.tracks)]


def _knowledge(known: OverTime, t: Track, number: str) -> Figure:
    xs, labels = _moments(known.moments)
    halves = [min(max(h, 1e-12), _UNKNOWN) for h in t.halves]
    shown = [math.log10(h) for h in [*halves, *([t.wanted] if t.wanted else [])]]
    low, high = padded(shown, 0.12)
    words = [(math.log10(v), f"±{v:g}") for v in _round_numbers(10**low, 10**high)]
    span = xs[-1] - xs[0] or 1.0
    plot = Plot(
        (xs[0] - 0.08 * span, xs[-1] + 0.08 * span), (low, high), "", t.unit, x_labels=labels,
        y_labels=words, height=190,
    )  # fmt: skip
    if t.wanted:
        plot.across(math.log10(t.wanted), "good enough")
    for n, (i, kinds) in enumerate(sorted(known.events.items())):
        plot.upright(xs[i], ", ".join(kinds), lower=13 * (n % 3))
    steps = [(plot.x[0], shown[0])]
    for i, x in enumerate(xs):
        steps += [(x, shown[i]), (x, shown[i + 1])]
    steps.append((plot.x[1], shown[len(xs)]))
    plot.line([x for x, _ in steps], [y for _, y in steps])
    told = [i for i in range(len(xs)) if halves[i + 1] < 0.98 * halves[i]]
    plot.points([xs[i] for i in told], [shown[i + 1] for i in told])
    name, unit = label(t.setting), f" {t.unit}".rstrip()
    said = (
        f"{name}: ±{halves[0]:.2g}{unit} before anything was measured, ±{halves[-1]:.2g}{unit} now"
    )
    happened = ", ".join(k for _, kinds in sorted(known.events.items()) for k in kinds)
    said += f"; in between {happened}." if happened else "."
    return Figure(plot.svg(f"How well {name} was known", said, number), said)


def _moments(moments: Sequence[datetime]) -> tuple[list[float], list[tuple[float, str]]]:
    """Return places on the axis of time and its labels; what lies within a day is shown in its order."""
    days = [(m - moments[0]).total_seconds() / 86400 for m in moments]
    in_order = days[-1] < 1
    xs = [float(i) for i in range(len(moments))] if in_order else days
    marks = sorted({0, len(xs) - 1})
    labels = [(xs[i], f"{moments[i]:%Y-%m-%d}") for i in marks]
    return xs, labels[:1] if in_order else labels


def _round_numbers(low: float, high: float) -> list[float]:
    """Return some round numbers between two, two at least where there are any."""

    def inside(*mantissas: float) -> list[float]:
        every = [m * 10.0**e for e in range(-6, 7) for m in mantissas]
        return [v for v in every if low <= v <= high]

    choices = [inside(1), inside(1, 2, 5), inside(1, 1.5, 2, 3, 4, 5, 6, 8)]
    return next((c for c in choices if 3 <= len(c) <= 6), choices[2])
