"""Measuring: one feature at a time, as a list, by tapping, or by a photo; each reading is kept at once."""

import json
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.cells import (
    Cell,
    after,
    before,
    cells_of,
    judged,
    start_at,
    table_of,
)
from calib.desk.pages.printing import progress_of, who_in
from calib.desk.web import Ask, Page, data, go, show
from calib.errors import BadInput
from calib.report.reading_methods import methods_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from calib.workshop.measuring import Measuring, Taken

UNIT_COOKIE = "truebead_unit"
#: A filled-in sheet is some ten kilobytes; a spreadsheet may make it larger.
LARGEST_SHEET = 2_000_000
_BARE = re.compile(r"[\d.,]+", re.ASCII)


def unit_of(ask: Ask) -> str:
    """Return what the caliper beside this browser shows: mm or inch."""
    return "inch" if ask.request.cookies.get(UNIT_COOKIE) == "inch" else "mm"


def unit(ask: Ask) -> Response:
    """Note what this browser's caliper shows."""
    chosen = "inch" if ask.text("unit") == "inch" else "mm"
    answer = go(f"/piece/{ask.part['uid']}/measure", at=ask.text("at"))
    answer.set_cookie(UNIT_COOKIE, chosen, max_age=365 * 86400, samesite="strict", path="/")
    return answer


def _cells(ask: Ask, m: "Measuring") -> list[Cell]:
    drawn = ask.desk.pictures.of(m.source, m.piece)
    me = ask.shop.by
    others = [replace(s, by="" if s.by == me else s.by) for s in bench.standing(m)]
    return cells_of(m.piece, drawn, others, unit_of(ask))


def measure(ask: Ask) -> Page | Response:
    """Ask for one reading: the one that is named, else the first that is missing."""
    m = ask.shop.read(ask.part["uid"])
    cells = _cells(ask, m)
    if not cells:
        return go(f"/piece/{m.source}/judge")
    repeat = ask.text("repeat", "1")
    at = start_at(cells, ask.text("at"), int(repeat) if repeat.isdecimal() else 1)
    cell = cells[at]
    if ask.text("at") and cell.id == ask.text("at") and repeat.isdecimal():
        cell = _further(ask, m, cell, int(repeat))
    return _measure_page(ask, m, cells, cell)


def _further(ask: Ask, m: "Measuring", cell: Cell, repeat: int) -> Cell:
    """Return the cell for one more reading of a feature, where its sheet has room for it."""
    room = {q.repeat for q in m.questions if q.feature == cell.id}
    if repeat == cell.repeat or repeat not in room:
        return cell
    return replace(cell, repeat=repeat, text="", doubtful=False)


def _measure_page(
    ask: Ask,
    m: "Measuring",
    cells: list[Cell],
    cell: Cell,
    *,
    question: dict[str, str] | None = None,
    problem: str = "",
    last: str = "",
) -> Page:
    drawn = ask.desk.pictures.of(m.source, m.piece)
    current = unit_of(ask)
    used = {c.close_up["view"] for c in cells if c.close_up}
    by_cell = [c.as_data() for c in cells]
    return show(
        "measure.html",
        400 if problem else 200,
        who=who_in(m),
        base=f"/piece/{m.source}",
        cell=_safe(cell),
        total=len(cells),
        done=sum(c.done for c in cells),
        views={name: place for name, place in drawn.places.items() if name in used},
        question=question,
        problem=problem,
        last=last,
        can_repeat=any(q.feature == cell.id and q.repeat == cell.repeat + 1 for q in m.questions),
        has_photo=m.piece.printed,
        other_unit="mm" if current == "inch" else "inch",
        ways=[
            {"name": way.name, "rules": way.rules, "icon": Markup(icon)}
            for way, icon, _ in methods_of([f for f in m.piece.by_hand if f.instrument != "eye"])
        ],
        cells_json=Markup(_for_script({"cells": by_cell, "version": m.version, "unit": current})),
    )


def _safe(cell: Cell) -> Cell:
    """Mark our own drawing as SVG, so that it is not escaped."""
    if cell.close_up is None:
        return cell
    return replace(cell, close_up={**cell.close_up, "marks": Markup(cell.close_up["marks"])})


def _for_script(content: Any) -> str:
    """Return JSON that can't end the element it stands in."""
    return json.dumps(content).replace("<", "\\u003c").replace("&", "\\u0026")


def written(ask: Ask, text: str, feature: Any) -> str:
    """Return what was typed, with the unit of the caliper where it has none of its own."""
    if feature.unit == "mm" and unit_of(ask) == "inch" and _BARE.fullmatch(text):
        return f"{text} in"
    return text


