"""Pieces for the photo tests: a stepped plate with a slot and a hole, and a long bar."""

from patterns.body import Body, Circle, Prism, box, rectangle
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
