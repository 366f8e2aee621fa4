"""Files to be read: only whole files of the disk, no folder, pipe or device; and what may be replaced."""

import os
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


def _refuse_odd(mode: int, path: Path) -> None:
    for is_sort, what in _SORTS:
        if is_sort(mode):
            raise FileError(what, where=str(path), mend="give the name of a file")


def open_source(path: Path) -> BinaryIO:
    """Open a file to be read.

    Raises
    ------
    FileError
        It is missing, may not be read, or is no file of the disk. A pipe is not waited for.
    """
    try:
        _refuse_odd(path.stat().st_mode, path)
        stream = cast(BinaryIO, path.open("rb"))
        _refuse_odd(os.fstat(stream.fileno()).st_mode, path)
    except FileNotFoundError as err:
        raise FileError("there is no such file", where=str(path)) from err
    except (OSError, ValueError) as err:
        told = err.strerror if isinstance(err, OSError) else err
        raise FileError(f"can't read it ({told})", where=str(path)) from err
    return stream


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
        _refuse_odd(mode, path)
