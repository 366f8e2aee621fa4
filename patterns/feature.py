"""The things on a piece that can be measured, and where on it they are."""

import math
from dataclasses import dataclass
from enum import StrEnum

Point = tuple[float, float, float]


class Kind(StrEnum):
    """What sort of thing a feature is; it decides how errors show in its reading."""

    OUTSIDE = "outside"  # between faces that look away from each other: grows with the outline
    INSIDE = "inside"  # between faces that look at each other: shrinks with the outline
    PITCH = "pitch"  # between faces that look the same way, or centre to centre: unchanged
    HEIGHT = "height"  # from the bed to an upper face: carries the first layer's squeeze
    STEP = "step"  # between two upper faces: free of the first layer
    DIAGONAL = "diagonal"  # outside faces across a corner: carries skew
    WALL = "wall"  # thickness of a wall of counted lines
    DIAMETER = "diameter"
    MASS = "mass"
    SCORE = "score"  # a judgement from 0 (worst) to 10 (best)
    PASS = "pass"  # yes or no, or a grade
    STRANDS = "strands"  # area of material in a gap that should be empty; 0 is perfect
    DROOP = "droop"  # how far a free edge hangs below where it was drawn; 0 is perfect
    ROUGHNESS = "roughness"  # standard deviation of an edge about its own line; 0 is perfect


#: Unit of the nominal value and of the readings, by kind.
UNITS = {Kind.MASS: "g", Kind.SCORE: "0-10", Kind.PASS: "yes/no", Kind.STRANDS: "mm2"}

#: Which instrument a kind is read with, unless a feature says otherwise.
INSTRUMENTS = {
    Kind.MASS: "balance", Kind.SCORE: "eye", Kind.PASS: "eye",
    Kind.STRANDS: "photo", Kind.DROOP: "photo", Kind.ROUGHNESS: "photo",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One measurable thing.

    Attributes
    ----------
    id : str
        Short, unique on its piece, made of a-z, 0-9 and `_`.
    kind : Kind
    axis : str
        The printer's axis or plane it informs: X, Y, Z, XY, XZ, YZ, or "" where there is none.
    nominal : float
        What a true print would read, in `unit`.
    where : str
        Words for the user: what to touch with what.
    start, end : (3,) float, millimetres
        Where the caliper's jaws (or the eye) go, in the piece's own coordinates, z = 0 on the bed.
        Of what a photo shows: the ends of the gap or of the edge.
    view : str
        The side it is best shown from: top, front, right or iso.
    jaws : str
        Part of the caliper: outside, inside or depth ("" where no caliper is used).
    rung : float or None
        The value this feature stands for in a ladder (an angle, a span, a clearance, degC).
    group : str
        Features judged or fitted together, such as "bridge" on every band of a tower.
    grades : tuple of str
        Words for a judgement finer than yes or no, from the least, such as stuck, press, slide,
        loose; its reading is the place of the word in the list, from 0.
    by : str
        The sort of instrument where it is not the usual one of its kind; what only a photo measures
        comes last.
    """

    id: str
    kind: Kind
    axis: str
    nominal: float
    where: str
    start: Point
    end: Point
    view: str = "top"
    jaws: str = "outside"
    rung: float | None = None
    group: str = ""
    grades: tuple[str, ...] = ()
    by: str = ""

    @property
    def unit(self) -> str:
        """Unit of the nominal value and of the readings."""
        return UNITS.get(self.kind, "mm")

    @property
    def instrument(self) -> str:
        """The sort of instrument it is read with: caliper, ruler, balance, eye or photo."""
        return self.by or INSTRUMENTS.get(self.kind, "caliper")

    @property
    def direction(self) -> Point:
        """Unit vector from start to end; (0, 0, 0) where both are one point."""
        d = [b - a for a, b in zip(self.start, self.end, strict=True)]
        length = math.hypot(*d)
        return (d[0] / length, d[1] / length, d[2] / length) if length else (0.0, 0.0, 0.0)
