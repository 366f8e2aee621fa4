"""How true will a part come out? The joint posterior, added up over parts of a given size.

A part printed with the profile's corrections still misses by what they leave uncertain: the scale
over its length, the outline at its two faces, the skew across its width. These are known jointly: a
gauge that tells their sum well may tell each of them badly. All pieces printed with one profile share
them, so they add up in proportion over several pieces in a row; only the scatter from piece to piece
averages out. Common practice, no source, for that scatter.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from calib.profile.answers import Where, answer
from calib.profile.blocks import Coordinate
from calib.profile.gaussian import Gaussian
from calib.profile.knowledge import PRINT_SD
from calib.profile.prior import Knowledge

#: Scatter of one length from piece to piece, in mm, beside the print's own scale.
SCATTER_MM = 0.03
COVERAGE = 1.959964
#: A share of data below which a topic counts as not measured.
_MEASURED = 0.1

Weights = Mapping[Coordinate, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """What one topic adds to a part's error, as a half-width that covers 95 %."""

    topic: str
    what: str
    half_mm: float
    measured: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """How far parts may miss, each a half-width that covers 95 %.

    Attributes
    ----------
    part_mm, part_half_mm : float
        Length of a part, and how far it may be off.
    joint_half_mm : float
        How far two neighbouring parts may miss each other at their joint.
    row_half_mm : float
        How far the whole row of `pieces` may be off.
    ring_half_mm : float
        How far a closed ring of `pieces` segments may gape or clash where it closes; 0 where fewer
        than three make no ring.
    """

    part_mm: float
    pieces: int
    shares: tuple[Share, ...]
    part_half_mm: float
    joint_half_mm: float
    row_half_mm: float
    ring_half_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """What a part's errors are made of: sums over the state, by axis where they have one.

    `scale_*` as a fraction, `offset_*` both walls together in mm, `skew` in radians.
    """

    scale_x: Weights
    scale_y: Weights
    offset_x: Weights
    offset_y: Weights
    skew: Weights

    def coordinates(self) -> list[Coordinate]:
        """Return every coordinate that takes part."""
        sums = (self.scale_x, self.scale_y, self.offset_x, self.offset_y, self.skew)
        return [c for w in sums for c in w]

    def along(self, axis: str, length_mm: float, times: float = 1.0) -> dict[Coordinate, float]:
        """Return the error of a length along X or Y, once or several times over."""
        scale, offset = (
            (self.scale_x, self.offset_x) if axis == "X" else (self.scale_y, self.offset_y)
        )
        return added((times * length_mm, scale), (times, offset))


def added(*parts: tuple[float, Weights]) -> dict[Coordinate, float]:
    """Return a weighted sum of sums over the state."""
    found: dict[Coordinate, float] = {}
    for factor, weights in parts:
        for c, w in weights.items():
            found[c] = found.get(c, 0.0) + factor * w
    return found


def sizes_at(where: Where, knowledge: Knowledge) -> Sizes:
    """Return what sizes are made of for a printer, nozzle and spool."""

    def scale(axis: str) -> Weights:
        return added((-1.0, answer(f"scale_{axis}_percent", where, knowledge).weights))

    def offset(axis: str) -> Weights:
        wall = Coordinate(f"offset_{axis}", "nozzle", where.nozzle)
        return {
            wall._replace(epoch=knowledge.epoch(wall, where.at)): 1.0,
            Coordinate("swell", "spool", where.spool): 1.0,
        }

    skew = answer("skew_xy_deg", where, knowledge).weights
    return Sizes(
        scale_x=scale("x"),
        scale_y=scale("y"),
        offset_x=offset("x"),
        offset_y=offset("y"),
        skew=added((math.pi / 180, skew)),
    )


def piece_scatter(part_mm: float) -> float:
    """Return what one piece scatters whatever is known, one standard deviation in mm."""
    return math.hypot(SCATTER_MM, PRINT_SD * part_mm)


def ring_weights(sizes: Sizes, part_mm: float, pieces: int) -> dict[Coordinate, float]:
    """Return the error of the closing gap of a ring of equal segments, each printed as the others.

    Scale alone keeps the angles, so a ring of any size closes. X and Y that differ turn the two faces
    of a segment towards each other by (e_x - e_y) sin(2 pi / n), and the faces carry the outline.
    """
    round_ = pieces * part_mm
    turn = pieces * math.sin(2 * math.pi / pieces) / (2 * math.pi)
    return added(
        (round_ * turn, sizes.scale_x), (-round_ * turn, sizes.scale_y), (pieces, sizes.offset_x)
    )


def part_tolerance(known: Gaussian, sizes: Sizes, part_mm: float, pieces: int = 1) -> Tolerance:
    """Add the uncertainties up, jointly; of X and Y the worse counts.

    Parameters
    ----------
    known : Gaussian
        Over `sizes.coordinates()` at least.
    """
    scatter = piece_scatter(part_mm)
    worse = max("XY", key=lambda a: known.u(sizes.along(a, part_mm)))
    scale = sizes.scale_x if worse == "X" else sizes.scale_y
    offset = sizes.offset_x if worse == "X" else sizes.offset_y
    across = part_mm * known.u(sizes.skew)
    along = known.u(sizes.along(worse, part_mm))
    row = known.u(sizes.along(worse, part_mm, pieces))
    ring = known.u(ring_weights(sizes, part_mm, pieces)) if pieces > 2 else 0.0
    shares = (
        _share(known, "scale", "scale over its length", added((part_mm, scale))),
        _share(known, "outline", "outline at its two faces", offset),
        _share(known, "skew", "skew across its width", added((part_mm, sizes.skew))),
    )
    several = math.sqrt(pieces) * scatter
    return Tolerance(
        part_mm=part_mm,
        pieces=pieces,
        shares=shares,
        part_half_mm=COVERAGE * math.hypot(along, across, scatter),
        # Both faces of a joint carry the outline's error; scale moves both neighbours alike.
        joint_half_mm=COVERAGE * math.hypot(known.u(offset), across, math.sqrt(2) * scatter),
        row_half_mm=COVERAGE * math.hypot(row, several, across),
        ring_half_mm=COVERAGE * math.hypot(ring, several) if pieces > 2 else 0.0,
    )


def _share(known: Gaussian, topic: str, what: str, weights: Weights) -> Share:
    e = known.estimate(weights, topic, "mm")
    return Share(topic=topic, what=what, half_mm=COVERAGE * e.u, measured=e.from_data > _MEASURED)
