"""Dimensional cube: three terraces round one corner, with every kind of length on X, Y and Z.

A plain cube can't tell a scale error from an outline offset. Here each axis has long and short outside
lengths (the terraces, and the walls beside a well), inside lengths (the well and a notch) and a pitch
(from riser to edge), so the three separate; heights and steps do the same for Z and the first layer.
"""

from dataclasses import dataclass, replace

from patterns.body import Body, Prism, box, chamfer_loss_mm3
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.piece import JAWS_CLOSED, Advice, Piece, check_wall
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number

_USUAL_MM, _LEAST_MM = 30.0, 25.0


@dataclass(frozen=True, kw_only=True)
class DimensionalCubeSpec(Spec):
    """Parameters of the dimensional cube."""

    size_mm: float = number(
        0.0, "mm", 0.0, 150.0, "edge of the cube that the piece fits in (0: 30, or as letters need)"
    )
    chamfer_mm: float = number(
        0.4, "mm", 0.0, 2.0, "chamfer along the bed, against the first layer's bulge"
    )


@dataclass(frozen=True, slots=True)
class _Sizes:
    """Lengths worked out from the spec, in millimetres."""

    terraces: tuple[float, float, float]  # X and Y of the low, middle and top terrace
    tops: tuple[float, float, float]  # their heights
    well: float
    notch_deep: float
    window_wide: float
    window_from: float
    window_to: float


def _sizes(spec: DimensionalCubeSpec, setup: PrintSetup) -> _Sizes:
    s = spec.size_mm
    tops = (setup.layers(0.3 * s), setup.layers(0.65 * s), setup.layers(s))
    # The window is in the top terrace alone; its lintel is what remains above.
    return _Sizes(
        terraces=(s, 0.75 * s, 0.5 * s),
        tops=tops,
        # Walls beside it are not near a tenth of the whole: a slipped decimal point would read as one.
        well=0.24 * s,
        notch_deep=0.125 * s,
        window_wide=min(0.2 * s, 10.0),
        window_from=tops[1],
        window_to=tops[1] + setup.layers(0.2 * s),
    )


def _filled_in(spec: DimensionalCubeSpec, setup: PrintSetup) -> DimensionalCubeSpec:
    # The letters stand in the squares that the notches leave, a quarter of the edge wide.
    size = spec.size_mm or round(max(_USUAL_MM, 4 * max(needed_mm("X", setup))), 2)
    if size < _LEAST_MM:
        raise SpecError(f"size_mm must be {_LEAST_MM:g} mm or more (got {size:g})", mend="try 30")
    return replace(spec, size_mm=size)


@pattern(
    "dimensional-cube",
    DimensionalCubeSpec,
    "Do sizes come out true on X, Y and Z?",
    settles=("scale", "outline", "first_layer"),
    first_for=("scale", "outline", "first_layer"),
    shrinks=(("size_mm", -1),),
)
def lay_out(spec: DimensionalCubeSpec, setup: PrintSetup) -> Piece:
    """Lay the cube out: corner at (0, 0, 0), terraces falling towards +X and +Y."""
    spec = _filled_in(spec, setup)
    z = _sizes(spec, setup)
    (a, b, c), (low, mid, top) = z.terraces, z.tops
    wall = (c - z.well) / 2
    check_wall("the wall round the well", wall, setup)
    if top - z.window_to < 3 * setup.layer_mm:
        raise SpecError(
            f"layers of {setup.layer_mm:g} mm leave too little above the window of a {a:g} mm cube",
            mend="make size_mm larger or layer_mm smaller",
        )
    at, to = wall, wall + z.well  # the well, in X and in Y
    n0 = 0.25 * a  # the notches, along their edge
    n1 = n0 + 0.5 * a
    w0 = (c - z.window_wide) / 2
    w1 = w0 + z.window_wide
    letters, letters_mm3 = _letters(z, setup)
    body = Body(
        add=(
            box(0, 0, 0, a, a, low),
            box(0, 0, 0, b, b, mid),
            box(0, 0, 0, c, c, top),
        ),
        cut=(
            box(at, at, -1, to, to, top + 1),
            box(a - z.notch_deep, n0, -1, a + 1, n1, low + 1),
            box(n0, a - z.notch_deep, -1, n1, a + 1, low + 1),
            box(to - wall / 2, w0, z.window_from, c + 1, w1, z.window_to),
            *letters,
        ),
        chamfer_mm=spec.chamfer_mm,
    )
    return Piece(
        pattern="dimensional-cube",
        spec=spec,
        setup=setup,
        body=body,
        features=_features(z, wall, n0, n1, (w0 + w1) / 2),
        advice=Advice(
            walls=3,
            infill_percent=15,
            notes=(
                "Print as it lies, the low terrace on the bed; no supports.",
                "Let it cool on the bed; measure when it is at room temperature.",
            ),
        ),
        head_lines=(JAWS_CLOSED,),
        smaller=("give a smaller size_mm",) * 3,
        volume_mm3=_volume_mm3(z, wall, n0, n1, spec.chamfer_mm) - letters_mm3,
    )


