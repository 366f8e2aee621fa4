"""What the store hands out: plain frozen data, free of the database."""

import contextlib
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from calib.errors import BadInput, StoreError
from calib.model.correction import Correction, Scope, Verdict
from calib.model.drive import Drive
from calib.model.estimate import Estimate, coverage_factor
from calib.model.place import Place, where_words
from calib.model.setting import plausible
from calib.profile.drift import alarm

if TYPE_CHECKING:
    import numpy as np

AXES = ("X", "Y", "Z", "E")


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis of a printer: the steps/mm set in it now, and its drive; E is the extruder."""

    axis: str
    steps_per_mm: float | None = None
    drive: Drive | None = None

    def __post_init__(self) -> None:
        if self.axis not in AXES:
            raise StoreError(
                f"axis {self.axis!r} is not one of {', '.join(AXES)}", mend="use one of them"
            )
        if self.steps_per_mm is not None:
            plausible(f"steps_{self.axis.lower()}_per_mm", self.steps_per_mm)

    @property
    def best_steps_per_mm(self) -> float | None:
        """The value set, or what the drive's mechanics give; None where neither is known."""
        if self.steps_per_mm is None and self.drive is not None:
            return self.drive.steps_per_mm
        return self.steps_per_mm

    @property
    def conflict(self) -> str:
        """Say so where the value set and the mechanics are more than 2 % apart; else empty."""
        if self.steps_per_mm is None or self.drive is None:
            return ""
        nominal = self.drive.steps_per_mm
        if abs(self.steps_per_mm / nominal - 1) <= 0.02:
            return ""
        return (
            f"axis {self.axis} is set to {self.steps_per_mm:g} steps/mm, its mechanics give"
            f" {nominal:g} ({self.steps_per_mm / nominal:.3f} times): one of the two is wrong"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Printer:
    """A printer as the user described it. `version` counts its changes."""

    name: str
    build_x_mm: float
    build_y_mm: float
    build_z_mm: float
    hot_end_max_c: float
    bed_max_c: float
    layer_mm: float = 0.2
    filament_mm: float = 1.75
    axes: tuple[Axis, ...] = ()
    uid: str = ""
    version: int = 0

    def axis(self, axis: str) -> Axis:
        """Return one axis; an empty one where nothing is known of it."""
        return next((a for a in self.axes if a.axis == axis), Axis(axis=axis))


@dataclass(frozen=True, slots=True, kw_only=True)
class Nozzle:
    """A nozzle on a printer; `line_mm` 0 means 1.125 x the bore."""

    name: str
    printer: str
    bore_mm: float
    line_mm: float = 0.0
    uid: str = ""
    version: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Spool:
    """A spool of filament; `price` is for the whole spool of `grams`."""

    name: str
    material: str
    colour: str = ""
    price: float | None = None
    grams: float | None = None
    density_g_cm3: float | None = None
    filament_mm: float | None = None
    uid: str = ""
    version: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSheet:
    """A sheet that was kept: which piece, printed with what, and what the fit said."""

    uid: str
    pattern: str
    piece_id: str
    printer: str
    nozzle: str
    spool: str
    kept_at: datetime
    by_version: str
    sheet_text: str
    fit: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptCorrection:
    """A correction in the history, with its provenance.

    Attributes
    ----------
    chosen : bool
        False for the one of two alternatives that is not used (see `Correction.instead_of`).
    undone_at : datetime or None
        When it was taken back; it stays in the history.
    """

    uid: str
    correction: Correction
    sheet_uid: str
    pattern: str
    piece_id: str
    printer: str
    nozzle: str
    material: str
    spool: str
    kept_at: datetime
    by_version: str
    chosen: bool = True
    undone_at: datetime | None = None
    why_undone: str = ""

    @property
    def value(self) -> float | None:
        """The value to have set: the new one, or the old one where it is left alone."""
        c = self.correction
        if c.verdict == Verdict.APPLY:
            return c.new
        return c.old if c.verdict == Verdict.LEAVE else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileValue:
    """One setting of a profile.

    Attributes
    ----------
    value : float or None
        None where the correction says to leave a setting alone whose value is not known.
    u : float
        Standard uncertainty of `value`, widened where it is inherited.
    layer : Scope
        The layer that it comes from; the narrowest that has a value wins.
    inherited_from : tuple of str
        Spools of the same type that a spool without a value of its own starts from.
    source : KeptCorrection
        Its newest evidence.
    stale, stale_by : str
        Why it can't be trusted any more, and by what it became so (an event with its date, or a
        setting that it rests on); empty while it can.
    estimate : Estimate or None
        What the posterior of all sheets says of the best value; None for a setting it does not know.
    place : str
        Where it takes effect (`calib.model.place.Place`).
    place_said : datetime or None
        When that was said; None where it is only the usual place.
    is_set : bool
        Whether this very value is known to be set in the printer or the slicing settings.
    set_value : float or None
        What is set there as far as anybody has said so: this value, or the one before it; None
        where that is not known.
    """

    setting: str
    value: float | None
    u: float
    unit: str
    layer: Scope
    source: KeptCorrection
    inherited_from: tuple[str, ...] = ()
    stale: str = ""
    estimate: Estimate | None = None
    stale_by: str = ""
    place: str = Place.PRINTER
    place_said: datetime | None = None
    is_set: bool = False
    set_value: float | None = None

    @property
    def where(self) -> str:
        """Where it takes effect, in words."""
        return where_words(self.place, is_set=self.is_set)

    @property
    def expanded(self) -> float:
        """Half-width of the interval that covers 95 %."""
        if self.estimate is not None:
            return self.estimate.expanded()
        dof = math.inf if self.inherited_from else self.source.correction.error.dof
        return self.u * coverage_factor(dof)


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """What was found for one setting of a printer, in the order of time."""

    setting: str
    found: tuple[KeptCorrection, ...]

    @property
    def values(self) -> tuple[float, ...]:
        """The value that each piece asked for, whatever the verdict."""
        return tuple(k.correction.new for k in self.found)

    @property
    def alarm(self) -> str:
        """What the control chart says of the newest value; empty where it is in control."""
        return alarm(self.values, self.found[-1].correction.u_new) if self.found else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EventRecord:
    """Something that happened, by which corrections may have become stale, unless taken back."""

    uid: str
    kind: str
    at: datetime
    printer: str = ""
    nozzle: str = ""
    spool: str = ""
    axis: str = ""
    note: str = ""
    taken_back: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SaidPlace:
    """Where somebody said that a setting takes effect; `value` was in force then."""

    uid: str
    printer: str
    spool: str
    setting: str
    place: str
    value: float | None
    at: datetime


@contextlib.contextmanager
def understanding(sheet_uid: str) -> Iterator[None]:
    """Make sense of what a fit said of a kept sheet; an import may have brought it in any form.

    Raises
    ------
    StoreError
        It can't be understood.
    """
    try:
        yield
    except BadInput:
        raise
    except (KeyError, TypeError, AttributeError, ValueError) as err:
        raise StoreError(
            f"what was found of sheet {sheet_uid[:8]} is kept in a form that can't be understood",
            mend=f"write its text to a file (truebead profile history --sheet {sheet_uid[:8]}) and solve that",
        ) from err


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetReadings:
    """The readings of one kept sheet as columns, for the split of machine and material.

    Attributes
    ----------
    feature, kind, axis : tuple of str, n entries
    nominal, value, u : (n,) float
        In the features' own units; nan where not known.
    """

    sheet_uid: str
    spool: str
    material: str
    nozzle: str
    keys: dict[str, str]
    feature: tuple[str, ...]
    kind: tuple[str, ...]
    axis: tuple[str, ...]
    nominal: "np.ndarray[Any, Any]"
    value: "np.ndarray[Any, Any]"
    u: "np.ndarray[Any, Any]"