def reading(ask: Ask) -> Page | Response:
    """Take one reading: it is on the disk before this answers."""
    uid, name = ask.part["uid"], ask.text("feature")
    repeat = int(ask.text("repeat")) if ask.text("repeat").isdecimal() else 1
    base, way = f"/piece/{uid}/measure", ask.text("go")
    if way == "back":
        cells = _cells(ask, ask.shop.read(uid))
        return go(base, at=before(cells, name, repeat).id if cells else "")
    if way == "again":
        return go(base, at=name, repeat=str(repeat + 1))
    try:
        taken = _taken(ask, uid, name, repeat)
    except BadInput as err:
        if ask.wants_json:
            return data({"error": says.problem(err)}, 400)
        m = ask.shop.read(uid)
        cells = _cells(ask, m)
        at = next((c for c in cells if (c.id, c.repeat) == (name, repeat)), None)
        if at is None:
            raise
        return _measure_page(ask, m, cells, at, problem=says.problem(err))
    doubt = bool(taken.suspicious and not ask.text("sure"))
    if ask.wants_json:
        return data(_taken_data(taken, doubt=doubt))
    cells = _cells(ask, taken.measuring)
    if doubt:
        at = next(c for c in cells if (c.id, c.repeat) == (name, repeat))
        return _measure_page(ask, taken.measuring, cells, at, question=question_of(taken))
    following = after(cells, name, repeat)
    return go(base, at=following.id) if following else go(f"/piece/{uid}/result")


def _taken(ask: Ask, uid: str, name: str, repeat: int) -> "Taken":
    """Enter what was typed, tapped or skipped.

    Raises
    ------
    BadInput
        Nothing was typed, or it can't be a reading of that feature.
    """
    text = ask.text("take") or ("-" if ask.text("go") == "skip" else ask.text("text"))
    if not text:
        raise BadInput("nothing is written", mend="write what it shows, or skip this one")
    if unit_of(ask) == "inch" and _BARE.fullmatch(text):
        feature = next((f for f in ask.shop.read(uid).piece.features if f.id == name), None)
        text = written(ask, text, feature) if feature is not None else text
    return ask.shop.enter(
        uid, name, text, repeat, sure=bool(ask.text("sure")), client_id=ask.text("client_id")[:80]
    )


def question_of(taken: "Taken") -> dict[str, str]:
    """Return what is asked about a reading that can hardly be right."""
    f = taken.measuring.piece.feature(taken.feature)
    drawn = f"It was drawn as {f.nominal:.4g} {f.unit}." if f.unit in ("mm", "g") else ""
    numbers = {g.id: n for n, g in enumerate(taken.measuring.piece.by_hand, 1)}
    doubts = [_READING_OF.sub(lambda m: _numbered(m, numbers), d) for d in taken.doubts]
    why = " or ".join(doubts)
    return {
        "text": taken.text,
        "words": f"Is it {taken.text}? {drawn}" + (f" It may be {why}." if why else ""),
        "proposal": taken.proposal,
        "proposed": f"{taken.proposed:.4g} {f.unit}" if taken.proposed is not None else "",
    }


#: How a doubt names another feature whose reading it may be.
_READING_OF = re.compile(r"the reading of (\w+)")


def _numbered(found: re.Match[str], numbers: "Mapping[str, int]") -> str:
    """Name another feature by its number in the picture."""
    n = numbers.get(found[1])
    return f"the reading of number {n}" if n else found[0]


def _taken_data(taken: "Taken", *, doubt: bool) -> dict[str, Any]:
    return {
        "kept": True,
        "feature": taken.feature,
        "repeat": taken.repeat,
        "text": taken.text,
        "question": question_of(taken) if doubt else None,
        "version": taken.measuring.version,
    }


def readings(ask: Ask) -> Response:
    """Return what stands on the sheet now, for those who measure it together."""
    m = ask.shop.read(ask.part["uid"])
    now = {"version": m.version, "token": ask.request.state.token}
    if ask.text("since") in (m.version, "token"):
        return data(now)
    found = [
        {"feature": s.feature, "repeat": s.repeat, "text": s.text, "by": s.by}
        for s in bench.standing(m)
    ]
    return data({**now, "readings": found})


def listed(ask: Ask) -> Page:
    """Show everything to be measured as a list."""
    m = ask.shop.read(ask.part["uid"])
    return _list_page(ask, m, {}, {})


