"""Where a correction takes effect: set in the printer, or put into models or G-code; never in two places."""

from collections.abc import Iterable
from enum import StrEnum

from calib.errors import BadInput
from calib.profile.events import TOPICS, topic_of


class Place(StrEnum):
    """Where a correction takes effect."""

    PRINTER = (
        "printer"  # in its firmware or in the slicing settings: calibration pieces get it, too
    )
    MODELS = "models"
    GCODE = "gcode"
    DRAWING = "drawing"  # a number to draw parts with; nothing is set


#: What is set on a printer that nobody has corrected.
NEUTRAL = {
    "scale_x_percent": 100.0,
    "scale_y_percent": 100.0,
    "scale_z_percent": 100.0,
    "outline_offset_mm": 0.0,
    "skew_xy_deg": 0.0,
    "skew_xz_deg": 0.0,
    "skew_yz_deg": 0.0,
    "first_layer_gap_mm": 0.0,
    "flow_percent": 100.0,
}

SCALES = ("scale_x_percent", "scale_y_percent", "scale_z_percent")
SKEWS = ("skew_xy_deg", "skew_xz_deg", "skew_yz_deg")

#: What can be put into a model, and into sliced G-code; the rest can only be set.
MODEL_SETTINGS = (*SCALES, *SKEWS)
GCODE_SETTINGS = (*MODEL_SETTINGS, "flow_percent")

_TAKES = {Place.MODELS: MODEL_SETTINGS, Place.GCODE: GCODE_SETTINGS}
_DRAWN = ("holes", "clearance", "overhang", "bridge")
_WORDS: dict[str, str] = {
    Place.MODELS: "in models",
    Place.GCODE: "in G-code",
    Place.DRAWING: "to draw",
}


def usual_place(setting: str) -> Place:
    """Return where a correction takes effect while nobody has said anything else."""
    if setting in MODEL_SETTINGS:
        return Place.MODELS
    return Place.DRAWING if topic_of(setting).name in _DRAWN else Place.PRINTER


def in_files(place: str) -> bool:
    """Whether a place is a file: a calibration piece, which `apply` does not touch, goes without."""
    return place in (Place.MODELS, Place.GCODE)


def value_set(setting: str, value: float, place: str) -> float:
    """Return what is set while a piece is printed: nothing of what is put into files."""
    return NEUTRAL[setting] if in_files(place) else value


def check_place(setting: str, place: Place) -> None:
    """Refuse a place in which a setting can't take effect."""
    if place in _TAKES and setting not in _TAKES[place]:
        raise BadInput(
            f"{setting} can't be put into {'models' if place is Place.MODELS else 'G-code'}",
            mend=f"what can is {', '.join(_TAKES[place])}",
        )
    if place is Place.PRINTER and usual_place(setting) is Place.DRAWING:
        raise BadInput(f"{setting} is a number to draw parts with; it is set nowhere")


def named(names: Iterable[str], known: Iterable[str], option: str = "") -> list[str]:
    """Return the settings that are meant: by their own names, or all of a topic such as `skew`.

    Raises
    ------
    BadInput
        The profile has no such setting.
    """
    settings = list(known)
    topics = {t.name for t in TOPICS}
    found: list[str] = []
    for name in names:
        meant = [s for s in settings if s == name or (name in topics and topic_of(s).name == name)]
        if not meant:
            raise BadInput(
                f"the profile has no {name}",
                where=option,
                mend=f"it has {', '.join(settings) or 'nothing'}",
            )
        found += [s for s in meant if s not in found]
    return found


def where_words(place: str, *, is_set: bool) -> str:
    """Say where a correction takes effect; what is to be set and what is set already differ."""
    if place == Place.PRINTER:
        return "set" if is_set else "to set"
    return _WORDS.get(place, place)  # a newer Truebead may know more places
