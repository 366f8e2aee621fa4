"""What the store hands out: plain frozen data, free of the database."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from calib.corrections import Correction, Scope
from calib.errors import StoreError

if TYPE_CHECKING:
    import numpy as np

AXES = ("X", "Y", "Z", "E")


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """How one axis is driven: a belt over a pulley, or a screw; E is the extruder.

    Attributes
    ----------
    steps_per_mm : float or None
        The value set in the printer now.
    motor_steps : int or None
        Full steps of the motor per turn: 200 where one step is 1.8 degrees.
    microsteps : int or None
        Microsteps per full step.
    belt_pitch_mm, teeth : float, int or None
        Pitch of the belt and teeth of the pulley.
    screw_lead_mm : float or None
        Travel per turn of a screw: its pitch times its starts.
    """

    axis: str
    steps_per_mm: float | None = None
    motor_steps: int | None = None
    microsteps: int | None = None
    belt_pitch_mm: float | None = None
    teeth: int | None = None
    screw_lead_mm: float | None = None

    def __post_init__(self) -> None:
        if self.axis not in AXES:
            msg = f"axis {self.axis!r} is not one of {', '.join(AXES)}"
            raise ValueError(msg)
        _check_whole(self)

    @property
    def travel_mm_per_turn(self) -> float | None:
        """Travel for one turn of the motor; None where the mechanics are not known."""
        if self.screw_lead_mm is not None:
            return self.screw_lead_mm
        if self.belt_pitch_mm is not None and self.teeth is not None:
            return self.belt_pitch_mm * self.teeth
        return None

    @property
    def mechanical_steps_per_mm(self) -> float | None:
        """Steps/mm that the mechanics give: motor steps x microsteps / travel per turn."""
        travel = self.travel_mm_per_turn
        if travel is None or self.motor_steps is None or self.microsteps is None:
            return None
        return self.motor_steps * self.microsteps / travel

    @property
    def differs(self) -> bool:
        """Whether the value set and the mechanics disagree by more than 5 % (a wrong part)."""
        given, nominal = self.steps_per_mm, self.mechanical_steps_per_mm
        return given is not None and nominal is not None and abs(given / nominal - 1) > 0.05


def _check_whole(drive: Drive) -> None:
    """Refuse mechanics that are only half said."""
    said = {
        "belt pitch": drive.belt_pitch_mm,
        "pulley teeth": drive.teeth,
        "screw lead": drive.screw_lead_mm,
        "motor steps": drive.motor_steps,
        "microsteps": drive.microsteps,
    }
    for name, value in {**said, "steps/mm": drive.steps_per_mm}.items():
        if value is not None and not 0 < value < 1e6:
            raise StoreError(
                f"{name} of axis {drive.axis} must be more than 0 (got {value:g})",
                mend="look at the part's marking or the printer's papers",
            )
    if all(v is None for v in said.values()):
        return
    if drive.screw_lead_mm is not None:
        if drive.belt_pitch_mm is not None or drive.teeth is not None:
            raise StoreError(
                f"axis {drive.axis} has both a belt and a screw", mend="give one of the two"
            )
        need = ["motor steps", "microsteps"]
    else:
        need = ["belt pitch", "pulley teeth", "motor steps", "microsteps"]
    missing = [name for name in need if said[name] is None]
    if missing:
        raise StoreError(
            f"the mechanics of axis {drive.axis} lack the {' and the '.join(missing)}",
            mend="give all of them (motor steps are 200 where one step is 1.8 degrees), "
            "or only the steps/mm that are set",
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
    drives: tuple[Drive, ...] = ()
    uid: str = ""
    version: int = 0

    def drive(self, axis: str) -> Drive:
        """Return the drive of one axis; an empty one where nothing is known."""
        return next((d for d in self.drives if d.axis == axis), Drive(axis=axis))


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
        from calib.corrections import Verdict

        c = self.correction
        if c.verdict == Verdict.APPLY:
            return c.new
        return c.old if c.verdict == Verdict.LEAVE else None


@dataclass(frozen=True, slots=True, kw_only=True)
class InForce:
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
    stale : str
        Why it can't be trusted any more; empty while it can.
    """

    setting: str
    value: float | None
    u: float
    unit: str
    layer: Scope
    source: KeptCorrection
    inherited_from: tuple[str, ...] = ()
    stale: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EventRecord:
    """Something that happened, by which corrections may have become stale."""

    uid: str
    kind: str
    at: datetime
    printer: str = ""
    nozzle: str = ""
    spool: str = ""
    axis: str = ""
    note: str = ""


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
