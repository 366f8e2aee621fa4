"""The ``# key: value`` lines of a sheet: a piece to lines and back, and the instruments."""

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from calib.errors import SheetError
from calib.model.instrument import DEFAULTS, Instrument
from calib.readings.table import Row, Table
from patterns import registry
from patterns.errors import SpecError
from patterns.own import described, piece_told
from patterns.piece import Piece
from patterns.spec import PrintSetup

#: Raised only where an older Truebead would misread a sheet.
VERSION = 1

UNIT_NAMES = {
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), "mm"),
    **dict.fromkeys(("in", "inch", "inches", '"', "zoll"), "inch"),
}
_KEY = re.compile(r"#\s*([A-Za-z][\w .-]*?)\s*:\s*(.*)", re.DOTALL)
#: How people write a key's own unit behind its number.
_KEY_UNITS = {"mm": r"\s*mm$", "g": r"\s*g$", "c": r"\s*(°|deg|degrees)?\s*c$"}
#: All that a fit needs to know of a piece that is not of the package.
OWN_PIECE = "own_piece"
_REMAKE = "make the sheet again with `truebead sheet`"

#: Key in the sheet -> (instrument, its field); the unit is part of the key.
_INSTRUMENT_KEYS = {
    f"{name}_{field}_{unit}": (name, field)
    for name, unit in (("caliper", "mm"), ("balance", "g"))
    for field in ("resolution", "mpe", "repeatability", "jaw_mpe", "reach")
    if (name, field) != ("balance", "jaw_mpe")
}


@dataclass(frozen=True, slots=True)
class Head:
    """The key lines, with the line each stands on."""

    name: str
    values: Mapping[str, str]
    lines: Mapping[str, int]

    def where(self, key: str) -> str:
        """Return file, line and key for a message."""
        line = self.lines.get(key)
        return f"{self.name} line {line}, '# {key}'" if line else self.name


def head_rows(piece: Piece, keys: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Yield (key, value) for the pattern, its parameters and the printer's setup, then `keys`."""
    yield "truebead sheet", str(VERSION)
    yield "pattern", piece.pattern
    for key, value in keys.items():
        yield key, value
    if not registry.is_own(piece.pattern):
        yield OWN_PIECE, described(piece)
    for key, value in piece.spec.as_text().items():
        yield f"spec.{key}", value
    for key, value in piece.setup.as_text().items():
        yield f"setup.{key}", value


def instrument_rows(instruments: Mapping[str, Instrument]) -> Iterator[tuple[str, str]]:
    """Yield (key, value) for caliper and balance."""
    for key, (name, field) in _INSTRUMENT_KEYS.items():
        instrument = instruments.get(name, DEFAULTS[name])
        yield key, repr(float(getattr(instrument, field)))


def head_of(table: Table) -> Head:
    """Collect the key lines and check the version.

    Raises
    ------
    SheetError
        The sheet is of a later version, or names one key twice with different values.
    """
    values: dict[str, str] = {}
    lines: dict[str, int] = {}
    for row in table.comments:
        key, value = _key_value(row)
        if key and value and values.get(key) not in (None, "", value):
            raise SheetError(
                f"'# {key}' is {value!r} here but {values[key]!r} on line {lines[key]}",
                where=f"{table.name} line {row.line}",
                mend="keep one of the two lines",
            )
        if key and (value or key not in values):  # a line left empty says nothing
            values[key], lines[key] = value, row.line
    head = Head(table.name, values, lines)
    _check_version(head)
    return head


def _key_value(row: Row) -> tuple[str, str]:
    text = row.cells[0].strip()
    if text.startswith('"') and text.endswith('"'):
        text = text[1:-1].replace('""', '"')
    found = None if text.startswith("##") else _KEY.fullmatch(text)
    # A spreadsheet's user may have put the value into the next cell.
    return (" ".join(found[1].lower().split()), found[2].strip(",;|\t ")) if found else ("", "")


def _check_version(head: Head) -> None:
    text = head.values.get("truebead sheet", str(VERSION))
    if not text.isdecimal():
        raise SheetError(
            f"the version {text!r} is not a whole number",
            where=head.where("truebead sheet"),
            mend=f"write {VERSION}",
        )
    if int(text[:9]) > VERSION:
        raise SheetError(
            f"the sheet is of version {text}, made by a later Truebead; this one reads {VERSION}",
            where=head.where("truebead sheet"),
            mend="bring Truebead up to date",
        )


def piece_of(head: Head) -> Piece:
    """Lay the piece out again from the head.

    Raises
    ------
    SheetError
        The pattern is missing or unknown, or a parameter is; the message is the spec's own.
    """
    name = head.values.get("pattern")
    if not name:
        raise SheetError(
            "the line '# pattern: ...' is missing, so nobody knows what was measured",
            where=head.name,
            mend="put the lines that begin with # back as they were, or " + _REMAKE,
        )
    with_where = _Blamed(head)
    with with_where.on("setup."):
        setup = PrintSetup.from_text(_part(head, "setup."))
    if OWN_PIECE in head.values and not registry.is_own(name):
        with with_where.on(OWN_PIECE):
            return piece_told(name, head.values[OWN_PIECE], setup)
    with with_where.on("pattern"):
        recipe = registry.get(name)
    given = _part(head, "spec.")
    with with_where.on("spec."):
        recipe.spec_type.from_text(given)
    with with_where.on("pattern"):
        return recipe.piece(given, setup)


class _Blamed:
    """Turn a SpecError into a SheetError that names the line of the parameter it speaks of."""

    def __init__(self, head: Head) -> None:
        self.head, self.key = head, ""

    def on(self, key: str) -> "_Blamed":
        self.key = key
        return self

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, err: BaseException | None, trace: object) -> None:
        if isinstance(err, SpecError):
            words = set(re.findall(r"\w+", err.what))
            named = [
                k for k in self.head.lines if k.startswith(self.key) and k[len(self.key) :] in words
            ]
            key = named[0] if self.key.endswith(".") and named else self.key
            raise SheetError(err.what, where=self.head.where(key), mend=err.mend) from err


