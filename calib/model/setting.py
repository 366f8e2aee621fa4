"""The one table of things that can be set: what each is called, where it belongs, which values make sense.

Whatever asks something about a setting (what goes stale with it, where it can take effect, how many
digits it is worth) reads this table. A new setting is one entry here.

Ranges, steps and spreads are common practice, no source, unless a line says otherwise.
"""

import difflib
import math
from dataclasses import dataclass
from enum import StrEnum

from calib.errors import BadInput
from calib.model.correction import Scope


class Place(StrEnum):
    """Where a value takes effect."""

    PRINTER = (
        "printer"  # in its firmware or in the slicing settings; calibration pieces get it, too
    )
    MODELS = "models"
    GCODE = "gcode"
    DRAWING = "drawing"  # a number to draw parts with; nothing is set


@dataclass(frozen=True, slots=True, kw_only=True)
class Topic:
    """Settings that are found, used and go stale together.

    Attributes
    ----------
    name, what : str
        Name for machines; what it is, for people.
    scope : Scope
        The layer that its settings belong to.
    after : tuple of str
        Topics to settle before; a change there makes this one stale.
    per_nozzle : bool
        Whether a value holds only for the nozzle that it was found with.
    any_printer : bool
        Whether a value found on one printer holds on another.
    stale_with : str
        Another topic with which it goes stale, so that the events need not name both.
    asked_for : bool
        Whether a plan asks for it by itself; else it is found on the way, or where wanted.
    """

    name: str
    what: str
    scope: Scope
    after: tuple[str, ...] = ()
    per_nozzle: bool = True
    any_printer: bool = False
    stale_with: str = ""
    asked_for: bool = True


#: In the order in which they are to be settled: mechanics before material, temperature before
#: flow, flow before size.
TOPICS = (
    Topic(name="level", what="bed level", scope=Scope.PRINTER, per_nozzle=False),
    Topic(name="axes", what="steps of X, Y and Z", scope=Scope.PRINTER, per_nozzle=False),
    Topic(name="skew", what="squareness of the axes", scope=Scope.PRINTER, per_nozzle=False),
    Topic(name="extruder", what="steps of the extruder", scope=Scope.PRINTER, per_nozzle=False),
    Topic(name="temperature", what="temperature", scope=Scope.SPOOL),
    Topic(name="retraction", what="retraction", scope=Scope.SPOOL, after=("temperature",)),
    Topic(name="filament", what="diameter of the filament", scope=Scope.SPOOL, per_nozzle=False, any_printer=True, asked_for=False),
    Topic(name="flow", what="flow", scope=Scope.SPOOL, after=("extruder", "filament", "temperature")),
    Topic(name="shrinkage", what="shrinkage of the material", scope=Scope.MATERIAL, per_nozzle=False, any_printer=True, asked_for=False),
    Topic(name="scale", what="size of parts", scope=Scope.SPOOL, after=("axes",), per_nozzle=False),
    Topic(name="outline", what="outline offset", scope=Scope.NOZZLE, after=("flow",)),
    Topic(name="first_layer", what="height of the first layer", scope=Scope.PRINTER, after=("level",), per_nozzle=False, stale_with="level"),
    Topic(name="holes", what="oversize of holes", scope=Scope.SPOOL, after=("flow",)),
    Topic(name="clearance", what="clearance of fits", scope=Scope.SPOOL, after=("flow", "outline")),
    Topic(name="overhang", what="steepest overhang", scope=Scope.SPOOL, after=("temperature",)),
    Topic(name="bridge", what="longest bridge", scope=Scope.SPOOL, after=("temperature",), stale_with="overhang"),
    Topic(name="rate", what="fastest flow of the hot end", scope=Scope.NOZZLE, after=("temperature",), asked_for=False),
    Topic(name="cooling", what="fan", scope=Scope.SPOOL, after=("temperature",), asked_for=False),
    Topic(name="speed", what="speed of printing", scope=Scope.SPOOL, after=("temperature",), asked_for=False),
    Topic(name="play", what="lost motion at reversals", scope=Scope.PRINTER, per_nozzle=False, asked_for=False),
    Topic(name="ripple", what="ripples after corners", scope=Scope.PRINTER, after=("play",), per_nozzle=False, asked_for=False),
    Topic(name="smooth", what="speed without ripples", scope=Scope.PRINTER, after=("ripple",), per_nozzle=False, asked_for=False),
    Topic(name="own", what="settings of your own", scope=Scope.SPOOL, after=("temperature",), asked_for=False),
    Topic(name="lag", what="lag of the flow", scope=Scope.SPOOL, after=("temperature", "flow"), asked_for=False),
)  # fmt: skip

