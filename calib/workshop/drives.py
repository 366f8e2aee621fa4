"""The drives of a printer as people tell them: belts for X and Y, a screw for Z, or one axis by itself."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from calib.errors import BadInput
from calib.model.drive import Drive

if TYPE_CHECKING:
    from calib.store.records import Axis, Printer

#: Field of a drive -> how it is asked for.
OPTIONS = {
    "belt_pitch_mm": "--belt-pitch", "pulley_teeth": "--teeth", "screw_lead_mm": "--screw-lead",
    "motor_steps": "--motor-steps", "microsteps": "--microsteps",
}  # fmt: skip


def drives_of(shared: Mapping[str, float | None], own: Sequence[str]) -> dict[str, Drive]:
    """Return the drives by axis: belts for X and Y, a screw for Z, and those given one by one.

    Parameters
    ----------
    shared : mapping
        Field of a drive -> number, None where it was not told.
    own : sequence of str
        Such as ``Y:screw-lead=4,motor-steps=200,microsteps=16``.

    Raises
    ------
    BadInput
        The mechanics are only half said.
    """
    said: dict[str, Any] = {k: v for k, v in shared.items() if v is not None}
    motor: dict[str, Any] = {k: said[k] for k in ("motor_steps", "microsteps") if k in said}
    belt: dict[str, Any] = {k: said[k] for k in ("belt_pitch_mm", "pulley_teeth") if k in said}
    screw: dict[str, Any] = {k: said[k] for k in ("screw_lead_mm",) if k in said}
    found: dict[str, Drive] = {}
    if motor and not belt and not screw:
        _drive("X and Y", motor)
    if belt:
        found["X"] = found["Y"] = _drive("X and Y", belt | motor)
    if screw:
        found["Z"] = _drive("Z", screw | motor)
    for text in own:
        axis, parts = _own_drive(text)
        found[axis] = _drive(axis, {**motor, **parts})
    return found


def axes_with(
    old: "Printer | None", drives: Mapping[str, Drive], steps: Mapping[str, float | None]
) -> "tuple[Axis, ...]":
    """Return the axes of a printer with what was told laid over what was known."""
    from calib.store.records import AXES, Axis

    axes = []
    for axis in AXES:
        before = old.axis(axis) if old else Axis(axis=axis)
        told = steps.get(axis)
        now = Axis(
            axis=axis,
            steps_per_mm=before.steps_per_mm if told is None else told,
            drive=drives.get(axis, before.drive),
        )
        if now.best_steps_per_mm is not None:
            axes.append(now)
    return tuple(axes)


def _drive(axes: str, said: Mapping[str, Any]) -> Drive:
    need = ["motor_steps", "microsteps"]
    if "screw_lead_mm" not in said:
        need = ["belt_pitch_mm", "pulley_teeth", *need]
    missing = [OPTIONS[k] for k in need if k not in said]
    if missing:
        raise BadInput(
            f"the mechanics of {axes} are only half said: {' and '.join(missing)} missing",
            mend="give them too (motor steps are 200 where one step is 1.8 degrees), or give only"
            " the steps/mm that are set",
        )
    return Drive(**said)


def _own_drive(text: str) -> tuple[str, dict[str, Any]]:
    axis, _, rest = text.partition(":")
    names = {v.removeprefix("--"): k for k, v in OPTIONS.items()}
    parts: dict[str, Any] = {}
    for item in filter(None, rest.split(",")):
        key, _, value = item.partition("=")
        name = names.get(key.strip())
        whole = name in ("pulley_teeth", "motor_steps", "microsteps")
        try:
            parts[name or ""] = int(value) if whole else float(value)
        except ValueError:
            name = None
        if name is None:
            raise BadInput(
                f"{item!r} is not a part of a drive", where="--drive",
                mend=f"use {', '.join(n + '=NUMBER' for n in names)}",
            )  # fmt: skip
    if axis.strip().upper() not in ("X", "Y", "Z", "E") or not parts:
        raise BadInput(
            f"{text!r} does not describe a drive", where="--drive",
            mend="write it as Y:screw-lead=4,motor-steps=200,microsteps=16",
        )  # fmt: skip
    return axis.strip().upper(), parts
