"""Pictures of a finding: residuals, interval bars, threshold, optimum and other curves, as SVG."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from calib.estimate import Estimate
from calib.report.chart import BLUE, GREEN, PLUM, RUST, SERIES, Chart, widened
from calib.solve import Finding, Residual

_CLEAN, _NOT = GREEN, RUST


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """One picture, with a name that can serve as a file's."""

    name: str
    title: str
    svg: str


def plots_of(finding: Finding) -> list[Plot]:
    """Return every picture that a finding calls for, the most telling first."""
    found: list[Plot] = []
    draw = _BY_SORT.get(str(finding.evidence.get("plot", "")))
    if draw is not None:
        found += draw(finding)
    else:
        found += _corrections(finding)
    if len(finding.residuals) >= 3:
        found.append(residual_plot(finding.residuals))
    return found


def residual_plot(residuals: Sequence[Residual]) -> Plot:
    """Draw what was read less what the fit says, with the uncertainty of a reading, row by row."""
    shown = sorted(residuals, key=lambda r: -abs(r.reading - r.fitted) / max(r.u, 1e-9))[:24]
    shown = [r for r in residuals if r in shown]
    off = [r.reading - r.fitted for r in shown]
    reach = max([abs(v) + 2 * r.u for v, r in zip(off, shown, strict=True)])
    chart = Chart(
        title="Left over: read less fitted",
        x_label="read less fitted, in the unit of the reading (bars: ± 2 standard uncertainties)",
        y_label="",
        x=widened([-reach, reach], 0.03),
        y=(-0.8, len(shown) - 0.2),
        height=88 + 17 * len(shown),
        names=[r.feature for r in shown],
    )
    chart.upright(0.0)
    for k, (v, r) in enumerate(zip(off, shown, strict=True)):
        y = len(shown) - 1 - k
        colour = RUST if abs(v) > 2 * r.u else BLUE
        chart.bar(v - 2 * r.u, v, v + 2 * r.u, y, colour)
    more = len(residuals) - len(shown)
    words = f"{len(shown)} readings against the fit" + (
        f"; {more} smaller ones not shown" if more else ""
    )
    return Plot(name="residuals", title=chart.title, svg=chart.svg(words))


def interval_plot(
    bars: Mapping[str, tuple[float, float, float]],
    title: str,
    x_label: str,
    reference: float | None = None,
    name: str = "intervals",
) -> Plot:
    """Draw estimates with their 95 % intervals, one below the other.

    Parameters
    ----------
    bars : name -> (value, low, high)
    reference : float or None
        What would be right: a dashed line.
    """
    values = [v for bar in bars.values() for v in bar]
    chart = Chart(
        title=title,
        x_label=x_label,
        y_label="",
        x=widened([*values, *([] if reference is None else [reference])]),
        y=(-0.7, len(bars) - 0.3),
        height=96 + 30 * len(bars),
        names=list(bars),
    )
    if reference is not None:
        chart.upright(reference)
    for k, (value, low, high) in enumerate(bars.values()):
        apart = reference is not None and not low <= reference <= high
        chart.bar(low, value, high, len(bars) - 1 - k, RUST if apart else BLUE)
    words = "; ".join(f"{n} {v:.4g} ({a:.4g} to {b:.4g})" for n, (v, a, b) in bars.items())
    return Plot(name=name, title=title, svg=chart.svg(words))


def estimate_bar(e: Estimate) -> tuple[float, float, float]:
    """Return value, low and high of an estimate, for `interval_plot`."""
    return (e.value, *e.interval())


def _corrections(finding: Finding) -> list[Plot]:
    """Draw the errors found against zero, one chart per unit."""
    by_unit: dict[str, dict[str, tuple[float, float, float]]] = {}
    for c in finding.corrections:
        by_unit.setdefault(c.error.unit, {})[c.setting] = estimate_bar(c.error)
    return [
        interval_plot(
            bars, "Errors found, with 95 % intervals", unit or "ratio", 0.0, f"errors_{k + 1}"
        )
        for k, (unit, bars) in enumerate(by_unit.items())
    ]


def _bars(finding: Finding) -> list[Plot]:
    e = finding.evidence
    bars = {name: (b[0], b[1], b[2]) for name, b in e["bars"].items()}
    title = "Flow by each sort of evidence, and together"
    return [interval_plot(bars, title, f"{finding.topic}, {e['unit']}", e["reference"], "flow")]


