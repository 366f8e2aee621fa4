"""Which store is meant, and whether it can be there: found out without loading the database layer."""

import os
from pathlib import Path


def named(where: str | None) -> str:
    """Return what names a store: as given, else as the environment says, else the file in the user's data folder."""
    from platformdirs import user_data_path

    default = user_data_path("truebead", appauthor=False) / "truebead.sqlite"
    return where or os.environ.get("TRUEBEAD_STORE") or str(default)


def surely_missing(where: str | None) -> bool:
    """Tell, without loading the database layer, that a store would be in a file that is not there."""
    text = named(where)
    return ":" not in text and not Path(text).expanduser().exists()
