"""Numbers, tables and states in words: what terminal, pages and scripts show people alike."""

import math
import re
import shlex
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from calib.model.setting import kept_setting

if TYPE_CHECKING:
    from calib.model.request import Request
    from calib.store.records import ProfileValue


def iso(at: datetime | None) -> str | None:
    """Write a time for machines: ISO 8601 in UTC."""
    return None if at is None else at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def table_lines(columns: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Return a table as lines; where it is wider than `width` each row becomes a paragraph.

    No word is ever broken.
    """
    names = [c.removesuffix(">") for c in columns]
    right = [c.endswith(">") for c in columns]
    cells = [names, *([" ".join(c.split()) for c in row] for row in rows)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    if sum(widths) + 2 * (len(widths) - 1) > width:
        return [line for row in cells[1:] for line in _paragraph(names, row, width)]
    return [
        "  ".join(
            c.rjust(w) if r else c.ljust(w) for c, w, r in zip(row, widths, right, strict=True)
        ).rstrip()
        for row in cells
    ]


def _paragraph(names: Sequence[str], row: Sequence[str], width: int) -> list[str]:
    """Return one row of a table that is too wide: its first cell, and the others named below it."""
    import textwrap

    named = [f"{n} {c}" if n else c for n, c in zip(names[1:], row[1:], strict=True) if c]
    fold = textwrap.TextWrapper(
        max(width, 20), break_long_words=False, break_on_hyphens=False, subsequent_indent="  "
    )
    below = textwrap.TextWrapper(
        max(width, 20), break_long_words=False, break_on_hyphens=False,
        initial_indent="  ", subsequent_indent="    ",
    )  # fmt: skip
    return [*fold.wrap(row[0]), *below.wrap("; ".join(named))]


#: What is not torn apart: a number and its unit, a sign and its number, the words of a command.
_NUMBER = re.compile(r"(?<=[\d±]) (?=\d|(?:mm[²³]?|g|min|h|s|ms|%|deg|degC|Hz|turns?|readings?|prints?)(?!\w))")  # fmt: skip
_COMMAND = re.compile(r"truebead(?: (?:'[^']*'|[^\s'(),;:.]|[,:.](?=[^\s]))+)+")
_HELD = "\N{NO-BREAK SPACE}"


def folded(line: str, width: int) -> list[str]:
    """Fold a line between words, those below the first indented by two more.

    A number keeps its unit; a command stays whole, on a line of its own where need be, to be copied.
    """
    import textwrap

    if len(line) <= width:
        return [line]
    own = line[: len(line) - len(line.lstrip())]
    held = _COMMAND.sub(lambda m: m[0].replace(" ", _HELD), _NUMBER.sub(_HELD, line.lstrip()))
    parts = textwrap.wrap(
        held, max(width, 20), initial_indent=own, subsequent_indent=own + "  ",
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
    return [part.replace(_HELD, " ") for part in parts]


def counted(number: int, what: str) -> str:
    """Return ``1 sheet`` or ``2 sheets``."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def number(value: float | None, u: float = 0.0) -> str:
    """Write a value with as many decimals as its uncertainty deserves (two digits of it)."""
    if value is None:
        return "-"
    if not (math.isfinite(u) and u > 0):
        return f"{value:g}"
    decimals = max(0, 1 - math.floor(math.log10(u)))
    return f"{value:.{min(decimals, 6)}f}"


def half_width(u: float) -> str:
    """Write a half-width with two digits."""
    if not (math.isfinite(u) and u > 0):
        return "-"
    return f"±{number(u, u)}"


def change(old: float | None, new: float, u: float, unit: str) -> str:
    """Write a change; where there is no old value, what to do with the new one."""
    if old is None:
        return f"{'turn' if unit == 'turn' else 'set'} {number(new, u)}"
    return f"{number(old, u)} → {number(new, u)}"


def age(at: datetime, now: datetime | None = None) -> str:
    """Say how long ago something was."""
    days = ((now or datetime.now(UTC)) - at).total_seconds() / 86400
    if days < 1:
        return "today" if days >= 0 else f"{at:%Y-%m-%d}"
    if days < 60:
        return f"{days:.0f} days"
    return f"{days / 30.4:.0f} months" if days < 700 else f"{days / 365.25:.0f} years"


def request_lines(requests: "Iterable[Request]", options: str = "") -> list[str]:
    """Return what to type for each request, one line each, with what for; the same piece once.

    Parameters
    ----------
    options : str
        What names printer, nozzle and spool, as a shell takes it.
    """
    lines: dict[str, str] = {}
    for r in requests:
        sets = "".join(f" --set {k}={shlex.quote(v)}" for k, v in r.typed.items())
        named = f" {options.strip()}" if options.strip() else ""
        command = f"truebead make {r.pattern}{named}{sets}"
        lines.setdefault(command, f"{r.why}: {command}" if r.why else command)
    return list(lines.values())


def turn_words(turns: float, *, short: bool = False) -> str:
    """Say which way to turn a levelling screw, and how far; positive turns raise the bed.

    For screws that pull the bed down against springs, looked at from their heads.
    """
    if short:
        return f"{'loosen' if turns > 0 else 'tighten'} {abs(turns):.2f} turn"
    way = "loosen (bed up)" if turns > 0 else "tighten (bed down)"
    return f"{way} by {abs(turns):.2f} turn ({abs(turns) * 360:.0f} degrees)"


def turn_lines(turns: "Mapping[str, float]", options: str = "") -> list[str]:
    """Say which levelling screws to turn, and how to say that it was done; empty where none is.

    Parameters
    ----------
    turns : mapping
        Setting (`calib.model.setting.screw_turns`) -> turns.
    options : str
        What names the printer, for the command that is shown.
    """
    if not turns:
        return []
    found = "; ".join(f"{kept_setting(n).screw} {turn_words(t)}" for n, t in turns.items())
    return [
        f"Turn the levelling screws, printer off and bed cold: {found}. Then say so: truebead event"
        f" levelled{options}"
    ]


def to_set_lines(what: Sequence[str], told: Sequence[str], options: str) -> list[str]:
    """Say what is to be set by hand, and how to say that it was done; empty where nothing is.

    Parameters
    ----------
    what : sequence of str
        Each setting with its value, in words.
    told : sequence of str
        The options that say that each of them is set.
    """
    if not what:
        return []
    return [
        f"To be set in the printer or the slicing settings before you print: {', '.join(what)}."
        f" Once set, say so: truebead values{options} {' '.join(told)}"
    ]


def place_lines(values: "Sequence[ProfileValue]", options: str = "") -> list[str]:
    """Say what is still to be set, and what files get, so that a piece is printed without it.

    Parameters
    ----------
    options : str
        What names printer, nozzle and spool, for the command that is shown.
    """
    from calib.model.place import Place, neutral

    by_place: dict[str, list[str]] = {}
    told: list[str] = []
    for v in values:
        if v.value is None or v.stale or v.is_set or v.value == neutral(v.setting):
            continue
        if kept_setting(v.setting).done_once:  # see `turn_lines`
            continue
        if v.place == Place.PRINTER:
            told.append(f"--in-printer {v.setting}")
        by_place.setdefault(v.place, []).append(kept_setting(v.setting).said(v.value))
    lines = to_set_lines(by_place.get(Place.PRINTER, ()), told, options)
    for place, files in ((Place.MODELS, "models"), (Place.GCODE, "G-code")):
        if found := by_place.get(place):
            lines.append(
                f"For your {files}, put into each by truebead apply FILE: {', '.join(found)}."
                " Calibration pieces are printed without."
            )
    return lines
