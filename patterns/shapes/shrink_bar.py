"""Shrink bar: a cross of the two longest bars that the bed allows, one along X, one along Y.

Shrinkage is a share of length, so length is what counts. Upright blocks stand on each bar: at its
ends, in the middle, and between where the caliper is shorter than half the bar. Lengths are taken
over two blocks and between the same two: a wider outline makes the one longer and the other shorter
by as much, so that together they are free of it, and every face is flat for the jaws.
"""

import math
from dataclasses import dataclass, replace

from patterns.body import XY, Body, Prism, box, chamfer_loss_mm3
from patterns.digits import engraved, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.piece import JAWS_CLOSED, Advice, Piece, check_wall
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number

_BED_MARGIN_MM = 5.0
_BLOCK_MM = 10.0  # length of a block along its bar
_LEAST_GAP_MM = 15.0  # between two blocks, for the inside jaws
_MOST_PAIRS = 4  # of neighbouring blocks that are measured on one bar


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
    least = 2 * (_BLOCK_MM + _LEAST_GAP_MM) + spec.width_mm
    for axis, value, room in zip("xy", (spec.along_x_mm, spec.along_y_mm), rooms, strict=True):
        if value < least:
            raise SpecError(
                f"the bar along {axis.upper()} is {value:g} mm long, too short for its blocks",
                mend=f"give along_{axis}_mm {least:g} or more"
                if least <= room
                else f"a shrink-bar needs a bed of {least + 2 * _BED_MARGIN_MM:g} mm; a smaller bed"
                " takes a dimensional-cube",
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

    def blocks(self, caliper: float) -> tuple[tuple[float, float], ...]:
        """Where each block begins and ends: neighbours lie within the caliper's reach."""
        low, high = self.middle
        halves = math.ceil((low - 1e-9) / (caliper - max(_BLOCK_MM, self.width)))
        step = low / halves
        left = [(k * step, k * step + _BLOCK_MM) for k in range(halves)]
        right = [(self.long - b, self.long - a) for a, b in reversed(left)]
        found = (*left, (low, high), *right)
        return tuple((round(a, 3), round(b, 3)) for a, b in found)

    def at(self, along: float, height: float) -> Point:
        """Return a point above the bar's middle line."""
        xy = (along, self.across) if self.axis == "X" else (self.across, along)
        return (*xy, height)


@pattern(
    "shrink-bar",
    ShrinkBarSpec,
    "By how much does this filament shrink on long parts?",
    settles=("scale", "shrinkage"),
)
def lay_out(spec: ShrinkBarSpec, setup: PrintSetup) -> Piece:
    """Lay the cross out, both bars from 0 to their length, crossing in their middles.

    Measured on each bar: the whole length, and the lengths over and between neighbouring blocks.
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
    prisms = [_prism(b, spec.caliper_mm) for b in bars]
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
        head_lines=(JAWS_CLOSED,),
        smaller=(
            "give a smaller along_x_mm",
            "give a smaller along_y_mm",
            "give a smaller block_mm",
        ),
        volume_mm3=volume,
    )


def _prism(b: _Bar, caliper: float) -> Prism:
    """Return one bar with its blocks; the middle block is the post's."""
    points: list[XY] = [(0.0, 0.0), (b.long, 0.0)]
    for low, high in reversed(b.blocks(caliper)):
        if (low, high) != tuple(round(m, 3) for m in b.middle):
            points += [(high, b.bar), (high, b.top), (low, b.top), (low, b.bar)]
    points = [p for p in points if p not in ((b.long, b.bar), (0.0, b.bar))]
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

    def feature(name: str, kind: Kind, a: float, c: float, z: float, where: str) -> Feature:
        return Feature(
            id=f"{x}_{name}", kind=kind, axis=b.axis, nominal=round(c - a, 6),
            where=f"{where}, along {b.axis}", start=b.at(a, z), end=b.at(c, z), view="top",
            jaws=str(kind),
        )  # fmt: skip

    long = "the whole bar, end to end"
    if b.long > caliper:
        long += f" (leave empty if nothing reads {b.long:.0f} mm)"
    found = [feature("outside_whole", Kind.OUTSIDE, 0.0, b.long, height, long)]
    blocks = b.blocks(caliper)
    for i in _pairs(len(blocks)):
        (a, a_end), (c, c_end) = blocks[i], blocks[i + 1]
        name, words = _named(i, len(blocks))
        found.append(feature(f"outside_{name}", Kind.OUTSIDE, a, c_end, height, f"over {words}"))
        found.append(feature(f"inside_{name}", Kind.INSIDE, a_end, c, height, f"between {words}"))
    # A block's own length is the short one that tells shrinkage from what outside lengths share.
    ends = (("plain", blocks[0]), ("lettered", blocks[-1]))
    return found + [
        feature(f"block_{end}", Kind.OUTSIDE, a, c, height, f"the {end} end block alone")
        for end, (a, c) in ends
    ]


def _pairs(blocks: int) -> list[int]:
    """Return which neighbours are measured, by the first of the two: those nearest to the ends."""
    gaps = list(range(blocks - 1))
    half = _MOST_PAIRS // 2
    return gaps if len(gaps) <= _MOST_PAIRS else gaps[:half] + gaps[-half:]


def _named(i: int, blocks: int) -> tuple[str, str]:
    """Return the name and the words for blocks i and i + 1."""
    if i == 0:
        return "first", "the plain end block and the next one"
    if i == blocks - 2:
        return "last", "the lettered end block and the one before it"
    return f"{i + 1}_{i + 2}", f"blocks {i + 1} and {i + 2}, counted from the plain end"
