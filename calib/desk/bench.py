"""The desk's hands on the workshop: what the pages ask of it, in the pages' own terms."""

import threading
from collections import OrderedDict
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from calib.workshop import making, measuring
from calib.workshop.results import Who

if TYPE_CHECKING:
    from calib.workshop.measuring import Measuring, Standing
    from calib.workshop.workshop import Workshop
    from patterns.estimate import Estimate
    from patterns.piece import Piece

#: Readings that a sheet of the desk has room for; one is asked for.
ROOM = 3
#: Pieces whose files are kept in memory, about a megabyte each.
_MOST_SOLIDS = 6


def names(who: Who) -> dict[str, str]:
    """Return printer, nozzle and spool as the workshop takes them."""
    pairs = {"printer": who.printer, "nozzle": who.nozzle, "spool": who.spool}
    return {k: v for k, v in pairs.items() if v}


def laid_out(
    shop: "Workshop", pattern: str, parameters: Mapping[str, float | str], who: Who
) -> "Piece":
    """Lay a piece out for a printer, nozzle and spool, without making anything."""
    known = making.known_of(shop.store_if_any(), who)
    return making.laid_out([pattern], parameters, known, making.setup_with(known.setup, {}))[0]


def cost(shop: "Workshop", piece: "Piece", who: Who) -> "Estimate | None":
    """Return minutes and grams of a piece; None for a check without plastic."""
    from calib.plan.cost import piece_cost

    spool = next((s for s in shop.spools() if s.name == who.spool), None)
    if not piece.printed or spool is None:
        return None
    return piece_cost(piece.pattern, piece.spec.as_text(), piece.setup, spool)


def standing(m: "Measuring") -> "tuple[Standing, ...]":
    """Return what stands on the sheet of a piece in work."""
    return measuring.standing(m)


def sheet_page(m: "Measuring") -> str:
    """Return the sheet of a piece as a page to print."""
    made = m.sheet.keys.get("made", "")[:10]
    return making.page(m.piece, m.sheet.piece_id, made=made, unit=m.sheet.unit, repeats=ROOM)


class Solids:
    """The files of the solids that were asked for last: built when they are, one at a time."""

    def __init__(self) -> None:
        self._files: OrderedDict[str, dict[str, bytes | str]] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, key: str, piece: "Piece") -> Mapping[str, Any]:
        """Return name -> content for a piece; `key` is the same for the same piece."""
        from patterns.schedule import schedule_csv

        with self._lock:
            if key not in self._files:
                found: dict[str, bytes | str] = {}
                if piece.printed:
                    found |= making.solids_of(piece)[1]
                if piece.schedule:
                    found["schedule.csv"] = schedule_csv(piece.schedule)
                self._files[key] = found
                while len(self._files) > _MOST_SOLIDS:
                    self._files.popitem(last=False)
            return self._files[key]


def warm_up() -> None:
    """Load the kernel, so that the first download does not wait for it."""
    from patterns import registry, solid
    from patterns.spec import PrintSetup

    registry.all_patterns()
    solid.build(registry.get("weigh-block").piece({}, PrintSetup()).body)
