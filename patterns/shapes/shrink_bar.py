"""Shrink bar: a cross of the two longest bars that the bed allows, one along X, one along Y.

Shrinkage is a share of length, so length is what counts. Each bar has flat ends on upright blocks, a
block in the middle to measure against where the caliper is shorter than the bar, and V grooves
across its top that the knife edges of the jaws drop into: from groove to groove nothing depends on
the width of the lines, so a pitch is free of the outline's offset.
"""

from dataclasses import dataclass, replace

from patterns.body import XY, Body, Prism, box, chamfer_loss_mm3
from patterns.digits import engraved, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.piece import Advice, Piece, check_wall
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number

_BED_MARGIN_MM = 5.0
_BLOCK_MM = 10.0  # length of a block along its bar
_GROOVE_MM = 1.0  # depth of a V groove, and half its width


@dataclass(frozen=True, kw_only=True)
class ShrinkBarSpec(Spec):
    """Parameters of the shrink bar."""

    along_x_mm: float = number(0.0, "mm", 0.0, 3000.0, "length of the X bar (0: as the bed allows)")
    along_y_mm: float = number(0.0, "mm", 0.0, 3000.0, "length of the Y bar (0: as the bed allows)")
    width_mm: float = number(10.0, "mm", 8.0, 40.0, "width of the bars")
    height_mm: float = number(6.0, "mm", 3.0, 30.0, "height of the bars")
    block_mm: float = number(6.0, "mm", 4.0, 30.0, "height of the blocks above the bars")
    caliper_mm: float = number(150.0, "mm", 100.0, 1000.0, "longest length your caliper reads")
    chamfer_mm: float = number(
        0.4, "mm", 0.0, 2.0, "chamfer along the bed, against the first layer's bulge"
    )


def _with_lengths(spec: ShrinkBarSpec, setup: PrintSetup) -> ShrinkBarSpec:
    rooms = (setup.build_x_mm - 2 * _BED_MARGIN_MM, setup.build_y_mm - 2 * _BED_MARGIN_MM)
    spec = replace(
        spec, along_x_mm=spec.along_x_mm or rooms[0], along_y_mm=spec.along_y_mm or rooms[1]
    )
    for axis, value, least in (
        ("x", spec.along_x_mm, 6 * spec.width_mm + 20.0),
        ("y", spec.along_y_mm, 6 * spec.width_mm + 20.0),
    ):
        if value < least:
            raise SpecError(
                f"a {axis.upper()} bar of {value:g} mm is too short for its blocks and grooves",
                mend=f"give along_{axis}_mm {least:g} or more, or a smaller width_mm",
            )
    return spec


@dataclass(frozen=True, slots=True)
class _Bar:
    """One bar seen from its side; lengths run from 0 along its axis."""

    axis: str
    long: float
    width: float
    bar: float  # top of the bar
    top: float  # top of the blocks
    across: float  # where the bar's middle lies on the other axis

    @property
    def middle(self) -> tuple[float, float]:
        """Where the middle block begins and ends."""
        return (self.long - self.width) / 2, (self.long + self.width) / 2

    @property
    def grooves(self) -> tuple[float, ...]:
        """Middles of the V grooves: beside each block, and half way between."""
        first = _BLOCK_MM + 2.5
        last = self.middle[0] - 2.5
        half = (first, (first + last) / 2, last)
        places = (*half, *(self.long - p for p in reversed(half)))
        return tuple(round(p, 3) for p in places)

    def at(self, along: float, height: float) -> Point:
        """Return a point above the bar's middle line."""
        xy = (along, self.across) if self.axis == "X" else (self.across, along)
        return (*xy, height)


