"""What every part of the store shares: sessions that read or write, and finding things by name."""

import difflib
import math
import shlex
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Self, TypeVar

from sqlalchemy import Engine, event, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session, object_session
from sqlalchemy.orm.exc import StaleDataError

from calib.errors import StoreError
from calib.profile.events import NOZZLE_CHANGED, TAKEN_BACK
from calib.store.engine import is_read_only, shown, speaking, writing
from calib.store.tables import Base, EventRow, InstrumentRow, NozzleRow, PrinterRow, SpoolRow
from calib.store.work_tables import ChangeRow
from patterns.text import shown_text

LONGEST_WORDS = 2000

#: What has to be told of a thing when it is added.
_ADDING = {"printer": " --build 220x220x250", "nozzle": " --size 0.4", "spool": " --type PLA", "instrument": ""}  # fmt: skip

Named = TypeVar("Named", PrinterRow, SpoolRow, InstrumentRow)


class StoreBase:
    """A connection to one store; safe to share between processes, each with its own."""

    def __init__(self, engine: Engine, by: str | None = None) -> None:
        self.engine = engine
        self.by = by

    def signed(self, by: str | None) -> Self:
        """Return the same store, whose changes are written down as somebody's."""
        return type(self)(self.engine, by)

    @property
    def where(self) -> str:
        """Return the store's file or URL, without a password."""
        return shown(self.engine.url)

    def close(self) -> None:
        """Give the connection up."""
        self.engine.dispose()

    @contextmanager
    def _read(self) -> Iterator[Session]:
        with speaking(self.engine.url), Session(self.engine) as session:
            yield session

    @contextmanager
    def _write(self) -> Iterator[Session]:
        """Give a session whose changes are all written at its end, or none of them."""
        if is_read_only(self.engine):
            raise StoreError(
                "the store can only be read",
                where=self.where,
                mend="look at the rights of the file and its folder, or give another --store",
            )
        try:
            with speaking(self.engine.url), Session(writing(self.engine)) as session:
                session.info["by"] = self.by
                yield session
                session.commit()
        except StaleDataError as err:
            raise changed_meanwhile("it") from err


@event.listens_for(Base, "before_insert", propagate=True)
def _sign(_mapper: Any, _connection: Any, row: Any) -> None:
    """Write into a new row who made it, where its table says so and nobody is named yet."""
    session = object_session(row)
    if hasattr(row, "by") and row.by is None and session is not None:
        row.by = session.info.get("by")


class ChangedMeanwhile(StoreError):
    """A change rests on what is no longer so."""


def changed_meanwhile(what: str) -> ChangedMeanwhile:
    """Return the message for it."""
    return ChangedMeanwhile(
        f"{what} was changed by someone else meanwhile; nothing was written",
        mend="look at it again and repeat your change",
    )


def check_version(what: str, has: int, seen: int | None) -> None:
    """Refuse to change what was changed since it was seen (None: not asked for)."""
    if seen is not None and seen != has:
        raise changed_meanwhile(what)


def check_name(what: str, name: str) -> str:
    """Return a name as it is kept; refuse an empty, long or unprintable one."""
    clean = typed(name)
    if not clean or len(clean) > 80 or not _is_text(clean) or clean != shown_text(clean):
        raise StoreError(
            f"{name!r} can't be the name of a {what}", mend="give 1 to 80 printable characters"
        )
    return clean


def typed(name: str) -> str:
    """Return a name without spaces round it, in one spelling: keyboards write an accent in one sign or in two."""
    return unicodedata.normalize("NFC", name.strip())


def check_words(what: str, words: str) -> str:
    """Return words of somebody's own on one line, without control characters; refuse a whole book."""
    if len(words) > LONGEST_WORDS or "\0" in words or not _is_text(words):
        raise StoreError(
            f"the {what} can't be kept", mend=f"give up to {LONGEST_WORDS} characters of plain text"
        )
    return " ".join(shown_text(words).split())


def _is_text(words: str) -> bool:
    return words.isascii() or not any("\ud800" <= c <= "\udfff" for c in words)


