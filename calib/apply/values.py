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
from calib.model.setting import SETTINGS, kept_setting
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


#: Heads of the columns of `table`.
COLUMNS = ("what it is", "setting", "old", "new", "unit", "where")


def table(values: Iterable[Value]) -> list[tuple[str, ...]]:
    """Return rows of texts under `COLUMNS`, for a terminal or a page."""
    return [
        (v.physical_name, v.setting, spell(v.setting, v.old), spell(v.setting, v.new), v.unit, v.where)
        for v in values
    ]  # fmt: skip


def values_csv(values: Iterable[Value]) -> str:
    """Return the values as CSV."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["setting", "what_it_is", "old", "new", "unit", "gcode", "where"])
    for v in values:
        old = "" if v.old is None else spell(v.setting, v.old)
        new = spell(v.setting, v.new)
        writer.writerow([v.setting, v.physical_name, old, new, v.unit, v.gcode, v.where])
    return out.getvalue()


def values_data(values: Iterable[Value]) -> dict[str, Any]:
    """Return the values for machines, with all their digits."""
    listed = list(values)
    return {
        "schema_version": 1,
        "values": [asdict(v) for v in listed],
        "steps_line": steps_line(listed),
    }


def values_text(values: Iterable[Value]) -> str:
    """Return the values as short plain text; this is what the QR code on the card says."""
    listed = list(values)
    lines = [
        f"{v.setting} {spell(v.setting, v.new)} {v.unit}".rstrip()
        + (f" ({v.where})" if in_files(v.place) else "")
        for v in listed
    ]
    line = steps_line(listed)
    return "\n".join([*lines, line] if line else lines)


def values_card(values: Iterable[Value], *, title: str, note: str = "") -> str:
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
        code = segno.make(values_text(listed), error="m", micro=False)
    except segno.DataOverflowError as err:
        raise BadInput("too many values for one card", mend="make one card per printer") from err
    page = Environment(autoescape=True).from_string(_CARD)
    return page.render(
        title=title,
        note=note,
        rows=table(listed),
        line=steps_line(listed),
        storing=STORING,
        cautions=SAFETY,
        code=code.svg_inline(scale=3, border=4),
    )


_CARD = """<!doctype html>
<html lang="en">
<meta charset="utf-8">
<title>{{ title }}</title>
<style>
  body { font: 11pt/1.4 serif; margin: 12mm; color: #111; }
  table { border-collapse: collapse; margin: 4mm 0; }
  td, th { border-bottom: 0.3mm solid #999; padding: 1mm 3mm; text-align: left; }
  td.number { text-align: right; font-variant-numeric: tabular-nums; }
  code { font-size: 12pt; }
  small { display: block; max-width: 150mm; margin-top: 3mm; }
  @page { size: A5 landscape; margin: 8mm; }
</style>
<h1>{{ title }}</h1>
{% if note %}<p>{{ note }}</p>{% endif %}
<table>
<tr><th>What it is</th><th>Setting</th><th>Old</th><th>New</th><th>Unit</th><th>Where</th></tr>
{% for what, setting, old, new, unit, where in rows -%}
<tr><td>{{ what }}</td><td>{{ setting }}</td><td class="number">{{ old }}</td>
<td class="number"><b>{{ new }}</b></td><td>{{ unit }}</td><td>{{ where }}</td></tr>
{% endfor -%}
</table>
{{ code | safe }}
{% if line %}<p><code>{{ line }}</code></p><small>{{ storing }}</small>{% endif %}
<small>{{ cautions }}</small>
</html>
"""
