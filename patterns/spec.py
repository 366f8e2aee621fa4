"""Parameters of a pattern, declared once with unit, range and meaning, and checked at birth."""

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, TypeVar

from patterns.errors import SpecError

S = TypeVar("S", bound="Spec")


@dataclass(frozen=True, slots=True)
class Param:
    """What a parameter means: unit, allowed range or choices, and one line of help."""

    unit: str
    low: float
    high: float
    help: str
    choices: tuple[str, ...] = ()


def number(default: float, unit: str, low: float, high: float, help: str) -> Any:
    """Declare a number; an int default makes it a whole number."""
    return field(default=default, metadata={"param": Param(unit, low, high, help)})


def choice(default: str, choices: tuple[str, ...], help: str) -> Any:
    """Declare a word out of a few."""
    return field(default=default, metadata={"param": Param("", 0, 0, help, choices)})


def word(default: str, help: str) -> Any:
    """Declare a short word that is looked up elsewhere, such as a filament type."""
    return field(default=default, metadata={"param": Param("", 0, 0, help)})


@dataclass(frozen=True, kw_only=True)
class Spec:
    """Base of every pattern's parameters: each declared with `number`, `choice` or `word`."""

    def __post_init__(self) -> None:
        for f in fields(self):
            _check(
                type(self).__name__, f.name, getattr(self, f.name), f.metadata["param"], f.default
            )

    @classmethod
    def params(cls) -> dict[str, tuple[Param, Any]]:
        """Return name -> (declaration, default), in order."""
        return {f.name: (f.metadata["param"], f.default) for f in fields(cls)}

    @classmethod
    def from_text(cls: type[S], given: Mapping[str, str]) -> S:
        """Build from words such as ``{"size_mm": "40"}``.

        Raises
        ------
        SpecError
            A name is unknown, a word is not a number, or a value is out of range.
        """
        known = cls.params()
        values: dict[str, Any] = {}
        for name, text in given.items():
            if name not in known:
                raise SpecError(f"there is no parameter {name!r}", mend=_meant(name, list(known)))
            param, default = known[name]
            is_word = param.choices or isinstance(default, str)
            values[name] = text.strip() if is_word else _parse(name, text, default)
        return cls(**values)

    def as_text(self) -> dict[str, str]:
        """Return name -> word, such that `from_text` gives the same spec back."""
        return {f.name: _word(getattr(self, f.name)) for f in fields(self)}


def _meant(name: str, known: list[str]) -> str:
    """Return the mend for an unknown name: the one that was meant, or all there are."""
    everything = f"the parameters are {', '.join(known)}"
    starts = [k for k in known if name and k.startswith(f"{name.lower()}_")]
    near = starts or difflib.get_close_matches(name.lower(), known, n=1)
    return f"did you mean {' or '.join(near)}?" if near else everything


def _word(value: Any) -> str:
    return repr(value) if isinstance(value, float) else str(value)


def _parse(name: str, text: str, default: Any) -> float | int:
    cleaned = text.strip().replace(",", ".") if text.count(",") == 1 else text.strip()
    try:
        value = float(cleaned)
    except ValueError:
        raise SpecError(f"{name}: {text!r} is not a number", mend=f"try {default}") from None
    if isinstance(default, int) and value.is_integer():
        return int(value)
    return value


def _check(owner: str, name: str, value: Any, param: Param, default: Any) -> None:
    if param.choices:
        if value not in param.choices:
            raise SpecError(
                f"{name}: {value!r} is not one of {', '.join(param.choices)}", mend=f"try {default}"
            )
        return
    if isinstance(default, str):
        if not isinstance(value, str) or not 0 < len(value) <= 40 or not value.isprintable():
            raise SpecError(f"{name} must be a short word (got {value!r})", mend=f"try {default}")
        return
    whole = isinstance(default, int)
    good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if good and whole and not float(value).is_integer():
        raise SpecError(f"{name} must be a whole number (got {value!r})", mend=f"try {default}")
    if not good or not param.low <= value <= param.high:
        raise SpecError(
            f"{name} must be {param.low:g} to {param.high:g} {param.unit} (got {value!r})".strip(),
            mend=f"try {default}",
        )


@dataclass(frozen=True, kw_only=True)
class PrintSetup(Spec):
    """The printer and how it is set, as far as a piece has to know.

    Defaults are a common small printer; they are replaced by what the store knows of a printer.
    """

    nozzle_mm: float = number(0.4, "mm", 0.1, 2.0, "bore of the nozzle")
    line_mm: float = number(0.0, "mm", 0.0, 3.0, "width of one printed line (0: 1.125 x nozzle)")
    layer_mm: float = number(0.2, "mm", 0.04, 1.5, "height of one layer")
    build_x_mm: float = number(220.0, "mm", 40.0, 3000.0, "build volume along X")
    build_y_mm: float = number(220.0, "mm", 40.0, 3000.0, "build volume along Y")
    build_z_mm: float = number(250.0, "mm", 40.0, 3000.0, "build volume along Z")
    hot_end_max_c: float = number(250.0, "degC", 150.0, 500.0, "highest rated hot-end temperature")
    bed_max_c: float = number(100.0, "degC", 0.0, 200.0, "highest rated bed temperature")
    filament_mm: float = number(1.75, "mm", 1.0, 3.5, "diameter of the filament")

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.line_mm == 0.0:
            object.__setattr__(self, "line_mm", round(1.125 * self.nozzle_mm, 4))
        if self.layer_mm > 0.8 * self.nozzle_mm + 1e-9:
            raise SpecError(
                f"layer_mm {self.layer_mm:g} is more than 0.8 x the nozzle of {self.nozzle_mm:g} mm",
                mend=f"use {0.8 * self.nozzle_mm:.2f} mm or less, or give the nozzle's size",
            )
        if not 0.6 * self.nozzle_mm <= self.line_mm <= 2.5 * self.nozzle_mm:
            raise SpecError(
                f"line_mm {self.line_mm:g} does not suit a nozzle of {self.nozzle_mm:g} mm",
                mend=f"use {0.6 * self.nozzle_mm:.2f} to {2.5 * self.nozzle_mm:.2f} mm",
            )

    def layers(self, height_mm: float) -> float:
        """Return the height nearest to `height_mm` that is a whole number of layers (at least 1)."""
        return round(max(1, round(height_mm / self.layer_mm)) * self.layer_mm, 6)
