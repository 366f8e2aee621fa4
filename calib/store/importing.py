"""Import and merge: records into a store, all of them or none, and nothing twice."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from calib.errors import FileError
from calib.model.place import Place, check_place
from calib.model.setting import plausible
from calib.profile.events import event_kind
from calib.store import fields
from calib.store.admit import (
    check_axes,
    check_axis_name,
    check_record,
    check_sheet,
    time_of,
    unsafe,
)
from calib.store.base import check_name
from calib.store.clash import Decisions, differences, owner_id, refuse, title
from calib.store.inventory import (
    check_instrument,
    check_printer,
    check_spool,
    clean_type,
    instrument_record,
    material_row,
    nozzle_record,
    printer_record,
    setup,
    spool_record,
)
from calib.store.keeping import keep_key, text_sha256
from calib.store.old_reasons import parted
from calib.store.tables import (
    AxisRow,
    BlockRow,
    CorrectionRow,
    EventRow,
    InstrumentRow,
    NozzleRow,
    PlaceRow,
    PrinterRow,
    ReadingRow,
    SheetRow,
    SpoolRow,
    UndoRow,
)

AT_ONCE = 500


@dataclass(slots=True)
class ImportResult:
    """What an import or a merge did: how many were new, how many were there already.

    `differing` names things that the store has under the same name with other data; the store's
    own were kept. `left_out` names corrections that must not be set, with the reason.
    """

    new: dict[str, int] = field(default_factory=dict)
    known: dict[str, int] = field(default_factory=dict)
    differing: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

    def count(self, what: str, *, is_new: bool) -> None:
        """Count one."""
        counts = self.new if is_new else self.known
        counts[what] = counts.get(what, 0) + 1


def _own(r: Mapping[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    """Return the fields of a record that are columns; what an older export lacks is left to the table."""
    return {n: r[n] for n in names if n in r}


def _sheet_values(r: Mapping[str, Any]) -> dict[str, Any]:
    own = {"sheet_sha256": text_sha256(r["sheet_text"]), "kept_at": time_of(r["kept_at"])}
    return (
        dict.fromkeys(fields.SHEET) | _own(r, fields.SHEET) | own
    )  # many rows at once need the same columns


def _named(row: Any) -> tuple[int, str]:
    """Return the key by which a thing is the same in two stores: a nozzle's holds its printer."""
    return (owner_id(row), row.name)


