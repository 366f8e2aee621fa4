"""A piece on its way: whom it is for, its files, how to print it, and that it is printed."""

from typing import TYPE_CHECKING, Any

from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.cells import judged
from calib.desk.settings import label, neutral, shown, spell
from calib.desk.web import Ask, Page, go, show
from calib.workshop.results import Who

if TYPE_CHECKING:
    from calib.readings.now import PrintedWith
    from calib.workshop.measuring import Measuring
    from patterns.piece import Piece

#: The state of a piece whose result is kept: nothing of it changes any more.
KEPT = "kept"
THREEMF = "model/3mf"
_FILES = {
    "piece.3mf": THREEMF,
    "piece.stl": "model/stl",
    "piece.step": "model/step",
    "sheet.csv": "text/csv; charset=utf-8",
    "schedule.csv": "text/csv; charset=utf-8",
}


def svg(text: str) -> Response:
    """Return a picture; what was drawn for the same address stays the same for an hour."""
    if not text:
        return Response("no picture", 404, media_type="text/plain")
    return Response(
        text, media_type="image/svg+xml", headers={"cache-control": "private, max-age=3600"}
    )


def piece_page(ask: Ask) -> Page:
    """Show a piece in work: get it, slice it, print it, measure it."""
    from calib.apply.gcode.schedule import KNOWN

    uid = ask.part["uid"]
    m = ask.shop.read(uid)
    piece = m.piece
    drawn = ask.desk.pictures.of(uid, piece)
    cost = bench.cost(ask.shop, piece, who_in(m))
    done, total = progress_of(m)
    ask.desk.solids.expect()
    return show(
        "piece.html",
        who=who_in(m),
        base=f"/piece/{uid}",
        pattern=says.name_of(piece.pattern),
        piece_id=m.sheet.piece_id,
        title=says.question_of(piece.pattern),
        printed=piece.printed,
        notes=slicing_notes(piece),
        print_with=print_with(piece),
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
        done=done,
        total=total,
    )


def slicing_notes(piece: "Piece") -> list[str]:
    """Return what is to be minded when a piece is sliced and printed."""
    return [n for n in piece.advice.notes if "sheet.csv" not in n]


def print_with(piece: "Piece") -> list[tuple[str, str, str]]:
    """Return (name, value, term that explains the name) of what a piece is sliced with."""
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


def set_before(m: "Measuring") -> list[tuple[str, str, str]]:
    """Return (name, value, term) of what must be set for the print, as far as it is not what every printer has."""
    values = printed_with(m).values
    return [(label(n), spell(n, v), shown(n).term) for n, v in values.items() if neutral(n) != v]


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
        (base, "Print it")
        if made and m.piece.printed
        else (f"{base}/{first_look(m)}", "Measure it")
    )
    if done >= total:
        link, verb = f"{base}/result", "What does it mean?"
    return {
        "pattern": record.pattern,
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
    return go(after_print(ask, ask.part["uid"]))


def after_print(ask: Ask, uid: str) -> str:
    """Note that a piece is printed; return the way on, which for a kept one is its result."""
    record = ask.shop.read(uid).record
    if record is not None and record.state == KEPT:  # by the browser's way back
        return f"/piece/{uid}/result"
    return f"/piece/{uid}/{first_look(ask.shop.say_printed(uid))}"


def first_look(m: "Measuring") -> str:
    """Return where measuring begins: looking comes first, for jaws may tear off what is to be judged."""
    return "judge" if judged(m.piece) else "measure"


def drop(ask: Ask) -> Response:
    """Put a piece aside."""
    ask.shop.give_up(ask.part["uid"])
    return go("/", "dropped")
