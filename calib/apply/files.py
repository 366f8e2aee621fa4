"""Large files written a piece at a time, which appear whole or not at all."""

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, cast

from calib.errors import FileError


@contextlib.contextmanager
def replaced(target: Path) -> Iterator[BinaryIO]:
    """Open a file beside `target` for writing; it takes the target's place only if all goes well.

    Raises
    ------
    FileError
        The folder cannot be written to, or the disk is full. Whatever was there is still whole.
    """
    temporary = target.resolve().with_name(f".{secrets.token_hex(6)}.part")
    try:
        with temporary.open("xb") as stream:
            yield cast(BinaryIO, stream)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, target.resolve())
    except OSError as err:
        raise FileError(
            f"can't write it ({err.strerror or err})",
            where=str(target),
            mend="make room, or choose another folder with --out",
        ) from err
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()
