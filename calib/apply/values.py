"""Values to type in: a table, CSV, JSON, the shared G-code line, and a card to print with a QR code."""

import csv
import io
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

from calib.errors import BadInput
from calib.model.gate import why_refused
from calib.model.place import in_files, where_words
from calib.model.setting import SETTINGS, Place, kept_setting
from calib.safety import SAFETY

STORING = (
    "Send the line, then the command with which your printer's firmware stores settings (often M500), or enter the"
    " numbers in the printer's menu or its configuration file; otherwise they are gone when it is switched off."
    " Read them back afterwards."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One setting to type in.

    Parameters
    ----------
    setting : str
        Name with its unit, such as ``steps_x_per_mm``.
    physical_name : str
        What it is; filled in from the table of settings if empty.
    old, new : float
        `old` is None where nobody said what it was.
    unit : str
        Such as ``mm``, ``deg``, ``%``, ``steps/mm``, ``degC``.
    gcode : str
        The command that sets it, where one is shared by most firmware; filled in for steps.
    place : str
        Where it takes effect (`calib.model.place.Place`); empty for a number given for one file.
    said : bool
        Whether somebody said so; else it is only the usual place.
    is_set : bool
        Whether the new value is known to be set in the printer already.
    """

    setting: str
    new: float
    old: float | None = None
    unit: str = ""
    physical_name: str = ""
    gcode: str = ""
    place: str = ""
    said: bool = False
    is_set: bool = False

    def __post_init__(self) -> None:
        known = kept_setting(self.setting)
        if why := why_refused(self.setting, self.new, {}):
            raise BadInput(f"{known.label}: {why}")
        if self.old is not None and not math.isfinite(self.old):
            raise BadInput(f"{known.label}: the old value is no finite number")
        if not self.unit:
            object.__setattr__(self, "unit", known.unit)
        if not self.physical_name:
            object.__setattr__(self, "physical_name", known.meaning or known.label)
        if not self.gcode and known.stored_code and self.new > 0:
            object.__setattr__(self, "gcode", known.code + known.spelled(self.new))

    @property
    def where(self) -> str:
        """Where it takes effect, in words; what is still to be set stands out."""
        return where_words(self.place, is_set=self.is_set) if self.place else ""


def spell(setting: str, value: float | None) -> str:
    """Return a value with as many digits as the setting is worth."""
    return kept_setting(setting).spelled(value)


def steps_line(values: Iterable[Value]) -> str:
    """Return one ``M92`` line for all steps among the values; empty if there are none."""
    found = {v.setting: v.new for v in values}
    stored = [s for s in SETTINGS.values() if s.stored_code and s.name in found]
    words = [s.code.removeprefix("M92 ") + s.spelled(found[s.name]) for s in stored]
    return f"M92 {' '.join(words)}" if words else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """Whose values they are, and of which day (ISO 8601); "" where none is meant."""

    printer: str = ""
    nozzle: str = ""
    spool: str = ""
    date: str = ""

    @property
    def words(self) -> str:
        """One line for people: ``lantern / brass / white-1, 2026-11-28``."""
        names = " / ".join(filter(None, (self.printer, self.nozzle, self.spool)))
        return ", ".join(filter(None, (names, self.date)))


NOBODY = Heading()


def to_set(values: Iterable[Value]) -> list[Value]:
    """Return what is to be set in the printer or the slicing settings: not what files get."""
    return [v for v in values if v.place in ("", Place.PRINTER)]


def said_so(values: Iterable[Value], options: str) -> str:
    """Return how to say that what is to be set is set now; empty where nothing is to be set."""
    open_ = [v.setting for v in values if v.place == Place.PRINTER and not v.is_set]
    said = "".join(f" --in-printer {name}" for name in open_)
    return f"Once it is set, say so: truebead values{options}{said}" if open_ else ""


def elsewhere(values: Iterable[Value]) -> list[str]:
    """Say what is not set in the printer: what goes into files, and what parts are drawn with."""
    words = {
        Place.MODELS: "Goes into models with truebead apply FILE, so it is not set",
        Place.GCODE: "Goes into sliced files with truebead apply FILE, so it is not set",
        Place.DRAWING: "To draw parts with, set nowhere",
    }
    listed = list(values)
    return [
        f"{text}: {', '.join(kept_setting(v.setting).said(v.new) for v in listed if v.place == place)}."
        for place, text in words.items()
        if any(v.place == place for v in listed)
    ]


#: Heads of the columns of `table`.
COLUMNS = ("what it is", "new>", "old>", "unit", "where", "setting")


def table(values: Iterable[Value]) -> list[tuple[str, ...]]:
    """Return rows of texts under `COLUMNS`, for a terminal or a page."""
    return [
        (v.physical_name, spell(v.setting, v.new), spell(v.setting, v.old), v.unit, v.where, v.setting)
        for v in values
    ]  # fmt: skip


#: Heads of the columns of `short_table`: what fits a narrow terminal.
SHORT_COLUMNS = ("setting", "new>", "old>", "unit", "")


def short_table(values: Iterable[Value]) -> list[tuple[str, ...]]:
    """Return rows of texts under `SHORT_COLUMNS`, each setting by its label."""
    return [
        (kept_setting(v.setting).label, spell(v.setting, v.new), spell(v.setting, v.old), v.unit, v.where)
        for v in values
    ]  # fmt: skip


def values_csv(values: Iterable[Value], of: Heading = NOBODY) -> str:
    """Return the values as CSV, each row with whose it is and of which day; the first with the cautions."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["setting", "what_it_is", "old", "new", "unit", "gcode", "where",
                     "printer", "nozzle", "spool", "date", "cautions"])  # fmt: skip
    cautions = SAFETY
    for v in values:
        old = "" if v.old is None else spell(v.setting, v.old)
        new = spell(v.setting, v.new)
        writer.writerow([v.setting, v.physical_name, old, new, v.unit, v.gcode, v.where,
                         of.printer, of.nozzle, of.spool, of.date, cautions])  # fmt: skip
        cautions = ""  # once is enough
    return out.getvalue()


