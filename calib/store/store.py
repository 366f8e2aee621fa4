"""The store: everything that `open_store` gives."""

from typing import TYPE_CHECKING

from calib.store.changes import Changes
from calib.store.claims import Claims
from calib.store.exchange import Exchange
from calib.store.history import History
from calib.store.keeping import Keeping
from calib.store.overview import Overviews
from calib.store.pieces import Pieces
from calib.store.profiles import Profiles
from calib.store.upkeep import Upkeep

if TYPE_CHECKING:
    from sqlalchemy import Engine


class Store(Keeping, History, Claims, Profiles, Pieces, Changes, Overviews, Exchange, Upkeep):
    """Profiles, events and history of the printers in one database.

    Things are the user's printers, nozzles, spools and instruments; keeping only ever adds;
    profiles say what is in force. Every method is one transaction.
    """

    @classmethod
    def on(cls, engine: "Engine") -> "Store":
        """Return the store in a database whose tables are there; what a kill left is settled."""
        store = cls(engine)
        try:
            store.settle()
        except BaseException:
            store.close()
            raise
        return store

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