@pattern("shrink-bar", ShrinkBarSpec, "By how much does this filament shrink on long parts?")
def lay_out(spec: ShrinkBarSpec, setup: PrintSetup) -> Piece:
    """Lay the cross out, both bars from 0 to their length, crossing in their middles.

    Measured on each bar: the whole length, the lengths from either end to the far side of the
    middle block, and the longest pitches from groove to groove that the caliper reads.
    """
    spec = _with_lengths(spec, setup)
    bar = setup.layers(spec.height_mm)
    top = round(bar + setup.layers(spec.block_mm), 6)
    check_wall("the bar's foot", spec.width_mm - 2 * spec.chamfer_mm, setup)
    w = spec.width_mm
    bars = (
        _Bar("X", spec.along_x_mm, w, bar, top, spec.along_y_mm / 2),
        _Bar("Y", spec.along_y_mm, w, bar, top, spec.along_x_mm / 2),
    )
    prisms = [_prism(b) for b in bars]
    (mx0, mx1), (my0, my1) = bars[0].middle, bars[1].middle
    post = box(mx0, my0, 0, mx1, my1, top)
    deep = 2 * setup.layer_mm
    room = min(_BLOCK_MM, w)  # the Y bar's block lies the other way round
    stroke = stroke_for("X", (room, room), setup, "the end block")
    marks: tuple[Prism, ...] = ()
    for b in bars:
        x, y, _ = b.at(b.long - _BLOCK_MM / 2, top)
        marks += engraved(
            b.axis, stroke_mm=stroke, centre=(x, y), face="top", level_mm=top, depth_mm=deep
        )
    volume = sum(p.volume_mm3 for p in prisms) - w * w * bar + w * w * (top - bar)
    volume -= deep * sum(text_area_mm2(b.axis, stroke) for b in bars)
    volume -= chamfer_loss_mm3(_cross(bars[0], bars[1]), spec.chamfer_mm)
    return Piece(
        pattern="shrink-bar",
        spec=spec,
        setup=setup,
        body=Body(add=(*prisms, post), cut=marks, chamfer_mm=spec.chamfer_mm),
        features=tuple(f for b in bars for f in _features(b, spec.caliper_mm)),
        advice=Advice(
            walls=3,
            infill_percent=20,
            brim_mm=5.0,
            notes=(
                "Print as it lies, bars along the printer's axes; a brim keeps the ends down.",
                "Measure a day later, at room temperature, and note that temperature.",
            ),
        ),
        volume_mm3=volume,
    )


def _prism(b: _Bar) -> Prism:
    """Return one bar with its end blocks and grooves; the middle block is the post's."""
    points: list[XY] = [(0.0, 0.0), (b.long, 0.0), (b.long, b.top), (b.long - _BLOCK_MM, b.top)]
    points.append((b.long - _BLOCK_MM, b.bar))
    for g in reversed(b.grooves):
        points += [(g + _GROOVE_MM, b.bar), (g, b.bar - _GROOVE_MM), (g - _GROOVE_MM, b.bar)]
    points += [(_BLOCK_MM, b.bar), (_BLOCK_MM, b.top), (0.0, b.top)]
    half = b.width / 2
    return Prism(
        outline=tuple((round(u, 6), round(v, 6)) for u, v in points),
        start_mm=b.across - half,
        end_mm=b.across + half,
        axis="Y" if b.axis == "X" else "X",
    )


def _cross(bx: _Bar, by: _Bar) -> tuple[XY, ...]:
    """Return the outline of the face on the bed."""
    (x0, x1), (y0, y1) = bx.middle, by.middle
    return (
        (x0, 0.0), (x1, 0.0), (x1, y0), (bx.long, y0), (bx.long, y1), (x1, y1),
        (x1, by.long), (x0, by.long), (x0, y1), (0.0, y1), (0.0, y0), (x0, y0),
    )  # fmt: skip


def _features(b: _Bar, caliper: float) -> list[Feature]:
    x, height = b.axis.lower(), b.bar + 0.6 * (b.top - b.bar)
    low, high = b.middle

    def feature(name: str, kind: Kind, a: float, c: float, z: float, where: str) -> Feature:
        return Feature(
            id=f"{x}_{name}", kind=kind, axis=b.axis, nominal=round(c - a, 6),
            where=f"{where}, along {b.axis}", start=b.at(a, z), end=b.at(c, z), view="top",
        )  # fmt: skip

    long = "the whole bar, end to end"
    if b.long > caliper:
        long += f" (leave empty if nothing reads {b.long:.0f} mm)"
    found = [feature("outside_whole", Kind.OUTSIDE, 0.0, b.long, height, long)]
    if high <= caliper:
        found += [
            feature("outside_first", Kind.OUTSIDE, 0.0, high, height, "plain end to the far side of the middle block"),
            feature("outside_last", Kind.OUTSIDE, low, b.long, height, "lettered end to the far side of the middle block"),
        ]  # fmt: skip
    for i, j in _pairs(b.grooves, caliper):
        found.append(
            feature(
                f"pitch_{i + 1}_{j + 1}",
                Kind.PITCH,
                b.grooves[i],
                b.grooves[j],
                b.bar - _GROOVE_MM / 2,
                f"knife edges in grooves {i + 1} and {j + 1}, counted from the plain end",
            )
        )
    return found


def _pairs(grooves: tuple[float, ...], caliper: float) -> list[tuple[int, int]]:
    """Return up to four pairs of grooves, the longest that the caliper reads."""
    count = len(grooves)
    fit = [
        (i, j)
        for i in range(count)
        for j in range(i + 1, count)
        if grooves[j] - grooves[i] <= caliper - 1.0
    ]
    fit.sort(key=lambda p: (-round(grooves[p[1]] - grooves[p[0]], 3), p))
    return fit[:4]
