"""Readings one by one: each is checked, kept at once, and seen by all who measure the same piece."""

import contextlib
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from calib.errors import BadInput, SheetError
from calib.readings.cells import CellError
from calib.readings.fill import Answer, Cell, cells, content, to_ask, understand

if TYPE_CHECKING:
    from calib.readings import Sheet
    from calib.readings.table import Table
    from calib.store.pieces import Entry, PieceRecord
    from calib.store.store import Store
    from patterns.piece import Piece

#: Readings of one feature that are further apart than this are asked about: mm, common practice.
REPEATS_APART_MM = 0.3
NOT_MEASURED = "-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What an answer means, before or after it was written.

    Attributes
    ----------
    value : float or None
        In the feature's unit; None: not measured.
    suspicious : bool
        Whether it lies outside of what can be a true reading.
    doubts : lines
        What it may be instead.
    in_inches : bool
        Whether it was probably read in inches.
    proposal : str
        What to write instead where just one thing can be meant; `proposed` is its value.
    """

    text: str
    value: float | None
    suspicious: bool = False
    doubts: tuple[str, ...] = ()
    proposal: str = ""
    proposed: float | None = None
    in_inches: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken(Checked):
    """An answer that was written, what stood there before, and the sheet as it is now."""

    feature: str
    repeat: int
    before: str
    measuring: "Measuring"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One reading that a sheet asks for, and what stands there."""

    cell: Cell
    text: str

    @property
    def feature(self) -> str:
        """Id of the feature."""
        return self.cell.feature.id

    @property
    def repeat(self) -> int:
        """Which reading of the feature it is, from 1."""
        return self.cell.repeat


@dataclass(frozen=True, slots=True, kw_only=True)
class Measuring:
    """A piece that is being measured, as its sheet stood when it was looked at.

    Attributes
    ----------
    source : str
        The file of the sheet, or the id of a piece in work.
    version : str
        Changes with every change of the sheet.
    """

    source: str
    in_store: bool
    version: str
    text: str
    table: "Table"
    sheet: "Sheet"
    questions: tuple[Asked, ...]
    record: "PieceRecord | None" = None
    entries: "tuple[Entry, ...]" = field(default=())

    @property
    def piece(self) -> "Piece":
        """The piece."""
        return self.sheet.piece

    @property
    def empty(self) -> int:
        """How many readings are still asked for."""
        return sum(not q.text for q in self.questions)

    @property
    def order(self) -> tuple[Asked, ...]:
        """The empty cells in the order in which to ask: after the last filled one first."""
        by_place = {(q.cell.line, q.cell.column): q for q in self.questions}
        asked = to_ask(self.table, [q.cell for q in self.questions])
        return tuple(by_place[c.line, c.column] for c in asked)

    @property
    def doubtful(self) -> tuple[str, ...]:
        """What is to be looked at again: readings that can't be right, each with its likely slip."""
        from calib.readings.blunders import find_blunders

        return tuple(b.explanation for b in find_blunders(self.sheet))

    def question(self, feature: str, repeat: int = 0) -> Asked:
        """Return one question; repeat 0 is the first that is still empty, else the last.

        Raises
        ------
        BadInput
            The sheet has no such reading.
        """
        mine = [q for q in self.questions if q.feature == feature]
        if not mine:
            names = ", ".join(dict.fromkeys(q.feature for q in self.questions))
            raise BadInput(f"the piece has no feature {feature!r}", mend=f"it has {names}")
        if repeat:
            found = next((q for q in mine if q.repeat == repeat), None)
            if found is None:
                raise BadInput(
                    f"{feature} has no reading {repeat}", mend=f"it has {len(mine)} of them"
                )
            return found
        return next((q for q in mine if not q.text), mine[-1])

    def check(self, feature: str, text: str, repeat: int = 0) -> Checked:
        """Say what an answer would mean, without writing anything.

        Raises
        ------
        BadInput
            It can't be a reading of this feature at all.
        """
        asked = self.question(feature, repeat)
        return checked(text, asked.cell, self.sheet, _others(self, asked))


