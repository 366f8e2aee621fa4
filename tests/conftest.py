"""Settings of all tests."""

import itertools
import os
import sys

# The matrices are small: threads only get into each other's way. Read when numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from functools import cache

import pytest
import typer.testing
from hypothesis import settings

# Else each worker would compile all tests anew, and each command that a test starts the whole program.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Reading the signatures of all commands takes longer than most commands do: once is enough.
typer.testing._get_command = cache(typer.testing._get_command)

# A busy machine is no failure: tests of speed measure it themselves.
settings.register_profile("truebead", deadline=None)
settings.load_profile("truebead")


_NUMBERS = itertools.count()


@pytest.fixture(scope="session")
def _of_nobody(tmp_path_factory):
    return tmp_path_factory.mktemp("of-nobody")


@pytest.fixture(autouse=True)
def _nothing_of_the_users(_of_nobody, monkeypatch):
    """Keep the store and the state of whoever runs the tests out of them."""
    own = _of_nobody / str(next(_NUMBERS))  # made by the first who writes there
    monkeypatch.setenv("TRUEBEAD_STORE", str(own / "store.sqlite"))
    monkeypatch.setenv("TRUEBEAD_STATE", str(own / "state"))