class Import:
    """One import under way: which uids of the records stand for which rows here."""

    def __init__(self, session: Session, decided: Decisions | None = None) -> None:
        self.session = session
        self.decided = decided or Decisions()
        self.undecided = {*self.decided.same, *self.decided.rename}
        self.clashes: dict[str, list[str]] = {}
        self.done = ImportResult()
        self.printers: dict[str, PrinterRow] = {}
        self.nozzles: dict[str, NozzleRow] = {}
        self.spools: dict[str, SpoolRow] = {}
        self.sheets = {u: i for u, i in session.execute(select(SheetRow.uid, SheetRow.id))}
        self.keys = set(session.scalars(select(SheetRow.keep_key)))
        self.corrections = {
            u: i for u, i in session.execute(select(CorrectionRow.uid, CorrectionRow.id))
        }
        self.undone = set(session.scalars(select(UndoRow.correction_id)))
        self.events = set(session.scalars(select(EventRow.uid)))
        self.places = set(session.scalars(select(PlaceRow.uid)))
        self.things: dict[str, dict[Any, Any]] = {}  # by uid and by (owner, name)
        self.materials: dict[str, Any] = {}
        self.waiting: list[tuple[Mapping[str, Any], Any, Any, Any]] = []

    def take(self, record: Mapping[str, Any]) -> None:
        """Take one record in.

        Raises
        ------
        BadInput
            It would not be taken if it were typed in.
        """
        kind = record["record"]
        check_record(record)
        if kind in ("sheet", "event", "place"):
            refuse(self.clashes)  # all things have come by now
        if kind != "export":
            getattr(self, f"_{kind}")(record)

    def finish(self) -> None:
        """Write what waits, and see to it that nothing is left open."""
        refuse(self.clashes)
        if self.undecided:
            raise FileError(f"there is no {min(self.undecided)} in it", mend="look at its name")
        self.write()

    def _printer(self, r: Mapping[str, Any]) -> None:
        check_axes(r["axes"])

        def made(name: str) -> PrinterRow:
            row = PrinterRow(**{**_own(r, fields.PRINTER), "name": name})
            row.axes = [AxisRow(**_own(a, fields.AXIS)) for a in r["axes"]]
            check_printer(printer_record(row))
            return row

        row = self._thing(PrinterRow, "printer", r, made)
        self.session.flush()  # its nozzles are known by its id
        self.printers[r["uid"]] = row

    def _nozzle(self, r: Mapping[str, Any]) -> None:
        printer = self._of(self.printers, r["printer"], "printer")

        def made(name: str) -> NozzleRow:
            row = NozzleRow(**{**_own(r, fields.NOZZLE), "name": name})
            row.printer = printer
            setup(printer_record(printer), nozzle_record(row))
            return row

        self.nozzles[r["uid"]] = self._thing(NozzleRow, "nozzle", r, made, printer)

    def _spool(self, r: Mapping[str, Any]) -> None:
        material = clean_type(r["material"])
        if material not in self.materials:
            self.materials[material] = material_row(self.session, material)

        def made(name: str) -> SpoolRow:
            row = SpoolRow(**{**_own(r, fields.SPOOL), "name": name})
            row.material = self.materials[material]
            check_spool(spool_record(row))
            return row

        row = self._thing(SpoolRow, "spool", {**r, "material": material}, made)
        if row.material.name != material and not self.clashes:
            raise FileError(
                f"spool {row.name!r} is of {row.material.name} here and of {material} there",
                mend="what was found with one type does not hold for another: rename it",
            )
        self.spools[r["uid"]] = row

    def _instrument(self, r: Mapping[str, Any]) -> None:
        def made(name: str) -> InstrumentRow:
            row = InstrumentRow(**{**_own(r, fields.INSTRUMENT), "name": name})
            check_instrument(instrument_record(row))
            return row

        self._thing(InstrumentRow, "instrument", r, made)

    def _thing(
        self,
        table: Any,
        what: str,
        r: Mapping[str, Any],
        made: Callable[[str], Any],
        owner: PrinterRow | None = None,
    ) -> Any:
        """Return the store's own row for a record: of the same uid, else of the same name, else a new one.

        One of the same name that is another thing is a clash, unless somebody has decided about it.
        """
        known = self._known(table, what)
        name, at = check_name(what, r["name"]), owner.id if owner else 0
        called = title(what, name, owner.name if owner else "")
        self.undecided.discard(called)
        name = self.decided.rename.get(called, self.decided.same.get(called, name))
        row = known.get(r["uid"])
        if row is None and (row := known.get((at, name))) is not None:
            self._see_whether_same(what, called, row, r)
        elif row is not None and (other := differences(what, row, r)):
            self.done.differing.append(f"{title(what, row.name)}: {', '.join(other)}")
        self.done.count(f"{what}s", is_new=row is None)
        if row is None:
            if called in self.decided.same:
                raise FileError(f"there is no {what} {name!r} here", where="--same", mend="look at its name")  # fmt: skip
            row = made(check_name(what, name))
            retired_at = r.get("retired_at")
            row.retired_at = None if retired_at is None else time_of(retired_at)
            self._add(row)
        return row

    def _known(self, table: Any, what: str) -> dict[Any, Any]:
        if what not in self.things:
            rows = self.session.scalars(select(table)).all()
            self.things[what] = {row.uid: row for row in rows} | {_named(row): row for row in rows}
        return self.things[what]

    def _see_whether_same(self, what: str, called: str, row: Any, r: Mapping[str, Any]) -> None:
        other = differences(what, row, r)
        if not other:
            return
        if called in self.decided.same:
            self.done.differing.append(f"{title(what, row.name)}: {', '.join(other)}")
        else:
            self.clashes[called] = other

    def _add(self, row: Any) -> None:
        self.session.add(row)
        what = row.__tablename__.removesuffix("s")
        if what in self.things:
            self.things[what] |= {row.uid: row, _named(row): row}

    def _of(self, known: Mapping[str, Any], uid: str, what: str) -> Any:
        if uid not in known:
            raise FileError(f"a record names the {what} {uid!r}, which did not come before it")
        return known[uid]

    def _sheet(self, r: Mapping[str, Any]) -> None:
        """Remember a sheet; many are written at once, which is far quicker than one by one."""
        check_sheet(r)
        printer = self._of(self.printers, r["printer"], "printer")
        r = {**r, "corrections": list(self._safe(r["corrections"], printer))}
        nozzle = self._of(self.nozzles, r["nozzle"], "nozzle") if r["nozzle"] else None
        spool = self._of(self.spools, r["spool"], "spool") if r["spool"] else None
        self.waiting.append((r, printer, nozzle, spool))
        if len(self.waiting) >= AT_ONCE:
            self.write()

    def _safe(
        self, corrections: Iterable[Mapping[str, Any]], printer: PrinterRow
    ) -> Iterator[Mapping[str, Any]]:
        """Yield the corrections that may be set; refuse the others, or leave them out where asked to."""
        ratings = {"hot_end_max_c": printer.hot_end_max_c, "bed_max_c": printer.bed_max_c}
        for c in corrections:
            why = unsafe(c, ratings)
            if why and c["uid"] not in self.corrections:
                if not self.decided.without_unsafe:
                    raise FileError(
                        f"correction {c['uid']}: {why}",
                        mend="take the rest in with --without-unsafe: its sheet and readings stay",
                    )
                self.done.left_out.append(f"correction {c['uid']}: {why}")
                continue
            yield c

    def write(self) -> None:
        """Write the sheets that wait, with their readings, corrections and undos."""
        self.session.flush()
        taken, fresh = [], []
        for r, printer, nozzle, spool in self.waiting:
            used = {"printer_id": printer.id, "nozzle_id": nozzle and nozzle.id, "spool_id": spool and spool.id}  # fmt: skip
            key = keep_key(text_sha256(r["sheet_text"]), printer, nozzle, spool)
            is_new = r["uid"] not in self.sheets and key not in self.keys
            self.done.count("sheets", is_new=is_new)
            if is_new:
                self.keys.add(key)
                fresh.append(_sheet_values(r) | used | {"keep_key": key})
            if is_new or r["uid"] in self.sheets:
                taken.append((r, used | {"material_id": spool and spool.material_id}, is_new))
            # Else it was kept in both stores by itself: the same corrections in other words.
        self.waiting.clear()
        self.sheets |= self._insert(SheetRow, fresh)
        rows = [row for r, _used, is_new in taken if is_new for row in self._readings(r)]
        self._insert(ReadingRow, rows, uids=False)
        if rows:
            self.done.new["readings"] = self.done.new.get("readings", 0) + len(rows)
        self._corrections(taken)
        changed = [self.sheets[r["uid"]] for r, _used, is_new in taken if not is_new]
        for first in range(
            0, len(changed), AT_ONCE
        ):  # what they say is made anew when it is asked for
            some = changed[first : first + AT_ONCE]
            self.session.execute(delete(BlockRow).where(BlockRow.sheet_id.in_(some)))

    def _readings(self, r: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
        columns = [r["readings"][n] for n in fields.READING]
        sheet_id = self.sheets[r["uid"]]
        for values in zip(*columns, strict=True):
            yield dict(zip(fields.READING, values, strict=True), sheet_id=sheet_id)

    def _corrections(self, taken: Iterable[tuple[Mapping[str, Any], dict[str, Any], bool]]) -> None:
        rows, undone = [], []
        for r, used, _is_new in taken:
            for c in r["corrections"]:
                is_new = c["uid"] not in self.corrections
                self.done.count("corrections", is_new=is_new)
                if is_new:
                    own = {"sheet_id": self.sheets[r["uid"]], "kept_at": time_of(c["kept_at"])}
                    rows.append(_own(c, fields.CORRECTION) | _asked(c) | own | used)
                if c["undone"]:
                    undone.append((c["uid"], c["undone"]))
        self.corrections |= self._insert(CorrectionRow, rows)
        undos = []
        for uid, undo in undone:
            row_id = self.corrections[uid]
            if row_id not in self.undone:
                self.undone.add(row_id)
                undos.append({**dict.fromkeys(fields.UNDO), **_own(undo, fields.UNDO), "correction_id": row_id, "at": time_of(undo["at"])})  # fmt: skip
        self._insert(UndoRow, undos, uids=False)

    def _insert(
        self, table: Any, rows: list[dict[str, Any]], *, uids: bool = True
    ) -> dict[str, int]:
        """Write rows at once; return their ids by uid where asked for."""
        if not rows:
            return {}
        plain, connection = table.__table__, self.session.connection()
        if not uids:
            connection.execute(plain.insert(), rows)
            return {}
        found = connection.execute(plain.insert().returning(plain.c.uid, plain.c.id), rows)
        return {uid: row_id for uid, row_id in found}

    def _event(self, r: Mapping[str, Any]) -> None:
        event_kind(r["kind"])
        check_axis_name(r["axis"])
        self._once(
            EventRow, self.events, r, fields.EVENT,
            printer=self._maybe(self.printers, r["printer"], "printer"),
            nozzle=self._maybe(self.nozzles, r["nozzle"], "nozzle"),
            spool=self._maybe(self.spools, r["spool"], "spool"),
        )  # fmt: skip

    def _place(self, r: Mapping[str, Any]) -> None:
        check_place(r["setting"], Place(r["place"]))
        if r["value"] is not None:
            plausible(r["setting"], r["value"])
        self._once(
            PlaceRow, self.places, r, fields.PLACE,
            printer=self._of(self.printers, r["printer"], "printer"),
            spool=self._maybe(self.spools, r["spool"], "spool"),
        )  # fmt: skip

    def _maybe(self, known: Mapping[str, Any], uid: str | None, what: str) -> Any:
        return self._of(known, uid, what) if uid else None

    def _once(
        self, table: Any, seen: set[str], r: Mapping[str, Any], names: tuple[str, ...], **used: Any
    ) -> None:
        is_new = r["uid"] not in seen
        self.done.count(f"{r['record']}s", is_new=is_new)
        if is_new:
            seen.add(r["uid"])
            self._add(table(**_own(r, names), at=time_of(r["at"]), **used))


def _asked(correction: Mapping[str, Any]) -> dict[str, Any]:
    """Return reason and requests; an older export has the request as a command in its reason."""
    if "requests" in correction:
        return {}
    reason, requests = parted(correction["reason"], correction["setting"])
    return {"reason": reason, "requests": requests}
