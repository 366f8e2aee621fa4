"""Which corrections a model or G-code file needs, and which take effect elsewhere: none is applied twice.

Pure logic on `Value`; the store knows where each takes effect.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from calib.apply.linear import Matrix, Row, Skew, correction_matrix
from calib.apply.values import Value
from calib.errors import BadInput
from calib.model.place import Place, check_place, settings_in


@dataclass(frozen=True, slots=True)
class Needed:
    """The map and the flow that a file still needs, and what was left out with the reason."""

    size_factor: Row = (1.0, 1.0, 1.0)
    skew: Skew = field(default_factory=Skew)
    flow: float = 1.0
    used: tuple[Value, ...] = ()
    left_out: tuple[tuple[Value, str], ...] = ()

    @property
    def matrix(self) -> Matrix:
        """The map to put on a model or on G-code."""
        return correction_matrix(self.size_factor, self.skew)


def for_file(values: Iterable[Value], *, gcode: bool) -> Needed:
    """Work out what a model or G-code file needs on top of what takes effect elsewhere.

    Parameters
    ----------
    values : iterable of Value
        The profile's corrections in force, each setting once.
    gcode : bool
        Whether the file is sliced G-code, which can take a flow, too.

    Raises
    ------
    BadInput
        A setting is there twice.
    """
    here = Place.GCODE if gcode else Place.MODELS
    used: list[Value] = []
    left_out: list[tuple[Value, str]] = []
    for v in values:
        why = _why_not(v, here)
        if why:
            left_out.append((v, why))
        elif any(u.setting == v.setting for u in used):
            raise BadInput(f"{v.setting} is there twice", mend="give it once")
        else:
            used.append(v)
    number = {v.setting: v.new for v in used}
    fx, fy, fz = (number.get(f"scale_{a}_percent", 100.0) / 100.0 for a in "xyz")
    skew = Skew(*(number.get(f"skew_{plane}_deg", 0.0) for plane in ("xy", "xz", "yz")))
    return Needed((fx, fy, fz), skew, _flow(used), tuple(used), tuple(left_out))


def _why_not(v: Value, here: Place) -> str:
    """Say why a correction is not put into a file; empty where it is."""
    if v.place == Place.DRAWING:
        return "a number to draw parts with"
    if v.setting not in settings_in(here):
        return f"{'' if v.is_set else 'to be '}set in the printer or the slicing settings"
    if v.place == Place.PRINTER:
        more = "" if v.said else f"; to have it in the file instead: --in-{here} {v.setting}"
        return f"set in the printer or the slicing settings{more}"
    if v.said and v.place != here:
        there = "the models" if v.place == Place.MODELS else "the G-code"
        return f"put into {there}, so it would be corrected twice; else: --in-{here} {v.setting}"
    return ""


def _flow(used: list[Value]) -> float:
    """Return new flow over old, as a file was sliced with the old one."""
    flow = next((v for v in used if v.setting == "flow_percent"), None)
    return flow.new / (flow.old or 100.0) if flow else 1.0


def with_places(values: Iterable[Value], said: Mapping[str, Place]) -> list[Value]:
    """Return the values with where some of them take effect said anew.

    Raises
    ------
    BadInput
        A setting can't take effect there.
    """
    for setting, place in said.items():
        check_place(setting, place)
    return [
        replace(
            v, place=said[v.setting], said=True, is_set=said[v.setting] is Place.PRINTER
        ) if v.setting in said else v
        for v in values
    ]  # fmt: skip
