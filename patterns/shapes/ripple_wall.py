"""Ripple wall: a standing set square whose two straight faces are printed faster from band to band.

After a corner the nozzle swings on: across the face along X swings Y, across the face along Y swings X. Both
faces follow a sharp corner whichever way round the outline is printed, and nothing else is on them. The two
legs differ in length, so that the faces can't be mistaken for each other; grooves in the long side mark where
one band ends.
"""

import math
from dataclasses import dataclass

from patterns.body import XY, Body, Prism
from patterns.errors import SpecError
from patterns.feature import Feature, Kind
from patterns.ladder import check_tower, rungs
from patterns.piece import ACCELERATION, Advice, HeadLine, Piece
from patterns.registry import pattern
from patterns.rung import RungFeatures, schedule_by_band
from patterns.spec import PrintSetup, Spec, number

#: Share of the leg along X that the leg along Y has.
_SHORTER = 0.8
_BASE_MM = 1.2  # below it the file's own speeds, so that the first layers hold
_GROOVE_MM = 0.3  # and never more than leaves one line of the wall
_USUAL_HZ = 41.0  # for the picture, and for what to expect

_WANTED = HeadLine(
    "wanted_ripple_mm", "height of ripples that you would still accept, in mm; empty: 0.02", "0.03"
)


@dataclass(frozen=True, kw_only=True)
class RippleWallSpec(Spec):
    """Parameters of the ripple wall."""

    from_mm_s: float = number(60.0, "mm/s", 10.0, 500.0, "speed of the lowest band")
    to_mm_s: float = number(120.0, "mm/s", 10.0, 500.0, "speed of the highest band")
    step_mm_s: float = number(20.0, "mm/s", 5.0, 200.0, "change from band to band")
    leg_mm: float = number(60.0, "mm", 30.0, 200.0, "length of the face along X")
    band_mm: float = number(7.0, "mm", 4.0, 30.0, "height of one band")
    ripples: int = number(4, "", 2, 12, "how many ripples are measured over")


@dataclass(frozen=True, slots=True)
class _Sizes:
    long: float  # along X
    deep: float  # along Y
    wall: float
    base: float
    band: float
    groove: float

    def floor(self, k: int) -> float:
        """Height at which band k begins."""
        return round(self.base + k * self.band, 6)


@pattern(
    "ripple-wall",
    RippleWallSpec,
    "At which frequency do X and Y swing after a corner, and from which speed does it show?",
    settles=("ripple", "smooth"),
    first_for=("ripple", "smooth"),
    shrinks=(("leg_mm", -1), ("step_mm_s", 1)),
)
def lay_out(spec: RippleWallSpec, setup: PrintSetup) -> Piece:
    """Lay the set square out with its right angle at the front right.

    Measured per band and face: the length over a counted number of ripples, and whether they show.
    """
    speeds = rungs(spec.from_mm_s, spec.to_mm_s, spec.step_mm_s, "step_mm_s", "mm/s")
    z = _Sizes(
        long=spec.leg_mm,
        deep=round(_SHORTER * spec.leg_mm, 3),
        wall=2 * setup.line_mm,
        base=setup.layers(_BASE_MM),
        band=setup.layers(spec.band_mm),
        groove=min(_GROOVE_MM, setup.line_mm),
    )
    if z.wall > z.deep / 8:
        raise SpecError(f"walls of {z.wall:g} mm leave no hollow", mend="give a larger leg_mm")
    check_tower(len(speeds), z.base, z.band, "step_mm_s", setup)
    top = z.floor(len(speeds))
    tube = Prism(outline=_triangle(z, 0.0), holes=(_triangle(z, z.wall),), start_mm=0, end_mm=top)
    high = setup.layers(2 * setup.layer_mm)
    grooves = tuple(
        Prism(outline=_groove(z), start_mm=z.floor(k), end_mm=round(z.floor(k) + high, 6))
        for k in range(1, len(speeds))
    )
    return Piece(
        pattern="ripple-wall",
        spec=spec,
        setup=setup,
        body=Body(add=(tube,), cut=grooves),
        features=tuple(f for k, v in enumerate(speeds) for f in _features(spec, z, k, v)),
        schedule=schedule_by_band("speed_mm_s", speeds, z.floor, z.floor(0)),
        advice=Advice(
            walls=2,
            infill_percent=0,
            brim_mm=3.0,
            notes=(
                "Print standing, as it is; two wall lines, no infill, no bottom and no top. Put the seam"
                " on the long side.",
                f"At {max(speeds):g} mm/s the hot end has to melt"
                f" {max(speeds) * setup.line_mm * setup.layer_mm:.0f} mm³/s; hold to the limits of the printer's maker.",
                "Switch off whatever makes up for ripples, and what slows small layers down.",
                "Do not press the thin walls while you measure.",
            ),
        ),
        head_lines=(ACCELERATION, _WANTED),
        without=("ripple_x_hz", "ripple_y_hz", "smooth_speed_mm_s"),
        smaller=("give a smaller leg_mm", "give a smaller leg_mm", "give a larger step_mm_s"),
        volume_mm3=tube.volume_mm3 - len(grooves) * high * _groove_mm2(z),
    )


