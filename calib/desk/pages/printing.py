"""What to print next, and a piece on its way: its files, how to print it, and that it is printed."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.cells import measured
from calib.desk.pages.first import GOALS
from calib.desk.settings import half_width, label, neutral, spell
from calib.desk.web import Ask, NeedsChoice, Page, go, show
from calib.model.setting import SETTINGS
from calib.report.next_words import why_words
from calib.workshop.results import Who

if TYPE_CHECKING:
    from calib.plan.steps import Step
    from calib.readings.now import PrintedWith
    from calib.workshop.measuring import Measuring
    from calib.workshop.results import Next
    from patterns.piece import Piece

_FILES = {
    "piece.3mf": "model/3mf",
    "piece.stl": "model/stl",
    "piece.step": "model/step",
    "sheet.csv": "text/csv; charset=utf-8",
    "schedule.csv": "text/csv; charset=utf-8",
}


def who_of(ask: Ask) -> Who:
    """Return the printer, nozzle and spool that a request names; what it leaves out is the only one."""
    return Who(printer=ask.text("printer"), nozzle=ask.text("nozzle"), spool=ask.text("spool"))


def chosen(ask: Ask) -> Who:
    """Return one printer, nozzle and spool; asks where the address leaves a choice."""
    shop, who = ask.shop, who_of(ask)
    printer = who.printer or _only("printer", [(p.name, "") for p in shop.printers()])
    nozzles = [(n.name, f"{n.bore_mm:g} mm") for n in shop.nozzles(printer)]
    spools = [(s.name, s.material) for s in shop.spools()]
    return Who(
        printer=printer,
        nozzle=who.nozzle or _only("nozzle", nozzles),
        spool=who.spool or _only("spool", spools),
    )


def _only(what: str, there: list[tuple[str, str]]) -> str:
    """Return the only name there is; empty where there is none."""
    if len(there) > 1:
        raise NeedsChoice(what, [(n, f"{n} ({more})" if more else n) for n, more in there])
    return there[0][0] if there else ""


def next_print(ask: Ask) -> Page:
    """Show what to print next for a printer, nozzle and spool, and why."""
    goal = ask.text("goal", "all")
    goal = goal if goal in {g[0] for g in GOALS} else "all"
    found = ask.shop.next(**bench.names(chosen(ask)), goal=goal)
    asked = [(s.piece, s.request.parameters) for s in found.steps]
    pieces = bench.laid_out(ask.shop, asked, found.who)
    steps = [
        _step(s, p, found.who) for s, p in zip(found.steps, pieces, strict=True) if p is not None
    ]
    return show(
        "next.html",
        who=found.who,
        who_query=says.query(found.who),
        steps=steps,
        goal=goal,
        goals=GOALS,
        total=says.effort(found.minutes, found.grams),
        tolerance=_tolerance(found),
        aims=_aims(found),
        values_link=f"/values?{says.query(found.who)}",
        event_link=f"/happened?{says.query(found.who)}",
        open_here=[
            piece_summary(ask, p) for p in ask.shop.pieces(found.who.printer, found.who.spool)
        ],
    )


def _step(s: "Step", piece: "Piece", who: Who) -> dict[str, Any]:
    """Return one step for the page, with its piece laid out for the printer that is meant."""
    count, words = says.readings(list(piece.by_hand))
    given = {f"set.{k}": str(v) for k, v in s.request.parameters.items()}
    asked = urlencode({**dict(_names(who)), **given})
    return {
        "pattern": s.piece,
        "title": says.question_of(s.piece),
        "settles": s.settles,
        "why": [w[:1].upper() + w[1:] for w in why_words([s])],
        "parameters": s.request.parameters,
        "printed": piece.printed,
        "minutes": says.minutes(s.minutes),
        "grams": says.grams(s.grams),
        "effort": says.effort(s.minutes, s.grams),
        "readings": count,
        "readings_words": words,
        "needs": says.tools(piece),
        "picture": f"/picture/{s.piece}.svg?{asked}" if piece.printed else "",
        "size_words": f"The {says.name_of(s.piece)}, {says.size(piece)}",
    }


def _names(who: Who) -> list[tuple[str, str]]:
    pairs = (("printer", who.printer), ("nozzle", who.nozzle), ("spool", who.spool))
    return [(k, v) for k, v in pairs if v]


def _tolerance(found: "Next") -> str:
    """Say by how much a part may miss now, and after what is to be printed."""
    now, then = found.plan.tolerance, found.plan.after
    may = f"a part of {now.part_mm:g} mm may miss by {now.part_half_mm:.2f} mm"
    if found.steps and then.part_half_mm < 0.95 * now.part_half_mm:
        return f"As things stand {may}; after this list by {then.part_half_mm:.2f} mm."
    return f"As things stand {may}."


def _aims(found: "Next") -> list[dict[str, str]]:
    """Return how sure each setting is now, and would be after what is to be printed."""
    return [
        {
            "label": says.sentence(a.label),
            "now": half_width(a.name, a.now) if a.name in SETTINGS else f"±{a.now:.2g}",
            "after": half_width(a.name, a.after) if a.name in SETTINGS else f"±{a.after:.2g}",
        }
        for a in found.plan.aims
    ]


def picture(ask: Ask) -> Response:
    """Draw the overview of a piece that is not begun yet."""
    parameters = _parameters(ask.request.query_params)
    (piece,) = bench.laid_out(ask.shop, [(ask.part["pattern"], parameters)], who_of(ask))
    if piece is None:
        return svg("")
    key = f"{ask.part['pattern']} {sorted(parameters.items())} {piece.setup}"
    return svg(ask.desk.pictures.of(key, piece).views.get("iso", ""))


def svg(text: str) -> Response:
    """Return a picture; what was drawn for the same address stays the same for an hour."""
    if not text:
        return Response("no picture", 404, media_type="text/plain")
    return Response(
        text, media_type="image/svg+xml", headers={"cache-control": "private, max-age=3600"}
    )


def _parameters(fields: Mapping[str, Any]) -> dict[str, str]:
    return {
        k.removeprefix("set."): v
        for k, v in fields.items()
        if k.startswith("set.") and isinstance(v, str) and v.strip()
    }


def start(ask: Ask) -> Response:
    """Make a piece: from here on it is in work."""
    started = ask.shop.start(
        ask.text("pattern"), _parameters(ask.form), **bench.names(who_of(ask)), repeats=bench.ROOM
    )
    return go(f"/piece/{started.source}")


def piece_page(ask: Ask) -> Page:
    """Show a piece in work: get it, slice it, print it, measure it."""
    from calib.apply.gcode.schedule import KNOWN

    uid = ask.part["uid"]
    m = ask.shop.read(uid)
    piece, who = m.piece, who_in(m)
    drawn = ask.desk.pictures.of(uid, piece)
    cost = bench.cost(ask.shop, piece, who)
    done, total = progress_of(m)
    return show(
        "piece.html",
        who=who,
        base=f"/piece/{uid}",
        pattern=says.name_of(piece.pattern),
        piece_id=m.sheet.piece_id,
        title=says.question_of(piece.pattern),
        printed=piece.printed,
        notes=[n for n in piece.advice.notes if "sheet.csv" not in n],
        print_with=_print_with(piece),
        set_before=set_before(m),
        schedule=[
            (
                f"{r.z_from_mm:g}",
                f"{r.z_to_mm:g}",
                label(r.setting) + (f" at X {r.span}" if r.limited else ""),
                f"{r.value:g}",
            )
            for r in piece.schedule
        ],
        by_line=any(r.setting not in KNOWN for r in piece.schedule),
        effort=f"About {says.minutes(cost.minutes)}." if cost else "",
        picture=f"/piece/{uid}/view/iso.svg" if drawn.views else "",
        size_words=says.size(piece),
        settles=says.question_of(piece.pattern),
        done=done,
        total=total,
    )


def _print_with(piece: "Piece") -> list[tuple[str, str, str]]:
    a, s = piece.advice, piece.setup
    return [
        ("layer height", f"{s.layer_mm:g} mm", "layer height"),
        ("line width", f"{s.line_mm:g} mm", ""),
        ("walls", str(a.walls), "walls"),
        ("infill", f"{a.infill_percent} %", "infill"),
        ("brim", f"{a.brim_mm:g} mm" if a.brim_mm else "none", "brim"),
    ]


def printed_with(m: "Measuring") -> "PrintedWith":
    """Return what was set while a piece was printed, as its sheet says."""
    from calib.readings.now import printed_with as said

    return said(m.sheet.keys, lambda key: f"# {key}")


def still_to_set(m: "Measuring") -> list[str]:
    """Return what is to be set for the print, and was not set when it was made."""
    found = printed_with(m)
    return [f"{label(n)}: {spell(n, found.values[n])}" for n in found.to_set if n in found.values]


def set_before(m: "Measuring") -> list[str]:
    """Return what must be set while the piece is printed, as far as it is not what every printer has."""
    values = printed_with(m).values
    return [f"{label(n)}: {spell(n, v)}" for n, v in values.items() if neutral(n) != v]


def who_in(m: "Measuring") -> Who:
    """Return whom a piece in work is for."""
    r = m.record
    return Who(printer=r.printer, nozzle=r.nozzle, spool=r.spool) if r else Who()


def progress_of(m: "Measuring") -> tuple[int, int]:
    """Return how many features are answered, and how many there are."""
    by_hand = {f.id for f in m.piece.by_hand}
    answered = {q.feature for q in m.questions if q.text}
    return len(answered & by_hand), len(by_hand)


def piece_summary(ask: Ask, record: Any) -> dict[str, Any]:
    """Return what a list says of a piece in work."""
    m = ask.shop.read(record.uid)
    done, total = progress_of(m)
    made = record.state == "made"
    base = f"/piece/{record.uid}"
    link, verb = (
        (base, "Print it") if made and m.piece.printed else (f"{base}/measure", "Measure it")
    )
    if done >= total:
        link, verb = f"{base}/result", "What does it mean?"
    return {
        "title": says.question_of(record.pattern),
        "who": who_in(m),
        "age": says.ago(record.made_at),
        "done": done,
        "total": total,
        "link": link,
        "verb": verb,
    }


def view(ask: Ask) -> Response:
    """Return one view of a piece in work."""
    m = ask.shop.read(ask.part["uid"])
    drawn = ask.desk.pictures.of(ask.part["uid"], m.piece)
    return svg(drawn.views.get(ask.part["view"], ""))


def piece_file(ask: Ask) -> Response:
    """Return a file of a piece in work: its solid, built now, or its sheet."""
    name = ask.part["file"]
    if name not in (*_FILES, "sheet.html"):
        return Response("there is no such file", 404, media_type="text/plain")
    m = ask.shop.read(ask.part["uid"])
    if name == "sheet.html":
        return sheet_page(ask, m)
    if name == "sheet.csv":
        content: str | bytes = m.text
    else:
        files = ask.desk.solids.of(ask.part["uid"], m.piece)
        content = files.get(name, b"")
    if not content:
        return Response("this piece has no such file", 404, media_type="text/plain")
    stem = f"{m.piece.pattern}-{m.sheet.piece_id}".strip("-")
    suffix = name.rpartition(".")[2]
    named = name if name.startswith("s") else f"{stem}.{suffix}"
    return Response(
        content,
        media_type=_FILES[name],
        headers={"content-disposition": f'attachment; filename="{named}"'},
    )


def sheet_page(ask: Ask, m: "Measuring") -> Response:
    """Return the sheet of a piece as a page to print; it brings its own look along."""
    html = bench.sheet_page(m)
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"
    return Response(html, media_type="text/html", headers={"content-security-policy": policy})


def printed(ask: Ask) -> Response:
    """Note that a piece is printed, and go on to measuring it."""
    ask.shop.say_printed(ask.part["uid"])
    m = ask.shop.read(ask.part["uid"])
    to = "measure" if measured(m.piece) and not _only_judged_first(m.piece) else "judge"
    return go(f"/piece/{ask.part['uid']}/{to}")


def _only_judged_first(piece: "Piece") -> bool:
    """Whether looking comes before measuring: caliper jaws may tear off what is to be judged."""
    from calib.desk.cells import judged

    return bool(judged(piece))


def drop(ask: Ask) -> Response:
    """Put a piece aside."""
    ask.shop.give_up(ask.part["uid"])
    return go("/", "dropped")
