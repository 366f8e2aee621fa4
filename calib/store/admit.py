"""What a record from outside must be to be let in: the same as what is typed in, and nothing that a database chokes on."""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from calib.errors import BadInput, FileError
from calib.model.correction import Verdict
from calib.model.gate import check_value
from calib.model.setting import setting
from calib.store.fields import READING
from calib.store.records import AXES

_LARGEST = 1e300  # of a number; what is larger is none that anybody measured
_DEEPEST = 60  # levels of lists and objects; records have six
_LONGEST_WORDS = 20_000
_LONGEST_TEXT = 4_000_000  # a sheet
_YEARS = (1970, 2200)


def check_record(record: Mapping[str, Any]) -> None:
    """Refuse what can't be stored or shown: broken text, endless numbers, bottomless nesting.

    Raises
    ------
    FileError
        Says which field it is.
    """
    for name, value in record.items():
        if wrong := _odd(value, _LONGEST_TEXT if name == "sheet_text" else _LONGEST_WORDS):
            raise FileError(f"{record['record']}.{name:.40} {wrong}")
    if "uid" in record:
        check_uid(record["uid"])


def check_uid(uid: str) -> None:
    """Refuse an id that can't be told, or not be typed."""
    if not 0 < len(uid) <= 64 or not uid.isprintable() or " " in uid:
        raise FileError(f"{_short(uid)} can't be an id", mend="it has 1 to 64 printable characters")


def _odd(value: Any, longest: int, depth: int = 0) -> str:
    """Say what is odd about a value; empty where nothing is."""
    if value is None or isinstance(value, bool):
        return ""
    if isinstance(value, str):
        return _odd_text(value, longest)
    if isinstance(value, int | float):
        return "" if abs(value) < _LARGEST else "is a number beyond all measure"
    if depth > _DEEPEST:
        return "is nested too deep"
    if isinstance(value, Mapping):
        value = [*value.keys(), *value.values()]
    elif _plain_column(value):
        return ""
    return next((w for v in value if (w := _odd(v, longest, depth + 1))), "")


def _plain_column(values: list[Any]) -> bool:
    """Whether a long column of one type is right, at a glance."""
    kinds = set(map(type, values))
    if kinds == {str}:
        return "".join(values).isprintable() and len(max(values, key=len)) < _LONGEST_WORDS
    return kinds <= {float, type(None)}  # finite: what is not, is no JSON


def _odd_text(text: str, longest: int) -> str:
    if len(text) > longest:
        return f"has {len(text)} characters, more than any that is written"
    if "\0" in text:
        return "has a NUL character"
    if any("\ud800" <= c <= "\udfff" for c in text) if not text.isascii() else False:
        return "has half of a pair of surrogates, which is no text"
    return ""


def _short(text: str) -> str:
    shown = text if len(text) <= 40 else f"{text[:37]}..."
    return ascii(shown) if not shown.isprintable() else repr(shown)


def time_of(text: str) -> datetime:
    """Return a time in UTC.

    Raises
    ------
    FileError
        It is not ISO 8601, or in a year that no record can be of.
    """
    try:
        found = datetime.fromisoformat(text)
        at = found.replace(tzinfo=UTC) if found.tzinfo is None else found
        if not _YEARS[0] <= at.year <= _YEARS[1]:  # a clock without a battery begins in 1970
            raise OverflowError
        return at.astimezone(UTC)
    except ValueError as err:
        raise FileError(f"{_short(text)} is not a time", mend="write ISO 8601, such as 2026-11-25T14:30:00Z") from err  # fmt: skip
    except OverflowError as err:
        raise FileError(f"{_short(text)} is a time out of range", mend=f"it is between the years {_YEARS[0]} and {_YEARS[1]}") from err  # fmt: skip


def check_axes(axes: list[Mapping[str, Any]]) -> None:
    """Refuse an axis whose drive is described in part only."""
    for a in axes:
        rest = [v for n, v in a.items() if n not in ("axis", "steps_per_mm")]
        if None in rest and any(v is not None for v in rest):
            raise FileError(f"the drive of axis {a['axis']} is described in part", mend="all of it, or null")  # fmt: skip


def check_sheet(record: Mapping[str, Any]) -> None:
    """Refuse a sheet whose readings don't belong together, or whose corrections name what there is not."""
    if len({len(record["readings"][n]) for n in READING}) != 1:
        raise FileError(f"the readings of sheet {record['uid']} are columns of unequal length")
    time_of(record["kept_at"])
    for c in record["corrections"]:
        check_uid(c["uid"])
        setting(c["setting"])
        time_of(c["kept_at"])
        dof, undone = c["error"]["dof"], c["undone"]
        if c["u_new"] < 0 or c["error"]["u"] < 0 or (dof is not None and dof <= 0):
            raise FileError(f"correction {c['uid']}: an uncertainty can't be below 0")
        if undone:
            check_uid(undone["uid"])
            time_of(undone["at"])


def unsafe(correction: Mapping[str, Any], ratings: Mapping[str, float]) -> str:
    """Say why a correction's value must not be shown as one to set; empty where it may.

    Parameters
    ----------
    ratings : mapping
        The printer's ratings by name, such as ``hot_end_max_c``.
    """
    name, value = correction["setting"], _in_force(correction)
    if value is None or correction["undone"]:
        return ""
    try:
        check_value(name, value, ratings)
    except BadInput as err:
        return f"{err.what} ({err.mend})"
    return ""


def _in_force(correction: Mapping[str, Any]) -> float | None:
    if correction["verdict"] == Verdict.APPLY:
        return float(correction["new"])
    old = correction["old"]
    return float(old) if correction["verdict"] == Verdict.LEAVE and old is not None else None


def check_axis_name(axis: str) -> None:
    """Refuse an event of an axis that no printer has."""
    if axis and axis not in AXES:
        raise FileError(f"axis {_short(axis)} is not one of {', '.join(AXES)}")
