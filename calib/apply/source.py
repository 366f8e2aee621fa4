"""Files to be read: only whole files of the disk, no folder, pipe or device; and what may be replaced."""

import stat
from pathlib import Path
from typing import BinaryIO, cast

from calib.errors import FileError
from calib.files import refuse_odd, refuse_sort


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
        refuse_sort(mode, path)
