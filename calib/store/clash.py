"""Things of another store that have the name of another thing here: what differs, and what was decided about it."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from calib.errors import FileError
from calib.store.fields import AXIS, INSTRUMENT, NOZZLE, PRINTER, SPOOL, without_uid
from calib.store.tables import NozzleRow

_FIELDS = {"printer": PRINTER, "nozzle": NOZZLE, "spool": SPOOL, "instrument": INSTRUMENT}
_SHOWN = 6  # clashes named in the message


@dataclass(frozen=True, slots=True, kw_only=True)
class Decisions:
    """What somebody decided about things that have a name which is taken here by another one.

    Attributes
    ----------
    same : mapping
        Theirs -> the name of ours that it is, such as ``printer lantern`` -> ``lamp``.
    rename : mapping
        Theirs -> the name under which it is taken in.
    without_unsafe : bool
        Whether corrections that must not be set are left out; else they are refused.
    """

    same: Mapping[str, str] = field(default_factory=dict)
    rename: Mapping[str, str] = field(default_factory=dict)
    without_unsafe: bool = False


def decisions(same: list[str], rename: list[str], *, without_unsafe: bool = False) -> Decisions:
    """Read what was typed: ``printer lantern``, ``printer lantern=lamp``.

    Raises
    ------
    FileError
        It does not begin with a sort of thing, or a new name is missing.
    """
    return Decisions(
        same=dict(_pair(text, "--same", needs_name=False) for text in same),
        rename=dict(_pair(text, "--rename", needs_name=True) for text in rename),
        without_unsafe=without_unsafe,
    )


def _pair(text: str, option: str, *, needs_name: bool) -> tuple[str, str]:
    theirs, sign, ours = text.partition("=")
    what, _, name = theirs.strip().partition(" ")
    if what not in _FIELDS or not name.strip() or (needs_name and not ours.strip()):
        raise FileError(
            f"{text!r} names nothing that can be taken in",
            where=option,
            mend=f'write {option} "printer lantern=lantern 2"',
        )
    plain = name.partition(" of ")[0] if what == "nozzle" else name
    return theirs.strip(), ours.strip() if sign else plain.strip()


def title(what: str, name: str, owner: str = "") -> str:
    """Return what a thing of the other store is called, here and in the options."""
    return f"{what} {name} of {owner}" if owner else f"{what} {name}"


def differences(what: str, ours: Any, theirs: Mapping[str, Any]) -> list[str]:
    """Say in what a row and a record differ, name and id apart."""
    names = [n for n in without_uid(_FIELDS[what]) if n != "name"]
    found = [_differ(n, getattr(ours, n), theirs[n]) for n in names]
    if what == "spool":
        found.append(_differ("type", ours.material.name, theirs["material"]))
    if what == "printer":
        found += _axes_differ(ours.axes, theirs["axes"])
    return [f for f in found if f]


def _axes_differ(ours: list[Any], theirs: list[Mapping[str, Any]]) -> Iterator[str]:
    here = {a.axis: {n: getattr(a, n) for n in AXIS} for a in ours}
    there = {a["axis"]: a for a in theirs}
    for axis in sorted(here.keys() & there.keys()):
        for n in AXIS:
            if text := _differ(n, here[axis][n], there[axis][n]):
                yield f"{axis} {text}"


def _differ(name: str, ours: Any, theirs: Any) -> str:
    return "" if ours == theirs else f"{name} {_words(ours)} here, {_words(theirs)} there"


def _words(value: Any) -> str:
    if value is None or value == "":
        return "not known"
    return str(value) if isinstance(value, str) else f"{value:g}"


def refuse(clashes: Mapping[str, list[str]]) -> None:
    """Refuse things that have the names of others, showing what differs.

    Raises
    ------
    FileError
        There is at least one.
    """
    if not clashes:
        return
    shown = [f"{name} ({', '.join(found)})" for name, found in list(clashes.items())[:_SHOWN]]
    more = f" and {len(clashes) - _SHOWN} more" if len(clashes) > _SHOWN else ""
    first = next(iter(clashes))
    raise FileError(
        f"the name is taken here by another one: {'; '.join(shown)}{more}",
        mend=f'say that it is the same: --same "{first}", or take it in under a name of its own:'
        f' --rename "{first}=NEW NAME"; nothing was taken in',
    )


def owner_id(row: Any) -> int:
    """Return the printer's id of a nozzle, 0 of anything else: nozzles are named within their printer."""
    return row.printer.id if isinstance(row, NozzleRow) else 0
