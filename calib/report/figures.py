"""Plots of what a fit found, from the plain data that it left in the history."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from calib.model.setting import label
from calib.profile.drift import LEAST, individuals
from calib.report.plot import INK, MARK, QUIET, WARN, WIDTH, Plot, padded
from calib.store.records import Series

Data = Mapping[str, Any]
_ROOMY = 50  # distance of the limits' lines that leaves room for all their words


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture with its caption."""

    svg: str
    caption: str


def figures(finding: Data, number: str) -> list[Figure]:
    """Return every plot that a finding's data gives; `number` begins their ids."""
    made: list[Figure] = []
    for build in (_residuals, _estimates, _evidence):
        made += build(finding, f"{number}-{len(made)}")
    return made


def _residuals(finding: Data, number: str) -> Iterator[Figure]:
    """Show what was read less what the fit says, over the nominal value."""
    rows = finding.get("residuals") or []
    if len(rows) < 3:
        return
    x = [r["nominal"] for r in rows]
    across = "nominal"
    if len(set(x)) < 3:  # a ladder or a row of equal walls: show them side by side
        x, across = [float(i + 1) for i in range(len(rows))], "in the order of the sheet"
    left = [r["reading"] - r["fitted"] for r in rows]
    u = [r["u"] if r["u"] is not None else 0.0 for r in rows]
    odd = [abs(e) > 2.5 * s > 0 for e, s in zip(left, u, strict=True)]
    ends = [e + side * 2 * s for e, s in zip(left, u, strict=True) for side in (-1, 1)]
    plot = Plot(padded(x), padded([0.0, *left, *ends]), across, "read less fitted")
    plot.across(0.0)
    plot.error_bars(x, left, [2 * s for s in u])
    plot.points(x, left, odd=odd)
    words = [r["feature"] for r, o in zip(rows, odd, strict=True) if o]
    outside = f"{len(words)} far off: {', '.join(words)}." if words else "None is far off."
    largest = max(map(abs, left))
    yield Figure(
        plot.svg(
            f"What the fit leaves over: {finding['topic']}",
            f"{len(rows)} features; the largest difference is {largest:.3g}. {outside}",
            number,
        ),
        f"What was read less what the fit says, with bars of two standard uncertainties. {outside}",
    )


def _estimates(finding: Data, number: str) -> Iterator[Figure]:
    """Show what was found, each with the interval that covers 95 %; errors against zero."""
    groups: dict[tuple[str, bool], dict[str, Sequence[float]]] = {}
    for c in finding.get("corrections") or []:
        e = c["error"]
        if e.get("low") is not None and e.get("high") is not None:
            is_value = c["unit"] == e["unit"] and c["new"] == e["value"]
            groups.setdefault((e["unit"], is_value), {})[label(c["setting"])] = (
                e["value"],
                e["low"],
                e["high"],
            )
    for i, ((unit, is_value), bars) in enumerate(groups.items()):
        what = "Values" if is_value else "Errors"
        caption = f"{what} found, with intervals that cover 95 %."
        if not is_value:
            caption += " One that does not reach the line of zero is distinguishable from it."
        yield _bars(bars, None if is_value else 0.0, unit, f"{what} found: {finding['topic']}", f"{number}-e{i}", caption)  # fmt: skip


def _bars(
    bars: Mapping[str, Sequence[float]],
    reference: float | None,
    unit: str,
    title: str,
    number: str,
    caption: str,
) -> Figure:
    names = list(bars)
    values = [v for bar in bars.values() for v in bar]
    left = min(190, 18 + 7.6 * max(map(len, names)))
    labels = [(-float(i), n.replace("_", " ")) for i, n in enumerate(names)]
    plot = Plot(
        padded(values if reference is None else [reference, *values]), (-len(names) + 0.4, 0.6), f"in {unit}" if unit else "", "",
        y_labels=labels, height=70 + 34 * len(names), left=int(left),
    )  # fmt: skip
    if reference is not None:
        plot.upright(reference, colour=QUIET)
    for i, bar in enumerate(bars.values()):
        plot.interval(-float(i), *bar[:3], strong=names[i] == "together")
    said = "; ".join(f"{n} {b[0]:.4g} ({b[1]:.4g} to {b[2]:.4g})" for n, b in bars.items())
    return Figure(plot.svg(title, said, number), caption)


