"""Fit gauge: a board of sockets, each a little wider, and one round and one square peg to try.

Parts printed in sections are joined by pegs in sockets; what has to be known is the clearance at
which a peg sticks, presses, slides or rattles. The pegs stay the same and the sockets grow, so one
peg is tried all along its row. Clearance here is on the whole diameter or width, not per side.
"""

from dataclasses import dataclass

from patterns.body import Body, Circle, Loop, Prism, chamfer_loss_mm3, rectangle
from patterns.digits import engraved, needed_mm, stroke_for, text_area_mm2
from patterns.errors import SpecError
from patterns.feature import Feature, Kind, Point
from patterns.ladder import rungs
from patterns.piece import Advice, Piece, check_wall
from patterns.registry import pattern
from patterns.spec import PrintSetup, Spec, number

_WEB_MM = 4.0  # between sockets, and round them
_LABEL_MM = 5.2  # height of the strip of labels
_FLANGE_MM = 2.0
_TIP_MM = 1.0  # the peg's end is this long and ...
_LEAD_MM = 0.8  # ... this much narrower, to find its socket
_APART_MM = 6.0
_RELIEF_MM = (0.9, 0.35)  # of a square socket's corner: along its sides, and outwards


#: How a peg sits in its socket, from the tightest; the notes say what each means.
GRADES = ("stuck", "press", "slide", "loose")


@dataclass(frozen=True, kw_only=True)
class FitGaugeSpec(Spec):
    """Parameters of the fit gauge; clearances are diametral (on the whole diameter or width)."""

    peg_mm: float = number(8.0, "mm", 6.0, 40.0, "diameter of the round peg, width of the square")
    from_mm: float = number(0.0, "mm", 0.0, 2.0, "smallest clearance, on the whole diameter")
    to_mm: float = number(0.5, "mm", 0.0, 2.0, "largest clearance")
    step_mm: float = number(0.1, "mm", 0.02, 0.5, "change from socket to socket")
    board_mm: float = number(4.0, "mm", 3.0, 30.0, "thickness of the board, length of the fit")
    chamfer_mm: float = number(
        0.4, "mm", 0.0, 1.0, "chamfer along the bed, against the first layer's bulge"
    )


@dataclass(frozen=True, slots=True)
class _Sizes:
    board: float
    flange: float
    pitch: float
    long: float
    wide: float
    row_square: float  # Y of the middle of each row, and of the labels
    row_label: float
    row_round: float
    stroke: float

    def x(self, k: int) -> float:
        """Middle of socket k."""
        return round(_WEB_MM / 2 + (k + 0.5) * self.pitch, 6)


def _sizes(spec: FitGaugeSpec, clearances: tuple[float, ...], setup: PrintSetup) -> _Sizes:
    widest = spec.peg_mm + max(clearances)
    labels = [f"{c:g}" for c in clearances]
    longest = max(needed_mm(t, setup)[0] for t in labels)
    pitch = round(max(widest + _WEB_MM, longest + setup.line_mm), 2)
    relief = _RELIEF_MM[1]
    strip = max(_LABEL_MM, needed_mm("0", setup)[1])
    stroke = min(stroke_for(t, (pitch - setup.line_mm, strip), setup, "the board") for t in labels)
    return _Sizes(
        board=setup.layers(spec.board_mm),
        flange=setup.layers(_FLANGE_MM),
        pitch=pitch,
        long=_WEB_MM + len(clearances) * pitch,
        wide=2 * _WEB_MM + 2 * widest + relief + strip,
        row_square=_WEB_MM + widest / 2,
        row_label=_WEB_MM + widest + relief + strip / 2,
        row_round=_WEB_MM + 1.5 * widest + relief + strip,
        stroke=stroke,
    )


@pattern(
    "fit-gauge",
    FitGaugeSpec,
    "How much clearance do joined parts need to press or slide?",
    settles=("clearance",),
    first_for=("clearance",),
    shrinks=(("peg_mm", -1), ("step_mm", 1)),
)
def lay_out(spec: FitGaugeSpec, setup: PrintSetup) -> Piece:
    """Lay the board out at the origin and the two pegs behind it, three separate solids.

    Measured: for each socket and its peg one grade, stuck / press / slide / loose, against the
    clearance on the whole diameter or width; and the pegs' own sizes along X and Y.
    """
    clearances = rungs(spec.from_mm, spec.to_mm, spec.step_mm, "step_mm", "mm", least=3)
    z = _sizes(spec, clearances, setup)
    check_wall(
        "the web between two sockets", _WEB_MM - 2 * (spec.chamfer_mm + 2 * _RELIEF_MM[1]), setup
    )
    if spec.chamfer_mm > z.board / 3:
        raise SpecError(
            f"a chamfer of {spec.chamfer_mm:g} mm is too much for a board of {z.board:g} mm",
            mend=f"give chamfer_mm {z.board / 4:.1f} or less",
        )
    sockets = _sockets(spec, z, clearances)
    board = Prism(
        outline=rectangle(0, 0, z.long, z.wide), holes=sockets, start_mm=0, end_mm=z.board
    )
    deep = 2 * setup.layer_mm
    labels = [f"{c:g}" for c in clearances]
    marks = tuple(
        p
        for k, label in enumerate(labels)
        for p in engraved(
            label,
            stroke_mm=z.stroke,
            centre=(z.x(k), z.row_label),
            face="top",
            level_mm=z.board,
            depth_mm=deep,
        )
    )
    pegs, feet = _pegs(spec, z, setup)
    bevel = sum(chamfer_loss_mm3(loop, spec.chamfer_mm) for loop in (board.outline, *feet))
    bevel += sum(chamfer_loss_mm3(loop, spec.chamfer_mm, hole=True) for loop in sockets)
    volume = board.volume_mm3 + sum(p.volume_mm3 for p in pegs) - bevel
    volume -= deep * sum(text_area_mm2(label, z.stroke) for label in labels)
    features = [f for k, c in enumerate(clearances) for f in _grades(spec, z, k, c)]
    return Piece(
        pattern="fit-gauge",
        spec=spec,
        setup=setup,
        body=Body(add=(board, *pegs), cut=marks, chamfer_mm=spec.chamfer_mm, solids=3),
        features=(*features, *_peg_sizes(spec, z)),
        advice=Advice(
            walls=3,
            infill_percent=25,
            notes=(
                "Print all three parts together, as they lie; no supports.",
                "Start at the loosest socket. Stuck: will not go in by hand; press: goes in by hand"
                " and holds; slide: moves and does not rattle; loose: rattles.",
            ),
        ),
        volume_mm3=volume,
        smaller=(
            "give a larger step_mm, a smaller to_mm or a smaller peg_mm",
            "give a smaller peg_mm",
            "give a smaller board_mm",
        ),
    )


