"""Import and merge: records into a store, all of them or none, and nothing twice."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from calib.errors import FileError
from calib.model.place import Place, check_place
from calib.store.keeping import keep_key, text_sha256
from calib.store.old_reasons import parted
from calib.store.tables import (
    AxisRow,
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
from calib.store.things import (
    check_printer,
    check_spool,
    clean_type,
    material_row,
    nozzle_record,
    printer_record,
    setup,
    spool_record,
)

# Fields of the records, which are columns of the tables.
PRINTER = ("uid", "name", "build_x_mm", "build_y_mm", "build_z_mm", "hot_end_max_c", "bed_max_c", "layer_mm", "filament_mm")  # fmt: skip
AXIS = ("axis", "steps_per_mm", "motor_steps", "microsteps", "belt_pitch_mm", "pulley_teeth", "screw_lead_mm")  # fmt: skip
NOZZLE = ("uid", "name", "bore_mm", "line_mm")
SPOOL = ("uid", "name", "colour", "price", "grams", "density_g_cm3", "filament_mm")
INSTRUMENT = ("uid", "name", "kind", "unit", "resolution", "mpe", "repeatability", "jaw_mpe", "reach")  # fmt: skip
SHEET = ("uid", "pattern", "piece_id", "sheet_text", "parameters", "keys", "fit", "by_version")
READING = ("feature", "kind", "axis", "nominal", "value", "u")
CORRECTION = ("uid", "scope", "setting", "unit", "old", "new", "u_new", "error", "verdict", "evidence", "reason", "instead_of", "requests", "chosen", "by_version")  # fmt: skip
PLACE = ("uid", "setting", "place", "value")
AT_ONCE = 500


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


def _time(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except ValueError as err:
        raise FileError(f"{text!r} is not a time", mend="write ISO 8601, such as 2026-11-25T14:30:00Z") from err  # fmt: skip


def _sheet_values(r: Mapping[str, Any]) -> dict[str, Any]:
    own = {"sheet_sha256": text_sha256(r["sheet_text"]), "kept_at": _time(r["kept_at"])}
    return {n: r[n] for n in SHEET} | own


def _named(row: Any) -> tuple[int, str]:
    """Return the key by which a thing is the same in two stores: a nozzle's holds its printer."""
    return (row.printer.id if isinstance(row, NozzleRow) else 0, row.name)


