"""Which corrections of a profile are in the printer, which go into the model, and none twice.

Pure logic on `Value`; the store keeps `applied_to` and hands the values in.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from calib.apply.linear import Matrix, Row, Skew, correction_matrix
from calib.apply.values import Value
from calib.errors import BadInput

_SCALES = ("scale_x_percent", "scale_y_percent", "scale_z_percent")
_SKEWS = ("skew_xy_deg", "skew_xz_deg", "skew_yz_deg")

#: What can be put into a model; the rest can only be set, or is set when slicing.
MODEL_SETTINGS = (*_SCALES, *_SKEWS)

#: What can be put into sliced G-code.
GCODE_SETTINGS = (*MODEL_SETTINGS, "flow_percent")


@dataclass(frozen=True, slots=True)
class InForce:
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


def for_file(values: Iterable[Value], *, gcode: bool) -> InForce:
    """Work out what a model or G-code file needs on top of what the printer already does.

    Parameters
    ----------
    values : iterable of Value
        The profile's corrections in force.
    gcode : bool
        Whether the file is sliced G-code, which can take a flow, too.

    Raises
    ------
    BadInput
        Two values that would go into the file correct the same thing.
    """
    takes = GCODE_SETTINGS if gcode else MODEL_SETTINGS
    listed = list(values)
    done = {v.corrects for v in listed if v.applied_to == "printer" and v.corrects}
    used: list[Value] = []
    left_out: list[tuple[Value, str]] = []
    for v in listed:
        if v.setting not in takes:
            left_out.append((v, "to be set in the printer or when slicing"))
        elif v.applied_to == "printer":
            left_out.append((v, "already set in the printer"))
        elif v.corrects and v.corrects in done:
            left_out.append((v, f"{v.corrects} is already corrected in the printer"))
        else:
            used.append(v)
    _refuse_twice(used)
    number = {v.setting: v.new for v in used}
    fx, fy, fz = (number.get(s, 100.0) / 100.0 for s in _SCALES)
    skew = Skew(*(number.get(s, 0.0) for s in _SKEWS))
    return InForce((fx, fy, fz), skew, _flow(used), tuple(used), tuple(left_out))


def _flow(used: list[Value]) -> float:
    """Return new flow over old, as a file was sliced with the old one."""
    flow = next((v for v in used if v.setting == "flow_percent"), None)
    return flow.new / (flow.old or 100.0) if flow else 1.0


def _refuse_twice(used: list[Value]) -> None:
    seen: dict[str, Value] = {}
    for v in used:
        for key in {v.setting, v.corrects} - {""}:
            if key in seen:
                raise BadInput(
                    f"{seen[key].setting} and {v.setting} both correct {key}",
                    mend="keep one of the two in the profile",
                )
            seen[key] = v


def set_in_printer(values: Iterable[Value], settings: Iterable[str]) -> tuple[Value, ...]:
    """Mark settings as typed into the printer; they are not put into files any more.

    Raises
    ------
    BadInput
        A setting is not among the values, or what it corrects is already put into models.
    """
    wanted = set(settings)
    listed = tuple(values)
    missing = wanted - {v.setting for v in listed}
    if missing:
        raise BadInput(
            f"the profile has no {sorted(missing)[0]}",
            mend=f"it has {', '.join(v.setting for v in listed) or 'nothing'}",
        )
    in_models = {v.corrects for v in listed if v.applied_to == "model" and v.corrects}
    for v in listed:
        if v.setting in wanted and v.applied_to != "model" and v.corrects in in_models:
            raise BadInput(
                f"{v.corrects} is already corrected in the models",
                mend="take it out there first, or it is corrected twice",
            )
    return tuple(replace(v, applied_to="printer") if v.setting in wanted else v for v in listed)
