"""What a measurement sheet says, as plain data."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from calib.model.instrument import DEFAULTS, Instrument
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
        Standard uncertainty stated with the reading: half of what stands behind its ±. None: the
        instrument's.
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
        The ``# key: value`` lines that are not parameters (piece, made, unit, instruments, part_c
        and whatever else was written there).
    unit : str
        ``mm`` or ``inch``: what lengths on the sheet were written in where the cell says nothing.
    instruments : mapping
        ``caliper``, ``balance`` and ``eye`` as the head describes them.
    name : str
        What messages call the sheet: its file.
    key_lines : mapping
        The line on which each key stands.
    part_c : float or None
        Temperature of the piece when it was measured; None where the sheet does not say.
    """

    piece: Piece
    piece_id: str
    readings: tuple[Reading, ...]
    keys: Mapping[str, str] = field(default_factory=dict)
    unit: str = "mm"
    instruments: Mapping[str, Instrument] = field(default_factory=lambda: dict(DEFAULTS))
    part_c: float | None = None
    name: str = ""
    key_lines: Mapping[str, int] = field(default_factory=dict)

    def where(self, key: str) -> str:
        """Return where a line of the head stands, for messages."""
        line = self.key_lines.get(key)
        return f"{self.name} line {line}, '# {key}'" if line else self.name or f"'# {key}'"

    def values(self, feature_id: str) -> tuple[float, ...]:
        """Return what was read for one feature, in order; empty where it was not measured."""
        return tuple(r.value for r in self.readings if r.feature == feature_id)
