"""Numbers, lengths of time and names as the pages say them."""

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from calib.desk.words import AXES, HEAD

if TYPE_CHECKING:
    from calib.errors import BadInput
    from patterns.feature import Feature
    from patterns.piece import Piece

_TOOLS = {
    "caliper": "a caliper",
    "balance": "a kitchen scale that shows 0.1 g",
    "ruler": "a ruler or a caliper",
    "eye": "your eyes",
}


def minutes(value: float | None) -> str:
    """Return a time of printing in words; empty where it is not known."""
    if not value:
        return ""
    if value < 90:
        return f"{max(5, 5 * round(value / 5))} min"
    return f"{value / 60:.1f} h"


def grams(value: float | None) -> str:
    """Return a mass; empty where it is not known."""
    if not value:
        return ""
    return f"{value:.0f} g" if value >= 10 else f"{value:.1f} g"


def effort(minutes_: float | None, grams_: float | None) -> str:
    """Return ``25 min, 12 g``."""
    return ", ".join(filter(None, (minutes(minutes_), grams(grams_))))


def ago(at: datetime, now: datetime | None = None) -> str:
    """Return how long ago something was, as people say it."""
    seconds = ((now or datetime.now(UTC)) - at).total_seconds()
    if seconds < 90:
        return "just now"
    if seconds < 90 * 60:
        return f"{round(seconds / 60)} minutes ago"
    if seconds < 36 * 3600:
        return f"{round(seconds / 3600)} hours ago"
    return f"on {at:%-d %B %Y}" if seconds > 20 * 86400 else f"{round(seconds / 86400)} days ago"


def question_of(pattern: str) -> str:
    """Return the question that a pattern answers: what a piece is called on the pages."""
    from patterns import registry

    return registry.get(pattern).answers


def name_of(pattern: str) -> str:
    """Return a pattern's name in words."""
    return pattern.replace("-", " ")


def tools(pieces: "Sequence[Piece]") -> str:
    """Return what is needed to measure some pieces."""
    kinds = list(dict.fromkeys(f.instrument for p in pieces for f in p.by_hand))
    words = [_TOOLS[k] for k in kinds if k in _TOOLS]
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def size(piece: "Piece") -> str:
    """Return how large a piece is."""
    from patterns.piece import bounds_mm

    if not piece.printed:
        return ""
    low, high = bounds_mm(piece.body)
    x, y, z = (b - a for a, b in zip(low, high, strict=True))
    return f"{x:.0f} × {y:.0f} × {z:.0f} mm"


def readings(features: "list[Feature]") -> tuple[int, str]:
    """Return how many things are to be read, and what to call them."""
    judged = sum(f.instrument == "eye" for f in features)
    if judged == len(features):
        return judged, "taps, by eye"
    if judged:
        return len(features), "readings, some by eye"
    return len(features), "readings"


def axis(name: str) -> str:
    """Return an axis in words."""
    return AXES.get(name, name)


def query(who: Any, **more: str) -> str:
    """Return printer, nozzle and spool as the end of an address."""
    return urlencode({k: v for k, v in {**who.names, **more}.items() if v})


def sentence(text: str) -> str:
    """Return words with a capital letter, and units as people write them."""
    return (text[:1].upper() + text[1:]).replace(" degC", " °C")


def advice(text: str) -> str:
    """Return advice as a sentence, without the clauses that are only for the command line."""
    sentences = []
    for whole in re.split(r"(?<=[.?!])\s+", in_the_form(text.strip())):
        parts = re.split(r"(; |, or |: (?=truebead ))", whole.rstrip("."))
        kept = parts[0] if not _is_for_terminal(parts[0]) else ""
        for joint, clause in zip(parts[1::2], parts[2::2], strict=True):
            if not _is_for_terminal(clause):
                kept = f"{kept}{joint if kept else ''}{clause}"
        if kept.strip():
            end = "" if kept.endswith(("?", "!")) else "."
            sentences.append(f"{sentence(kept.strip())}{end}")
    return " ".join(sentences)


#: A line of a sheet's head as advice names it: ``# jaws_closed_mm: 0.00``.
_HEAD_LINE = re.compile(
    r"(?:in the sheet's head )?(as |with |behind )?# ([a-z_]+):(?: -?\d[\d.]*\b)?"
)


def in_the_form(text: str) -> str:
    """Return words in which lines of a sheet's head are called as the pages call them."""
    words = _HEAD_LINE.sub(lambda found: f"{found[1] or ''}“{head_label(found[2])}”", text)
    return words.replace(" degC", " °C")


def head_label(key: str) -> str:
    """Return what a line of a sheet's head is called on the pages."""
    return HEAD.get(key) or re.sub(r"_(mm|g|c)$", "", key).replace("_", " ")


def _is_for_terminal(clause: str) -> bool:
    return "truebead " in clause or " --" in clause or clause.startswith("--")


#: What things are called in messages -> what their fields are called on the pages.
_FIELDS = {
    "build_x_mm": "left to right", "build_y_mm": "front to back", "build_z_mm": "the height",
    "hot_end_max_c": "the hot end's highest temperature", "bed_max_c": "the bed's highest temperature",
    "layer_mm": "the layer height", "bore_mm": "the nozzle's hole", "resolution": "the smallest step",
    "mpe": "how far it may be wrong", "density_g_cm3": "the density", "filament_mm": "the filament's thickness",
}  # fmt: skip
_FIELD = re.compile(rf"\b({'|'.join(_FIELDS)})\b")


def problem(err: "BadInput") -> str:
    """Return what is wrong and how to mend it, without advice for the command line."""
    mend = "" if "truebead " in err.mend else err.mend.partition(", or --")[0]
    said = (err.what, "" if "--" in mend else mend)
    return " ".join(
        f"{sentence(_FIELD.sub(lambda found: _FIELDS[found[1]], text)).rstrip('.')}."
        for text in said
        if text
    )
