"""Settings as the pages say them: a label in words, a value with its unit, what it is and where it goes."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from calib.model.setting import Place, kept_setting

if TYPE_CHECKING:
    from calib.model.setting import Setting

_UNITS = {"degC": "°C", "deg": "°", "mm2": "mm²", "mm3/s": "mm³/s", "steps/mm": "steps/mm"}

#: Topic -> where a value of it is typed in, in words; common practice, no source.
_WHERE = {
    "axes": "in the printer: its menu or its configuration",
    "extruder": "in the printer: its menu or its configuration",
    "skew": "in your models, or in the printer",
    "scale": "in your models, or as the size in your slicing program",
    "outline": "in your slicing program, for outlines (horizontal offset)",
    "flow": "in your slicing program, for this filament",
    "temperature": "in your slicing program, for this filament",
    "retraction": "in your slicing program, for this filament",
    "filament": "in your slicing program, for this filament",
    "first_layer": "in the printer: the nozzle's height over the bed",
    "level": "with the screws under the bed",
    "cooling": "in your slicing program, for this filament",
    "speed": "in your slicing program",
    "rate": "in your slicing program, for this filament",
}

#: Topic -> the word of `words.WORDS` that explains it.
_TERMS = {
    "axes": "steps/mm", "extruder": "steps/mm", "skew": "skew", "scale": "scale", "outline": "outline offset",
    "flow": "flow", "retraction": "retraction", "first_layer": "first-layer gap", "clearance": "clearance",
    "overhang": "overhang", "bridge": "bridge",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Shown:
    """A setting for a page."""

    name: str
    label: str
    meaning: str
    term: str
    where: str
    unit: str
    files: bool
    done_once: bool
    drawn: bool


def shown(name: str) -> Shown:
    """Return how a setting is shown."""
    s = kept_setting(name)
    return Shown(
        name=name,
        label=label(name),
        meaning=s.meaning,
        term=_TERMS.get(s.topic, ""),
        where="a number to draw parts with" if s.drawn else _WHERE.get(s.topic, ""),
        unit=unit_of(s),
        files=Place.MODELS in s.files,
        done_once=s.done_once,
        drawn=s.drawn,
    )


def label(name: str) -> str:
    """Return a setting in words, with a capital letter."""
    text = kept_setting(name).label
    return text[:1].upper() + text[1:]


def neutral(name: str) -> float | None:
    """Return the value of a setting that nobody has touched; None where it has none."""
    return kept_setting(name).neutral


def unit_of(s: "Setting") -> str:
    """Return a setting's unit as people write it."""
    return _UNITS.get(s.unit, s.unit)


def number(name: str, value: float | None) -> str:
    """Return a value with as many digits as it is worth."""
    return kept_setting(name).spelled(value)


def spell(name: str, value: float | None) -> str:
    """Return a value with its unit."""
    s = kept_setting(name)
    unit = unit_of(s)
    return f"{s.spelled(value)}{'' if unit == '°' else ' '}{unit}".rstrip()


def half_width(name: str, value: float) -> str:
    """Return an uncertainty with two digits at most, in the setting's unit."""
    s = kept_setting(name)
    decimals = s.decimals if value >= 10.0**-s.decimals else s.decimals + 1
    unit = unit_of(s)
    return f"±{value:.{decimals}f}{'' if unit == '°' else ' '}{unit}".rstrip()
