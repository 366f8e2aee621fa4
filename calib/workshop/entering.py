"""Write readings into a sheet's file or a piece in work: whole, at once, and over nobody else's."""

import contextlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from calib.errors import BadInput, SheetError
from calib.workshop.measuring import Asked, Checked, Measuring, Taken, of_text

if TYPE_CHECKING:
    from calib.readings.table import Table
    from calib.store.pieces import Entering, Entry, PieceRecord
    from calib.store.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Answering:
    """One answer to be written.

    Attributes
    ----------
    repeat : int
        Which reading, from 1; 0: the first that is empty.
    text : str
        As typed; "" empties the cell, "-" says that it was not measured.
    seen : str or None
        What the caller saw in the cell; refused where something else stands there now.
    sure : bool
        Whether a suspicious reading is meant as it is.
    client_id : str
        Of the caller's choice: the same one is never entered twice.
    """

    feature: str
    text: str
    repeat: int = 0
    seen: str | None = None
    sure: bool = False
    client_id: str = ""


@dataclass(frozen=True, slots=True)
class _Written:
    """A measuring with one more answer in it."""

    text: str
    asked: Asked
    checked: Checked


def _answered(m: Measuring, a: Answering) -> _Written:
    from calib.store.base import changed_meanwhile

    asked = m.question(a.feature, a.repeat)
    if a.seen is not None and a.seen.strip() != asked.text and asked.text != a.text.strip():
        raise changed_meanwhile(f"reading {asked.repeat} of {a.feature} (now {asked.text or 'empty'})")  # fmt: skip
    found = m.check(a.feature, a.text, asked.repeat)
    table = m.table.with_cell(asked.cell.line, asked.cell.column, found.text)
    return _Written(table.text(), asked, found)


def _taken(written: _Written, m: Measuring) -> Taken:
    c = written.checked
    return Taken(
        text=c.text, value=c.value, suspicious=c.suspicious, doubts=c.doubts, proposal=c.proposal,
        proposed=c.proposed, in_inches=c.in_inches, feature=written.asked.feature, repeat=written.asked.repeat,
        before=written.asked.text, measuring=m,
    )  # fmt: skip


# --- a sheet in a file ---------------------------------------------------------------------------


def of_file(path: Path) -> Measuring:
    """Read a sheet's file, or that of a piece's folder."""
    from calib.readings.decode import read_bytes

    return _of_bytes(*read_bytes(path))


def _of_bytes(data: bytes, file: Path) -> Measuring:
    import hashlib

    from calib.readings.decode import text_of

    version = hashlib.sha256(data).hexdigest()
    return of_text(text_of(data, str(file)), str(file), version, in_store=False)


def answer_in_file(path: Path, a: Answering) -> Taken:
    """Write one answer into a sheet's file, whole, and only if nobody else did meanwhile."""
    written: list[_Written] = []

    def change(m: Measuring) -> str:
        written.append(_answered(m, a))
        return written[-1].text

    after = _change_file(path, change)
    return _taken(written[-1], after)


def head_in_file(path: Path, key: str, value: str) -> Measuring:
    """Write a line of the head into a sheet's file."""
    return _change_file(path, lambda m: with_head(m.table, key, value).text())


def fill_file(path: Path, fill: "Callable[[Measuring], tuple[Table, int]]") -> int:
    """Write many readings into a sheet's file at once; return how many they are."""
    counts = []

    def change(m: Measuring) -> str:
        table, count = fill(m)
        counts.append(count)
        return table.text()

    _change_file(path, change)
    return counts[-1]


def _change_file(path: Path, change: Callable[[Measuring], str]) -> Measuring:
    from calib.files import write_atomic
    from calib.readings.decode import read_bytes

    with _locked(path):
        before, file = read_bytes(path)
        text = change(_of_bytes(before, file))
        # A byte order mark that a spreadsheet put there helps it to read the file again.
        marks = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")
        data = (("\ufeff" if before.startswith(marks) else "") + text).encode("utf-8")
        if read_bytes(file)[0] != before:
            raise SheetError(
                "another program has changed the sheet while you typed",
                where=str(file),
                mend="close it there and start again; only the last answer is not in it",
            )
        if data != before:
            write_atomic(file, data, force=True)
    # Not read again: another program may be half through with writing it.
    return _of_bytes(data, file)


@contextlib.contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Let one writer of a folder's sheet go after the other, where the system has such locks."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    folder = path if path.is_dir() else path.parent
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        yield  # reading the sheet says what is wrong
        return
    try:
        with contextlib.suppress(OSError):  # a file system without locks
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


# --- a piece in the store ------------------------------------------------------------------------


def of_store(store: "Store", uid: str) -> Measuring:
    """Return a piece in work, with everything that was entered so far."""
    record = store.piece(uid)
    return replace(_of_record(record), entries=tuple(store.entries(uid)))


