"""What the readings mean: what to set, from what to what, how sure, and why; nothing is kept by looking."""

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from markupsafe import Markup
from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.cells import measured
from calib.desk.pages.printing import piece_summary, printed_with, progress_of, still_to_set, who_in
from calib.desk.settings import half_width, shown, spell
from calib.desk.web import Ask, Page, go, show
from calib.desk.words import VERDICTS
from calib.errors import BadInput
from calib.model.correction import Verdict
from calib.model.setting import Place, setting
from calib.readings.now import AS_BEFORE

if TYPE_CHECKING:
    from calib.interpret.solve import Solution
    from calib.model.correction import Correction
    from calib.workshop.measuring import Measuring
    from calib.workshop.results import Who

_ORDER = (Verdict.APPLY, Verdict.PRINT_AGAIN, Verdict.LEAVE)


def result(ask: Ask) -> Page | Response:
    """Show what the readings of a piece in work mean, or what was kept of it."""
    m = ask.shop.read(ask.part["uid"])
    if m.record is not None and m.record.state == "kept":
        return _kept(ask, m)
    if not m.sheet.readings:
        to = "measure" if measured(m.piece) else "judge"
        return go(f"/piece/{m.source}/{to}")
    shop = ask.shop
    try:
        solved = ask.remembered(
            "solved", m.source, m.version, work_out=lambda: shop.solve(m.source)
        )
    except BadInput as err:
        return _not_yet(m, err)
    return _solved(m, solved.solution, solved.notes)


def _not_yet(m: "Measuring", err: BadInput) -> Page:
    """Say what is missing where nothing can be worked out yet."""
    done, total = progress_of(m)
    return show(
        "not_yet.html",
        who=who_in(m),
        base=f"/piece/{m.source}",
        error=err,
        done=done,
        total=total,
        to="measure" if measured(m.piece) else "judge",
    )


def _solved(m: "Measuring", solution: "Solution", notes: Sequence[str]) -> Page:
    used = bench.chosen(solution.corrections)
    spare = [c for c in solution.corrections if c not in used and c.verdict is Verdict.APPLY]
    return _page(
        m, used, solution.to_json()["findings"], {},
        spare=[_card(c) for c in spare],
        suspects=_suspects(m, solution),
        ask_now=[setting(name) for f in solution.findings for name in f.factors],
        notes=notes,
        head=_head_lines(m),
        to_set=still_to_set(m),
        as_before=printed_with(m).answer == AS_BEFORE,
    )  # fmt: skip


def _kept(ask: Ask, m: "Measuring") -> Page:
    """Show what was kept of a piece, and what is still to be done with it."""
    who, found = who_in(m), kept_corrections(ask, m)
    state = _states(ask, who) if who.nozzle and who.spool else {}
    fit = bench.kept_fit(ask.shop, m.record.sheet_uid) if m.record and found else {}
    others = [
        p for p in ask.shop.pieces(who.printer or None, who.spool or None) if p.uid != m.source
    ]
    printed = next((p for p in others if p.state == "printed"), None)
    return _page(
        m, found, fit.get("findings", ()), state,
        kept=True, then=piece_summary(ask, printed) if printed else None,
    )  # fmt: skip


#: What a page has only before, or only after, a result is kept.
_NOTHING = {
    "spare": (), "suspects": (), "ask_now": (), "notes": (), "head": (), "to_set": (), "as_before": False, "kept": False,
    "then": None,
}  # fmt: skip


def _page(
    m: "Measuring",
    corrections: "Sequence[Correction]",
    findings: Sequence[Mapping[str, Any]],
    state: Mapping[str, str],
    **more: Any,
) -> Page:
    done, total = progress_of(m)
    who = who_in(m)
    cards = [_card(c, state) for c in sorted(corrections, key=lambda c: _ORDER.index(c.verdict))]
    return show(
        "result.html",
        who=who,
        base=f"/piece/{m.source}",
        title=says.question_of(m.piece.pattern),
        headline=headline([c["verdict"] for c in cards]),
        groups=_grouped([c for c in cards if c["verdict"] != "leave"]),
        good=[c for c in cards if c["verdict"] == "leave"],
        summaries=[says.advice(t) for f in findings for t in f["summary"]],
        why=_why(findings),
        done=done,
        total=total,
        next_link=f"/next?{says.query(who)}",
        values_link=f"/values?{says.query(who)}",
        why_link=f"/why?{says.query(who)}",
        **{**_NOTHING, **more},
    )


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


