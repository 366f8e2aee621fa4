"""What the readings mean: what to set, from what to what, how sure, why, and what was done about it."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.cells import measured
from calib.desk.pages.printing import printed_with, progress_of, still_to_set, who_in
from calib.desk.settings import half_width, label, number, shown, spell
from calib.desk.web import Ask, Page, go, show
from calib.desk.words import VERDICTS
from calib.errors import BadInput
from calib.model.correction import Verdict
from calib.model.setting import Place
from calib.readings.now import AS_BEFORE

if TYPE_CHECKING:
    from calib.interpret.solve import Solution
    from calib.model.correction import Correction
    from calib.store.records import ProfileValue
    from calib.workshop.measuring import Measuring
    from calib.workshop.results import Who

_ORDER = (Verdict.APPLY, Verdict.PRINT_AGAIN, Verdict.LEAVE)
_PLACES = {"set": Place.PRINTER, "models": Place.MODELS}


def result(ask: Ask) -> Page | Response:
    """Show what the readings of a piece in work mean; nothing is kept by looking."""
    m = ask.shop.read(ask.part["uid"])
    if m.record is not None and m.record.state == "kept":
        return kept_page(ask, m)
    if not any(q.text not in ("", "-") for q in m.questions):
        to = "measure" if measured(m.piece) else "judge"
        return go(f"/piece/{m.source}/{to}")
    try:
        solved = ask.shop.solve(m.source)
    except BadInput as err:
        return _not_yet(m, err)
    return _page(ask, m, solved.solution, notes=solved.notes)


def _not_yet(m: "Measuring", err: BadInput) -> Page:
    """Say what is missing where nothing can be worked out yet."""
    done, total = progress_of(m)
    return show(
        "not_yet.html",
        who=who_in(m),
        base=f"/piece/{m.source}",
        what=err.what,
        mend=says.on_page(err.mend),
        done=done,
        total=total,
        to="measure" if measured(m.piece) else "judge",
    )


def _page(
    ask: Ask, m: "Measuring", solution: "Solution", *, notes: Sequence[str] = (), doubts: Sequence[str] = ()
) -> Page:  # fmt: skip
    done, total = progress_of(m)
    cards = [_card(c, {}) for c in _in_order(bench.chosen(solution.corrections))]
    spare = [c for c in solution.corrections if c not in bench.chosen(solution.corrections)]
    return show(
        "result.html",
        who=who_in(m),
        base=f"/piece/{m.source}",
        title=says.question_of(m.piece.pattern),
        headline=headline([c["verdict"] for c in cards]),
        cards=_to_do(cards),
        good=[c for c in cards if c["verdict"] == "leave"],
        spare=[_card(c, {}) for c in spare if c.verdict is Verdict.APPLY],
        summaries=_summaries(solution),
        suspects=_suspects(m, solution),
        notes=notes,
        doubts=doubts,
        why=_why(solution.to_json()["findings"]),
        kept=False,
        done=done,
        total=total,
        head=_head_lines(m),
        to_set=still_to_set(m),
        as_before=printed_with(m).answer == AS_BEFORE,
        next_link=f"/next?{says.query(who_in(m))}",
        values_link=f"/values?{says.query(who_in(m))}",
    )


def _to_do(cards: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return what is to be changed or not settled; the rest is good as it is."""
    return [c for c in cards if c["verdict"] != "leave"]


def _in_order(corrections: "Sequence[Correction]") -> "list[Correction]":
    return sorted(corrections, key=lambda c: _ORDER.index(c.verdict))


def headline(verdicts: Sequence[str]) -> str:
    """Return the answer in one sentence."""
    change, again = verdicts.count("apply"), verdicts.count("print again")
    if change:
        words = "One thing to change" if change == 1 else f"{change} things to change"
        rest = f", and {again} not settled yet" if again else ""
        return f"{words}{rest}"
    if again:
        return "It can't be said yet"
    return "It is good as it is: nothing to change" if verdicts else "This is what came out"


def _card(c: "Correction", in_force: "Mapping[str, ProfileValue]") -> dict[str, Any]:
    """Return one correction for the page."""
    s = shown(c.setting)
    half = c.u_new * c.error.expanded() / c.error.u if c.error.u else 0.0
    now = in_force.get(c.setting)
    change = c.verdict is Verdict.APPLY
    return {
        "setting": c.setting,
        "label": s.label,
        "term": s.term,
        "where": s.where,
        "meaning": s.meaning,
        "verdict": str(c.verdict),
        "says": VERDICTS[str(c.verdict)],
        "old": spell(c.setting, c.old) if c.old is not None else "",
        "new": spell(c.setting, c.new if change or c.old is None else c.old),
        "sure": half_width(c.setting, half) if half else "",
        "number": number(c.setting, c.new),
        "reason": says.advice(c.reason),
        "evidence": says.advice(c.evidence),
        "instead_of": label(c.instead_of) if c.instead_of else "",
        "files": s.files,
        "done_once": s.done_once,
        "drawn": s.drawn,
        "can_set": change and not s.drawn,
        "requests": [
            {
                "pattern": r.pattern,
                "parameters": r.typed,
                "title": says.question_of(r.pattern),
                "why": says.advice(r.why),
            }
            for r in c.requests
        ],
        "state": _state(now),
    }


def _state(now: "ProfileValue | None") -> str:
    """Return what was said about a value: set, models, gcode, or nothing yet."""
    if now is None or now.place_said is None:
        return ""
    if now.place == Place.PRINTER:
        return "set" if now.is_set else ""
    return str(now.place)