def _evidence(finding: Data, number: str) -> Iterator[Figure]:
    evidence = finding.get("evidence") or {}
    build = _PLOTS.get(evidence.get("plot", ""))
    if build is not None:
        yield from build(evidence, number)


def _flow_bars(e: Data, number: str) -> Iterator[Figure]:
    yield _bars(
        e["bars"], e["reference"], e["unit"], "Flow by each way of measuring", number,
        "The flow that each way of measuring gives, and all of them together (the strong bar).",
    )  # fmt: skip


def _threshold(e: Data, number: str) -> Iterator[Figure]:
    if "x" in e:
        rungs, seen = zip(*e["judged"], strict=True)
        plot = Plot(
            padded(e["x"]), (-0.08, 1.1), "rung of the ladder", "share that comes out clean"
        )
        plot.line(e["x"], e["p_clean"])
        plot.points(rungs, seen, colour=INK)
        said = _limits(plot, e["limits"])
        yield Figure(
            plot.svg("Where it stops coming out clean", said, f"{number}-p"),
            f"What was judged (dots: 1 clean, 0 not) and the fitted share. {said}",
        )
    if "sag_rungs" in e:
        plot = Plot(
            padded(e["sag_rungs"]),
            padded([0.0, e["allowed_mm"], *e["sag_mean"]]),
            "rung of the ladder",
            "sag in mm",
        )
        plot.across(e["allowed_mm"], f"allowed {e['allowed_mm']:g} mm", colour=WARN)
        plot.line(e["sag_rungs"], e["sag_fitted"])
        plot.points(e["sag_rungs"], e["sag_mean"], colour=INK)
        yield Figure(
            plot.svg(
                "Measured sag",
                f"Sag from {min(e['sag_mean']):.2f} to {max(e['sag_mean']):.2f} mm.",
                f"{number}-s",
            ),
            "Measured sag and the fit, which may only rise.",
        )


def _limits(plot: Plot, limits: Sequence[Sequence[float | None]]) -> str:
    words: list[str] = []
    for value, low, high in limits:
        if value is not None and plot.x[0] <= value <= plot.x[1]:
            plot.upright(value, f"{value:.3g}", lower=14 * (len(words) % 2))
        if value is not None and low is not None and high is not None:
            words.append(f"{value:.3g} ({low:.3g} to {high:.3g})")
    return f"Limit: {', '.join(words)}." if words else "The limit lies outside the ladder."


def _grades(e: Data, number: str) -> Iterator[Figure]:
    for i, s in enumerate(e["shapes"]):
        rungs, judged = zip(*s["judged"], strict=True)
        top = len(e["grades"]) - 1
        plot = Plot(
            padded(s["x"]),
            (-0.3, top + 0.4),
            "clearance in mm",
            "",
            y_labels=list(enumerate(e["grades"])),
            left=74,
        )
        plot.points(rungs, judged, colour=INK)
        said = _limits(plot, s["limits"])
        yield Figure(
            plot.svg(f"Fits of {s['name']} pegs", said, f"{number}-{i}"),
            f"How each {s['name']} peg went in, over its clearance; the lines are press fit and sliding fit. {said}",
        )


