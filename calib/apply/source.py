"""Files to be read: only whole files of the disk, no folder, pipe or device; and what may be replaced."""

import stat
from pathlib import Path
from typing import BinaryIO, cast

from calib.errors import FileError

_SORTS = (
    (stat.S_ISDIR, "that is a folder, not a file"),
    (stat.S_ISFIFO, "that is a pipe, not a file"),
    (stat.S_ISCHR, "that is a device, not a file"),
    (stat.S_ISBLK, "that is a device, not a file"),
    (stat.S_ISSOCK, "that is a socket, not a file"),
)


def refuse_odd(path: Path) -> None:
    """Refuse what is no file of the disk.

    Raises
    ------
    FileError
        It is missing, or a folder, a pipe or a device.
    """
    try:
        mode = path.stat().st_mode
    except FileNotFoundError as err:
        raise FileError("there is no such file", where=str(path)) from err
    except (OSError, ValueError) as err:
        told = err.strerror if isinstance(err, OSError) else err
        raise FileError(f"can't read it ({told})", where=str(path)) from err
    _refuse_mode(mode, path)


def _refuse_mode(mode: int, path: Path) -> None:
    for is_sort, what in _SORTS:
        if is_sort(mode):
            raise FileError(what, where=str(path), mend="give the name of a file")


def open_source(path: Path) -> BinaryIO:
    """Open a file to be read.

    Raises
    ------
    FileError
        See `refuse_odd`; or it may not be read. A pipe is not waited for.
    """
    refuse_odd(path)
    try:
        return cast(BinaryIO, path.open("rb"))
    except OSError as err:
        raise FileError(f"can't read it ({err.strerror})", where=str(path)) from err


def refuse_target(path: Path) -> None:
    """Refuse to put a result in the place of a link, a pipe or a device.

    Raises
    ------
    FileError
        One is there.
    """
    try:
        mode = path.lstat().st_mode
    except (OSError, ValueError):
        return
    if stat.S_ISLNK(mode):
        raise FileError("that is a link, which is not replaced", where=str(path), mend="name the file itself")  # fmt: skip
    if not stat.S_ISDIR(mode):
        _refuse_mode(mode, path)
