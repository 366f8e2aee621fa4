"""Pieces for the photo tests: a stepped plate with a slot and a hole, and a long bar."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from patterns.body import Body, Circle, Loop, Prism, box, rectangle
from patterns.feature import Feature, Kind


def plate(chamfer_mm: float = 0.5) -> Body:
    """60 x 40 x 6 mm, a 20 mm wide step to 10 mm at the left, a slot and a hole."""
    base = Prism(outline=rectangle(0, 0, 60, 40), start_mm=0, end_mm=6, holes=(Circle(45, 20, 12),))
    return Body(
        add=(base, box(0, 0, 6, 20, 40, 10)),
        cut=(box(25, 10, -1, 35, 30, 7),),
        chamfer_mm=chamfer_mm,
    )


def plate_features() -> tuple[Feature, ...]:
    def f(id: str, kind: Kind, nominal: float, start: tuple, end: tuple) -> Feature:  # type: ignore[type-arg]
        axis = "X" if start[1] == end[1] else "Y"
        return Feature(id=id, kind=kind, axis=axis, nominal=nominal, where=id, start=start, end=end)

    return (
        f("x_outside", Kind.OUTSIDE, 60, (0, 10, 3), (60, 10, 3)),
        f("y_outside_low", Kind.OUTSIDE, 40, (40, 0, 3), (40, 40, 3)),
        f("y_outside_high", Kind.OUTSIDE, 40, (10, 0, 8), (10, 40, 8)),
        f("x_inside_slot", Kind.INSIDE, 10, (25, 20, 3), (35, 20, 3)),
        f("y_inside_slot", Kind.INSIDE, 20, (30, 10, 3), (30, 30, 3)),
        f("x_pitch", Kind.PITCH, 35, (25, 20, 3), (60, 20, 3)),
        f("x_hole", Kind.DIAMETER, 12, (39, 20, 3), (51, 20, 3)),
        f("x_centre", Kind.PITCH, 25, (20, 20, 8), (45, 20, 3)),
    )


def gauge(long_mm: float = 150.0, pitch_mm: float = 30.0, across_mm: float = 60.0) -> Body:
    """An L of two combs: 150 mm along X, `across_mm` along Y, teeth of 10 mm, 4 and 9 mm high."""
    starts = [k * pitch_mm for k in range(int((long_mm - 10) // pitch_mm) + 1)]
    return Body(
        add=(
            box(0, 0, 0, long_mm, 10, 4),
            box(0, 0, 0, 10, across_mm, 4),
            *(box(x, 0, 0, x + 10, 10, 9) for x in starts),
            box(0, across_mm - 10, 0, 10, across_mm, 9),
        ),
        chamfer_mm=0.5,
    )


def gauge_features(
    long_mm: float = 150.0, pitch_mm: float = 30.0, across_mm: float = 60.0
) -> tuple[Feature, ...]:
    last = int((long_mm - 10) // pitch_mm)
    out = [
        Feature(
            id="x_long", kind=Kind.OUTSIDE, axis="X", nominal=long_mm, where="end to end",
            start=(0, 5, 2), end=(long_mm, 5, 2),
        ),
        Feature(
            id="y_outside", kind=Kind.OUTSIDE, axis="Y", nominal=across_mm, where="over teeth",
            start=(5, 0, 7), end=(5, across_mm, 7),
        ),
    ]  # fmt: skip
    for k in range(1, last + 1):
        for kind, a, b in (
            (Kind.PITCH, 0.0, k * pitch_mm),
            (Kind.OUTSIDE, 0.0, k * pitch_mm + 10),
            (Kind.INSIDE, 10.0, k * pitch_mm),
        ):
            out.append(
                Feature(
                    id=f"x_{kind}_{k}", kind=kind, axis="X", nominal=b - a, where="teeth",
                    start=(a, 5, 7), end=(b, 5, 7),
                )
            )  # fmt: skip
    return tuple(out)


def hanging(body: Body, features: Sequence[Feature], down_mm: Sequence[float]) -> Body:
    """Let the undersides (seen in x, z) hang: bridges in a parabola, overhangs at their free end."""
    ends = [((f.start[0], f.start[2]), (f.end[0], f.end[2])) for f in features]

    def loop(old: Loop) -> Loop:
        if isinstance(old, Circle):
            return old
        points = [(float(u), float(v)) for u, v in old]
        for (a, b), down in zip(ends, down_mm, strict=True):
            points = _hung(points, a, b, down)
        return tuple(points)

    return replace(
        body,
        add=tuple(
            replace(p, outline=loop(p.outline), holes=tuple(loop(h) for h in p.holes))
            if p.axis == "Y"
            else p
            for p in body.add
        ),
    )


def _hung(
    points: list[tuple[float, float]], a: tuple[float, float], b: tuple[float, float], down: float
) -> list[tuple[float, float]]:
    near = [[bool(np.allclose(p, end, atol=1e-5)) for p in points] for end in (a, b)]
    if not (any(near[0]) and any(near[1])):
        return points
    i, j = near[0].index(True), near[1].index(True)
    if abs(a[1] - b[1]) > 1e-6:
        points = list(points)
        points[j] = (b[0], b[1] - down)
        return points
    first, second = (i, j) if (i + 1) % len(points) == j else (j, i)
    (x0, z), (x1, _) = points[first], points[second]
    share = np.linspace(0, 1, 40)[1:-1]
    arc = [(float(x0 + t * (x1 - x0)), float(z - 4 * down * t * (1 - t))) for t in share]
    after = first + 1
    return [*points[:after], *arc, *points[after:]]


def strands(
    features: Sequence[Feature], counts: Sequence[int], room_mm: float, seed: int = 3
) -> tuple[list[Prism], list[float]]:
    """Draw strands along X across the gaps that features name; return them with their areas, mm^2."""
    rng = np.random.default_rng(seed)
    drawn, areas = [], []
    for f, count in zip(features, counts, strict=True):
        (x0, y, z), x1 = f.start, f.end[0]
        area = 0.0
        for height in np.linspace(z - room_mm / 2, z + room_mm / 2, count):
            wide = float(rng.uniform(0.25, 0.5))
            round_ = Circle(float(y + rng.uniform(-2, 2)), float(height), wide)
            drawn.append(Prism(outline=round_, start_mm=x0 - 0.1, end_mm=x1 + 0.1, axis="X"))
            area += wide * (x1 - x0)
        areas.append(area)
    return drawn, areas


def wavy(
    body: Body, from_mm: float, to_mm: float, high_mm: float, long_mm: float
) -> tuple[Body, float]:
    """Make the outermost wall at x = 0 wavy between two heights; return its standard deviation, too."""
    z = np.linspace(from_mm, to_mm, 200)
    x = high_mm * np.sin(2 * np.pi * (z - from_mm) / long_mm)
    wall = [(float(u), float(v)) for u, v in zip(x, z, strict=True)][::-1]
    first = body.add[0]
    assert not isinstance(first.outline, Circle)
    assert first.outline[-1][0] == 0.0  # from there the outline runs down along the wall
    outline = (*first.outline, *wall)
    return replace(body, add=(replace(first, outline=outline), *body.add[1:])), high_mm / 2**0.5