def _part(head: Head, prefix: str) -> dict[str, str]:
    return {k[len(prefix) :]: v for k, v in head.values.items() if k.startswith(prefix)}


def other_keys(head: Head) -> dict[str, str]:
    """Return the keys that are neither version, pattern nor parameters."""
    return {
        k: v
        for k, v in head.values.items()
        if k not in ("truebead sheet", "pattern", OWN_PIECE)
        and not k.startswith(("spec.", "setup."))
    }


def unit_of(head: Head) -> str:
    """Return ``mm`` or ``inch``; the sheet's lengths are written in it."""
    text = head.values.get("unit", "mm").strip().lower()
    if text not in UNIT_NAMES:
        raise SheetError(
            f"the unit {text!r} is neither mm nor inch",
            where=head.where("unit"),
            mend="write '# unit: mm' or '# unit: inch'; a single cell may say '3.997 cm'",
        )
    return UNIT_NAMES[text]


def check_made(head: Head) -> None:
    """Refuse a date of making that is not ISO 8601."""
    text = head.values.get("made", "")
    try:
        if text:
            datetime.fromisoformat(text)
    except ValueError:
        raise SheetError(
            f"the date {text!r} can't be read",
            where=head.where("made"),
            mend="write it like 2026-03-12T14:30",
        ) from None


def instruments_of(head: Head) -> dict[str, Instrument]:
    """Return the instruments as the head describes them, the usual ones where it says nothing."""
    found = dict(DEFAULTS)
    for key, (name, field) in _INSTRUMENT_KEYS.items():
        value = number_of(head, key)
        if value is None:
            continue
        if value < 0 or (value == 0 and field in ("resolution", "reach")):
            raise SheetError(
                f"{value:g} is too small", where=head.where(key), mend="write it in the key's unit"
            )
        found[name] = _with(found[name], field, value)
    return found


def _with(instrument: Instrument, field: str, value: float) -> Instrument:
    numbers: dict[str, Any] = {field: value}
    return replace(instrument, **numbers)


def number_of(head: Head, key: str) -> float | None:
    """Return a number from the head, None where it is blank or missing.

    The key ends in its unit (``_mm``, ``_g`` or ``_c``), which may be written behind the number.
    """
    text = head.values.get(key, "").strip()
    if not text:
        return None
    bare = re.sub(_KEY_UNITS[key.rpartition("_")[2]], "", text.lower())
    try:
        value = float(bare.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > 1e5:
        raise SheetError(
            f"{text!r} is not a number that fits here",
            where=head.where(key),
            mend="write a number alone, or leave it empty",
        )
    return value
