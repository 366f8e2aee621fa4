"""How to read a picture: the marks, the kinds, and a scale bar."""

from collections.abc import Sequence

from patterns.drawing.style import BALLOON, INK, KINDS, PAPER, QUIET, TEXT, Meaning
from patterns.drawing.svg import circle, group, line, polygon, text
from patterns.feature import INSTRUMENTS

ROW = 24.0
COLUMN = 336.0
SMALL = TEXT - 1
#: Width of a letter as wide sans-serif fonts have it, bold and plain, at that size.
BOLD_LETTER, LETTER = 8.6, 7.0
APART = 24.0


def legend(meanings: Sequence[Meaning], jaws: Sequence[str], scale: float, width: float) -> tuple[
    str, float, float
]:  # fmt: skip
    """Return the legend's SVG, its width and its height.

    Parameters
    ----------
    meanings, jaws : sequences
        What occurs in the picture; `jaws` holds "" for features read without a caliper.
    scale : float
        Picture units per millimetre of the level views; 0 where there are none.
    width : float
        Room to share out, in picture units.
    """
    rows = [_jaw_row(j) for j in jaws] + [_meaning_row(m) for m in meanings]
    if scale:
        rows.append(_scale_bar(scale))
    wide = max([COLUMN, *(_words_end(m) + APART for m in meanings)])
    columns = max(1, int((width + APART) // wide))
    content = "".join(
        group((wide * (n % columns), ROW * (n // columns)), row) for n, row in enumerate(rows)
    )
    lines = -(-len(rows) // columns)
    return content, wide * min(columns, len(rows)), ROW * lines


def _jaw_row(jaws: str) -> str:
    y = 8.0
    words = {
        "outside": "close the outside jaws on the two tips",
        "inside": "open the inside jaws against the two tips",
        "depth": "rest the caliper on the bar, rod to the tip",
    }.get(jaws, "look (or weigh) here; no caliper")
    if jaws == "outside":
        marks = _teeth(10, 1, y) + _teeth(34, -1, y)
    elif jaws == "inside":
        marks = _teeth(8, -1, y) + _teeth(36, 1, y)
    elif jaws == "depth":
        bar = [(8.0, y - 8), (12.0, y - 8), (12.0, y + 8), (8.0, y + 8)]
        rod = [(12.0, y - 2.6), (28.0, y - 2.6), (28.0, y + 2.6), (12.0, y + 2.6)]
        marks = polygon(bar, INK) + polygon(rod, "none", INK, 0.8) + _teeth(34, 1, y)
    else:
        marks = circle((22, y), 3.2, INK, PAPER, 1.0)
    return marks + text((56, y + 4.5), words, SMALL)


def _teeth(x: float, way: int, y: float) -> str:
    return polygon([(x + 4.5 * way, y), (x - 4.5 * way, y + 4.2), (x - 4.5 * way, y - 4.2)], INK)


def _meaning_row(meaning: Meaning) -> str:
    ink, y = KINDS[meaning.kind], 8.0
    sample = line((0, y), (46, y), ink.colour, 1.8, ink.dash, "butt")
    if meaning.kind in INSTRUMENTS:  # no caliper, no line: a dot and a leader
        sample = circle((3, y), 3.2, ink.colour, PAPER, 1.0) + line(
            (6, y), (16, y), ink.colour, 1.0
        )
    sample += circle((23, y), 0.72 * BALLOON, PAPER, ink.colour, 1.6)
    label = text((56, y + 4.5), meaning.label, SMALL, ink.colour, bold=True)
    after = (_words_start(meaning), y + 4.5)
    return sample + label + text(after, meaning.words, SMALL, INK)


def _words_start(meaning: Meaning) -> float:
    """Return where the words after a bold label begin; letters are taken as wide as they get."""
    return 56 + BOLD_LETTER * len(meaning.label) + 6


def _words_end(meaning: Meaning) -> float:
    return _words_start(meaning) + LETTER * len(meaning.words)


def _scale_bar(scale: float) -> str:
    length_mm = next(
        s for s in (100, 50, 20, 10, 5, 2, 1, 0.5, 0.2) if s * scale <= 140 or s == 0.2
    )
    end, y = length_mm * scale, 8.0
    bar = line((0, y), (end, y), QUIET, 1.4)
    bar += "".join(line((x, y - 5), (x, y + 5), QUIET, 1.4) for x in (0.0, end))
    return bar + text((end + 8, y + 4.5), f"{length_mm:g} mm", SMALL, QUIET)
