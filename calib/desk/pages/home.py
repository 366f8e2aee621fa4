"""Home: what each spool is good for on each printer, what is in work, and the words."""

from typing import Any

from starlette.responses import Response

from calib.desk import says
from calib.desk.pages.grid import grid_row, newest_first, overview
from calib.desk.pages.printing import piece_summary
from calib.desk.web import Ask, Page, go, show
from calib.desk.words import STATES, WORDS
from calib.safety import SAFETY
from calib.workshop.results import Who

#: Spools on one page; the others are found by searching.
MOST_ROWS = 25
#: Pieces in work that are shown at home.
MOST_PIECES = 6


def home(ask: Ask) -> Page | Response:
    """Show the grid of spools by printers; the first visit where there is nothing yet."""
    shop = ask.shop
    if shop.store_if_any() is None or not shop.printers():
        return go("/first")
    find = ask.text("find")[:80]
    found = overview(ask, find)
    if not find and not found.rows:
        return go("/spool/new")
    rows = sorted(found.rows, key=newest_first)
    pieces = [piece_summary(ask, p) for p in shop.pieces()[:MOST_PIECES]]
    return show(
        "home.html",
        here="home",
        headline=_headline(len(pieces), found.counts),
        printers=[{"name": p, "link": f"/printer?{says.query(Who(printer=p))}"} for p in found.printers],
        rows=[grid_row(r) for r in rows[:MOST_ROWS]],
        more=max(0, len(rows) - MOST_ROWS),
        find=find,
        open_pieces=pieces,
        states=STATES,
    )  # fmt: skip


def _headline(in_work: int, counts: Any) -> str:
    if in_work:
        return "Go on where you were" if in_work == 1 else f"{in_work} pieces are in work"
    stale = counts.get("stale", 0)
    if stale:
        return "Something is to be measured again"
    return (
        "Everything that was measured is good"
        if counts.get("good")
        else "Ready for the first print"
    )


def words(ask: Ask) -> Page:
    """Explain every word."""
    return show("words.html", here="words", terms=WORDS)


def care(ask: Ask) -> Page:
    """Show the cautions."""
    return show("care.html", sentences=[s.strip(" .") + "." for s in SAFETY.split(". ")])