def _feed(finding: Finding) -> list[Plot]:
    e = finding.evidence
    percent = [100 * r for r in e["ratio"]]
    curve = [100 * r for r in e["curve"][1]]
    chart = Chart(
        title="Filament taken in, against the rate",
        x_label="volumetric rate, mm3/s",
        y_label="taken in, % of what was asked",
        x=widened(e["rate_mm3_s"]),
        y=widened([*percent, *curve, 100.0], 0.12),
    )
    if e["onset_range"]:
        low, high = e["onset_range"]
        chart.stripe(low, high, "slip starts")
    chart.level(100.0, "as asked")
    chart.curve(e["curve"][0], curve, BLUE)
    for x, y, u in zip(e["rate_mm3_s"], percent, e["u"], strict=True):
        chart.stem(x, y - 200 * u, y + 200 * u, BLUE)
        chart.point(x, y, BLUE)
    words = f"{len(percent)} feeds; probability of slip {e['p_slip']:.0%}"
    return [Plot(name="feed", title=chart.title, svg=chart.svg(words))]


def _threshold(finding: Finding) -> list[Plot]:
    e = finding.evidence
    found = []
    limits = e["limits"]
    if "p_clean" in e:
        chart = Chart(
            title="How likely a rung comes out clean",
            x_label="rung (degrees from vertical, or mm of span)",
            y_label="probability of clean; dots: what was judged",
            x=widened(e["rungs"]),
            y=(-0.08, 1.08),
        )
        _mark_limit(chart, limits)
        chart.curve(e["x"], e["p_clean"], BLUE)
        for x, y in e["judged"]:
            chart.point(x, y, _CLEAN if y > 0.5 else _NOT, hollow=y <= 0.5)
        words = f"{len(e['judged'])} judgements"
        found.append(Plot(name="threshold", title=chart.title, svg=chart.svg(words)))
    if "sag_mean" in e:
        chart = Chart(
            title="Sag along the ladder",
            x_label="rung (degrees from vertical, or mm of span)",
            y_label="sag, mm",
            x=widened(e["sag_rungs"]),
            y=widened([*e["sag_mean"], *e["sag_fitted"], 0.0, e["allowed_mm"]], 0.1),
        )
        _mark_limit(chart, limits)
        chart.level(e["allowed_mm"], "allowed")
        chart.curve(e["sag_rungs"], e["sag_fitted"], BLUE)
        for x, y in zip(e["sag_rungs"], e["sag_mean"], strict=True):
            chart.point(x, y, _NOT if y > e["allowed_mm"] else _CLEAN)
        words = f"measured sag of {len(e['sag_rungs'])} rungs with its monotone fit"
        found.append(Plot(name="sag", title=chart.title, svg=chart.svg(words)))
    return found


def _mark_limit(chart: Chart, limits: Sequence[Sequence[float]]) -> None:
    if limits:
        value, low, high = limits[0]
        chart.stripe(low, high)
        chart.upright(value, f"limit {value:.3g}")


def _grades(finding: Finding) -> list[Plot]:
    e = finding.evidence
    found = []
    for shape in e["shapes"]:
        chart = Chart(
            title=f"{shape['name'].capitalize()} sockets: how likely each grade is",
            x_label="clearance on the whole diameter or width, mm",
            y_label="probability; dots along the foot: what was judged",
            x=widened([x for x, _ in shape["judged"]]),
            y=(-0.14, 1.06),
        )
        for k, (grade, p) in enumerate(zip(e["grades"], shape["p"], strict=True)):
            chart.curve(shape["x"], p, SERIES[k], ("", "7 3", "2 3", "9 3 2 3")[k])
            best = max(range(len(p)), key=p.__getitem__)
            chart.words(shape["x"][best], min(p[best] + 0.02, 1.0), grade, SERIES[k], "middle")
        for x, grade in shape["judged"]:
            chart.point(x, -0.07, SERIES[round(grade)])
        for (value, *_rest), words in zip(shape["limits"], ("press", "slide"), strict=True):
            chart.upright(value, f"{words} {value:.2f}")
        words = f"{len(shape['judged'])} graded sockets"
        found.append(Plot(name=f"grades_{shape['name']}", title=chart.title, svg=chart.svg(words)))
    return found


def _optimum(finding: Finding) -> list[Plot]:
    e = finding.evidence
    best, low, high = e["best"]
    chart = Chart(
        title="Desirability of all judgements together",
        x_label=f"{finding.topic}, {e['unit']}",
        y_label="desirability, 0 to 1 (shaded: 95 % band)",
        x=widened([e["x"][0], e["x"][-1]], 0.02),
        y=(-0.04, 1.06),
    )
    flat_from, flat_to = e["plateau"]
    chart.stripe(flat_from, flat_to, "as good for practical purposes")
    chart.band(e["x"], [b[0] for b in e["band"]], [b[1] for b in e["band"]], BLUE)
    chart.curve(e["x"], e["desirability"], BLUE)
    chart.bar(low, best, high, 1.03, PLUM)
    chart.words(high, 1.015, f"  best {best:.3g}", PLUM)
    found = [
        Plot(
            name="optimum",
            title=chart.title,
            svg=chart.svg(f"best {best:.4g}, 95 % interval {low:.4g} to {high:.4g}"),
        )
    ]
    return found + [_response(finding, k, name) for k, name in enumerate(e["responses"])]