def find(session: Session, table: type[Named], what: str, name: str | None) -> Named:
    """Return a row by its name; with None the only one there is.

    Raises
    ------
    StoreError
        There is none of that name (the nearest is suggested), or None leaves a choice.
    """
    if name is not None:
        row = session.scalar(select(table).where(table.name == typed(name)))
        row = row or session.scalar(select(table).where(table.uid == _renamed(session, what, name)))
        row = row or _alike(session, table, name)
        if row is not None:
            return row
    in_use = select(table).where(table.retired_at.is_(None)).order_by(table.name)
    names = list(session.scalars(in_use.with_only_columns(table.name).limit(2000)))
    if name is None and len(names) == 1:
        return session.scalars(in_use).one()
    raise _not_found(what, name, names)


def _alike(session: Session, table: type[Named], name: str) -> Named | None:
    """Return the row whose name looks so: an older Truebead took in other spellings, and signs that can't be shown."""
    if name.isascii():
        return None
    return next((r for r in session.scalars(select(table)) if typed(r.name) == typed(name)), None)


def find_nozzle(
    session: Session, printer: PrinterRow, name: str | None, *, fitted: bool = True
) -> NozzleRow:
    """Return a printer's nozzle by name; with None the only one, or else the one fitted last.

    Parameters
    ----------
    fitted : bool
        Whether the one fitted last may be meant where there are several and none is named.
    """
    rows = session.scalars(
        select(NozzleRow).where(NozzleRow.printer_id == printer.id).order_by(NozzleRow.name)
    ).all()
    in_use = [r for r in rows if r.retired_at is None]
    if name is None and len(in_use) == 1:
        return in_use[0]
    last = _fitted_last(session, printer) if name is None and fitted else None
    for row in in_use:
        if row.id == last:
            return row
    for row in rows:
        if name is not None and typed(row.name) == typed(name):
            return row
    old = None if name is None else _renamed(session, "nozzle", name)
    for row in rows:
        if row.uid == old:
            return row
    rows = in_use
    raise _not_found(
        "nozzle", name, [r.name for r in rows], f" --printer {shlex.quote(printer.name)}"
    )


def _fitted_last(session: Session, printer: PrinterRow) -> int | None:
    """Return the id of the nozzle that the newest event put on a printer; None where none did."""
    kinds = (NOZZLE_CHANGED, TAKEN_BACK.name)
    query = select(EventRow).where(EventRow.printer_id == printer.id, EventRow.kind.in_(kinds))
    rows = session.scalars(query.order_by(EventRow.at.desc(), EventRow.id.desc())).all()
    undone = {r.note.partition(" ")[0] for r in rows if r.kind == TAKEN_BACK.name}
    fitted = (r.nozzle_id for r in rows if r.kind == NOZZLE_CHANGED and r.uid not in undone)
    return next(fitted, None)


def _renamed(session: Session, what: str, name: str) -> str | None:
    """Return the uid of what had a name before it was given another."""
    query = select(ChangeRow.thing_uid).where(
        ChangeRow.what == what, ChangeRow.action == "renamed", ChangeRow.old_name == name.strip()
    )
    return session.scalar(query.order_by(ChangeRow.id.desc()).limit(1))


def _not_found(what: str, name: str | None, names: list[str], extra: str = "") -> StoreError:
    if not names:
        return StoreError(
            f"there is no {what} in the store yet",
            mend=f"add it: truebead add {what} NAME{extra}{_ADDING[what]}",
        )
    some = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    if name is None:
        return StoreError(
            f"which {what}? There are {some}",
            mend=f"name it, such as --{what} {shlex.quote(names[0])}",
        )
    near = difflib.get_close_matches(name, names, n=1)
    add = f"to add it: truebead add {what} {shlex.quote(name)}{extra}{_ADDING[what]}"
    mend = f"did you mean {near[0]}?" if near else f"known: {some}; {add}"
    return StoreError(f"there is no {what} {name!r}", mend=mend)


@contextmanager
def new_name(what: str, name: str) -> Iterator[None]:
    """Turn a name that is taken into a message."""
    try:
        yield
    except IntegrityError as err:
        raise StoreError(
            f"there is already a {what} {name!r}",
            mend="give another name, or --replace to change it",
        ) from err


def plain_json(value: Any) -> Any:
    """Return a value as strict JSON can hold it: numpy numbers as numbers, nan and infinity as null."""
    if isinstance(value, dict):
        return {str(k): plain_json(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain_json(v) for v in value]
    if isinstance(value, bool | int | str) or value is None:
        return value
    if hasattr(value, "tolist"):  # numpy arrays and scalars
        return plain_json(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return str(value)