def _summaries(solution: "Solution") -> list[str]:
    return [text for f in solution.findings for line in f.summary if (text := says.advice(line))]


def _suspects(m: "Measuring", solution: "Solution") -> list[dict[str, Any]]:
    """Return the readings that do not belong with the others, each with the way to it."""
    numbers = {f.id: n for n, f in enumerate(m.piece.by_hand, 1)}
    return [
        {
            "number": numbers.get(s.reading.feature, ""),
            "text": s.reading.text or f"{s.reading.value:g}",
            "explanation": says.advice(s.explanation.split(": ", 1)[-1]),
            "effect": says.advice(s.effect),
            "used": s.used,
            "feature": s.reading.feature,
            "proposal": f"{s.proposal:.4g}" if s.proposal is not None else "",
        }
        for s in solution.suspects
    ]


def _why(findings: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the chain of each finding, and its plots."""
    from calib.report.figures import figures

    return [
        {
            "topic": f["topic"],
            "lines": f["why"],
            # our own drawings, escaped where they were made
            "figures": [{"svg": Markup(g.svg), "caption": g.caption} for g in figures(f, f"f{i}")],
        }
        for i, f in enumerate(findings)
    ]


def _head_lines(m: "Measuring") -> list[dict[str, str]]:
    """Return what else may be written down and helps the answer."""
    lines = []
    if m.piece.printed and any(f.unit == "mm" for f in m.piece.by_hand):
        lines.append(
            {
                "key": "part_c",
                "meaning": "how warm the room was when you measured, in °C; empty: 20 to 25",
                "value": "" if m.sheet.part_c is None else f"{m.sheet.part_c:g}",
                "example": "22",
            }
        )
    lines += [
        {
            "key": h.key,
            "meaning": h.meaning,
            "value": m.sheet.keys.get(h.key, ""),
            "example": h.example,
        }
        for h in m.piece.head_lines
    ]
    return lines


def mend(ask: Ask) -> Response:
    """Put what was meant in the place of a reading that can't be right."""
    uid, name, was = ask.part["uid"], ask.text("feature"), ask.text("was")
    m = ask.shop.read(uid)
    found = next((q for q in m.questions if q.feature == name and q.text == was), None)
    if found is not None:
        ask.shop.enter(uid, name, ask.text("text"), found.repeat, seen=was, sure=True)
    return go(f"/piece/{uid}/result", "head")


def keep(ask: Ask) -> Page | Response:
    """Keep what was found, and note what was done about one setting or about all of them."""
    uid = ask.part["uid"]
    m = ask.shop.read(uid)
    if m.record is not None and m.record.state != "kept":
        ask.shop.keep(uid)
        m = ask.shop.read(uid)
    done = ask.text("done")
    setting = ask.text("setting")
    if done in _PLACES and setting:
        say_place(ask, who_in(m), [setting], _PLACES[done])
    elif done == "all-set":
        found = [c.setting for c in _kept_corrections(ask, m) if c.verdict is Verdict.APPLY]
        say_place(ask, who_in(m), [s for s in found if _can_set(ask, who_in(m), s)], Place.PRINTER)
    told = {"set": "set", "models": "models", "all-set": "set", "left": "left"}.get(done, "kept")
    return go(f"/piece/{uid}/result", told)


def say_place(ask: Ask, who: "Who", settings: Sequence[str], place: Place) -> None:
    """Note where settings take effect from now on."""
    if not settings:
        return
    shop = ask.shop
    with shop.say_places(shop.values(**bench.names(who), places={place: settings})):
        pass  # nothing else has to succeed for it


def _can_set(ask: Ask, who: "Who", setting: str) -> bool:
    s = shown(setting)
    if s.drawn or s.done_once:
        return False
    in_force = {v.setting: v for v in ask.shop.profile(**bench.names(who)).settings}
    return setting in in_force and in_force[setting].value is not None


def _kept_corrections(ask: Ask, m: "Measuring") -> "list[Correction]":
    if m.record is None or not m.record.sheet_uid:
        return []
    kept_ = bench.kept(ask.shop, m.record.sheet_uid)
    return [k.correction for k in kept_ if k.chosen and not k.undone_at]


def kept_page(ask: Ask, m: "Measuring") -> Page:
    """Show what was kept of a piece, and what is still to be done with it."""
    who = who_in(m)
    found = _kept_corrections(ask, m)
    in_force: dict[str, Any] = {}
    if who.nozzle and who.spool:
        in_force = {v.setting: v for v in ask.shop.profile(**bench.names(who)).settings}
    cards = [_card(c, in_force) for c in _in_order(found)]
    fit = bench.kept_fit(ask.shop, m.record.sheet_uid) if m.record and found else {}
    done, total = progress_of(m)
    return show(
        "result.html",
        who=who,
        base=f"/piece/{m.source}",
        title=says.question_of(m.piece.pattern),
        headline=headline([c["verdict"] for c in cards]),
        cards=_to_do(cards),
        good=[c for c in cards if c["verdict"] == "leave"],
        spare=[],
        summaries=[says.advice(t) for f in fit.get("findings", ()) for t in f["summary"]],
        suspects=[],
        notes=(),
        doubts=(),
        why=_why(fit.get("findings", ())),
        kept=True,
        done=done,
        total=total,
        head=[],
        to_set=[],
        as_before=False,
        next_link=f"/next?{says.query(who)}",
        values_link=f"/values?{says.query(who)}",
    )