def _response(finding: Finding, k: int, name: str) -> Plot:
    e, response = finding.evidence, finding.evidence["responses"][name]
    middle, low, high = zip(*response["curve"], strict=True)
    points = response["points"]
    chart = Chart(
        title=f"{name.replace('_', ' ').capitalize()}",
        x_label=f"{finding.topic}, {e['unit']}",
        y_label="score 0 to 10, or mm",
        x=widened([e["x"][0], e["x"][-1]], 0.02),
        y=widened([*(y for _, y in points), *low, *high]),
        height=230.0,
    )
    colour = SERIES[k % len(SERIES)]
    chart.band(e["x"], low, high, colour)
    chart.curve(e["x"], middle, colour)
    for x, y in points:
        chart.point(x, y, colour)
    return Plot(
        name=f"response_{name}",
        title=chart.title,
        svg=chart.svg(f"{len(points)} values with a smooth curve and its 95 % band"),
    )


def _holes(finding: Finding) -> list[Plot]:
    found = []
    for name, group in finding.evidence["groups"].items():
        middle, low, high = zip(*group["curve"], strict=True)
        chart = Chart(
            title=f"{name.capitalize()}: how much larger to draw",
            x_label="drawn diameter, mm",
            y_label="drawn less printed, mm (dots: along X full, else hollow)",
            x=widened([x for x, *_ in group["points"]]),
            y=widened([*(y for _, y, _ in group["points"]), *low, *high, 0.0]),
        )
        chart.level(0.0, "true")
        chart.band(group["x"], low, high, BLUE)
        chart.curve(group["x"], middle, BLUE)
        for x, y, axis in group["points"]:
            chart.point(x, y, BLUE, hollow=axis != "X")
        words = f"{len(group['points'])} diameters with the fitted oversize and its 95 % band"
        found.append(Plot(name=f"holes_{name}", title=chart.title, svg=chart.svg(words)))
    return found


def _bed(finding: Finding) -> list[Plot]:
    e = finding.evidence
    xs = [p[0] for p in e["patches"]] + [s[1] for s in e["screws"]]
    ys = [p[1] for p in e["patches"]] + [s[2] for s in e["screws"]]
    mean = sum(p[2] for p in e["patches"]) / len(e["patches"])
    largest = max(abs(p[2] - mean) for p in e["patches"]) or 1.0
    chart = Chart(
        title="The bed from above",
        x_label="X, mm",
        y_label="Y, mm (patches: mm above the mean; screws: turns, + is up)",
        x=widened(xs, 0.12),
        y=widened(ys, 0.16),
        height=460.0,
    )
    tall = chart.y[1] - chart.y[0]
    for x, y, thick, _ in e["patches"]:
        off = thick - mean
        colour = RUST if off > 0 else BLUE
        chart.band(*_disc(chart, x, y, 0.25 + 0.75 * math.sqrt(abs(off) / largest)), colour)
        chart.words(x, y + 0.05 * tall, f"{off:+.2f}", colour, "middle")
    for name, x, y, _, turn in e["screws"]:
        chart.point(x, y, PLUM, hollow=True)
        chart.words(x, y - 0.075 * tall, f"{name} {turn:+.2f}", PLUM, "middle")
    words = "; ".join(f"{s[0]} {s[4]:+.2f} turns" for s in e["screws"])
    return [Plot(name="bed", title=chart.title, svg=chart.svg(words))]


def _disc(
    chart: Chart, x: float, y: float, size: float
) -> tuple[list[float], list[float], list[float]]:
    """Return a disc as x, low and high, round in the picture whatever the axes' scales."""
    left, top, right, bottom = chart.box
    rx = 24.0 * size * (chart.x[1] - chart.x[0]) / (right - left)
    ry = 24.0 * size * (chart.y[1] - chart.y[0]) / (bottom - top)
    angles = [math.pi * k / 16 for k in range(17)]
    xs = [x - rx * math.cos(a) for a in angles]
    return xs, [y - ry * math.sin(a) for a in angles], [y + ry * math.sin(a) for a in angles]


_BY_SORT: dict[str, Callable[[Finding], list[Plot]]] = {
    "bars": _bars,
    "feed": _feed,
    "threshold": _threshold,
    "grades": _grades,
    "optimum": _optimum,
    "holes": _holes,
    "bed": _bed,
}
