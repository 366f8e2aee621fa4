"""Settings as the pages say them: a label in words, a value with its unit, what it is and where it goes."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from calib.model.setting import Place, kept_setting
from calib.report.words import turn_words

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
    "smooth": "in your slicing program, as the speed of the outer walls",
    "ripple": "in the printer, if it can make up for it",
    "play": "in the printer, if it can make up for it",
    "lag": "in the printer or the slicing program, if they can make up for it",
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
    topic: str
    term: str
    where: str
    files: bool
    done_once: bool
    drawn: bool


def shown(name: str) -> Shown:
    """Return how a setting is shown."""
    s = kept_setting(name)
    return Shown(
        name=name,
        label=label(name),
        topic=s.about.what[:1].upper() + s.about.what[1:],
        term=_TERMS.get(s.topic, ""),
        where="a number to draw parts with" if s.drawn else _WHERE.get(s.topic, ""),
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


def _unit(s: "Setting") -> str:
    """Return a setting's unit as people write it, with the blank before it."""
    unit = _UNITS.get(s.unit, s.unit)
    return unit if unit in ("", "°") else f" {unit}"


def number(name: str, value: float | None) -> str:
    """Return a value with as many digits as it is worth."""
    return kept_setting(name).spelled(value)


def spell(name: str, value: float | None) -> str:
    """Return a value with its unit; turns of a screw with their way."""
    s = kept_setting(name)
    if s.done_once and value is not None:
        return turn_words(value)
    return f"{s.spelled(value)}{_unit(s)}"


def half_width(name: str, value: float) -> str:
    """Return an uncertainty with two digits at most, in the setting's unit."""
    s = kept_setting(name)
    decimals = s.decimals if value >= 10.0**-s.decimals else s.decimals + 1
    return f"±{value:.{decimals}f}{_unit(s)}"


def by_how_much(name: str, change: float) -> str:
    """Return a change of a value, with its sign."""
    s = kept_setting(name)
    return f"{change:+.{s.decimals}f}{_unit(s)}"
