"""Pieces for the tests of drawings: a stepped block, an L-shaped comb and a frame with diagonals."""

from dataclasses import dataclass
from itertools import pairwise

from patterns.body import Body, Circle, Prism, box, rectangle
from patterns.feature import Feature, Kind, Point
from patterns.piece import Piece
from patterns.spec import PrintSetup, Spec


@dataclass(frozen=True, kw_only=True)
class NoSpec(Spec):
    """No parameters."""


def _piece(name: str, body: Body, features: list[Feature]) -> Piece:
    setup = PrintSetup(build_x_mm=300.0, build_y_mm=300.0)
    return Piece(pattern=name, spec=NoSpec(), setup=setup, body=body, features=tuple(features))


def _f(fid: str, kind: Kind, start: Point, end: Point, view: str, jaws: str = "outside") -> Feature:
    nominal = sum((b - a) ** 2 for a, b in zip(start, end, strict=True)) ** 0.5
    return Feature(
        id=fid, kind=kind, axis="X", nominal=nominal, where=f"touch {fid}", start=start, end=end,
        view=view, jaws=jaws,
    )  # fmt: skip


def stepped_block() -> Piece:
    """60 x 40 x 30 block in two steps, with a slot from above and a hole through the low step."""
    body = Body(
        add=(box(0, 0, 0, 60, 40, 15), box(0, 0, 15, 30, 40, 30)),
        cut=(
            box(10, -1, 20, 18, 41, 31),
            Prism(outline=Circle(46.0, 20.0, 12.0), start_mm=-1, end_mm=16),
        ),
        chamfer_mm=0.5,
    )
    features = [
        _f("length_x", Kind.OUTSIDE, (0, 20, 8), (60, 20, 8), "top"),
        _f("width_y", Kind.OUTSIDE, (25, 0, 8), (25, 40, 8), "top"),
        _f("top_x", Kind.OUTSIDE, (0, 30, 25), (30, 30, 25), "front"),
        _f("slot_x", Kind.INSIDE, (10, 20, 25), (18, 20, 25), "front", "inside"),
        _f("slot_deep", Kind.STEP, (14, 20, 30), (14, 20, 20), "front", "depth"),
        _f("hole", Kind.DIAMETER, (40, 20, 15), (52, 20, 15), "top", "inside"),
        _f("height_low", Kind.HEIGHT, (55, 20, 0), (55, 20, 15), "front"),
        _f("height", Kind.HEIGHT, (25, 20, 0), (25, 20, 30), "front"),
        _f("step", Kind.STEP, (30, 10, 30), (30, 10, 15), "right", "depth"),
        _f("rim", Kind.WALL, (0, 5, 27), (10, 5, 27), "top"),
        Feature(id="weight", kind=Kind.MASS, axis="", nominal=50.0, where="weigh it",
                start=(45, 5, 15), end=(45, 5, 15), view="top", jaws=""),
        Feature(id="skin", kind=Kind.SCORE, axis="", nominal=10.0, where="look at the front",
                start=(20, 0, 10), end=(20, 0, 10), view="front", jaws=""),
    ]  # fmt: skip
    return _piece("stepped-block", body, features)


def comb(size: float = 200.0) -> Piece:
    """L of two arms with teeth; outside, inside and pitch along each arm."""
    wide, tooth, deep = 16.0, 8.0, 12.0
    xs = [0.0, 20.0, 45.0, 80.0, 130.0, size - tooth]
    cuts = []
    for a, b in pairwise(xs):
        cuts.append(box(a + tooth, -1, -1, b, deep, 20))
        cuts.append(box(-1, a + tooth, -1, deep, b, 20))
    cuts = [c for c in cuts if c.volume_mm3 > 0]
    body = Body(
        add=(box(0, 0, 0, size, deep + wide, 10), box(0, 0, 0, deep + wide, size, 10)),
        cut=tuple(cuts[2:]),
        chamfer_mm=0.4,
    )
    features = []
    for k, x in enumerate(xs[1:], 1):
        y = deep / 2
        features.append(_f(f"out_x{k}", Kind.OUTSIDE, (0, y, 5), (x + tooth, y, 5), "top"))
        features.append(_f(f"out_y{k}", Kind.OUTSIDE, (y, 0, 5), (y, x + tooth, 5), "top"))
        features.append(_f(f"pitch_x{k}", Kind.PITCH, (0, y, 5), (x, y, 5), "top"))
        features.append(_f(f"pitch_y{k}", Kind.PITCH, (y, 0, 5), (y, x, 5), "top"))
    for k in (1, 2):
        a, b = xs[k] + tooth, xs[k + 1]
        features.append(_f(f"in_x{k}", Kind.INSIDE, (a, 6, 5), (b, 6, 5), "top", "inside"))
        features.append(_f(f"in_y{k}", Kind.INSIDE, (6, a, 5), (6, b, 5), "top", "inside"))
    return _piece("comb", body, features)


def frame_with_diagonals() -> Piece:
    """100 x 100 x 8 frame; the four outside widths, the inside ones and both diagonals."""
    ring = Prism(outline=rectangle(0, 0, 100, 100), start_mm=0, end_mm=8,
                 holes=(rectangle(12, 12, 88, 88),))  # fmt: skip
    features = [
        _f("front", Kind.OUTSIDE, (0, 6, 4), (100, 6, 4), "top"),
        _f("back", Kind.OUTSIDE, (0, 94, 4), (100, 94, 4), "top"),
        _f("left", Kind.OUTSIDE, (6, 0, 4), (6, 100, 4), "top"),
        _f("right", Kind.OUTSIDE, (94, 0, 4), (94, 100, 4), "top"),
        _f("diagonal_a", Kind.DIAGONAL, (0, 0, 4), (100, 100, 4), "top"),
        _f("diagonal_b", Kind.DIAGONAL, (100, 0, 4), (0, 100, 4), "top"),
        _f("in_x", Kind.INSIDE, (12, 50, 4), (88, 50, 4), "top", "inside"),
        _f("in_y", Kind.INSIDE, (50, 12, 4), (50, 88, 4), "top", "inside"),
        _f("high", Kind.HEIGHT, (50, 6, 0), (50, 6, 8), "front"),
    ]
    return _piece("frame", Body(add=(ring,), chamfer_mm=0.4), features)


def tower(bands: int = 10) -> Piece:
    """Slim tower of bands with three judgements each: 30 callouts on one side."""
    add = [box(0, 0, 0, 40, 30, 2)]
    features = []
    for k in range(bands):
        z = 2.0 + 12 * k
        add.append(box(5, 5, z, 35, 25, z + 10))
        add.append(box(4, 4, z + 10, 36, 26, z + 12))
        for n, what in enumerate(("bridge", "corner", "string")):
            at = (12.0 + 8 * n, 5.0, z + 5)
            features.append(
                Feature(id=f"{what}_{k}", kind=Kind.SCORE, axis="", nominal=10.0, where=what,
                        start=at, end=at, view="front", jaws="")
            )  # fmt: skip
    return _piece("tower", Body(add=tuple(add), chamfer_mm=0.3), features)
