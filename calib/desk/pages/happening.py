"""What happened: events that make values stale, and the history of everything kept, with undo."""

from itertools import groupby
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.pages.meant import spool_called, spools_to_choose, who_of
from calib.desk.settings import label, spell
from calib.desk.web import Ask, NeedsChoice, Page, go, show
from calib.desk.words import VERDICTS
from calib.errors import BadInput
from calib.model.correction import Verdict
from calib.profile.events import EVENTS, event_kind
from calib.workshop.results import Who

if TYPE_CHECKING:
    from calib.profile.events import EventKind
    from calib.report.figures import Figure
    from calib.store.records import EventRecord, KeptCorrection

#: Corrections on one page of the history.
MOST = 60
_AXES = (("", "all of them, or I don't know"), ("X", "X: left and right"), ("Y", "Y: to the front and back"), ("Z", "Z: up"), ("E", "the extruder, which pushes the filament"))  # fmt: skip
#: Topics that are named in one line; the page after it names them all.
_MOST_NAMED = 6
_ICONS = {
    "assembled": "printer", "moved": "next", "drive-changed": "belt", "nozzle-changed": "one",
    "filament-type-changed": "spool", "new-spool": "spool", "stored-damp": "again",
    "carriage-changed": "scale", "motion-set": "minutes",
}  # fmt: skip


def happened(ask: Ask) -> Page:
    """Ask what happened."""
    return _page(ask)


def _page(ask: Ask, error: BadInput | None = None, fitting: NeedsChoice | None = None) -> Page:
    shop, who = ask.shop, who_of(ask)
    printers = [p.name for p in shop.printers()]
    spools = spools_to_choose(ask, who.spool)
    if fitting is not None:
        spools |= {"names": [name for name, _ in fitting.options], "more": fitting.more}
    return show(
        "happened.html",
        400 if error else 200,
        error=error,
        who=who if who.printer or who.spool else None,
        kinds=[_kind(k) for k in EVENTS],
        axes=_AXES,
        printers=printers,
        spools=spools,
        nozzles=[(n.name, n.printer) for n in shop.nozzles()],
        chosen=who if who.printer or len(printers) != 1 else Who(printer=printers[0], spool=who.spool),
        kind=ask.text("kind"),
    )  # fmt: skip


def _kind(k: "EventKind") -> dict[str, Any]:
    from calib.model.setting import topic

    stale = [topic(name).what for name in k.all_stale()]
    if len(stale) > _MOST_NAMED:
        stale = (
            ["nearly everything"]
            if len(stale) > 2 * _MOST_NAMED
            else [*stale[:_MOST_NAMED], "and more"]
        )
    return {
        "name": k.name,
        "what": k.what[:1].upper() + k.what[1:],
        "stale": ", ".join(stale) if stale else "nothing: it starts from the others of its type",
        "icon": _ICONS.get(k.name, "bolt"),
    }


def note(ask: Ask) -> Page | Response:
    """Write down what happened."""
    who = who_of(ask)
    try:
        kind = event_kind(ask.text("kind"))
        touched = {k: ask.text(k) for k in kind.happens_to}
        if touched.get("spool"):
            touched["spool"] = spool_called(ask, touched["spool"])
        done = ask.shop.event(
            kind.name,
            **bench.names(Who.of(touched)),
            axis=ask.text("axis") if kind.takes_axis else "",
            note=ask.text("note")[:500],
        )
    except BadInput as err:
        return _page(ask, err)
    except NeedsChoice as several:
        return _page(ask, BadInput("several spools are called that", mend="choose one"), several)
    return show(
        "noted.html",
        who=done.who if done.who.printer else None,
        what=done.kind.what,
        stale=[(what[:1].upper() + what[1:], why) for what, why in done.stale.items()],
        keeps=done.kind.keeps.split(", which `")[0],
        uid=done.record.uid,
        next_link=f"/next?{says.query(Who(printer=done.who.printer or who.printer, nozzle=who.nozzle, spool=done.who.spool or who.spool))}",
    )


