"""The store: everything that `open_store` gives."""

from calib.store.changes import Changes
from calib.store.claims import Claims
from calib.store.engine import open_engine
from calib.store.exchange import Exchange
from calib.store.history import History
from calib.store.keeping import Keeping
from calib.store.overview import Overviews
from calib.store.pieces import Pieces
from calib.store.profiles import Profiles
from calib.store.upkeep import Upkeep


class Store(Keeping, History, Claims, Profiles, Pieces, Changes, Overviews, Exchange, Upkeep):
    """Profiles, events and history of the printers in one database.

    Things are the user's printers, nozzles, spools and instruments; keeping only ever adds;
    profiles say what is in force. Every method is one transaction.
    """

    @classmethod
    def open(
        cls, where: str | None = None, *, make: bool = True, read_only: bool = False
    ) -> "Store":
        """Open a store by file or URL; see `calib.store.open_store`."""
        store = cls(open_engine(where, make=make, read_only=read_only))
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
