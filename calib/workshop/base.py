"""What every part of the workshop shares: the store behind it, who works with it, what a source is."""

import getpass
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Self, Unpack

from calib.workshop.results import Named, Who

if TYPE_CHECKING:
    from calib.store.store import Store

Source = Path | str


class Base:
    """A workshop as far as it is open."""

    def __init__(self, store: "str | Path | Store | None" = None, *, by: str = "") -> None:
        self.by = by or _user()
        self._lock = threading.RLock()
        self._where: str | None = None
        self._opened: Store | None = None
        if store is None or isinstance(store, str | Path):
            self._where = None if store is None else str(store)
        else:
            self._opened = store.signed(self.by)
        self._ours = self._opened is None

    def store(self, *, make: bool = False) -> "Store":
        """Return the store behind it, opened once; with `make` it is made where there is none.

        Raises
        ------
        NoStore
            There is none, and `make` is not set.
        """
        with self._lock:
            if self._opened is None:
                from calib.store import open_store

                self._opened = open_store(self._where, make=make).signed(self.by)
            return self._opened

    def store_if_any(self) -> "Store | None":
        """Return the store, or None where there is none yet."""
        from calib.store import surely_missing

        if self._opened is None and surely_missing(self._where):
            return None
        from calib.store.engine import NoStore

        try:
            return self.store()
        except NoStore:
            return None

    def signing(self, by: str) -> Self:
        """Return the same workshop, in which another does what is done."""
        with self._lock:
            return type(self)(self._opened or self._where, by=by)

    def close(self) -> None:
        """Give the store up."""
        with self._lock:
            if self._opened is not None and self._ours:
                self._opened.close()
                self._opened = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _store_for(self, asked: Who) -> "Store | None":
        """Return the store; None where there is none and nothing of it was asked for."""
        named = asked.printer or asked.nozzle or asked.spool
        return self.store() if named else self.store_if_any()

    def _uid(self, source: Source) -> str:
        """Return the id of a started piece where one is meant; empty for a file, a folder or a text."""
        text = str(source)
        plain = isinstance(source, str) and len(text) == 32 and text.isalnum()
        return text if plain and not Path(text).exists() else ""

    def _sheet(self, source: Source) -> Source:
        uid = self._uid(source)
        return self.store().piece(uid).sheet_text if uid else source


def who_of(**named: Unpack[Named]) -> Who:
    """Return names as they were asked for; "" where none was given."""
    return Who.of({what: str(name) for what, name in named.items() if name})


def _user() -> str:
    """Return the system's name for the user; empty where it has none."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return ""