def history(ask: Ask) -> Page:
    """Show everything that was kept and everything that happened, newest first."""
    shop, who = ask.shop, who_of(ask)
    printer = who.printer or None
    several = shop.printers() if shop.store_if_any() else []
    if printer is None and several:
        printer = several[0].name
    if printer is None:
        return show("history.html", days=[], printers=[], printer="")
    kept = shop.history(printer=printer, spool=who.spool or None, limit=MOST)
    spool = who.spool or None
    # What happened to a spool, such as damp, happened to it on every printer.
    everywhere = [e for e in shop.events(None, spool, limit=MOST) if not e.printer]
    events = [*shop.events(printer, spool, limit=MOST), *everywhere]
    entries = [*_sheets(kept), *(_event(e) for e in events)]
    entries.sort(key=lambda e: e["at"], reverse=True)
    days = [(f"{d:%-d %B %Y}", list(es)) for d, es in groupby(entries, lambda e: e["at"].date())]
    return show(
        "history.html",
        who=who if who.printer else None,
        days=days,
        printer=printer,
        printers=[p.name for p in several],
    )


def over_time(ask: Ask) -> Page:
    """Show how values moved over time, and how well they were known."""
    shop, printer = ask.shop, ask.text("printer")
    plots, known = ask.remembered(
        "over time", printer, work_out=lambda: (_plots(shop, printer), _known(shop, printer))
    )
    return show("over_time.html", who=Who(printer=printer), plots=plots, known=known)


def _sheets(kept: "list[KeptCorrection]") -> list[dict[str, Any]]:
    """Return one entry for each kept sheet."""
    found = []
    for uid, group in groupby(kept, lambda k: k.sheet_uid):
        rows = list(group)
        first = rows[0]
        found.append(
            {
                "sort": "sheet",
                "note": "",
                "at": first.kept_at,
                "uid": uid,
                "title": says.question_of(first.pattern),
                "who": " · ".join(filter(None, (first.printer, first.nozzle, first.spool))),
                "undone": first.undone_at is not None,
                "why": first.why_undone,
                "rows": [_change(k) for k in rows if k.chosen],
            }
        )
    return found


def _change(k: "KeptCorrection") -> dict[str, str]:
    """Return one line of a kept sheet: from what to what, or what stays."""
    c = k.correction
    old = spell(c.setting, c.old) if c.old is not None else ""
    if c.verdict is Verdict.APPLY:
        change = f"{old} → {spell(c.setting, c.new)}" if old else spell(c.setting, c.new)
    else:
        change = old
    return {"label": label(c.setting), "says": VERDICTS[str(c.verdict)], "change": change}


def _event(e: "EventRecord") -> dict[str, Any]:
    kind = event_kind(e.kind)
    about = ", ".join(
        filter(None, (e.printer, e.nozzle, e.spool, f"axis {e.axis}" if e.axis else ""))
    )
    return {
        "sort": "event",
        "at": e.at,
        "uid": e.uid,
        "title": kind.what[:1].upper() + kind.what[1:],
        "who": about,
        "why": "",
        "note": "" if e.kind == "taken-back" else e.note,
        "undone": e.taken_back,
        "can_undo": e.kind != "taken-back" and not e.taken_back,
    }  # fmt: skip


def _plots(shop: Any, printer: str) -> list[dict[str, Any]]:
    """Return how values of a printer have moved over time, where there are enough."""
    from calib.report.figures import drift_figure

    drawn = [drift_figure(s, f"d{i}") for i, s in enumerate(bench.drift(shop, printer))]
    return [_drawn(f) for f in drawn if f is not None]


def _known(shop: Any, printer: str) -> list[dict[str, Any]]:
    """Return how well each setting was known over time, for the nozzle and roll that were used last."""
    from calib.report.over_time_figure import knowledge_figures

    kept = shop.history(printer=printer, limit=MOST)
    last = next((k for k in kept if k.nozzle and k.spool), None)
    if last is None:
        return []
    known = shop.over_time(printer=last.printer, nozzle=last.nozzle, spool=last.spool)
    return [_drawn(f) for f in knowledge_figures(known, "k")]


def _drawn(f: "Figure") -> dict[str, Any]:
    # our own drawings, escaped where they were made
    return {"svg": Markup(f.svg), "caption": f.caption}


def undo(ask: Ask) -> Response:
    """Take a kept sheet back; it stays in the history."""
    back = ask.shop.undo(ask.text("uid"), ask.text("why")[:300])
    printer = back.corrections[0].printer if back.corrections else ""
    return go("/history", "undone", printer=printer)


def undo_event(ask: Ask) -> Response:
    """Take an event back: it did not happen."""
    ask.shop.take_event_back(ask.text("uid"))
    return go("/history", "undone")
