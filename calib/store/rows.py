"""Rows of kept things as plain data, and the query that they come from."""

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from sqlalchemy import select

from calib.model.correction import Correction, Scope, Verdict
from calib.model.estimate import Estimate
from calib.model.request import request_of
from calib.store.base import plain_json
from calib.store.records import EventRecord, KeptCorrection, KeptSheet
from calib.store.tables import (
    CorrectionRow,
    EventRow,
    MaterialRow,
    NozzleRow,
    PrinterRow,
    SheetRow,
    SpoolRow,
    UndoRow,
)


def estimate_json(e: Estimate) -> dict[str, Any]:
    """Return an estimate as strict JSON; infinite degrees of freedom become null."""
    plain: dict[str, Any] = plain_json(
        {
            "name": e.name, "value": e.value, "u": e.u, "dof": e.dof, "unit": e.unit,
            "from_data": e.from_data,
        }
    )  # fmt: skip
    return plain


def estimate_from_json(data: Mapping[str, Any]) -> Estimate:
    """Return the estimate that `estimate_json` wrote."""
    known = {f.name: data[f.name] for f in fields(Estimate) if f.name in data}
    return Estimate(**{**known, "dof": math.inf if data["dof"] is None else data["dof"]})


def corrections_query() -> (
    Any
):  # a Select of ten columns; its type is spelt otherwise in 2.0 and 2.1
    """Return the query whose rows `correction_record` reads."""
    return (
        select(
            CorrectionRow, UndoRow, SheetRow.uid, SheetRow.pattern, SheetRow.piece_id,
            PrinterRow.name, NozzleRow.name, MaterialRow.name, SpoolRow.name,
        )
        .outerjoin(UndoRow, UndoRow.correction_id == CorrectionRow.id)
        .join(SheetRow, CorrectionRow.sheet_id == SheetRow.id)
        .join(PrinterRow, CorrectionRow.printer_id == PrinterRow.id)
        .outerjoin(NozzleRow, CorrectionRow.nozzle_id == NozzleRow.id)
        .outerjoin(MaterialRow, CorrectionRow.material_id == MaterialRow.id)
        .outerjoin(SpoolRow, CorrectionRow.spool_id == SpoolRow.id)
    )  # fmt: skip


def correction_record(
    row: CorrectionRow, undo: UndoRow | None, sheet_uid: str, pattern: str, piece_id: str,
    printer: str, nozzle: str | None, material: str | None, spool: str | None,
) -> KeptCorrection:  # fmt: skip
    """Return a row of `corrections_query` as plain data."""
    return KeptCorrection(
        uid=row.uid,
        correction=Correction(
            setting=row.setting,
            old=row.old,
            new=row.new,
            u_new=row.u_new,
            unit=row.unit,
            error=estimate_from_json(row.error),
            verdict=Verdict(row.verdict),
            scope=Scope(row.scope),
            evidence=row.evidence,
            reason=row.reason,
            instead_of=row.instead_of,
            requests=tuple(request_of(r) for r in row.requests),
        ),
        sheet_uid=sheet_uid,
        pattern=pattern,
        piece_id=piece_id,
        printer=printer,
        nozzle=nozzle or "",
        material=material or "",
        spool=spool or "",
        kept_at=row.kept_at,
        by_version=row.by_version,
        chosen=row.chosen,
        undone_at=undo.at if undo else None,
        why_undone=undo.why if undo else "",
    )


def sheet_record(row: SheetRow) -> KeptSheet:
    """Return a row as plain data."""
    return KeptSheet(
        uid=row.uid,
        pattern=row.pattern,
        piece_id=row.piece_id,
        printer=row.printer.name,
        nozzle=row.nozzle.name if row.nozzle else "",
        spool=row.spool.name if row.spool else "",
        kept_at=row.kept_at,
        by_version=row.by_version,
        sheet_text=row.sheet_text,
        fit=row.fit,
    )


def event_record(row: EventRow) -> EventRecord:
    """Return a row as plain data."""
    return EventRecord(
        uid=row.uid,
        kind=row.kind,
        at=row.at,
        printer=row.printer.name if row.printer else "",
        nozzle=row.nozzle.name if row.nozzle else "",
        spool=row.spool.name if row.spool else "",
        axis=row.axis,
        note=row.note,
    )
