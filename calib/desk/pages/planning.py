"""What to print next, why, and beginning it: one piece, or the pieces of one print together."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.pages.first import GOALS
from calib.desk.pages.meant import chosen, who_of
from calib.desk.pages.printing import piece_summary, svg
from calib.desk.settings import half_width, label, spell
from calib.desk.web import Ask, Page, go, show
from calib.errors import BadInput
from calib.model.setting import SETTINGS
from calib.report.next_words import prints, why_words

if TYPE_CHECKING:
    from calib.plan.steps import Step
    from calib.workshop.results import Next, Who
    from patterns.piece import Piece

#: Pieces that are begun at once: more is not a form of ours.
_MOST_TOGETHER = 12


def next_print(ask: Ask) -> Page:
    """Show what to print next for a printer, nozzle and spool, and why."""
    goal = ask.text("goal", "all")
    goal = goal if goal in {g[0] for g in GOALS} else "all"
    who, shop = chosen(ask), ask.shop
    found = ask.remembered(
        "next", who, goal, work_out=lambda: shop.next(**bench.names(who), goal=goal)
    )
    query = says.query(found.who)
    shown = _prints(ask, found)
    in_work = [piece_summary(ask, p) for p in ask.shop.pieces(found.who.printer, found.who.spool)]
    first = [s["pattern"] for s in shown[0]["steps"]] if shown else []
    ask.desk.solids.expect()
    return show(
        "next.html",
        who=found.who,
        who_query=query,
        prints=shown,
        begun=next((p for p in in_work if p["pattern"] in first), None),
        goal=goal,
        goals=GOALS,
        turns=[(label(n), spell(n, turns)) for n, turns in found.plan.to_do.items()],
        total=says.effort(found.minutes, found.grams),
        tolerance=_tolerance(found),
        aims=_aims(found),
        values_link=f"/values?{query}",
        event_link=f"/happened?{query}",
        open_here=in_work,
    )


def _prints(ask: Ask, found: "Next") -> list[dict[str, Any]]:
    """Return what is printed, or measured without printing, one after the other."""
    asked = [(s.piece, s.request.parameters) for s in found.steps]
    names = [s.piece for s in found.steps]  # a plan asks for each pattern once
    laid_out = dict(zip(names, bench.laid_out(ask.shop, asked, found.who), strict=True))
    said: set[str] = set()
    shown = []
    for together in prints(found):
        pieces = [p for s in together if (p := laid_out[s.piece]) is not None]
        if len(pieces) == len(together):
            shown.append(_print(together, pieces, found.who, said))
    return shown


def _print(
    together: "Sequence[Step]", pieces: "Sequence[Piece]", who: "Who", said: set[str]
) -> dict[str, Any]:
    """Return one print for the page, with its pieces laid out for the printer that is meant."""
    count, words = says.readings([f for p in pieces for f in p.by_hand])
    minutes, grams = (sum(getattr(s, n) or 0.0 for s in together) for n in ("minutes", "grams"))
    return {
        "steps": [_step(s, p, who) for s, p in zip(together, pieces, strict=True)],
        "fields": [
            (f"set.{s.piece}.{k}", v) for s in together for k, v in s.request.parameters.items()
        ],
        "why": [w[:1].upper() + w[1:] for w in why_words(together, said)],
        "printed": any(p.printed for p in pieces),
        "minutes": says.minutes(minutes),
        "grams": says.grams(grams),
        "effort": says.effort(minutes, grams),
        "readings": count,
        "readings_words": words,
        "needs": says.tools(pieces),
    }


def _step(s: "Step", piece: "Piece", who: "Who") -> dict[str, Any]:
    """Return one piece of a print."""
    given = {f"set.{s.piece}.{k}": str(v) for k, v in s.request.parameters.items()}
    return {
        "pattern": s.piece,
        "title": says.question_of(s.piece),
        "settles": s.settles,
        "picture": f"/picture/{s.piece}.svg?{says.query(who)}&{urlencode(given)}" if piece.printed else "",
        "size_words": f"The {says.name_of(s.piece)}, {says.size(piece)}",
    }  # fmt: skip


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
    pattern = ask.part["pattern"]
    parameters = _parameters(ask.request.query_params, pattern)
    (piece,) = bench.laid_out(ask.shop, [(pattern, parameters)], who_of(ask))
    if piece is None:
        return svg("")
    key = f"{pattern} {sorted(parameters.items())} {piece.setup}"
    return svg(ask.desk.pictures.of(key, piece).views.get("iso", ""))


def _parameters(fields: Mapping[str, Any], pattern: str) -> dict[str, str]:
    """Return the parameters of one pattern: ``set.wall_mm``, or ``set.wall-box.wall_mm``."""
    given = {
        k.removeprefix("set.").removeprefix(f"{pattern}."): v
        for k, v in fields.items()
        if k.startswith("set.") and isinstance(v, str) and v.strip()
    }
    return {k: v for k, v in given.items() if "." not in k}


def start(ask: Ask) -> Response:
    """Make a piece, or all pieces of one print: from here on they are in work."""
    patterns = ask.texts("pattern")[:_MOST_TOGETHER]
    if not patterns:
        raise BadInput("no piece was chosen", mend="choose one")
    who = bench.names(who_of(ask))
    asked = [(p, _parameters(ask.form, p)) for p in patterns]
    begun = [ask.shop.start(p, given, **who, repeats=bench.ROOM).source for p, given in asked]
    if len(begun) == 1:
        return go(f"/piece/{begun[0]}")
    return go("/plate", piece=begun)