def _holes(e: Data, number: str) -> Iterator[Figure]:
    for i, (name, g) in enumerate(e["groups"].items()):
        value, low, high = zip(*g["curve"], strict=True)
        xs = [p[0] for p in g["points"]]
        ys = [p[1] for p in g["points"]]
        plot = Plot(
            padded([*xs, *g["x"]]),
            padded([0.0, *ys, *low, *high]),
            "diameter in mm",
            "too small by, mm",
        )
        plot.band(g["x"], low, high)
        plot.across(0.0)
        plot.line(g["x"], value)
        plot.points(xs, ys, colour=INK)
        yield Figure(
            plot.svg(
                f"Holes: {name}",
                f"Oversize to draw from {min(value):.3f} to {max(value):.3f} mm.",
                f"{number}-{i}",
            ),
            f"How much smaller than drawn ({name}), the fit and the band that covers 95 % of it.",
        )


def _optimum(e: Data, number: str) -> Iterator[Figure]:
    best, low, high = e["best"]
    plot = Plot(padded(e["x"]), (-0.05, 1.12), e["unit"], "desirability, 0 to 1")
    low_edge, high_edge = zip(*e["band"], strict=True)
    plot.band(e["x"], low_edge, high_edge)
    plot.line(e["x"], e["desirability"])
    plot.upright(best, f"best {best:.4g}")
    said = f"Best at {best:.4g} {e['unit']}" + (
        f" ({low:.4g} to {high:.4g})." if low is not None and high is not None else "."
    )
    yield Figure(
        plot.svg("The best setting", said, f"{number}-d"),
        f"All judgements together, and how sure the curve is. {said}",
    )
    for i, (name, r) in enumerate(e["responses"].items()):
        xs, ys = zip(*r["points"], strict=True)
        curve = [c[0] for c in r["curve"]]
        plot = Plot(padded(e["x"]), padded([*ys, *curve]), e["unit"], name.replace("_", " "))
        plot.line(e["x"], curve)
        plot.points(xs, ys, colour=INK)
        yield Figure(
            plot.svg(
                f"Judged: {name}",
                f"{len(xs)} judgements from {min(ys):g} to {max(ys):g}.",
                f"{number}-r{i}",
            ),
            f"Judgements of {name.replace('_', ' ')} and the curve through them.",
        )


def _feed(e: Data, number: str) -> Iterator[Figure]:
    x, y = e["rate_mm3_s"], e["ratio"]
    plot = Plot(padded([0.0, *x]), padded([1.0, *y]), "rate in mm3/s", "fed over asked for")
    plot.across(1.0)
    plot.line(*e["curve"])
    plot.error_bars(x, y, [2 * u for u in e["u"]])
    plot.points(x, y, colour=INK)
    yield Figure(
        plot.svg(
            "Filament fed over asked for", f"Ratio from {min(y):.4f} to {max(y):.4f}.", number
        ),
        "Filament fed over what was asked for; a fall with the rate is slip.",
    )


def _ripples(e: Data, number: str) -> Iterator[Figure]:
    for i, f in enumerate(e["faces"]):
        hz, low, high = f["found"]
        plot = Plot(
            padded(f["speed"]), padded([0.0, *f["hz"], high]), "speed in mm/s", "frequency in Hz"
        )
        plot.band(list(plot.x), [low, low], [high, high])
        plot.across(hz, f"{hz:.1f} Hz")
        plot.points(f["speed"], f["hz"], odd=[not u for u in f["used"]])
        said = f"{f['axis']} swings at {hz:.1f} Hz ({low:.1f} to {high:.1f})."
        yield Figure(
            plot.svg(f"Frequency of {f['axis']}", said, f"{number}-{i}"),
            f"What each band says of {f['axis']}, and the common frequency with its interval. {said}",
        )


def _lag(e: Data, number: str) -> Iterator[Figure]:
    plot = Plot(
        padded(e["at"]), padded([0.0, *e["width"], *e["curve"]]),
        "mm from the left end", "thickness in mm",
    )  # fmt: skip
    for x in e["fast"]:
        plot.upright(x, colour=QUIET)
    plot.across(e["rest_mm"])
    plot.line(e["at"], e["curve"])
    plot.points(e["x"], e["width"], colour=INK)
    value, low, high = e["lag_s"]
    said = f"The flow lags by {value:.3f} s ({low:.3f} to {high:.3f})."
    yield Figure(
        plot.svg("The wall along its length", said, number),
        f"Thickness of the wall, and what the lag makes of it; fast between the upright lines. {said}",
    )


