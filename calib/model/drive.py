"""The drive of an axis: what its mechanics say about steps per millimetre."""

import math
from dataclasses import dataclass

from calib.errors import BadInput


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """A stepper motor that moves an axis by a toothed belt or a screw.

    Attributes
    ----------
    motor_steps : int
        Full steps per turn: 200 for a 1.8-degree motor, 400 for a 0.9-degree one.
    microsteps : int
        Microsteps per full step.
    belt_pitch_mm, pulley_teeth
        Of a belt; both 0 where a screw is used.
    screw_lead_mm : float
        Travel per turn of the screw (pitch x starts); 0 where a belt is used.
    """

    motor_steps: int = 200
    microsteps: int = 16
    belt_pitch_mm: float = 0.0
    pulley_teeth: int = 0
    screw_lead_mm: float = 0.0

    def __post_init__(self) -> None:
        for name in ("motor_steps", "microsteps"):
            if getattr(self, name) <= 0:
                raise BadInput(f"{name} must be more than 0 (got {getattr(self, name)})")
        belt = self.belt_pitch_mm > 0 and self.pulley_teeth > 0
        screw = self.screw_lead_mm > 0
        if belt == screw or not math.isfinite(self.steps_per_mm):
            raise BadInput(
                "a drive is either a belt (pitch and pulley teeth) or a screw (lead)",
                mend="give the belt's pitch with the pulley's teeth, or the screw's lead alone",
            )

    @property
    def travel_per_turn_mm(self) -> float:
        """Travel for one turn of the motor."""
        return self.screw_lead_mm or self.belt_pitch_mm * self.pulley_teeth

    @property
    def steps_per_mm(self) -> float:
        """Microsteps per millimetre: steps per turn x microsteps / travel per turn."""
        return self.motor_steps * self.microsteps / self.travel_per_turn_mm
