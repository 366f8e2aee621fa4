"""What is to be set, what each value rests on, and where it takes effect from now on."""

from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.pages.keeping import PLACES, say_place
from calib.desk.pages.meant import chosen, who_of
from calib.desk.settings import by_how_much, half_width, label, number, shown, spell
from calib.desk.web import Ask, Page, go, show
from calib.errors import BadInput
from calib.model.setting import Place

if TYPE_CHECKING:
    from calib.apply.values import Heading, Value
    from calib.store.records import ProfileValue
    from calib.workshop.results import Who
    from calib.workshop.workshop import Workshop

#: Sheets that are shown of what a value rests on, the weightiest first.
MOST_SHEETS = 12


def values(ask: Ask) -> Page:
    """Show what is to be set for a printer, nozzle and spool."""
    found = ask.shop.values(**bench.names(chosen(ask)))
    settings = bench.in_force(ask.shop, found.who)
    typed = [v for v in found.values if v.place in ("", Place.PRINTER)]
    drawn = [v for v in found.values if v.place == Place.DRAWING]
    files = [v for v in found.values if v.place in (Place.MODELS, Place.GCODE)]
    stale = [(label(v.setting), v.stale) for v in settings if v.stale]
    return show(
        "values.html",
        who=found.who,
        query=says.query(found.who),
        typed=[_value(v) for v in typed],
        files=[_value(v) for v in files],
        drawn=[_value(v) for v in drawn],
        stale=stale,
        known=bool(settings),
        qr=_qr(typed, found.heading) if typed else "",
        next_link=f"/next?{says.query(found.who)}",
        why_link=f"/why?{says.query(found.who)}",
    )


def _value(v: "Value") -> dict[str, Any]:
    s = shown(v.setting)
    return {
        "setting": v.setting,
        "label": s.label,
        "term": s.term,
        "where": s.where,
        "new": spell(v.setting, v.new),
        "bare": number(v.setting, v.new),
        "old": spell(v.setting, v.old) if v.old is not None else "",
        "gcode": v.gcode,
        "is_set": v.is_set,
        "files": s.files,
        "place": v.place,
    }


def _qr(listed: "list[Value]", of: "Heading") -> Markup:
    """Return the values as a QR code, for a phone or another computer."""
    import segno

    from calib.apply.values import values_text

    code = segno.make(values_text(listed, of), error="m", micro=False)
    # Made by the library from numbers and our own names alone.
    return Markup(code.svg_inline(scale=1, border=2, svgclass=None, lineclass=None, omitsize=True))


def why(ask: Ask) -> Page:
    """Say what a value rests on: its readings, and what each sheet does to it."""
    who, name = chosen(ask), ask.text("setting")
    shop = ask.shop
    value = next((v for v in bench.in_force(shop, who) if v.setting == name), None)
    if value is None:
        raise BadInput("nothing is known of that", mend="choose a value on the page of values")
    sheets = ask.remembered("why", who, name, work_out=lambda: _sheets(shop, value, who))
    return show(
        "why.html",
        who=who,
        label=label(name),
        value=spell(name, value.value),
        sure=half_width(name, value.expanded),
        stale=value.stale,
        rests=ask.remembered("rests", who, name, work_out=lambda: bench.rests(shop, who, name)),
        from_data=_from_data(value.estimate.from_data) if value.estimate else "",
        inherited=value.inherited_from,
        sheets=sheets,
        values_link=f"/values?{says.query(who)}",
    )


def _sheets(shop: "Workshop", value: "ProfileValue", who: "Who") -> list[dict[str, Any]]:
    """Return what the weightiest sheets do to a value; none where the posterior does not know it."""
    name = value.setting
    found = shop.why(name, **bench.names(who)) if value.estimate else []
    return [
        {
            "title": says.question_of(i.block.pattern),
            "spool": bench.spool_of(shop, i.block.uid),
            "kept": f"{i.block.at:%-d %B %Y}",
            "readings": i.block.readings,
            "share": f"{i.share:.0%}",
            "moved": by_how_much(name, i.moved),
        }
        for i in found[:MOST_SHEETS]
    ]


def _from_data(share: float) -> str:
    """Say how much of what is known was measured."""
    if share > 0.99:
        return "All that is known comes from them."
    return (
        f"{max(share, 0.0):.0%} of what is known comes from them, the rest from what is usual for such a"
        " printer and filament."
    )


def values_csv(ask: Ask) -> Response:
    """Return the values as a table for a spreadsheet."""
    from calib.apply.values import to_set
    from calib.apply.values import values_csv as as_csv

    found = ask.shop.values(**bench.names(who_of(ask)))
    return Response(
        as_csv(to_set(found.values), found.heading),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="values.csv"'},
    )


def say(ask: Ask) -> Response:
    """Note where one setting takes effect from now on."""
    who = ask.shop.values(**bench.names(who_of(ask))).who
    place = PLACES.get(ask.text("done"))
    if place is None:
        raise BadInput("it is not said what was done")
    say_place(ask, who, ask.texts("setting"), place)
    return go("/values", ask.text("done"), **bench.names(who))