#: Holds what a store may have kept of settings that this table does not know.
OTHER = Topic(name="other", what="other settings", scope=Scope.SPOOL, asked_for=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """A thing that can be set, used to draw with, or done once.

    Attributes
    ----------
    name : str
        For machines, with its unit at the end, such as ``scale_x_percent``.
    label, meaning : str
        For people: what it is called ("size along X"), and what it physically is.
    unit : str
        Such as ``mm``, ``deg``, ``%``, ``steps/mm``, ``degC``.
    about : Topic
        What it is settled with.
    axis : str
        The axis (``X``) or plane (``XY``) it acts on; empty where it acts on none.
    neutral : float or None
        What is set on a printer that nobody has corrected; None where no value is neutral.
    step : float
        Smallest change worth making, in `unit`.
    limits : (float, float)
        The one range in which a value makes sense; the printer's ratings may narrow it.
    decimals : int
        Digits after the point that it is worth; more would be noise.
    spool_sd : float
        How much values of one filament type differ from spool to spool, one standard deviation.
    usual_sd : float
        How far it is off before any calibration, one standard deviation; 0: not known.
    wanted : float
        Half-width of a 95 % interval that is good enough for use; 0: not asked.
    code : str
        Beginning of the machine code that sets it (common practice of printer firmware, no source).
    stored_code : bool
        Whether the firmware stores what that code sets, so that it is to be sent once.
    files : tuple of Place
        Files that it can be put into.
    drawn : bool
        Whether it is a number to draw parts with, set nowhere.
    done_once : bool
        Whether it is something to do once (turn a screw), not a value to have set.
    rated_by : str
        The printer's rating that it must not exceed: ``hot_end_max_c`` or ``bed_max_c``.
    """

    name: str
    label: str
    unit: str
    about: Topic
    limits: tuple[float, float]
    step: float
    decimals: int
    meaning: str = ""
    axis: str = ""
    neutral: float | None = None
    spool_sd: float = 0.0
    usual_sd: float = 0.0
    wanted: float = 0.0
    code: str = ""
    stored_code: bool = False
    files: tuple[Place, ...] = ()
    drawn: bool = False
    done_once: bool = False
    rated_by: str = ""

    @property
    def screw(self) -> str:
        """Name of the levelling screw that it turns; empty where it turns none."""
        inner = self.name.removeprefix("level_").removesuffix("_turns")
        return inner.replace("_", " ") if self.done_once else ""

    @property
    def topic(self) -> str:
        """Name of what it is settled with."""
        return self.about.name

    @property
    def scope(self) -> Scope:
        """The layer that it belongs to."""
        return self.about.scope

    @property
    def after(self) -> tuple[str, ...]:
        """Topics that a change of which makes it stale."""
        return self.about.after

    @property
    def per_nozzle(self) -> bool:
        """Whether a value holds only for the nozzle that it was found with."""
        return self.about.per_nozzle

    @property
    def usual_place(self) -> Place:
        """Where it takes effect while nobody has said anything else."""
        if Place.MODELS in self.files:
            return Place.MODELS
        return Place.DRAWING if self.drawn else Place.PRINTER

    def spelled(self, value: float | None) -> str:
        """Return a value with as many digits as the setting is worth, ``?`` for None."""
        return "?" if value is None else f"{value:.{self.decimals}f}"

    def amount(self, value: float | None) -> str:
        """Return value and unit, to stand behind the label; the unit where the label does not say it."""
        unit = "" if self.label.startswith(self.unit) else self.unit
        return f"{self.spelled(value)} {unit}".rstrip()

    def said(self, value: float | None) -> str:
        """Return label, value and unit, for people: ``size along X 100.12 %``."""
        return f"{self.label} {self.amount(value)}"


_BY_TOPIC = {t.name: t for t in (*TOPICS, OTHER)}
_FILES = (Place.MODELS, Place.GCODE)


def topic(name: str) -> Topic:
    """Return a topic by its name; KeyError where there is none."""
    return _BY_TOPIC[name]


def _axis_settings() -> list[Setting]:
    steps = [
        Setting(
            name=f"steps_{a.lower()}_per_mm", label=f"steps/mm of {a}", unit="steps/mm", axis=a,
            meaning=f"motor steps per mm of travel along {a}", about=topic("axes"),
            limits=(1.0, 60_000.0), step=0.01, decimals=2, code=f"M92 {a}", stored_code=True,
        )
        for a in "XYZ"
    ]  # fmt: skip
    skews = [
        Setting(
            name=f"skew_{plane.lower()}_deg", label=f"lean of {plane[1]} towards +{plane[0]}",
            unit="deg", axis=plane, meaning=f"angle by which {plane[1]} leans towards +{plane[0]}",
            about=topic("skew"), neutral=0.0, limits=(-10.0, 10.0), step=0.01, decimals=3,
            usual_sd=0.15, wanted=0.06, files=_FILES,  # wanted: 0.1 mm over 100 mm
        )
        for plane in ("XY", "XZ", "YZ")
    ]  # fmt: skip
    return steps + skews


def _size_settings() -> list[Setting]:
    scales = [
        Setting(
            name=f"scale_{a.lower()}_percent", label=f"size along {a}", unit="%", axis=a,
            meaning=f"size of the model along {a}, in per cent of what is drawn",
            about=topic("scale"), neutral=100.0, limits=(70.0, 140.0), step=0.02, decimals=2,
            spool_sd=0.05, usual_sd=0.3, wanted=0.2, files=_FILES,
        )
        for a in "XYZ"
    ]  # fmt: skip
    shrinkages = [
        Setting(
            name=f"shrinkage_{d}_percent", label=f"shrinkage {words} the layers", unit="%",
            meaning=f"how much the material shrinks {words} the layers", about=topic("shrinkage"),
            limits=(-2.0, 10.0), step=0.02, decimals=2, spool_sd=0.05, drawn=True,
        )
        for d, words in (("xy", "along"), ("z", "across"))
    ]  # fmt: skip
    return shrinkages + scales


def _fit_settings() -> list[Setting]:
    holes = [
        Setting(
            name=f"hole_{name}oversize_mm", label=f"oversize of {words}", unit="mm",
            meaning=f"oversize to draw {words} with", about=topic("holes"), neutral=0.0,
            limits=(-2.0, 2.0), step=0.02, decimals=3, spool_sd=0.05, wanted=0.1, drawn=True,
        )
        for name, words in (("", "upright holes"), ("horizontal_", "lying holes"), ("pin_", "pins"))
    ]  # fmt: skip
    clearances = [
        Setting(
            name=f"clearance_{kind}_{shape}_mm", label=f"clearance of {shape} {words} fits",
            unit="mm", meaning=f"clearance of {shape} {words} fits, on the whole {across}",
            about=topic("clearance"), limits=(-0.5, 3.0), step=0.01, decimals=3, spool_sd=0.05,
            wanted=0.1, drawn=True,
        )
        for shape, across in (("round", "diameter"), ("square", "width"))
        for kind, words in (("press", "press"), ("slide", "sliding"))
    ]  # fmt: skip
    return holes + clearances


def _motion_settings() -> list[Setting]:
    plays = [
        Setting(
            name=f"reversal_{a.lower()}_mm", label=f"lost motion of {a}", unit="mm", axis=a,
            meaning=f"motion that {a} loses when it turns round, for a printer that can make up for it",
            about=topic("play"), neutral=0.0, limits=(0.0, 3.0), step=0.02, decimals=3,
            usual_sd=0.1, wanted=0.03 if a != "Z" else 0.0,  # Z is asked for by hand
        )
        for a in "XYZ"
    ]  # fmt: skip
    ripples = [
        Setting(
            name=f"ripple_{a.lower()}_hz", label=f"ripple frequency of {a}", unit="Hz", axis=a,
            meaning=f"frequency at which {a} swings on after a corner, for a printer that can make up for it",
            about=topic("ripple"), limits=(5.0, 300.0), step=0.5, decimals=1, wanted=3.0,
        )
        for a in "XY"
    ]  # fmt: skip
    return [
        *plays,
        *ripples,
        Setting(
            name="smooth_speed_mm_s", label="fastest speed without ripples", unit="mm/s",
            meaning="speed after corners up to which no ripples show", about=topic("smooth"),
            limits=(5.0, 1000.0), step=5.0, decimals=0, wanted=15.0,
        ),
        Setting(
            name="flow_lag_s", label="lag of the flow", unit="s", about=topic("lag"),
            meaning="time by which the flow lags behind the feed: mm of filament for each mm/s of filament speed",
            limits=(0.0, 3.0), step=0.005, decimals=3, spool_sd=0.01, wanted=0.02,
        ),
    ]  # fmt: skip


#: In the order in which they are to be settled. 3.5 mm is the thickest filament of the trade.
_EACH = (
    *_axis_settings(),
    Setting(name="steps_e_per_mm", label="steps/mm of the extruder", unit="steps/mm", axis="E",
            meaning="motor steps per mm of filament fed", about=topic("extruder"),
            limits=(1.0, 60_000.0), step=0.01, decimals=2, code="M92 E", stored_code=True),
    Setting(name="hot_end_c", label="hot-end temperature", unit="degC", about=topic("temperature"),
            meaning="temperature of the hot end", limits=(150.0, 500.0), step=1.0, decimals=0,
            spool_sd=4.0, wanted=10.0, code="M104 S", rated_by="hot_end_max_c"),
    Setting(name="bed_c", label="bed temperature", unit="degC", about=topic("temperature"),
            meaning="temperature of the bed", limits=(0.0, 200.0), step=1.0, decimals=0,
            spool_sd=4.0, code="M140 S", rated_by="bed_max_c"),
    Setting(name="retraction_mm", label="retraction length", unit="mm", about=topic("retraction"),
            meaning="length of a retraction", limits=(0.0, 10.0), step=0.1, decimals=2,
            spool_sd=0.2, wanted=0.6),
    Setting(name="retraction_speed_mm_s", label="retraction speed", unit="mm/s",
            about=topic("retraction"), meaning="speed of a retraction", limits=(1.0, 120.0),
            step=1.0, decimals=0, spool_sd=5.0),
    Setting(name="filament_mm", label="filament diameter", unit="mm", about=topic("filament"),
            meaning="diameter of the filament", limits=(1.0, 3.5), step=0.01, decimals=3,
            spool_sd=0.02, wanted=0.03),
    Setting(name="flow_percent", label="flow", unit="%", about=topic("flow"), neutral=100.0,
            meaning="extrusion multiplier", limits=(50.0, 200.0), step=0.5, decimals=1,
            spool_sd=2.0, wanted=3.0, code="M221 S", files=(Place.GCODE,)),
    *_size_settings(),
    Setting(name="outline_offset_mm", label="outline offset", unit="mm", about=topic("outline"),
            meaning="shift of the outline, outward positive", axis="XY", neutral=0.0, limits=(-1.0, 1.0),
            step=0.01, decimals=3, spool_sd=0.03, usual_sd=0.08, wanted=0.05),
    Setting(name="first_layer_gap_mm", label="rise at the first layer", unit="mm",
            about=topic("first_layer"), axis="Z", neutral=0.0, limits=(-2.0, 2.0), step=0.01, decimals=3,
            meaning="rise of the nozzle over the bed at the first layer", wanted=0.05),
    *_fit_settings(),
    Setting(name="overhang_limit_deg", label="steepest overhang", unit="deg",
            about=topic("overhang"), meaning="steepest lean that prints clean, from upright",
            limits=(0.0, 90.0), step=1.0, decimals=0, spool_sd=3.0, wanted=6.0, drawn=True),
    Setting(name="bridge_limit_mm", label="longest bridge", unit="mm", about=topic("bridge"),
            meaning="longest gap that is bridged clean", limits=(0.0, 300.0), step=1.0, decimals=0,
            spool_sd=3.0, wanted=10.0, drawn=True),
    Setting(name="volumetric_rate_limit_mm3_s", label="fastest flow of the hot end", unit="mm3/s",
            about=topic("rate"), meaning="most plastic the hot end melts in a second",
            limits=(0.1, 200.0), step=0.1, decimals=1),
    Setting(name="fan_percent", label="fan speed", unit="%", about=topic("cooling"),
            meaning="speed of the fan on the part", limits=(0.0, 100.0), step=5.0, decimals=0,
            code="M106 S"),
    Setting(name="speed_mm_s", label="speed of extruding moves", unit="mm/s", about=topic("speed"),
            meaning="speed of the moves that lay filament down", limits=(1.0, 1000.0), step=5.0, decimals=0),
    Setting(name="speed_percent", label="printing speed", unit="%", about=topic("speed"),
            meaning="speed in per cent of what the file asks", limits=(10.0, 300.0), step=5.0, decimals=0, code="M220 S"),
    *_motion_settings(),
)  # fmt: skip

#: Name -> setting, in the order in which they are to be settled.
SETTINGS: dict[str, Setting] = {s.name: s for s in _EACH}


def setting(name: str, where: str = "") -> Setting:
    """Return a setting by its name.

    Raises
    ------
    BadInput
        There is none; the nearest name is suggested.
    """
    found = SETTINGS.get(name) or _screw(name) or _own(name)
    if found is not None:
        return found
    near = difflib.get_close_matches(name, SETTINGS, n=1)
    known = f"did you mean {near[0]}?" if near else f"the settings are {', '.join(SETTINGS)}"
    raise BadInput(f"there is no setting {name!r}", where=where, mend=known)


def kept_setting(name: str) -> Setting:
    """Return a setting as a store may hold it: one that this table does not know is shown by its name."""
    found = SETTINGS.get(name) or _screw(name) or _own(name)
    if found is not None:
        return found
    return Setting(
        name=name, label=name, unit="", about=OTHER, limits=(-math.inf, math.inf), step=0.0, decimals=3
    )  # fmt: skip


def _screw(name: str) -> Setting | None:
    """Return the turns of a levelling screw; how many screws there are is the printer's matter."""
    inner = name.removeprefix("level_").removesuffix("_turns")
    if name != f"level_{inner}_turns" or not inner:
        return None
    words = f"turns of the {inner.replace('_', ' ')} screw"
    return Setting(
        name=name, label=words, meaning=f"{words} under the bed, positive raises the bed there",
        unit="turn", about=topic("level"), limits=(-40.0, 40.0), step=0.02, decimals=2, done_once=True,
    )  # fmt: skip


def _own(name: str) -> Setting | None:
    """Return a setting of the user's own, such as ``own_corner_speed``, which a line of theirs sets."""
    words = name.removeprefix("own_").replace("_", " ")
    if not name.startswith("own_") or not words.strip():
        return None
    return Setting(
        name=name, label=f"your own {words}", meaning=f"{words}, set by a line of your own", unit="",
        about=topic("own"), limits=(-1e6, 1e6), step=0.0, decimals=2,
    )  # fmt: skip


def screw_turns(screw: str) -> Setting:
    """Return the turns of a levelling screw that is named in words, such as ``front left``."""
    return setting(f"level_{screw.replace(' ', '_')}_turns")


def label(name: str) -> str:
    """Return what people call a setting."""
    return kept_setting(name).label


def topic_of(name: str) -> Topic:
    """Return the topic that a setting belongs to; "other" for one that no table names."""
    return kept_setting(name).about


def plausible(name: str, value: float, where: str = "") -> float:
    """Return a value that makes sense for a setting.

    Raises
    ------
    BadInput
        There is no such setting, or its value is no finite number or outside its one range.
    """
    s = setting(name, where)
    low, high = s.limits
    if not (math.isfinite(value) and low <= value <= high):
        raise BadInput(
            f"{name} of {value:g} {s.unit} makes no sense".replace("  ", " "),
            where=where,
            mend=f"the {s.label} is from {low:g} to {high:g} {s.unit}",
        )
    return value


def settings_of(topics: str | tuple[str, ...]) -> tuple[Setting, ...]:
    """Return the settings of one or several topics, in settling order."""
    names = (topics,) if isinstance(topics, str) else topics
    return tuple(s for s in SETTINGS.values() if s.topic in names)