def _bed(e: Data, number: str) -> Iterator[Figure]:
    xs, ys = [p[0] for p in e["patches"]], [p[1] for p in e["patches"]]
    sx, sy = [s[1] for s in e["screws"]], [s[2] for s in e["screws"]]
    plot = Plot(
        padded([*xs, *sx], 0.12), padded([*ys, *sy], 0.12), "X in mm", "Y in mm", height=400
    )
    for x, y, thick, *_ in e["patches"]:
        plot.parts.append(
            f'<rect x="{plot.px(x) - 5}" y="{plot.py(y) - 5}" width="10" height="10" fill="{MARK}"/>'
        )
        plot.words(plot.px(x), plot.py(y) + 20, f"{thick:.2f}", anchor="middle")
    for _name, x, y, _raise, turns in e["screws"]:
        plot.points([x], [y], odd=[True])
        right = plot.px(x) > WIDTH / 2
        plot.words(
            plot.px(x) + (-10 if right else 10),
            plot.py(y) - 9,
            f"{turns:+.2f} turns",
            anchor="end" if right else "start",
            colour=WARN,
        )
    said = "; ".join(f"{s[0]}: {s[4]:+.2f} turns" for s in e["screws"])
    yield Figure(
        plot.svg("The bed from above", said, number),
        "Thickness of each patch in mm (squares) and turns of each levelling screw (triangles).",
    )


_PLOTS: Mapping[str, Callable[[Data, str], Iterator[Figure]]] = {
    "bars": _flow_bars, "threshold": _threshold, "grades": _grades, "holes": _holes,
    "optimum": _optimum, "feed": _feed, "ripples": _ripples, "lag": _lag, "bed": _bed,
}  # fmt: skip


def drift_figure(series: Series, number: str) -> Figure | None:
    """Return the control chart of a setting; None where there are too few values for one."""
    values = series.values
    if len(values) < 3:
        return None
    enough = len(values) > LEAST
    chart = individuals(values, len(values) - 1 if enough else None)
    xs = [float(i + 1) for i in range(len(values))]
    shown = [chart.lower, chart.upper] if enough else []
    marks = sorted({0, len(values) - 1, len(values) // 2})
    labels = [(xs[i], f"{series.found[i].kept_at:%Y-%m-%d}") for i in marks]
    plot = Plot(
        (0.5, len(values) + 0.5),
        padded([*values, *shown]),
        "kept on",
        series.found[0].correction.unit,
        x_labels=labels,
    )
    roomy = not enough or abs(plot.py(chart.upper) - plot.py(chart.lower)) > _ROOMY
    plot.across(chart.centre, "mean" if roomy else "")
    if enough:
        plot.across(chart.upper, "upper limit", colour=WARN, dash="2 3")
        plot.across(chart.lower, "lower limit" if roomy else "", colour=WARN, dash="2 3")
    plot.line(xs, values, colour=QUIET, width=1)
    odd = [enough and i in chart.outside for i in range(len(values))]
    plot.points(xs, values, odd=odd)
    state = series.alarm or ("in control" if enough else f"limits need {LEAST + 1} values")
    unit = series.found[0].correction.unit
    said = (
        f"{len(values)} values, mean {chart.centre:.5g} {unit}, newest {values[-1]:.5g}; {state}."
    )
    name = label(series.setting)
    return Figure(plot.svg(f"Drift of {name}", said, number), f"{name}: {state}.")


def expanded_words(value: float | None, half: float | None) -> str:
    """Write a value with its half-width, with as many digits as that deserves."""
    if value is None:
        return "-"
    if not half or not math.isfinite(half):
        return f"{value:.5g}"
    decimals = min(6, max(0, 1 - math.floor(math.log10(half))))
    return f"{value:.{decimals}f} ± {half:.{decimals}f}"
