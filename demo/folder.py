"""The folder that the demo makes: what it wrote is listed in it, and only that is ever taken away."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

from calib.errors import FileError

#: Lists what the demo wrote, one path a line; only a folder that has it is made anew.
LIST = "made-by-the-demo.txt"


@contextlib.contextmanager
def made_in(out: Path, *, anew: bool) -> Iterator[None]:
    """Give an empty folder, and list at the end what was written into it.

    Raises
    ------
    FileError
        There is something in it, and `anew` is not set or not all of it is the demo's.
    """
    if anew and (out / LIST).is_file():
        _take_away(out)
    if out.exists() and any(out.iterdir()):
        mend = "choose another with --out" if anew else "add --force to make it anew"
        raise FileError("the folder is there and not empty", where=str(out), mend=mend)
    out.mkdir(parents=True, exist_ok=True)
    (out / LIST).write_text("", encoding="utf-8")
    try:
        yield
    finally:
        written = sorted(p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file())
        (out / LIST).write_text("".join(f"{name}\n" for name in written), encoding="utf-8")


def _take_away(out: Path) -> None:
    """Take away the files that are listed, and the folders that are empty then."""
    root = out.resolve()
    for name in (out / LIST).read_text(encoding="utf-8").splitlines():
        path = (root / name).resolve()
        if path.is_relative_to(root) and path.is_file():
            path.unlink()
    (out / LIST).unlink(missing_ok=True)
    for folder in sorted((p for p in root.rglob("*") if p.is_dir()), reverse=True):
        with contextlib.suppress(OSError):  # something of the user's is in it
            folder.rmdir()
