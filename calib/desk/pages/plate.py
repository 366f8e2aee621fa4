"""The pieces of one print: one file with all of them on a plate, how to slice it, and that it is printed."""

from typing import TYPE_CHECKING

from starlette.responses import Response

from calib.desk import bench, says
from calib.desk.pages.printing import (
    THREEMF,
    after_print,
    print_with,
    set_before,
    slicing_notes,
    who_in,
)
from calib.desk.web import Ask, Page, go, show
from calib.errors import BadInput

if TYPE_CHECKING:
    from calib.workshop.measuring import Measuring

_MOST = 12


def _pieces(ask: Ask) -> "list[Measuring]":
    """Return the pieces that a request names."""
    uids = ask.texts("piece")[:_MOST]
    if not uids:
        raise BadInput("no pieces are named", mend="begin with “what to print next”")
    return [ask.shop.read(uid) for uid in uids]


def plate(ask: Ask) -> Page:
    """Show the pieces of one print: get them, slice them, print them, measure them."""
    pieces = _pieces(ask)
    who = who_in(pieces[0])
    costs = [c for m in pieces if (c := bench.cost(ask.shop, m.piece, who))]
    query = "&".join(f"piece={m.source}" for m in pieces)
    count = bench.plates([m.piece for m in pieces])
    return show(
        "plate.html",
        who=who,
        plates=[(f"/plate/{n}.3mf?{query}", f"plate {n}") for n in range(1, count + 1)],
        pieces=[
            {
                "uid": m.source,
                "title": says.question_of(m.piece.pattern),
                "name": says.name_of(m.piece.pattern),
                "print_with": print_with(m.piece),
                "notes": slicing_notes(m.piece),
            }
            for m in pieces
        ],
        alike=all(print_with(m.piece) == print_with(pieces[0].piece) for m in pieces),
        set_before=set_before(pieces[0]),
        effort=says.minutes(sum(c.minutes for c in costs)),
    )


def plate_file(ask: Ask) -> Response:
    """Return one plate with its pieces, as 3MF."""
    pieces = _pieces(ask)
    content = ask.desk.solids.plate([m.piece for m in pieces])
    n = ask.part["n"]
    if not n.isdecimal() or not 1 <= int(n) <= len(content):
        raise BadInput("there is no such plate", mend="go back and choose one")
    return Response(
        content[int(n) - 1],
        media_type=THREEMF,
        headers={"content-disposition": f'attachment; filename="plate-{n}.3mf"'},
    )


def printed(ask: Ask) -> Response:
    """Note that all of it is printed, and go on to measuring the first piece."""
    ways = [after_print(ask, str(m.source)) for m in _pieces(ask)]
    return go(ways[0])
