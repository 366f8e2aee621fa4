"""What an import or a merge took in, in lines for people and as data for machines."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calib.store.importing import ImportResult


def taken_json(taken: "ImportResult", source: str) -> dict[str, Any]:
    """Return what was taken in for machines."""
    return {
        "from": source, "new": taken.new, "known": taken.known, "differing": taken.differing,
        "left_out": taken.left_out,
    }  # fmt: skip


def taken_lines(taken: "ImportResult", source: str) -> Iterator[tuple[str, str]]:
    """Yield (line, style): what was new, what was known, what differs and what was left out."""
    new = ", ".join(f"{n} {what}" for what, n in taken.new.items() if n)
    known = ", ".join(f"{n} {what}" for what, n in taken.known.items() if n)
    yield f"Taken in from {source}: {new or 'nothing new'}.", ""
    if known:
        yield f"There already: {known}.", ""
    for text in taken.differing:
        yield f"Kept ours where the other says otherwise: {text}", "yellow"
    for text in taken.left_out:
        yield f"Left out, its sheet is kept: {text}", "yellow"
