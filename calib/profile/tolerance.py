"""How true will a part come out? Uncertainties of a profile, added up over a part of a given size.

A part printed with the profile's corrections still misses by what they leave uncertain: the scale
over its length, the outline at its two faces, the skew across its width. All pieces printed with
one profile share these, so they add up in proportion over several pieces in a row; only the scatter
from piece to piece averages out. What was never measured enters with what is usual before any
calibration, from the table of settings. Common practice, no source, for the scatter.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from calib.model.setting import settings_of

#: Topics that make a part miss its size.
SIZE_TOPICS = ("scale", "outline", "skew")
#: Scatter of one length from piece to piece, in mm.
SCATTER_MM = 0.03
COVERAGE = 1.96


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
    """

    part_mm: float
    pieces: int
    shares: tuple[Share, ...]
    part_half_mm: float
    joint_half_mm: float
    row_half_mm: float


def part_tolerance(u_by_topic: Mapping[str, float], part_mm: float, pieces: int = 1) -> Tolerance:
    """Add the uncertainties up.

    Parameters
    ----------
    u_by_topic : mapping
        Standard uncertainties of "scale" (%), "outline" (mm) and "skew" (degrees); one that is
        missing was not measured.
    """
    shares = []
    for topic, what, factor in (
        ("scale", "scale over its length", part_mm / 100),
        ("outline", "outline at its two faces", 2.0),
        ("skew", "skew across its width", part_mm * math.pi / 180),
    ):
        u = u_by_topic.get(topic, _usual_sd(topic))
        shares.append(
            Share(
                topic=topic, what=what, half_mm=COVERAGE * u * factor, measured=topic in u_by_topic
            )
        )
    scatter = COVERAGE * SCATTER_MM
    systematic = math.hypot(*(s.half_mm for s in shares))
    by_topic = {s.topic: s.half_mm for s in shares}
    return Tolerance(
        part_mm=part_mm,
        pieces=pieces,
        shares=tuple(shares),
        part_half_mm=math.hypot(systematic, scatter),
        # Both faces of a joint carry the outline's error; scale moves both neighbours alike.
        joint_half_mm=math.hypot(by_topic["outline"], by_topic["skew"], math.sqrt(2) * scatter),
        row_half_mm=math.hypot(
            pieces * math.hypot(by_topic["scale"], by_topic["outline"]),
            math.sqrt(pieces) * scatter,
            by_topic["skew"],
        ),
    )


def _usual_sd(topic: str) -> float:
    return max(s.usual_sd for s in settings_of(topic))
