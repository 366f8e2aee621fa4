"""Where a correction takes effect: set in the printer, or put into models or G-code; never in two places."""

from collections.abc import Iterable

from calib.errors import BadInput
from calib.model.setting import SETTINGS, TOPICS, kept_setting, label, topic_of
from calib.model.setting import Place as Place

_WORDS: dict[str, str] = {
    Place.MODELS: "in models",
    Place.GCODE: "in G-code",
    Place.DRAWING: "to draw",
}


def neutral(setting: str) -> float | None:
    """Return what is set on a printer that nobody has corrected; None where no value is neutral."""
    return kept_setting(setting).neutral


def neutral_values() -> dict[str, float]:
    """Return setting -> what is set on a printer that nobody has corrected."""
    return {s.name: s.neutral for s in SETTINGS.values() if s.neutral is not None and not s.drawn}


def settings_in(place: Place) -> list[str]:
    """Return the settings that can be put into models, or into sliced G-code; the rest can only be set."""
    return [s.name for s in SETTINGS.values() if place in s.files]


def usual_place(setting: str) -> Place:
    """Return where a correction takes effect while nobody has said anything else."""
    return kept_setting(setting).usual_place


def in_files(place: str) -> bool:
    """Whether a place is a file: a calibration piece, which `apply` does not touch, goes without."""
    return place in (Place.MODELS, Place.GCODE)


def check_place(setting: str, place: Place) -> None:
    """Refuse a place in which a setting can't take effect."""
    known = kept_setting(setting)
    if in_files(place) and place not in known.files:
        raise BadInput(
            f"{setting} can't be put into {'models' if place is Place.MODELS else 'G-code'}",
            mend=f"what can is {', '.join(settings_in(place))}",
        )
    if place is Place.PRINTER and known.drawn:
        raise BadInput(f"{setting} is a number to draw parts with; it is set nowhere")


def named(names: Iterable[str], known: Iterable[str], option: str = "") -> list[str]:
    """Return the settings that are meant: by their names or labels, or all of a topic such as `skew`.

    Raises
    ------
    BadInput
        The profile has no such setting.
    """
    settings = list(known)
    topics = {t.name for t in TOPICS}
    found: list[str] = []
    for name in names:
        meant = [s for s in settings if name.lower() in (s, label(s).lower())]
        if name in topics:
            meant += [s for s in settings if topic_of(s).name == name and s not in meant]
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
