"""Files written so that they appear whole or not at all."""

import contextlib
import os
import tempfile
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
        The folder cannot be written to, or the disk is full.
    """
    temporary = None
    try:
        with tempfile.NamedTemporaryFile(
            dir=target.parent, prefix=f".{target.name}.", suffix=".part", delete=False
        ) as stream:
            temporary = Path(stream.name)
            yield cast(BinaryIO, stream)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, target)
        temporary = None
    except OSError as err:
        raise FileError(
            f"can't write it ({err.strerror or err})",
            where=str(target),
            mend="make room, or choose another folder with --out",
        ) from err
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink()


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