def checked(text: str, cell: Cell, sheet: "Sheet", others: Sequence[float] = ()) -> Checked:
    """Make sense of an answer against what is expected and the feature's other readings."""
    if text.strip() in ("", NOT_MEASURED):
        return Checked(text=text.strip(), value=None)
    try:
        answer = understand(text.strip(), cell, sheet.piece.features)
    except CellError as err:
        raise BadInput(err.what, where=f"{cell.feature.id}, reading {cell.repeat}", mend=err.mend) from err  # fmt: skip
    doubts = tuple(d.words for d in answer.doubts[:3])
    suspicious, apart = answer.suspicious, _apart(answer, cell, others)
    if not suspicious and apart:
        suspicious, doubts = True, (apart,)
    return Checked(
        text=answer.text,
        value=answer.value,
        suspicious=suspicious,
        doubts=doubts,
        proposal=answer.proposal,
        proposed=answer.proposed,
        in_inches=bool(answer.doubts) and answer.doubts[0].cause == "inch",
    )


def _apart(answer: Answer, cell: Cell, others: Sequence[float]) -> str:
    """Say so where a reading is far from the feature's other readings."""
    if answer.value is None or not others or cell.feature.unit != "mm":
        return ""
    nearest = min(others, key=lambda v: abs(v - (answer.value or 0.0)))
    if abs(nearest - answer.value) <= max(REPEATS_APART_MM, 0.003 * abs(cell.feature.nominal)):
        return ""
    return f"the reading before was {nearest:.4g} mm"


def _others(m: Measuring, asked: Asked) -> list[float]:
    """Return the feature's other readings that may be right."""
    found = []
    for q in m.questions:
        if q.feature == asked.feature and q.repeat != asked.repeat and q.text:
            with contextlib.suppress(CellError):
                answer = understand(q.text, q.cell, m.sheet.piece.features)
                if answer.value is not None and not answer.suspicious:
                    found.append(answer.value)
    return found


def of_text(text: str, source: str, version: str, *, in_store: bool) -> Measuring:
    """Return a sheet's text as something to measure with."""
    from calib.readings import read_table, sheet_of

    table = read_table(text, source)
    sheet = sheet_of(table)
    return Measuring(
        source=source,
        in_store=in_store,
        version=version,
        text=text,
        table=table,
        sheet=sheet,
        questions=tuple(Asked(cell=c, text=content(table, c)) for c in cells(table, sheet)),
    )


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
    import hashlib

    from calib.readings.decode import read_bytes, text_of

    data, file = read_bytes(path)
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
        text = change(of_file(file))
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
    return of_file(file)


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
    from dataclasses import replace

    record = store.piece(uid)
    return replace(_of_record(record), entries=tuple(store.entries(uid)))


def _of_record(record: "PieceRecord") -> Measuring:
    from dataclasses import replace

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
    """Take the newest entry back that was not taken back yet: its cell is as before."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One reading as it stands in a piece's sheet: who entered it and when, where that is known."""

    feature: str
    repeat: int
    text: str
    value: float | None
    suspicious: bool
    by: str = ""
    at: datetime | None = None


def standing(m: Measuring) -> tuple[Standing, ...]:
    """Return every filled cell; a suspicious one that somebody stood by is no longer suspicious."""
    last: dict[tuple[str, int], Entry] = {(e.feature, e.repeat): e for e in m.entries}
    found = []
    for q in m.questions:
        if not q.text:
            continue
        c = checked(q.text, q.cell, m.sheet, _others(m, q))
        entry = last.get((q.feature, q.repeat))
        found.append(
            Standing(
                feature=q.feature, repeat=q.repeat, text=q.text, value=c.value,
                suspicious=c.suspicious and not (entry is not None and entry.sure),
                by=entry.by if entry else "", at=entry.at if entry else None,
            )
        )  # fmt: skip
    return tuple(found)