def _of_record(record: "PieceRecord") -> Measuring:
    m = of_text(record.sheet_text, f"piece {record.piece_id}", str(record.version), in_store=True)
    return replace(m, source=record.uid, record=record)


def answer_in_store(store: "Store", uid: str, a: Answering) -> Taken:
    """Write one answer into the sheet of a piece in work; it is committed before this returns."""
    from calib.store.pieces import Entering

    written: list[_Written] = []

    def entering(text: str) -> "Entering":
        now = _answered(of_text(text, f"piece {uid[:8]}", "", in_store=True), a)
        written.append(now)
        return Entering(
            sheet_text=now.text, feature=a.feature, repeat=now.asked.repeat,
            before=now.asked.text, text=now.checked.text, sure=a.sure, client_id=a.client_id,
        )  # fmt: skip

    store.enter(uid, entering)
    return _taken(written[-1], of_store(store, uid))


def undo_in_store(store: "Store", uid: str) -> Measuring:
    """Take the newest entry back that was not taken back yet: its cell is as before.

    Raises
    ------
    BadInput
        No reading of the piece can be taken back.
    """
    from calib.store.pieces import Entering

    left: list[Entry] = []
    entries = store.entries(uid)
    for entry in entries:
        undone = entry.client_id.startswith(_UNDO)
        if undone and left:
            left.pop()
        elif not undone and entry.feature != _PHOTO:  # those are taken back one by one
            left.append(entry)
    if not left:
        raise BadInput("there is nothing to take back")
    last = left[-1]

    def entering(text: str) -> "Entering | None":
        m = of_text(text, f"piece {uid[:8]}", "", in_store=True)
        if not last.repeat:
            new = with_head(m.table, last.feature, last.before)
        else:
            cell = m.question(last.feature, last.repeat).cell
            new = m.table.with_cell(cell.line, cell.column, last.before)
        return Entering(
            sheet_text=new.text(), feature=last.feature, repeat=last.repeat, before=last.text,
            text=last.before, client_id=f"{_UNDO}{len(entries)}",
        )  # fmt: skip

    store.enter(uid, entering)
    return of_store(store, uid)


def fill_store(store: "Store", uid: str, fill: "Callable[[Measuring], tuple[Table, int]]") -> int:
    """Write many readings into the sheet of a piece in work at once; return how many they are."""
    from calib.store.pieces import Entering

    counts = []

    def entering(text: str) -> "Entering | None":
        m = of_text(text, f"piece {uid[:8]}", "", in_store=True)
        table, count = fill(m)
        counts.append(count)
        if not count:
            return None
        return Entering(
            sheet_text=table.text(), feature=_PHOTO, repeat=0, before="", text=f"{count} readings"
        )

    store.enter(uid, entering)
    return counts[-1]


#: What many readings at once are logged as.
_PHOTO = "photo"
#: Begins the client id of an entry that takes another back.
_UNDO = "undo "


def head_in_store(store: "Store", uid: str, key: str, value: str) -> Measuring:
    """Write a line of the head of a piece in work."""
    from calib.store.pieces import Entering

    def entering(text: str) -> "Entering":
        m = of_text(text, f"piece {uid[:8]}", "", in_store=True)
        before = m.sheet.keys.get(key, "")
        return Entering(
            sheet_text=with_head(m.table, key, value).text(), feature=key, repeat=0, before=before,
            text=value,
        )  # fmt: skip

    store.enter(uid, entering)
    return of_store(store, uid)


def with_head(table: "Table", key: str, value: str) -> "Table":
    """Return a sheet with a line ``# key: value`` in its head, in the place of an older one.

    Raises
    ------
    BadInput
        The key can't stand in a head, or the sheet can't be understood with it.
    """
    import re

    from calib.readings import sheet_of
    from calib.readings.table import csv_text, table_of

    name, text = " ".join(key.split()).lower(), " ".join(value.split())
    if not re.fullmatch(r"[a-z][\w .-]*", name) or name.startswith(("spec.", "setup.")):
        raise BadInput(f"{key!r} is no line of a sheet's head that can be changed")
    rows = [r.cells for r in table.every]
    for place, cells_ in enumerate(rows):
        found = re.match(r"#\s*([A-Za-z][\w .-]*?)\s*:", cells_[0] if cells_ else "")
        if found and " ".join(found[1].lower().split()) == name:
            rows[place] = (f"# {name}: {text}".rstrip(),)
            break
    else:
        head = next(k for k, r in enumerate(table.every) if r.line == table.header.line)
        rows[head:head] = [(f"# {name}: {text}",)]
    changed = table_of(csv_text(rows, table.separator), table.name)
    sheet_of(changed)
    return changed