def _list_page(ask: Ask, m: "Measuring", typed: dict[str, str], problems: dict[str, str]) -> Page:
    cells = _cells(ask, m)
    done, total = progress_of(m)
    return show(
        "list.html",
        400 if problems else 200,
        who=who_in(m),
        base=f"/piece/{m.source}",
        title=says.question_of(m.piece.pattern),
        cells=cells,
        typed=typed,
        problems=problems,
        done=done,
        total=total,
        judged=bool(judged(m.piece)),
        picture=f"/piece/{m.source}/sheet.html",
    )


def take_list(ask: Ask) -> Page | Response:
    """Take every reading of the list that changed."""
    uid = ask.part["uid"]
    m = ask.shop.read(uid)
    cells = {(c.id, c.repeat): c for c in _cells(ask, m)}
    typed, problems = {}, {}
    for (name, repeat), cell in cells.items():
        key = f"{name}.{repeat}"
        text = ask.text(f"r.{key}", cell.text)
        if text == cell.text:
            continue
        try:
            taken = ask.shop.enter(
                uid, name, written(ask, text, m.piece.feature(name)), repeat=repeat
            )
            if taken.suspicious:
                problems[key] = question_of(taken)["words"]
        except BadInput as err:
            typed[key], problems[key] = text, says.problem(err)
    m = ask.shop.read(uid)
    if problems or not ask.text("finish"):
        return _list_page(ask, m, typed, problems)
    return go(f"/piece/{uid}/result")


def judge(ask: Ask) -> Page | Response:
    """Show the table of what is judged by eye or feel: bands x criteria."""
    m = ask.shop.read(ask.part["uid"])
    if not judged(m.piece):
        return go(f"/piece/{m.source}/measure")
    columns, bands = table_of(m.piece)
    standing = {s.feature: s.text for s in bench.standing(m) if s.repeat == 1}
    drawn = ask.desk.pictures.of(m.source, m.piece)
    view = next((v for v in ("front", "top", "right") if v in drawn.views), "iso")
    count = sum(len(b.features) for b in bands)
    return show(
        "judge.html",
        who=who_in(m),
        base=f"/piece/{m.source}",
        title=says.question_of(m.piece.pattern),
        columns=columns,
        bands=bands,
        standing=standing,
        done=sum(f.id in standing for b in bands for f in b.features.values()),
        total=count,
        picture=f"/piece/{m.source}/view/{view}.svg" if drawn.views else "",
        rules=[n for n in m.piece.advice.notes if "udge" in n or "look" in n.lower()],
        then=("measure" if _cells(ask, m) else "result"),
    )


def take_judgement(ask: Ask) -> Response:
    """Take what was tapped: one cell from the script, all of them from the form."""
    uid = ask.part["uid"]
    m = ask.shop.read(uid)
    standing = {s.feature: s.text for s in bench.standing(m) if s.repeat == 1}
    last = None
    for f in judged(m.piece):
        text = ask.text(f"j.{f.id}")
        if text and text != standing.get(f.id):
            last = ask.shop.enter(
                uid, f.id, text, repeat=1, sure=True, client_id=ask.text("client_id")[:80]
            )
    if ask.wants_json:
        now = last.measuring if last else m
        return data({"kept": True, "done": _judged_so_far(now)})
    to = "measure" if ask.text("then") == "measure" else "result"
    return go(f"/piece/{uid}/{to}")


def _judged_so_far(m: "Measuring") -> int:
    eyes = {f.id for f in judged(m.piece)}
    return len({q.feature for q in m.questions if q.text} & eyes)


def head(ask: Ask) -> Response:
    """Write a line of the sheet's head, such as the temperature of the piece."""
    uid = ask.part["uid"]
    for key, value in ask.form.multi_items():
        if key.startswith("head.") and isinstance(value, str):
            ask.shop.set_head(uid, key.removeprefix("head."), value.strip()[:200])
    return go(f"/piece/{uid}/result", "head")


def filled(ask: Ask) -> Response:
    """Take the readings of a filled-in sheet into the piece in work."""
    uid = ask.part["uid"]
    file = ask.file("file")
    if file is None:
        raise BadInput("no file was chosen", mend="choose the sheet you filled in")
    content = file.file.read(LARGEST_SHEET + 1)
    if len(content) > LARGEST_SHEET:
        raise BadInput("that is no sheet: it is far too large", mend="choose the sheet.csv")
    bench.take_sheet(ask.shop, ask.shop.read(uid), content)
    return go(f"/piece/{uid}/list", "taken")
