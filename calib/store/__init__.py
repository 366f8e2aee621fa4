"""Profiles, events and history in a database; `open_store` is the way in."""

import os
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from calib.store.store import Store


def named(where: str | None) -> str:
    """Return what names a store: as given, else as the environment says, else the file in the user's data folder."""
    from platformdirs import user_data_path

    default = user_data_path("truebead", appauthor=False) / "truebead.sqlite"
    return where or os.environ.get("TRUEBEAD_STORE") or str(default)


def surely_missing(where: str | None) -> bool:
    """Tell, without loading the database layer, that a store would be in a file that is not there."""
    text = named(where)
    return ":" not in text and not Path(text).expanduser().exists()


def open_store(where: str | None = None, *, make: bool = True, read_only: bool = False) -> "Store":
    """Open the store, making or migrating it where needed.

    Parameters
    ----------
    where : str or None
        A file, or a database URL such as ``postgresql+psycopg://user@host/name``. None: the
        environment's ``TRUEBEAD_STORE``, else ``truebead.sqlite`` in the user's data folder.

    make : bool
        Whether to make the store where there is none. Commands that only look don't: a slip in
        typing would leave an empty store behind.
    read_only : bool
        Look at it as it is now, and touch neither it nor its folder: for stores of others. A file that
        may not be written is read so in any case.

    Raises
    ------
    NoStore
        There is none, and `make` is not set.
    StoreError
        The store can't be opened, is not one, or was made by a newer Truebead.
    """
    # The database layer loads only when a store is opened, and its tables only where there is one.
    from calib.store.engine import open_engine

    engine = open_engine(where, make=make, read_only=read_only)
    from calib.store.store import Store

    return Store.on(engine)
