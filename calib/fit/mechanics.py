"""Wrong parts and settings: scale errors near a small fraction that a mistake would make.

A belt pulley of 16 teeth where 20 are assumed moves the axis 16/20 of what was asked. Such errors
are named, not scaled away.
"""

import math
from dataclasses import dataclass, replace

from calib.model.drive import Drive
from calib.model.estimate import Estimate

#: Pulleys, belts, screws and microstep settings in the trade: common practice, no source, but for
#: the belt pitches, which are standard (2.032 mm is 0.080 inch, type MXL of ISO 5296).
TEETH = (12, 14, 15, 16, 18, 20, 22, 24, 25, 28, 30, 32, 36, 40, 48, 60)
BELT_PITCHES_MM = (2.0, 2.032, 2.5, 3.0, 5.0, 5.08)
LEADS_MM = (1.0, 1.25, 2.0, 4.0, 5.0, 8.0, 10.0, 12.0, 16.0, 20.0)
MICROSTEPS = (1, 2, 4, 8, 16, 32, 64, 128, 256)
MOTOR_STEPS = (200, 400)

#: How true sound mechanics are, as a fraction of length (standard uncertainty). A judgement: belts
#: stretch and pulleys vary by about 0.1 %, screws by less.
BELT_U = 0.0015
SCREW_U = 0.0005
UNKNOWN_U = 0.01

#: How much better than "no fault" a fault must explain the readings: log of the likelihood ratio,
#: with room for the number of faults tried.
_CLEARLY = math.log(1e4)
_WITHIN = 3.0
#: A part that is off by so little (log of the ratio) is named only within one uncertainty and only
#: from travel measured without plastic, as much else makes errors of that size.
_SMALL, _WITHIN_SMALL = 0.04, 1.0
#: A larger one is named although other things are off by about this much beside it (standard
#: uncertainty): other parts differ by several times that.
_BESIDE_U = 0.008


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A mistake that would explain a scale error.

    Attributes
    ----------
    ratio : float
        Actual over commanded travel that the mistake makes.
    words : str
        What is likely wrong.
    drive : Drive or None
        The drive as it then is, where it is known as it is thought to be.
    """

    ratio: float
    words: str
    drive: Drive | None = None

    @property
    def steps_per_mm(self) -> float | None:
        """What to set if the part is as suspected."""
        return self.drive.steps_per_mm if self.drive else None


def mechanics_u(drive: Drive | None) -> float:
    """How well the mechanics fix an axis's scale, as a fraction (standard uncertainty)."""
    if drive is None:
        return UNKNOWN_U
    return SCREW_U if drive.screw_lead_mm else BELT_U


def find_faults(
    ratio: Estimate,
    drive: Drive | None,
    u_sound: float,
    set_over_mechanical: float = 1.0,
    *,
    printed: bool = False,
) -> tuple[Fault, ...]:
    """Name the mistakes that explain a ratio of actual to commanded travel.

    A mistake is named where its ratio is within the uncertainty and explains the reading clearly
    better than sound mechanics do; several are named where they make the same ratio.

    Parameters
    ----------
    ratio : Estimate
        Actual over commanded travel, a pure number near 1.
    drive : Drive or None
        The drive as it is thought to be.
    u_sound : float
        How far sound mechanics (and unknown shrinkage, if it is in the ratio) may be from 1, as a
        fraction.
    set_over_mechanical : float
        Steps/mm now set over what the drive's mechanics give.
    printed : bool
        The ratio comes from a print: small ratios are then left to shrinkage and scale.
    """
    u = math.hypot(ratio.u / abs(ratio.value), u_sound)
    found: list[tuple[float, Fault]] = []
    own = ratio.value / set_over_mechanical
    if own <= 0:
        return ()
    nothing_wrong = abs(math.log(own)) / u
    for fault in _candidates(drive):
        small = abs(math.log(fault.ratio)) < _SMALL
        if small and printed:
            continue
        z = abs(math.log(own / fault.ratio)) / (u if small else max(u, _BESIDE_U))
        within = _WITHIN_SMALL if small else _WITHIN
        if z <= within and (nothing_wrong**2 - z**2) / 2 > _CLEARLY:
            found.append((z, fault))
    if not found:
        return ()
    best = min(z for z, _ in found)
    near = [f for z, f in sorted(found, key=lambda pair: pair[0]) if (z**2 - best**2) / 2 < 2.0]
    return tuple(near[:4])


def _candidates(drive: Drive | None) -> list[Fault]:
    if drive is None:
        return [
            Fault(ratio=0.8, words="a pulley of 16 teeth where 20 are assumed"),
            Fault(ratio=1.25, words="a pulley of 20 teeth where 16 are assumed"),
            Fault(ratio=0.5, words="microsteps set to half of what the driver uses"),
            Fault(ratio=0.5, words="a motor of 0.9 degrees where 1.8 is assumed"),
            Fault(ratio=0.5, words="a screw with a lead of 4 mm where 8 mm is assumed"),
            Fault(ratio=2.0, words="microsteps set to twice what the driver uses"),
            Fault(ratio=2.0, words="a motor of 1.8 degrees where 0.9 is assumed"),
            Fault(ratio=0.25, words="a screw with a lead of 2 mm where 8 mm is assumed"),
            Fault(ratio=4.0, words="a screw with a lead of 8 mm where 2 mm is assumed"),
        ]
    found: list[tuple[Drive, str]] = []
    if drive.screw_lead_mm:
        now = drive.screw_lead_mm
        found += [
            (replace(drive, screw_lead_mm=k), f"a screw with a lead of {k:g} mm, not {now:g} mm")
            for k in LEADS_MM
        ]
    else:
        found += _other_belts(drive)
    found += [
        (
            replace(drive, microsteps=k),
            f"a driver at 1/{k:g} microsteps, not 1/{drive.microsteps:g}",
        )
        for k in MICROSTEPS
    ]
    found += [
        (
            replace(drive, motor_steps=k),
            f"a motor of {360 / k:g} degrees a step, not {360 / drive.motor_steps:g}",
        )
        for k in MOTOR_STEPS
    ]
    return [
        Fault(ratio=drive.steps_per_mm / other.steps_per_mm, words=words, drive=other)
        for other, words in found
        if abs(other.steps_per_mm / drive.steps_per_mm - 1) > 1e-9
    ]


def _other_belts(drive: Drive) -> list[tuple[Drive, str]]:
    """List other pulleys and other belts."""
    teeth = [
        (replace(drive, pulley_teeth=k), f"a pulley of {k:g} teeth, not {drive.pulley_teeth:g}")
        for k in TEETH
    ]
    pitches = [
        (
            replace(drive, belt_pitch_mm=k),
            f"a belt of {k:g} mm pitch, not {drive.belt_pitch_mm:g} mm",
        )
        for k in BELT_PITCHES_MM
    ]
    return teeth + pitches