def values_data(values: Iterable[Value]) -> dict[str, Any]:
    """Return the values for machines, with all their digits."""
    listed = list(values)
    return {
        "schema_version": 1,
        "values": [asdict(v) for v in listed],
        "steps_line": steps_line(listed),
    }


def values_text(values: Iterable[Value], of: Heading = NOBODY) -> str:
    """Return the values as short plain text; this is what the QR code on the card says."""
    listed = list(values)
    lines = [
        f"{v.setting} {spell(v.setting, v.new)} {v.unit}".rstrip()
        + (f" ({v.where})" if in_files(v.place) else "")
        for v in listed
    ]
    return "\n".join(filter(None, (of.words, *lines, steps_line(listed))))


def values_card(
    values: Iterable[Value], *, title: str, note: str = "", of: Heading = NOBODY
) -> str:
    """Return a page to print and keep by the printer: the table, the line to send, and the QR code.

    Raises
    ------
    BadInput
        There is nothing to show, or too much for one QR code.
    """
    import segno
    from jinja2 import Environment

    listed = list(values)
    if not listed:
        raise BadInput("there are no values to put on a card")
    try:
        code = segno.make(values_text(listed, of), error="m", micro=False)
    except segno.DataOverflowError as err:
        raise BadInput("too many values for one card", mend="make one card per printer") from err
    page = Environment(autoescape=True).from_string(_CARD)
    return page.render(
        title=title,
        of=of.words,
        note=note,
        rows=table(listed),
        line=steps_line(listed),
        storing=STORING,
        cautions=SAFETY,
        code=code.svg_inline(scale=3, border=4),
    )


#: The new value stands beside what it is, so that it is seen on the narrowest screen.
_CARD = """<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ title }}{% if of %}: {{ of }}{% endif %}</title>
<style>
  :root { color-scheme: light dark; }
  body { font: 11pt/1.4 serif; margin: 5mm auto; padding: 0 4mm; max-width: 180mm; }
  h1 { font-size: 15pt; margin: 0; }
  table { border-collapse: collapse; margin: 4mm 0; width: 100%; }
  td, th { border-bottom: 0.3mm solid #888; padding: 1mm 1.5mm; text-align: left; vertical-align: top; }
  td.number, th.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
  td small { display: block; margin: 0; overflow-wrap: anywhere; }
  code { font-size: 12pt; overflow-wrap: anywhere; }
  svg { background: #fff; max-width: 100%; height: auto; }
  small { display: block; max-width: 150mm; margin-top: 3mm; }
  @page { size: A5 landscape; margin: 8mm; }
</style>
<h1>{{ title }}</h1>
{% if of %}<p>{{ of }}</p>{% endif %}
{% if note %}<p>{{ note }}</p>{% endif %}
<table>
<tr><th>What it is</th><th class="number">New</th><th class="number">Old</th><th></th></tr>
{% for what, new, old, unit, where, setting in rows -%}
<tr><td>{{ what }}<small>{{ setting }}</small></td>
<td class="number"><b>{{ new }}</b> {{ unit }}</td><td class="number">{{ old }}</td><td>{{ where }}</td></tr>
{% endfor -%}
</table>
{{ code | safe }}
{% if line %}<p><code>{{ line }}</code></p><small>{{ storing }}</small>{% endif %}
<small>{{ cautions }}</small>
</html>
"""
