"""Whether everything is there that the work needs: versions, libraries, the store, places to write."""

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: `good` None means it is only worth knowing."""

    what: str
    found: str
    good: bool | None = None
    mend: str = ""


#: Library -> what needs it. The last column says whether all of the tool stops without it.
LIBRARIES = (
    ("numpy", "every fit", True),
    ("scipy", "every fit", True),
    ("SQLAlchemy", "profiles", True),
    ("alembic", "profiles", True),
    ("cadquery-ocp", "solids (make)", True),
    ("manifold3d", "pictures and plates", True),
    ("jinja2", "pages", True),
    ("pillow", "photos", True),
    ("opencv-python-headless", "photos", False),
    ("scikit-learn", "the best temperature", True),
    ("psycopg", "a store on a server", False),
)


def look_over(where: str | None) -> list[Finding]:
    """Look at everything; `where` is the store's file or URL."""
    return [*_versions(), *_libraries(), *_store(where), *_here()]


def _versions() -> Iterator[Finding]:
    import platform

    from calib.version import version

    yield Finding("Truebead", version())
    good = sys.version_info >= (3, 11)
    yield Finding("Python", platform.python_version(), good, "install Python 3.11 or newer")
    yield Finding("system", platform.platform())
    encoding = sys.stdout.encoding or "unknown"
    yield Finding("terminal's encoding", encoding)


def _libraries() -> Iterator[Finding]:
    from importlib.metadata import PackageNotFoundError, version

    for name, needed_by, must in LIBRARIES:
        try:
            yield Finding(name, f"{version(name)}, for {needed_by}", True)
        except PackageNotFoundError:
            mend = f"pip install {name}"
            yield Finding(name, f"missing, for {needed_by}", False if must else None, mend)


def _store(where: str | None) -> Iterator[Finding]:
    from calib.errors import BadInput
    from calib.store import open_store
    from calib.store.engine import HEAD, NoStore, free_mib

    try:
        with open_store(where, make=False) as opened:
            yield Finding("store", f"{opened.where}, version {HEAD}", True)
            counts = opened.counts()
            yield Finding("kept in it", ", ".join(f"{n} {what}" for what, n in counts.items()))
            free = free_mib(opened.engine.url)
        if free is not None:
            yield Finding("room on its disk", f"{free / 1024:.1f} GiB", free > 50, "make room")
    except NoStore as err:
        yield Finding("store", f"{err.what}; {err.mend}")
    except BadInput as err:
        yield Finding("store", err.what, False, err.mend)


def _here() -> Iterator[Finding]:
    import os
    import tempfile

    from calib.errors import BadInput
    from calib.files import write_atomic

    for what, folder in (
        ("this folder", "."),
        ("the folder for temporary files", None),  # wherever the system has it
    ):
        try:
            with tempfile.TemporaryDirectory(dir=folder and os.path.realpath(folder)) as inside:
                write_atomic(Path(inside) / "x", b"x")
            yield Finding(f"writing in {what}", str(Path(inside).parent), True)
        except (OSError, BadInput) as err:
            yield Finding(f"writing in {what}", str(err), False, "work in another folder")
    yield Finding(
        "fonts", "none needed: labels are outlines of our own, pages use what the viewer has", True
    )
