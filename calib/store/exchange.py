"""Export, import and merge: a store as a stream of records, and records into a store."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from calib.errors import FileError
from calib.store.base import StoreBase, find
from calib.store.keeping import keep_key, text_sha256
from calib.store.tables import (
    AxisRow,
    CorrectionRow,
    EventRow,
    InstrumentRow,
    NozzleRow,
    PrinterRow,
    ReadingRow,
    SheetRow,
    SpoolRow,
    UndoRow,
)
from calib.store.things import (
    check_printer,
    check_spool,
    material_row,
    nozzle_record,
    printer_record,
    setup,
    spool_record,
)
from calib.version import version

_PRINTER = ("uid", "name", "build_x_mm", "build_y_mm", "build_z_mm", "hot_end_max_c", "bed_max_c", "layer_mm", "filament_mm")  # fmt: skip
_AXIS = ("axis", "steps_per_mm", "motor_steps", "microsteps", "belt_pitch_mm", "pulley_teeth", "screw_lead_mm")  # fmt: skip
_NOZZLE = ("uid", "name", "bore_mm", "line_mm")
_SPOOL = ("uid", "name", "colour", "price", "grams", "density_g_cm3", "filament_mm")
_INSTRUMENT = ("uid", "name", "kind", "unit", "resolution", "mpe", "repeatability", "jaw_mpe", "reach")  # fmt: skip
_SHEET = ("uid", "pattern", "piece_id", "sheet_text", "parameters", "keys", "fit", "by_version")
_READING = ("feature", "kind", "axis", "nominal", "value", "u")
_CORRECTION = ("uid", "scope", "setting", "unit", "old", "new", "u_new", "error", "verdict", "evidence", "reason", "instead_of", "chosen", "by_version")  # fmt: skip
_AT_ONCE = 500


@dataclass(slots=True)
class TakenIn:
    """What an import or a merge did: how many were new, how many were there already.

    `differing` names things that the store has under the same name with other data; the store's
    own were kept.
    """

    new: dict[str, int] = field(default_factory=dict)
    known: dict[str, int] = field(default_factory=dict)
    differing: list[str] = field(default_factory=list)

    def count(self, what: str, *, is_new: bool) -> None:
        """Count one."""
        counts = self.new if is_new else self.known
        counts[what] = counts.get(what, 0) + 1


class Exchange(StoreBase):
    """The part of the store that speaks with other stores."""

    def records(self, printer: str | None = None) -> Iterator[dict[str, Any]]:
        """Yield the whole store, or one printer and its spools, as records of an export."""
        with self._read() as session:
            only = find(session, PrinterRow, "printer", printer).id if printer else None
            yield {
                "record": "export", "schema_version": 1, "made_at": _iso(datetime.now(UTC)),
                "by_version": version(),
            }  # fmt: skip
            yield from _things(session, only)
            yield from _sheets(session, only)
            yield from _events(session, only)

    def take_in(self, records: Iterable[Mapping[str, Any]]) -> TakenIn:
        """Add records that are not here yet, all of them or none.

        Things are the same where their uid or their name is; what they were measured with is then
        laid upon the store's own. A sheet is the same where its uid is, or its text and what it was
        printed with: it is not taken twice.

        Raises
        ------
        FileError
            A record names a thing that did not come before it, or a time can't be read.
        """
        with self._write() as session:
            taking = _Taking(session)
            for record in records:
                taking.take(record)
            return taking.done


def _values(row: Any, names: tuple[str, ...]) -> dict[str, Any]:
    return {n: getattr(row, n) for n in names}


def _iso(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _time(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except ValueError as err:
        raise FileError(f"{text!r} is not a time", mend="write ISO 8601, such as 2026-11-25T14:30:00Z") from err  # fmt: skip


def _things(session: Session, only: int | None) -> Iterator[dict[str, Any]]:
    printers = select(PrinterRow).order_by(PrinterRow.id)
    nozzles = select(NozzleRow).order_by(NozzleRow.id)
    spools = select(SpoolRow).order_by(SpoolRow.id)
    if only is not None:
        printers = printers.where(PrinterRow.id == only)
        nozzles = nozzles.where(NozzleRow.printer_id == only)
        used = select(SheetRow.spool_id).where(SheetRow.printer_id == only)
        spools = spools.where(SpoolRow.id.in_(used))
    for p in session.scalars(printers):
        yield {"record": "printer", **_values(p, _PRINTER), "axes": [_values(a, _AXIS) for a in p.axes]}  # fmt: skip
    for n in session.scalars(nozzles):
        yield {"record": "nozzle", **_values(n, _NOZZLE), "printer": n.printer.uid}
    for s in session.scalars(spools.execution_options(yield_per=_AT_ONCE)):
        yield {"record": "spool", **_values(s, _SPOOL), "material": s.material.name}
    for i in session.scalars(select(InstrumentRow).order_by(InstrumentRow.id)):
        yield {"record": "instrument", **_values(i, _INSTRUMENT)}


def _sheets(session: Session, only: int | None) -> Iterator[dict[str, Any]]:
    query = select(SheetRow.id).order_by(SheetRow.id)
    if only is not None:
        query = query.where(SheetRow.printer_id == only)
    ids = list(session.scalars(query))
    for start in range(0, len(ids), _AT_ONCE):
        yield from _some_sheets(session, ids[start : start + _AT_ONCE])
        session.expunge_all()  # memory stays that of one batch


def _some_sheets(session: Session, ids: list[int]) -> Iterator[dict[str, Any]]:
    readings: dict[int, list[Any]] = {i: [] for i in ids}
    corrections: dict[int, list[dict[str, Any]]] = {i: [] for i in ids}
    columns = [getattr(ReadingRow, n) for n in _READING]
    for row in session.execute(
        select(ReadingRow.sheet_id, *columns)
        .where(ReadingRow.sheet_id.in_(ids))
        .order_by(ReadingRow.id)
    ):
        readings[row[0]].append(row[1:])
    pairs = (
        select(CorrectionRow, UndoRow)
        .outerjoin(UndoRow, UndoRow.correction_id == CorrectionRow.id)
        .where(CorrectionRow.sheet_id.in_(ids))
        .order_by(CorrectionRow.id)
    )
    for c, undo in session.execute(pairs):
        undone = {"uid": undo.uid, "at": _iso(undo.at), "why": undo.why} if undo else None
        corrections[c.sheet_id].append(
            {**_values(c, _CORRECTION), "kept_at": _iso(c.kept_at), "undone": undone}
        )
    for s in session.scalars(select(SheetRow).where(SheetRow.id.in_(ids)).order_by(SheetRow.id)):
        table = list(zip(*readings[s.id], strict=True)) or [()] * len(_READING)
        yield {
            "record": "sheet",
            **_values(s, _SHEET),
            "printer": s.printer.uid,
            "nozzle": s.nozzle.uid if s.nozzle else None,
            "spool": s.spool.uid if s.spool else None,
            "kept_at": _iso(s.kept_at),
            "readings": {n: list(c) for n, c in zip(_READING, table, strict=True)},
            "corrections": corrections[s.id],
        }


def _events(session: Session, only: int | None) -> Iterator[dict[str, Any]]:
    query = select(EventRow).order_by(EventRow.id)
    if only is not None:
        query = query.where(EventRow.printer_id == only)
    for e in session.scalars(query.execution_options(yield_per=_AT_ONCE)):
        yield {
            "record": "event", "uid": e.uid, "kind": e.kind, "at": _iso(e.at),
            "printer": e.printer.uid if e.printer else None,
            "nozzle": e.nozzle.uid if e.nozzle else None,
            "spool": e.spool.uid if e.spool else None,
            "axis": e.axis, "note": e.note,
        }  # fmt: skip


class _Taking:
    """One import under way: which uids of the records stand for which rows here."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.done = TakenIn()
        self.printers: dict[str, PrinterRow] = {}
        self.nozzles: dict[str, NozzleRow] = {}
        self.spools: dict[str, SpoolRow] = {}
        self.sheets = {u: i for u, i in session.execute(select(SheetRow.uid, SheetRow.id))}
        self.keys = {k: i for k, i in session.execute(select(SheetRow.keep_key, SheetRow.id))}
        self.corrections = {
            u: i for u, i in session.execute(select(CorrectionRow.uid, CorrectionRow.id))
        }
        self.undone = set(session.scalars(select(UndoRow.correction_id)))
        self.events = set(session.scalars(select(EventRow.uid)))

    def take(self, record: Mapping[str, Any]) -> None:
        """Take one record in."""
        kind = record["record"]
        if kind != "export":
            getattr(self, f"_{kind}")(record)

    def _printer(self, r: Mapping[str, Any]) -> None:
        row = self._same(PrinterRow, "printer", r, _PRINTER)
        if row is None:
            row = PrinterRow(**{n: r[n] for n in _PRINTER})
            row.axes = [AxisRow(**{n: a[n] for n in _AXIS}) for a in r["axes"]]
            check_printer(printer_record(row))
            self._add(row)
        self.printers[r["uid"]] = row

    def _nozzle(self, r: Mapping[str, Any]) -> None:
        printer = self._of(self.printers, r["printer"], "printer")
        row = self._same(NozzleRow, "nozzle", r, _NOZZLE, NozzleRow.printer_id == printer.id)
        if row is None:
            row = NozzleRow(**{n: r[n] for n in _NOZZLE})
            row.printer = printer
            setup(printer_record(printer), nozzle_record(row))
            self._add(row)
        self.nozzles[r["uid"]] = row

    def _spool(self, r: Mapping[str, Any]) -> None:
        row = self._same(SpoolRow, "spool", r, _SPOOL)
        if row is None:
            row = SpoolRow(**{n: r[n] for n in _SPOOL})
            row.material = material_row(self.session, r["material"])
            check_spool(spool_record(row))
            self._add(row)
        elif row.material.name != material_row(self.session, r["material"]).name:
            raise FileError(
                f"spool {row.name!r} is of {row.material.name} here and of {r['material']} there",
                mend="rename one of the two; nothing was taken in",
            )
        self.spools[r["uid"]] = row

    def _instrument(self, r: Mapping[str, Any]) -> None:
        if self._same(InstrumentRow, "instrument", r, _INSTRUMENT) is None:
            self._add(InstrumentRow(**{n: r[n] for n in _INSTRUMENT}))

    def _same(self, table: Any, what: str, r: Mapping[str, Any], names: tuple[str, ...], *where: Any) -> Any:  # fmt: skip
        """Return the store's own row for a record: of the same uid, else of the same name."""
        row = self.session.scalar(select(table).where(table.uid == r["uid"]))
        row = row or self.session.scalar(select(table).where(table.name == r["name"], *where))
        self.done.count(f"{what}s", is_new=row is None)
        if row is not None:
            other = [n for n in names[1:] if getattr(row, n) != r[n]]
            if other:
                self.done.differing.append(f"{what} {row.name}: {', '.join(other)}")
        return row

    def _add(self, row: Any) -> None:
        self.session.add(row)
        self.session.flush()

    def _insert(self, table: Any, values: Mapping[str, Any]) -> int:
        return int(self.session.scalar(insert(table).values(values).returning(table.id)) or 0)

    def _of(self, known: Mapping[str, Any], uid: str, what: str) -> Any:
        if uid not in known:
            raise FileError(f"a record names the {what} {uid!r}, which did not come before it")
        return known[uid]

    def _sheet(self, r: Mapping[str, Any]) -> None:
        printer = self._of(self.printers, r["printer"], "printer")
        nozzle = self._of(self.nozzles, r["nozzle"], "nozzle") if r["nozzle"] else None
        spool = self._of(self.spools, r["spool"], "spool") if r["spool"] else None
        key = keep_key(text_sha256(r["sheet_text"]), printer, nozzle, spool)
        sheet_id = self.sheets.get(r["uid"])
        self.done.count("sheets", is_new=sheet_id is None and key not in self.keys)
        if sheet_id is None and key in self.keys:
            return  # kept in both stores by itself: its corrections are the same in other words
        if sheet_id is None:
            sheet_id = self._new_sheet(r, key, printer, nozzle, spool)
        for c in r["corrections"]:
            self._correction(c, sheet_id, printer, nozzle, spool)

    def _new_sheet(
        self, r: Mapping[str, Any], key: str, printer: Any, nozzle: Any, spool: Any
    ) -> int:
        values = {n: r[n] for n in _SHEET} | {
            "keep_key": key, "sheet_sha256": text_sha256(r["sheet_text"]), "kept_at": _time(r["kept_at"]),
            "printer_id": printer.id, "nozzle_id": nozzle and nozzle.id, "spool_id": spool and spool.id,
        }  # fmt: skip
        sheet_id = self._insert(SheetRow, values)
        self.sheets[r["uid"]] = self.keys[key] = sheet_id
        columns = [r["readings"][n] for n in _READING]
        if len({len(c) for c in columns}) != 1:
            raise FileError(f"the readings of sheet {r['uid']} are columns of unequal length")
        rows = [dict(zip(_READING, values, strict=True), sheet_id=sheet_id) for values in zip(*columns, strict=True)]  # fmt: skip
        if rows:
            self.session.execute(insert(ReadingRow), rows)
            self.done.new["readings"] = self.done.new.get("readings", 0) + len(rows)
        return sheet_id

    def _correction(self, c: Mapping[str, Any], sheet_id: int, printer: Any, nozzle: Any, spool: Any) -> None:  # fmt: skip
        row_id = self.corrections.get(c["uid"])
        self.done.count("corrections", is_new=row_id is None)
        if row_id is None:
            values = {n: c[n] for n in _CORRECTION} | {
                "sheet_id": sheet_id, "kept_at": _time(c["kept_at"]), "printer_id": printer.id,
                "nozzle_id": nozzle and nozzle.id, "spool_id": spool and spool.id,
                "material_id": spool and spool.material_id,
            }  # fmt: skip
            row_id = self._insert(CorrectionRow, values)
            self.corrections[c["uid"]] = row_id
        undone = c["undone"]
        if undone and row_id not in self.undone:
            self.undone.add(row_id)
            values = {"uid": undone["uid"], "correction_id": row_id, "at": _time(undone["at"]), "why": undone["why"]}  # fmt: skip
            self.session.execute(insert(UndoRow).values(values))

    def _event(self, r: Mapping[str, Any]) -> None:
        from calib.events import event_kind

        is_new = r["uid"] not in self.events
        self.done.count("events", is_new=is_new)
        if not is_new:
            return
        event_kind(r["kind"])
        self.events.add(r["uid"])
        self._add(
            EventRow(
                uid=r["uid"], kind=r["kind"], at=_time(r["at"]), axis=r["axis"], note=r["note"],
                printer=self._of(self.printers, r["printer"], "printer") if r["printer"] else None,
                nozzle=self._of(self.nozzles, r["nozzle"], "nozzle") if r["nozzle"] else None,
                spool=self._of(self.spools, r["spool"], "spool") if r["spool"] else None,
            )
        )  # fmt: skip
