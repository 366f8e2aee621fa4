"""Write files whole or not at all: a temporary file beside the target, fsync, then one rename."""

import contextlib
import errno
import os
import secrets
from pathlib import Path

from calib.errors import FileError

_MENDS = {
    errno.ENOSPC: ("the disk is full", "make room and run it again; nothing was changed"),
    errno.EDQUOT: ("your quota of disk space is used up", "make room and run it again"),
    errno.EACCES: ("you have no permission to write there", "choose another folder with --out"),
    errno.EPERM: ("you have no permission to write there", "choose another folder with --out"),
    errno.EROFS: ("the disk is read-only", "choose another folder"),
    errno.ENOENT: ("the folder does not exist", "make it first or choose another folder"),
    errno.ENOTDIR: ("a part of that path is a file, not a folder", "choose another folder"),
    errno.EISDIR: ("that is a folder, not a file", "give the name of a file"),
    errno.ENAMETOOLONG: ("the name is too long", "use a shorter name"),
}


def write_atomic(path: Path | str, data: bytes | str, *, force: bool = False) -> Path:
    """Write `data` to `path` so that a reader, a crash or a kill sees the old file or the new one.

    Parameters
    ----------
    path : path
        Where to; a symbolic link is followed. The folder must exist.
    data : bytes or str
        Text is written as UTF-8 with the line ends it has.
    force : bool
        Whether a file that is there already may be replaced; it keeps its permissions.

    Returns
    -------
    Path
        `path` as it was given.

    Raises
    ------
    FileError
        The file is there and `force` is not given, the folder is missing, the disk is full or
        read-only, or writing is not permitted. Whatever was there before is still whole.
    """
    content = data.encode("utf-8") if isinstance(data, str) else data
    given = Path(path)
    try:
        target = given.resolve()
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, "is a folder")
        if not force and target.exists():
            raise FileExistsError(errno.EEXIST, "is there")
        temporary = _write_beside(target, content)
        try:
            _put_in_place(temporary, target, force=force)
        finally:
            with contextlib.suppress(OSError):
                temporary.unlink()
        _sync_folder(target.parent)
    except FileExistsError:
        raise FileError(
            "the file is there already", where=str(given), mend="add --force to replace it"
        ) from None
    except (OSError, ValueError, RuntimeError) as err:  # ValueError: a null character in the path
        raise _as_file_error(given, err) from err
    return given


def _write_beside(target: Path, content: bytes) -> Path:
    temporary = target.with_name(f".{secrets.token_hex(6)}.part")
    try:
        # Not tempfile: its files are private (0600), ours get the permissions of any new file.
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        with os.fdopen(handle, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
    except BaseException:  # a keyboard interrupt as well: leave no litter
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
    return temporary


def _put_in_place(temporary: Path, target: Path, *, force: bool) -> None:
    if force:
        with contextlib.suppress(OSError):
            os.chmod(temporary, target.stat().st_mode & 0o7777)
        os.replace(temporary, target)
        return
    try:
        os.link(temporary, target)  # fails if another process made the file meanwhile
    except FileExistsError:
        raise
    except OSError:  # a file system without links, such as a memory card's
        if target.exists():
            raise FileExistsError(errno.EEXIST, "is there") from None
        os.replace(temporary, target)


def _sync_folder(folder: Path) -> None:
    """Make the rename itself survive a power cut, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _as_file_error(path: Path, err: Exception) -> FileError:
    code = err.errno if isinstance(err, OSError) else None
    what, mend = _MENDS.get(code or 0, (f"can't be written ({err})", "choose another file name"))
    return FileError(what, where=str(path), mend=mend)