class Taking:
    """One import under way: which uids of the records stand for which rows here."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.done = TakenIn()
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
        """Take one record in."""
        kind = record["record"]
        if kind != "export":
            getattr(self, f"_{kind}")(record)

    def _printer(self, r: Mapping[str, Any]) -> None:
        row = self._same(PrinterRow, "printer", r, PRINTER)
        if row is None:
            row = PrinterRow(**{n: r[n] for n in PRINTER})
            row.axes = [AxisRow(**{n: a[n] for n in AXIS}) for a in r["axes"]]
            check_printer(printer_record(row))
            self._add(row)
            self.session.flush()  # its nozzles are known by its id
        self.printers[r["uid"]] = row

    def _nozzle(self, r: Mapping[str, Any]) -> None:
        printer = self._of(self.printers, r["printer"], "printer")
        row = self._same(NozzleRow, "nozzle", r, NOZZLE, printer.id)
        if row is None:
            row = NozzleRow(**{n: r[n] for n in NOZZLE})
            row.printer = printer
            setup(printer_record(printer), nozzle_record(row))
            self._add(row)
        self.nozzles[r["uid"]] = row

    def _spool(self, r: Mapping[str, Any]) -> None:
        material = clean_type(r["material"])
        if material not in self.materials:
            self.materials[material] = material_row(self.session, material)
        row = self._same(SpoolRow, "spool", r, SPOOL)
        if row is None:
            row = SpoolRow(**{n: r[n] for n in SPOOL})
            row.material = self.materials[material]
            check_spool(spool_record(row))
            self._add(row)
        elif row.material.name != material:
            raise FileError(
                f"spool {row.name!r} is of {row.material.name} here and of {material} there",
                mend="rename one of the two; nothing was taken in",
            )
        self.spools[r["uid"]] = row

    def _instrument(self, r: Mapping[str, Any]) -> None:
        if self._same(InstrumentRow, "instrument", r, INSTRUMENT) is None:
            self._add(InstrumentRow(**{n: r[n] for n in INSTRUMENT}))

    def _same(
        self, table: Any, what: str, r: Mapping[str, Any], names: tuple[str, ...], owner: int = 0
    ) -> Any:
        """Return the store's own row for a record: of the same uid, else of the same name."""
        if what not in self.things:
            rows = self.session.scalars(select(table)).all()
            self.things[what] = {row.uid: row for row in rows} | {_named(row): row for row in rows}
        row = self.things[what].get(r["uid"]) or self.things[what].get((owner, r["name"]))
        self.done.count(f"{what}s", is_new=row is None)
        if row is not None:
            other = [n for n in names[1:] if getattr(row, n) != r[n]]
            if other:
                self.done.differing.append(f"{what} {row.name}: {', '.join(other)}")
        return row

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
        nozzle = self._of(self.nozzles, r["nozzle"], "nozzle") if r["nozzle"] else None
        spool = self._of(self.spools, r["spool"], "spool") if r["spool"] else None
        self.waiting.append((r, self._of(self.printers, r["printer"], "printer"), nozzle, spool))
        if len(self.waiting) >= AT_ONCE:
            self.write()

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

    def _readings(self, r: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
        columns = [r["readings"][n] for n in READING]
        if len({len(c) for c in columns}) != 1:
            raise FileError(f"the readings of sheet {r['uid']} are columns of unequal length")
        sheet_id = self.sheets[r["uid"]]
        for values in zip(*columns, strict=True):
            yield dict(zip(READING, values, strict=True), sheet_id=sheet_id)

    def _corrections(self, taken: Iterable[tuple[Mapping[str, Any], dict[str, Any], bool]]) -> None:
        rows, undone = [], []
        for r, used, _is_new in taken:
            for c in r["corrections"]:
                is_new = c["uid"] not in self.corrections
                self.done.count("corrections", is_new=is_new)
                if is_new:
                    own = {"sheet_id": self.sheets[r["uid"]], "kept_at": _time(c["kept_at"])}
                    rows.append({n: c[n] for n in CORRECTION if n in c} | _asked(c) | own | used)
                if c["undone"]:
                    undone.append((c["uid"], c["undone"]))
        self.corrections |= self._insert(CorrectionRow, rows)
        undos = []
        for uid, undo in undone:
            row_id = self.corrections[uid]
            if row_id not in self.undone:
                self.undone.add(row_id)
                undos.append({"uid": undo["uid"], "correction_id": row_id, "at": _time(undo["at"]), "why": undo["why"]})  # fmt: skip
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
        from calib.profile.events import event_kind

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

    def _place(self, r: Mapping[str, Any]) -> None:
        is_new = r["uid"] not in self.places
        self.done.count("places", is_new=is_new)
        if not is_new:
            return
        check_place(r["setting"], Place(r["place"]))
        self.places.add(r["uid"])
        self._add(
            PlaceRow(
                **{n: r[n] for n in PLACE}, at=_time(r["at"]),
                printer=self._of(self.printers, r["printer"], "printer"),
                spool=self._of(self.spools, r["spool"], "spool") if r["spool"] else None,
            )
        )  # fmt: skip


def _asked(correction: Mapping[str, Any]) -> dict[str, Any]:
    """Return reason and requests; an older export has the request as a command in its reason."""
    if "requests" in correction:
        return {}
    reason, requests = parted(correction["reason"], correction["setting"])
    return {"reason": reason, "requests": requests}
