"""Measurement sheets in and out, and the readings on them in the units of the fits."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from patterns.piece import Piece


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measured value of one feature, already in the feature's own unit (mm, g, 0-10).

    Attributes
    ----------
    feature : str
        Id of the feature.
    value : float
        A judgement of pass or fail is 1 or 0; a grade is its place in the list, from 0.
    where : str
        Where it was read, for messages: ``sheet.csv line 12, reading 2``.
    text : str
        What was written in the cell.
    u : float or None
        Standard uncertainty stated with the reading (a photo does); None: the instrument's.
    """

    feature: str
    value: float
    where: str = ""
    text: str = ""
    u: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A measurement sheet: which piece, how it was made and measured, and the readings.

    Attributes
    ----------
    piece : Piece
        Laid out again from the pattern and parameters in the sheet's head.
    keys : mapping
        The ``# key: value`` lines that are not parameters (piece id, made, instrument, part_c...).
    """

    piece: Piece
    piece_id: str
    readings: tuple[Reading, ...]
    keys: Mapping[str, str] = field(default_factory=dict)