def _sockets(spec: FitGaugeSpec, z: _Sizes, clearances: tuple[float, ...]) -> tuple[Loop, ...]:
    loops: list[Loop] = []
    for k, c in enumerate(clearances):
        size = spec.peg_mm + c
        loops.append(Circle(z.x(k), z.row_round, size))
        loops.append(_relieved(z.x(k), z.row_square, size))
    return tuple(loops)


def _relieved(u: float, v: float, size: float) -> Loop:
    """Return a square socket whose corners give way, for printed corners are never sharp."""
    h, along, out = size / 2, _RELIEF_MM[0], _RELIEF_MM[1]
    corner = ((h, h - along), (h + out, h + out), (h - along, h))
    turns = ((1, 0, 0, 1), (0, -1, 1, 0), (-1, 0, 0, -1), (0, 1, -1, 0))
    return tuple(
        (round(u + a * x + b * y, 6), round(v + c * x + d * y, 6))
        for a, b, c, d in turns
        for x, y in corner
    )


def _square(u: float, v: float, size: float) -> Loop:
    half = size / 2
    return rectangle(u - half, v - half, u + half, v + half)


def _peg_centres(spec: FitGaugeSpec, z: _Sizes) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the middle of the round and of the square peg."""
    y = z.wide + _APART_MM + (spec.peg_mm + 6.0) / 2
    x = (spec.peg_mm + 6.0) / 2
    return (x, y), (x + spec.peg_mm + 6.0 + 2 * _APART_MM, y)


def _pegs(
    spec: FitGaugeSpec, z: _Sizes, setup: PrintSetup
) -> tuple[tuple[Prism, ...], tuple[Loop, ...]]:
    """Return the pegs' prisms and the outlines of their feet; the square one's foot is longer."""
    (xr, y), (xs, _) = _peg_centres(spec, z)
    half = spec.peg_mm / 2 + 3.0
    foot_round = rectangle(xr - half, y - half, xr + half, y + half)
    foot_square = rectangle(xs - half - 3.0, y - half, xs + half + 3.0, y + half)
    shoulder = z.flange + z.board
    tip = shoulder + setup.layers(_TIP_MM)
    narrow = spec.peg_mm - _LEAD_MM
    prisms = (
        Prism(outline=foot_round, start_mm=0, end_mm=z.flange),
        Prism(outline=Circle(xr, y, spec.peg_mm), start_mm=z.flange, end_mm=shoulder),
        Prism(outline=Circle(xr, y, narrow), start_mm=shoulder, end_mm=tip),
        Prism(outline=foot_square, start_mm=0, end_mm=z.flange),
        Prism(outline=_square(xs, y, spec.peg_mm), start_mm=z.flange, end_mm=shoulder),
        Prism(outline=_square(xs, y, narrow), start_mm=shoulder, end_mm=tip),
    )
    return prisms, (foot_round, foot_square)


def _grades(spec: FitGaugeSpec, z: _Sizes, k: int, clearance: float) -> list[Feature]:
    reach = (spec.peg_mm + clearance) / 2
    found = []
    for group, y in (("round", z.row_round), ("square", z.row_square)):
        start: Point = (z.x(k) - reach, y, z.board)
        end: Point = (z.x(k) + reach, y, z.board)
        found.append(
            Feature(
                id=f"{group}_{k + 1}",
                kind=Kind.PASS,
                axis="",
                nominal=1.0,
                where=f"{group} peg in socket {clearance:g}: stuck, press, slide or loose",
                start=start,
                end=end,
                view="top",
                jaws="",
                rung=clearance,
                group=group,
                grades=GRADES,
            )
        )
    return found


def _peg_sizes(spec: FitGaugeSpec, z: _Sizes) -> list[Feature]:
    half, height = spec.peg_mm / 2, z.flange + 0.6 * z.board
    found = []
    for (x, y), name, kind in zip(
        _peg_centres(spec, z),
        ("round", "square"),
        (Kind.DIAMETER, Kind.OUTSIDE),
        strict=True,
    ):
        for axis in "XY":
            du, dv = (half, 0.0) if axis == "X" else (0.0, half)
            found.append(
                Feature(
                    id=f"peg_{name}_{axis.lower()}",
                    kind=kind,
                    axis=axis,
                    nominal=spec.peg_mm,
                    where=f"the {name} peg itself, along {axis}",
                    start=(x - du, y - dv, height),
                    end=(x + du, y + dv, height),
                    view="top",
                    group="peg",
                )
            )
    return found
