"""Keeping a result, and noting what was done about it: set, put into models, screws turned."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from starlette.responses import Response

from calib.desk import bench
from calib.desk.pages.printing import who_in
from calib.desk.web import Ask, go
from calib.errors import BadInput
from calib.model.setting import Place

if TYPE_CHECKING:
    from calib.workshop.results import Who

#: What a button says was done -> where a value takes effect from now on.
PLACES = {"set": Place.PRINTER, "models": Place.MODELS}


def mend(ask: Ask) -> Response:
    """Put what was meant in the place of a reading that can't be right."""
    uid, name, was = ask.part["uid"], ask.text("feature"), ask.text("was")
    m = ask.shop.read(uid)
    found = next((q for q in m.questions if q.feature == name and q.text == was), None)
    if found is not None:
        ask.shop.enter(uid, name, ask.text("text"), found.repeat, seen=was, sure=True)
    return go(f"/piece/{uid}/result", "head")


def keep(ask: Ask) -> Response:
    """Keep what was found, and note what was done about some of it."""
    uid, done = ask.part["uid"], ask.text("done")
    m = ask.shop.read(uid)
    if m.record is not None and m.record.state != "kept":
        ask.shop.keep(uid)
        m = ask.shop.read(uid)
    if done in PLACES:
        say_place(ask, who_in(m), ask.texts("setting"), PLACES[done])
    elif done == "turned":
        ask.shop.event("levelled", printer=who_in(m).printer or None)
    return go(f"/piece/{uid}/result", done if done in (*PLACES, "turned") else "kept")


def now_set(ask: Ask) -> Response:
    """Note which steps/mm are set in the printer now, so that the new ones can be worked out."""
    uid = ask.part["uid"]
    name = who_in(ask.shop.read(uid)).printer
    steps = {
        a: ask.number(f"steps.{a}", f"steps/mm of {a}") for a in "XYZE" if ask.text(f"steps.{a}")
    }
    if not steps:
        raise BadInput("no number is written", mend="write what is set in the printer")
    from calib.store.records import Axis

    printer = next(p for p in ask.shop.printers() if p.name == name)
    known = {a.axis: a for a in printer.axes}
    for axis, value in steps.items():
        known[axis] = replace(known.get(axis, Axis(axis=axis)), steps_per_mm=value)
    ask.shop.change_printer(replace(printer, axes=tuple(known.values())))
    return go(f"/piece/{uid}/result", "head")


def say_place(ask: Ask, who: "Who", settings: Sequence[str], place: Place) -> None:
    """Note where settings take effect from now on."""
    if not settings:
        return
    shop = ask.shop
    with shop.say_places(shop.values(**bench.names(who), places={place: settings})):
        pass  # nothing else has to succeed for it