def _card(c: "Correction", state: Mapping[str, str] = {}) -> dict[str, Any]:
    """Return one correction for the page."""
    s = shown(c.setting)
    half = c.u_new * c.error.expanded() / c.error.u if c.error.u else 0.0
    change = c.verdict is Verdict.APPLY
    return {
        "setting": c.setting,
        "label": s.label,
        "topic": s.topic,
        "term": s.term,
        "where": s.where,
        "verdict": str(c.verdict),
        "says": VERDICTS[str(c.verdict)],
        "old": spell(c.setting, c.old) if c.old is not None and not s.done_once else "",
        "new": ""
        if s.done_once and not change
        else spell(c.setting, c.new if change or c.old is None else c.old),
        "sure": half_width(c.setting, half) if half else "",
        "reason": says.advice(c.reason),
        "evidence": says.advice(c.evidence),
        "files": s.files,
        "done_once": s.done_once,
        "drawn": s.drawn,
        "can_set": change and not s.drawn,
        "requests": [
            {
                "pattern": r.pattern,
                "parameters": r.typed,
                "title": says.question_of(r.pattern),
            }
            for r in c.requests
        ],
        "state": state.get(c.setting, ""),
    }


def _grouped(cards: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Put what is one thing to do on one card: what is set in one place, or waits for one reason."""

    def together(c: dict[str, Any]) -> tuple[Any, ...]:
        reason = c["reason"] if c["verdict"] == "print again" else ""
        return c["verdict"], c["topic"], c["where"], c["can_set"], c["state"], reason

    found = []
    for _, group in groupby(cards, together):
        rows = list(group)
        found.append(
            {
                **rows[0],
                "heading": rows[0]["topic"] if len(rows) > 1 else rows[0]["label"],
                "rows": rows,
            }
        )
    return found


def _states(ask: Ask, who: "Who") -> dict[str, str]:
    """Return what was said about each setting: set, models, gcode, turned, or nothing yet."""
    found = dict.fromkeys(bench.turned(ask.shop, who), "turned")
    for v in bench.in_force(ask.shop, who):
        if v.place_said is not None and (v.place != Place.PRINTER or v.is_set):
            found[v.setting] = "set" if v.place == Place.PRINTER else str(v.place)
    return found


def _suspects(m: "Measuring", solution: "Solution") -> list[dict[str, Any]]:
    """Return the readings that do not belong with the others, each with the way to it."""
    numbers = {f.id: n for n, f in enumerate(m.piece.by_hand, 1)}
    return [
        {
            "number": numbers.get(s.reading.feature, ""),
            "text": s.reading.text or f"{s.reading.value:g}",
            "explanation": says.advice(s.explanation.split(": ", 1)[-1]),
            "effect": says.advice(s.effect),
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
            "lines": [says.in_the_form(line) for line in f["why"]],
            # our own drawings, escaped where they were made
            "figures": [{"svg": Markup(g.svg), "caption": g.caption} for g in figures(f, f"f{i}")],
        }
        for i, f in enumerate(findings)
    ]


def _head_lines(m: "Measuring") -> list[dict[str, str]]:
    """Return what else may be written down and helps the answer."""
    lines = [(h.key, h.meaning, m.sheet.keys.get(h.key, ""), h.example) for h in m.piece.head_lines]
    if m.piece.printed and any(f.unit == "mm" for f in m.piece.by_hand):
        warm = "" if m.sheet.part_c is None else f"{m.sheet.part_c:g}"
        meaning = "how warm the room was when you measured, in °C; empty: 20 to 25"
        lines.insert(0, ("part_c", meaning, warm, "22"))
    return [
        {"key": key, "label": says.sentence(says.head_label(key)), "meaning": says.sentence(meaning),
         "value": value, "example": example}
        for key, meaning, value, example in lines
    ]  # fmt: skip


def kept_corrections(ask: Ask, m: "Measuring") -> "list[Correction]":
    """Return the corrections of a piece that were kept and used."""
    if m.record is None or not m.record.sheet_uid:
        return []
    kept = bench.kept(ask.shop, m.record.sheet_uid)
    return [k.correction for k in kept if k.chosen and not k.undone_at]
