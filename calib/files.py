"""Write files whole or not at all: a draft beside the target, fsync, then one rename. The one place that does.

A draft is locked as long as its writer lives. What a kill or a power cut left behind is not locked any
more, and the next write into the same folder takes it away.
"""

import contextlib
import errno
import os
import secrets
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO, cast

from calib.errors import FileError

try:
    import fcntl
except ImportError:  # not a POSIX system: drafts go unlocked, and are swept by age
    fcntl = None  # type: ignore[assignment]

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

#: What is no file of the disk.
_SORTS = (
    (stat.S_ISDIR, "that is a folder, not a file"),
    (stat.S_ISFIFO, "that is a pipe, not a file"),
    (stat.S_ISCHR, "that is a device, not a file"),
    (stat.S_ISBLK, "that is a device, not a file"),
    (stat.S_ISSOCK, "that is a socket, not a file"),
)

#: Given a whole draft and its place, what is entered before it takes the place and left after; see `replacing`.
Around = Callable[[Path, Path], contextlib.AbstractContextManager[object]] | None

_DRAFT = ".truebead-*.part"
_ORPHAN_AFTER_S = 86_400.0  # where drafts can't be locked


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
        See `replacing`.
    """
    with replacing(path, force=force) as out:
        out.write(data.encode("utf-8") if isinstance(data, str) else data)
    return Path(path)


@contextlib.contextmanager
def replacing(
    path: Path | str,
    *,
    force: bool = False,
    around: Around = None,
) -> Iterator[BinaryIO]:
    """Give a draft beside `path` to write to; it takes its place only if all goes well.

    The draft's own path is the stream's `name`, for libraries that write to paths only.

    Parameters
    ----------
    path, force
        As in `write_atomic`.
    around : function, optional
        Called with the whole draft and its target; what it returns is entered before the draft takes
        its place and left after: what must happen with the file or not at all.

    Raises
    ------
    FileError
        The file is there and `force` is not given, the folder is missing, the disk is full or
        read-only, or writing is not permitted. Whatever was there before is still whole.
    """
    given = Path(path)
    try:
        target = _checked(given, force=force)
        _sweep(target.parent)
        with _draft_beside(target) as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
            draft = Path(out.name)
            with around(draft, target) if around else contextlib.nullcontext():
                _put_in_place(draft, target, force=force)
        _sync_folder(target.parent)
    except FileExistsError:
        raise FileError(
            "the file is there already", where=str(given), mend="add --force to replace it"
        ) from None
    except OSError as err:
        raise _as_file_error(given, err) from err


@contextlib.contextmanager
def scratch() -> Iterator[Path]:
    """Give a folder for what is thrown away, in the system's place for such.

    Raises
    ------
    FileError
        It can't be made, or what is written there does not fit.
    """
    import tempfile

    try:
        with tempfile.TemporaryDirectory(prefix="truebead-") as folder:
            yield Path(folder)
    except OSError as err:
        where = err.filename or "the folder for temporary files"
        raise FileError(
            f"can't be written ({err.strerror or err})",
            where=str(where),
            mend="make room in the folder for temporary files, or set TMPDIR to another",
        ) from err


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
    refuse_sort(mode, path)


def refuse_sort(mode: int, path: Path) -> None:
    """Refuse what is no file of the disk by the mode that the system gives of it."""
    for is_sort, what in _SORTS:
        if is_sort(mode):
            raise FileError(what, where=str(path), mend="give the name of a file")


def read_limited(path: Path, most_bytes: int) -> bytes:
    """Read a whole file that can't sensibly be larger than a limit.

    Raises
    ------
    FileError
        It is missing, can't be read, or goes on beyond the limit (a device that never ends).
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(most_bytes + 1)
    except (OSError, ValueError) as err:
        reason = err.strerror if isinstance(err, OSError) else err
        raise FileError(f"can't be read ({reason})", where=str(path), mend="look at the path") from err  # fmt: skip
    if len(data) > most_bytes:
        raise FileError(
            f"has more than {most_bytes // 1_000_000} MB, more than any such file",
            where=str(path),
            mend="give another file",
        )
    return data


