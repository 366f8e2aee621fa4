"""`open_workshop` and what it gives: the one object that commands, pages and scripts call."""

from pathlib import Path
from typing import TYPE_CHECKING

from calib.workshop.inventory import InventoryPart
from calib.workshop.pieces_part import PiecesPart
from calib.workshop.profile_part import ProfilePart
from calib.workshop.using_part import UsingPart

if TYPE_CHECKING:
    from calib.store.store import Store


def open_workshop(store: "str | Path | Store | None" = None, *, by: str = "") -> "Workshop":
    """Open the workshop: a store with its printers, nozzles, spools and instruments.

    Nothing is made or looked at before it is needed: a sheet that says everything about its piece is
    solved without any store.

    Parameters
    ----------
    store : str, Path, Store or None
        A file or a database URL; None: the environment's ``TRUEBEAD_STORE``, else a file in the
        user's data folder.
    by : str
        Who does what is done with it; the system's user where empty.
    """
    return Workshop(store, by=by)


class Workshop(PiecesPart, ProfilePart, UsingPart, InventoryPart):
    """Make, read, solve, keep, next, event, apply, overview: one way to do each.

    Safe to call from several threads at once. Names of printer, nozzle and spool may be left out
    where a sheet says them or the store has only one. Everything that the user can mend is raised
    as `calib.errors.BadInput`.
    """
