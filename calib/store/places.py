"""Where each correction takes effect, as it was said; the newest word counts, and none is deleted."""

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from calib.model.correction import Scope, Verdict
from calib.model.gate import why_refused
from calib.model.place import check_place, in_files, neutral, usual_place
from calib.model.setting import Place, kept_setting, topic_of
from calib.store.base import StoreBase, changed_meanwhile, find
from calib.store.records import ProfileValue, SaidPlace
from calib.store.tables import PlaceRow, PrinterRow, SpoolRow


@dataclass(frozen=True, slots=True)
class Saying:
    """One word on where a setting takes effect.

    Attributes
    ----------
    value : float or None
        What is in force; in the printer, what is set there.
    unless_said : bool
        Counts only where nobody has said anything yet: what is first done by itself counts as said.
    """

    setting: str
    place: Place
    value: float | None
    unless_said: bool = False

    @property
    def plain(self) -> dict[str, Any]:
        """What is written down of it."""
        return {"setting": self.setting, "place": str(self.place), "value": self.value}


class Places(StoreBase):
    """The part of the store that knows where corrections take effect."""

    def say_place(
        self,
        values: Mapping[str, float | None],
        place: Place,
        *,
        printer: str | None = None,
        spool: str | None = None,
        unless_said: bool = False,
    ) -> None:
        """Write down where settings take effect from now on; see `saying`."""
        words = [Saying(s, place, value, unless_said=unless_said) for s, value in values.items()]
        with self.saying(words, printer=printer, spool=spool):
            pass

    @contextmanager
    def saying(
        self, words: Sequence[Saying], *, printer: str | None = None, spool: str | None = None
    ) -> Iterator[None]:
        """Write down where settings take effect, all of it or nothing, if what is done meanwhile succeeds.

        Raises
        ------
        BadInput
            A setting can't take effect there.
        ChangedMeanwhile
            Somebody said another place a moment ago, where a word only counts unless one was said;
            nothing is written, and what was to be done meanwhile is not begun.
        """
        with self._words(words, printer, spool) as (session, row, reel):
            for word in unsaid(session, row, reel, words):
                session.add(place_row(row.id, reel.id, word.plain))
            session.flush()
            yield

    @contextmanager
    def _words(
        self, words: Sequence[Saying], printer: str | None, spool: str | None
    ) -> Iterator[tuple[Session, PrinterRow, SpoolRow]]:
        """Give a session that writes, for those who say something about a printer and a spool."""
        for word in words:
            check_place(word.setting, word.place)
        with self._write() as session:
            row = find(session, PrinterRow, "printer", printer)
            lock(session, row.id)
            yield session, row, find(session, SpoolRow, "spool", spool)

    def places(self, printer: str | None = None, limit: int | None = None) -> list[SaidPlace]:
        """Return what was said for a printer, newest first."""
        with self._read() as session:
            row = find(session, PrinterRow, "printer", printer)
            query = (
                select(PlaceRow, SpoolRow.name)
                .outerjoin(SpoolRow, PlaceRow.spool_id == SpoolRow.id)
                .where(PlaceRow.printer_id == row.id)
                .order_by(PlaceRow.at.desc(), PlaceRow.id.desc())
                .limit(limit)
            )
            return [
                SaidPlace(
                    uid=p.uid, printer=row.name, spool=reel or "", setting=p.setting,
                    place=p.place, value=p.value, at=p.at,
                )
                for p, reel in session.execute(query)
            ]  # fmt: skip


def lock(session: Session, printer_id: int) -> None:
    """Lock a printer's row, so that two who say something come one after the other."""
    session.execute(select(PrinterRow.id).where(PrinterRow.id == printer_id).with_for_update())


def unsaid(
    session: Session, printer: PrinterRow, spool: SpoolRow, words: Sequence[Saying]
) -> list[Saying]:
    """Return the words that are to be written down; refuse those that another has overtaken."""
    said, left = newest_said(session, printer.id, spool.id), []
    for word in words:
        known = said.get(word.setting) if word.unless_said else None
        if known is None:
            left.append(word)
        elif known.place != word.place:
            raise changed_meanwhile(f"where {word.setting} takes effect")
    return left


def place_row(printer_id: int, spool_id: int, word: Mapping[str, Any], **more: Any) -> PlaceRow:
    """Return the row for a word; `more` says when and by whom, if not now."""
    return PlaceRow(printer_id=printer_id, spool_id=spool_id, **word, **more)


def newest_said(
    session: Session, printer_id: int, spool_id: int, at: datetime | None = None
) -> dict[str, PlaceRow]:
    """Return the newest word on each setting of a printer.

    What belongs to a spool goes by that spool's own newest word, where there is one.
    """
    query = select(PlaceRow).where(PlaceRow.printer_id == printer_id)
    if at is not None:
        query = query.where(PlaceRow.at <= at)
    by_setting: dict[str, list[PlaceRow]] = defaultdict(list)
    for row in session.scalars(query.order_by(PlaceRow.at.desc(), PlaceRow.id.desc())):
        by_setting[row.setting].append(row)
    return {
        setting: next((r for r in rows if _of_spool(r, spool_id)), rows[0])
        for setting, rows in by_setting.items()
    }


def _of_spool(row: PlaceRow, spool_id: int) -> bool:
    return row.spool_id == spool_id or topic_of(row.setting).scope in (Scope.PRINTER, Scope.NOZZLE)


def placed(
    found: Sequence[ProfileValue], said: Mapping[str, PlaceRow], spool_id: int
) -> list[ProfileValue]:
    """Say of each value in force where it takes effect, and whether it is set there already."""
    return [_placed(v, said.get(v.setting), spool_id) for v in found]


def _placed(v: ProfileValue, said: PlaceRow | None, spool_id: int) -> ProfileValue:
    if said is None or said.place not in set(Place):  # a newer Truebead may know more places
        place, at, value = str(usual_place(v.setting)), None, None
    else:
        # What was set for another spool is not taken to be set for this one.
        value = said.value if _of_spool(said, spool_id) else None
        place, at = said.place, said.at
    same = value is not None and v.value is not None and math.isclose(value, v.value, rel_tol=1e-9)
    # What is to be left alone was set when the piece was printed.
    c, own = v.source.correction, not v.inherited_from
    stays = own and (c.verdict is Verdict.LEAVE or (said is None and v.value == c.old))
    in_printer = place == Place.PRINTER
    is_set = in_printer and (same or stays)
    known = v.value if is_set else _set_before(v, value if in_printer else None)
    if in_files(place):
        known = neutral(v.setting)
    return replace(v, place=place, place_said=at, is_set=is_set, set_value=known)


def to_set(in_force: Sequence[ProfileValue]) -> dict[str, float]:
    """Return setting -> value in force that is still to be set in the printer or the slicing settings."""
    return {
        v.setting: v.value
        for v in in_force
        if v.place == Place.PRINTER
        and v.value is not None
        and not v.is_set
        and not kept_setting(v.setting).done_once
        and (v.set_value is None or not math.isclose(v.value, v.set_value, rel_tol=1e-9))
    }


def _set_before(v: ProfileValue, said: float | None) -> float | None:
    """Return what is set while nobody has said that the value in force is.

    What was said of an earlier value, else what was set when the piece was printed; nothing is known
    of a spool that starts from others, but where nobody has corrected anything.
    """
    old = None if v.inherited_from else v.source.correction.old
    known = next((x for x in (said, old) if x is not None), neutral(v.setting))
    return None if known is None or why_refused(v.setting, known, {}) else known
