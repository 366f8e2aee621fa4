"""A pattern with its parameters filled in: what gets printed and what is measured on it."""

from dataclasses import dataclass, field

from patterns.body import AXES, Body, Circle, Loop
from patterns.errors import SpecError
from patterns.feature import Feature
from patterns.schedule import ScheduleRow
from patterns.spec import PrintSetup, Spec


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """How to print the piece: common practice, no source.

    Attributes
    ----------
    in_place : bool
        Its coordinates are the bed's own, from the front left corner: it must not be moved.
    """

    walls: int = 3
    infill_percent: int = 20
    brim_mm: float = 0.0
    in_place: bool = False
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class HeadLine:
    """One more thing that may be written down beside the readings, as ``# key: value``.

    Attributes
    ----------
    key : str
        As on the sheet, with its unit: a-z, 0-9 and `_`.
    meaning : str
        What to write, what is taken where it stays empty.
    example : str
    """

    key: str
    meaning: str
    example: str


#: For pieces whose walls or holes are so thin that the caliper's own zero counts.
JAWS_CLOSED = HeadLine(
    "jaws_closed_mm",
    "what the caliper shows with wiped, closed jaws, in mm; it should be 0.00; empty: not looked at",
    "0.01",
)


#: For pieces on which the nozzle gains and loses speed.
ACCELERATION = HeadLine(
    "acceleration_mm_s2",
    "acceleration of outer walls while it was printed, in mm/s2; empty: 1000, which may be off by half",
    "1500",
)


ALLOWED_SAG = HeadLine(
    "allowed_sag_mm", "sag that you would still accept on a part, in mm; empty: 0.3", "0.5"
)


def weights_of(*groups: str) -> tuple[HeadLine, ...]:
    """Return the lines that say how much each group of scores counts."""
    return tuple(
        HeadLine(
            f"weight_{group}",
            f"how much {group.replace('_', ' ')} counts against the rest, 0 to 100; empty: 1",
            "2",
        )
        for group in groups
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Everything that a pattern says about one piece.

    Attributes
    ----------
    volume_mm3 : float or None
        The closed form of the solid's volume where there is one.
    head_lines : tuple of HeadLine
        What else may be written down, and helps the answer.
    screws_mm : tuple of (x, y)
        Where a bed's levelling screws usually are, in its own coordinates; shown on the picture.
    without : tuple of str
        Settings that are to be off while it is printed, because they would hide what it shows.
    smaller : (str, str, str)
        What to change where the piece is too long along X, Y or Z.
    """

    pattern: str
    spec: Spec
    setup: PrintSetup
    body: Body
    features: tuple[Feature, ...]
    schedule: tuple[ScheduleRow, ...] = ()
    advice: Advice = field(default_factory=Advice)
    volume_mm3: float | None = None
    head_lines: tuple[HeadLine, ...] = ()
    screws_mm: tuple[tuple[float, float], ...] = ()
    without: tuple[str, ...] = ()
    smaller: tuple[str, str, str] = ("make it smaller",) * 3

    def __post_init__(self) -> None:
        ids = [f.id for f in self.features]
        if len(set(ids)) != len(ids):
            msg = f"{self.pattern}: two features share an id: {sorted(ids)}"
            raise ValueError(msg)
        if self.printed:
            check_fits(self)

    @property
    def printed(self) -> bool:
        """Whether there is a solid to print; a check without plastic has none."""
        return bool(self.body.add) or self.body.shape is not None

    @property
    def by_hand(self) -> tuple[Feature, ...]:
        """The features that a hand or an eye reads; the others come from a photo, and come last."""
        return tuple(f for f in self.features if f.instrument != "photo")

    def feature(self, feature_id: str) -> Feature:
        """Return a feature by its id; KeyError where there is none.

        Raises
        ------
        KeyError
            The piece has no such feature.
        """
        for f in self.features:
            if f.id == feature_id:
                return f
        raise KeyError(feature_id)


def bounds_mm(body: Body) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Return the lowest and highest corner of the box around what is added, in millimetres."""
    if body.shape is not None:
        from patterns.solid import exact_bounds

        return exact_bounds(body.shape)
    low, high = [float("inf")] * 3, [float("-inf")] * 3
    for p in body.add:
        i, j, k = AXES[p.axis]
        for axis, values in zip((i, j), _extent(p.outline), strict=True):
            low[axis], high[axis] = min(low[axis], values[0]), max(high[axis], values[1])
        low[k], high[k] = min(low[k], p.start_mm), max(high[k], p.end_mm)
    return (low[0], low[1], low[2]), (high[0], high[1], high[2])


def _extent(loop: Loop) -> tuple[tuple[float, float], tuple[float, float]]:
    if isinstance(loop, Circle):
        r = loop.diameter_mm / 2
        return (loop.u - r, loop.u + r), (loop.v - r, loop.v + r)
    us, vs = [p[0] for p in loop], [p[1] for p in loop]
    return (min(us), max(us)), (min(vs), max(vs))


def check_fits(piece: Piece) -> None:
    """Refuse a piece that is larger than the build volume, naming the axis and what would fit."""
    low, high = bounds_mm(piece.body)
    rooms = (piece.setup.build_x_mm, piece.setup.build_y_mm, piece.setup.build_z_mm)
    sides = zip("XYZ", low, high, rooms, piece.smaller, strict=True)
    for axis, a, b, room, smaller in sides:
        brim = 0.0 if axis == "Z" else piece.advice.brim_mm
        if b - a + 2 * brim > room + 1e-6:
            with_brim = " with its brim" if brim else ""
            raise SpecError(
                f"{piece.pattern} is {b - a + 2 * brim:.1f} mm{with_brim} along {axis}, the printer"
                f" builds {room:.1f} mm",
                mend=f"{smaller}; or give the printer's real build volume",
            )


def check_wall(what: str, wall_mm: float, setup: PrintSetup) -> None:
    """Refuse a wall thinner than one printed line."""
    if wall_mm < setup.line_mm - 1e-9:
        raise SpecError(
            f"{what} would be {wall_mm:.2f} mm thick, thinner than one line of {setup.line_mm:g} mm",
            mend="make it larger or use a smaller nozzle",
        )