def _letters(z: _Sizes, setup: PrintSetup) -> tuple[tuple[Prism, ...], float]:
    """Return X and Y engraved in the low terrace at the end of each axis, and their volume."""
    (a, b, _), low = z.terraces, z.tops[0]
    # They stand in the squares that the notches leave at the ends of the low terrace.
    room = (a - b, a - b)
    middle, aside, deep = (a + b) / 2, (a - b) / 2, 2 * setup.layer_mm
    prisms: tuple[Prism, ...] = ()
    volume = 0.0
    for axis, centre in (("X", (middle, aside)), ("Y", (aside, middle))):
        stroke = stroke_for(axis, room, setup, "the low terrace")
        prisms += engraved(
            axis, stroke_mm=stroke, centre=centre, face="top", level_mm=low, depth_mm=deep
        )
        volume += deep * text_area_mm2(axis, stroke)
    return prisms, volume


def _volume_mm3(z: _Sizes, wall: float, n0: float, n1: float, chamfer_mm: float) -> float:
    (a, b, c), (low, mid, top) = z.terraces, z.tops
    stack = a * a * low + b * b * (mid - low) + c * c * (top - mid)
    well = z.well**2 * top
    notches = 2 * z.notch_deep * (n1 - n0) * low
    window = z.window_wide * wall * (z.window_to - z.window_from)
    d = z.notch_deep
    outline = (
        (0.0, 0.0), (a, 0.0), (a, n0), (a - d, n0), (a - d, n1), (a, n1), (a, a),
        (n1, a), (n1, a - d), (n0, a - d), (n0, a), (0.0, a),
    )  # fmt: skip
    hole = (
        (wall, wall),
        (wall + z.well, wall),
        (wall + z.well, wall + z.well),
        (wall, wall + z.well),
    )
    bevel = chamfer_loss_mm3(outline, chamfer_mm) + chamfer_loss_mm3(hole, chamfer_mm, hole=True)
    return stack - well - notches - window - bevel


def _features(z: _Sizes, wall: float, n0: float, n1: float, window_y: float) -> tuple[Feature, ...]:
    found: list[Feature] = []
    for axis in "XY":
        found += _flat_features(z, axis, wall, n0, n1)
    return tuple(found + _upright_features(z, wall, window_y))


def _flat_features(z: _Sizes, axis: str, wall: float, n0: float, n1: float) -> list[Feature]:
    (a, b, c), (low, mid, top) = z.terraces, z.tops
    x = axis.lower()

    def at(along: float, across: float, height: float) -> Point:
        return (along, across, height) if axis == "X" else (across, along, height)

    def feature(name: str, kind: Kind, ends: tuple[float, float], across: float, height: float,
                where: str, jaws: str) -> Feature:  # fmt: skip
        start, end = at(ends[0], across, height), at(ends[1], across, height)
        return Feature(
            id=f"{x}_{name}", kind=kind, axis=axis, nominal=round(ends[1] - ends[0], 6),
            where=f"{where}, along {axis}", start=start, end=end, view="top", jaws=jaws,
        )  # fmt: skip

    return [
        feature("outside_low", Kind.OUTSIDE, (0, a), 0.1 * a, low / 2, "low terrace, across the whole piece", "outside"),
        feature("outside_mid", Kind.OUTSIDE, (0, b), 0.68 * a, (low + mid) / 2, "middle terrace", "outside"),
        feature("wall_near", Kind.OUTSIDE, (0, wall), c / 2, top - 2, f"wall beside the well, on the side away from +{axis}", "outside"),
        feature("wall_far", Kind.OUTSIDE, (wall + z.well, c), c / 2, top - 2, f"wall beside the well, on the side towards +{axis}", "outside"),
        feature("inside_well", Kind.INSIDE, (wall, wall + z.well), c / 2, top - 2, "the square well in the top", "inside"),
        feature("inside_notch", Kind.INSIDE, (n0, n1), a - z.notch_deep / 2, low - 1, "the notch in the edge of the low terrace", "inside"),
        feature("pitch_mid_low", Kind.PITCH, (b, a), 0.18 * a, low, "from the middle riser to the edge of the low terrace", "depth"),
    ]  # fmt: skip


def _upright_features(z: _Sizes, wall: float, window_y: float) -> list[Feature]:
    (a, b, c), (low, mid, top) = z.terraces, z.tops

    def feature(name: str, kind: Kind, xy: tuple[float, float], ends: tuple[float, float],
                where: str, jaws: str, view: str = "front") -> Feature:  # fmt: skip
        return Feature(
            id=f"z_{name}", kind=kind, axis="Z", nominal=round(ends[1] - ends[0], 6), where=where,
            start=(*xy, ends[0]), end=(*xy, ends[1]), view=view, jaws=jaws,
        )  # fmt: skip

    corner = 0.04 * a
    return [
        feature("height_low", Kind.HEIGHT, (a - corner, 0.1 * a), (0, low), "height of the low terrace above the bed's face", "outside"),
        feature("height_mid", Kind.HEIGHT, (b - corner, 0.1 * a), (0, mid), "height of the middle terrace", "outside"),
        feature("height_top", Kind.HEIGHT, (corner, 0.05 * a), (0, top), "height of the top terrace, the whole piece", "outside"),
        feature("step_low_mid", Kind.STEP, (b, 0.3 * a), (low, mid), "step from the low terrace up to the middle one", "depth"),
        feature("step_mid_top", Kind.STEP, (c, 0.3 * a), (mid, top), "step from the middle terrace up to the top", "depth"),
        feature("inside_window", Kind.INSIDE, (c - wall / 4, window_y), (z.window_from, z.window_to), "height of the window in the top terrace, at its edge", "inside", "right"),
        feature("outside_lintel", Kind.OUTSIDE, (c - wall / 4, window_y), (z.window_to, top), "thickness of the lintel above the window", "outside", "right"),
    ]  # fmt: skip