def _triangle(z: _Sizes, inset: float) -> tuple[XY, ...]:
    """Return the outline moved inwards: front edge, right edge, and the long side from back to front."""
    # The long side is y = deep x / long; moved in, it crosses y = inset and x = long - inset.
    down = inset * math.hypot(z.long, z.deep) / z.long
    right = z.long - inset
    left = (inset + down) * z.long / z.deep
    points = ((left, inset), (right, inset), (right, right * z.deep / z.long - down))
    return tuple((round(x, 6), round(y, 6)) for x, y in points)


def _groove(z: _Sizes) -> tuple[XY, ...]:
    """Return a shallow groove along the middle of the long side, from above; two corners lie in the wall."""
    length = math.hypot(z.long, z.deep)
    out = (-z.deep / length, z.long / length)

    def at(share: float, outwards: float) -> XY:
        x, y = share * z.long + outwards * out[0], share * z.deep + outwards * out[1]
        return round(x, 6), round(y, 6)

    return at(0.25, -z.groove), at(0.75, -z.groove), at(0.75, 1.0), at(0.25, 1.0)


def _groove_mm2(z: _Sizes) -> float:
    """Return how much of the wall a groove takes."""
    length = math.hypot(z.long, z.deep)
    (ax, ay), (bx, by) = _groove(z)[:2]
    depths = [(z.deep * x - z.long * y) / length for x, y in ((ax, ay), (bx, by))]
    along = ((bx - ax) * z.long + (by - ay) * z.deep) / length
    return sum(depths) / 2 * along


def _features(spec: RippleWallSpec, z: _Sizes, k: int, speed: float) -> list[Feature]:
    height = round(z.floor(k) + z.band / 2, 6)
    wave = speed / _USUAL_HZ
    begin, over = 2 * wave, spec.ripples * wave
    faces = (
        ("X", "Y", (begin, 0.0, height), (begin + over, 0.0, height), "front"),
        ("Y", "X", (z.long, begin, height), (z.long, begin + over, height), "right"),
    )
    band = f"band {speed:g} mm/s"
    lengths = [
        Feature(
            id=f"along_{face.lower()}_{k + 1}", kind=Kind.PITCH, axis=swings, nominal=0.0,
            where=f"{band}: over {spec.ripples} ripples of the face along {face}, behind the first ripple",
            start=start, end=end, view=view, jaws="", rung=speed, group="ripple", by="ruler",
        )
        for face, swings, start, end, view in faces
    ]  # fmt: skip
    beside = (round(begin + over + 4.0, 6), 0.0, height)
    look = RungFeatures(k, speed, band).accept(
        beside, beside, "both faces look smooth", "smooth", "ripples"
    )
    return [*lengths, look]