def _checked(given: Path, *, force: bool) -> Path:
    """Return the file that is meant, links followed; refuse what can't or may not be written."""
    try:
        target = given.resolve()
        is_there, is_folder = target.exists(), target.is_dir()
    except (
        ValueError,
        RuntimeError,
    ) as err:  # a null character, half of a pair of surrogates, a ring of links
        raise _as_file_error(given, err) from err
    if is_folder:
        raise IsADirectoryError(errno.EISDIR, "is a folder")
    if is_there and not force:
        raise FileExistsError(errno.EEXIST, "is there")
    return target


@contextlib.contextmanager
def _draft_beside(target: Path) -> Iterator[BinaryIO]:
    """Open a locked draft; whatever happens, a keyboard interrupt too, no litter is left."""
    draft = target.with_name(_DRAFT.replace("*", secrets.token_hex(6)))
    try:
        with open(draft, "r+b", opener=_open_locked) as out:
            yield cast(BinaryIO, out)
    finally:
        with contextlib.suppress(OSError):
            draft.unlink()


def _open_locked(draft: str, _flags: int) -> int:
    """Make a draft and lock it; again where another process swept it before it was locked."""
    while True:
        # Not tempfile: its files are private (0600), ours get the permissions of any new file.
        handle = os.open(draft, os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY, 0o666)
        if fcntl is None:
            return handle
        with contextlib.suppress(OSError):  # a file system without locks
            fcntl.flock(handle, fcntl.LOCK_EX)
        if os.fstat(handle).st_nlink:
            return handle
        os.close(handle)


_BINARY = getattr(os, "O_BINARY", 0)  # only one family of systems has it


def _sweep(folder: Path) -> None:
    """Take away drafts whose writers are no more."""
    with contextlib.suppress(OSError):
        for left in folder.glob(_DRAFT):
            with contextlib.suppress(OSError):
                _take_away(left)
        for beside in folder.glob(f"{_DRAFT}-*"):  # what a database keeps beside a draft
            if not beside.with_name(beside.name.rpartition("-")[0]).exists():
                beside.unlink(missing_ok=True)


def _take_away(left: Path) -> None:
    if fcntl is None:
        import time

        if time.time() - left.stat().st_mtime > _ORPHAN_AFTER_S:
            left.unlink()
        return
    with left.open("rb") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)  # fails while its writer lives
        left.unlink()


def _put_in_place(draft: Path, target: Path, *, force: bool) -> None:
    if force:
        with contextlib.suppress(OSError):
            os.chmod(draft, target.stat().st_mode & 0o7777)
        os.replace(draft, target)
        return
    try:
        os.link(draft, target)  # fails if another process made the file meanwhile
    except FileExistsError:
        raise
    except OSError:  # a file system without links, such as a memory card's
        if target.exists():
            raise FileExistsError(errno.EEXIST, "is there") from None
        os.replace(draft, target)


def _sync_folder(folder: Path) -> None:
    """Make the rename itself survive a power cut, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def keep_beside(path: Path) -> Path:
    """Keep what a file holds beside it, under its own name with the next free number.

    The file itself stays until it is replaced. ``sheet.csv`` is kept as ``sheet.1.csv``, then
    ``sheet.2.csv``; nothing is ever replaced.

    Raises
    ------
    FileError
        The file can't be read, or its folder not be written to.
    """
    number = 0
    while True:
        number += 1
        aside = path.with_name(f"{path.stem}.{number}{path.suffix}")
        try:
            os.link(path, aside, follow_symlinks=True)
        except FileExistsError:
            continue
        except OSError:  # a file system without links
            if aside.exists():
                continue
            try:
                data = path.read_bytes()
            except OSError as err:
                raise FileError(f"can't be read ({err.strerror})", where=str(path)) from err
            write_atomic(aside, data)
        return aside


def _as_file_error(path: Path, err: Exception) -> FileError:
    code = err.errno if isinstance(err, OSError) else None
    what, mend = _MENDS.get(code or 0, (f"can't be written ({err})", "choose another file name"))
    return FileError(what, where=str(path), mend=mend)
