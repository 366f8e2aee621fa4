"""Kept corrections and the settings of a profile as plain data for machines."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from calib.report.words import iso

if TYPE_CHECKING:
    from calib.store.records import InForce, KeptCorrection


def setting_json(v: "InForce") -> dict[str, Any]:
    """Return one setting of a profile for machines."""
    return {
        "setting": v.setting,
        "value": v.value,
        "unit": v.unit,
        "u": v.u,
        "expanded_95": v.expanded,
        "layer": str(v.layer),
        "inherited_from": list(v.inherited_from),
        "stale": v.stale,
        "place": str(v.place),
        "place_said_at": iso(v.place_said),
        "is_set": v.is_set,
        "vaguer": None if v.vaguer is None else v.vaguer.uid,
        "source": correction_json(v.source),
    }


def correction_json(k: "KeptCorrection") -> dict[str, Any]:
    """Return a kept correction for machines."""
    c = k.correction
    return {
        "id": k.uid,
        "setting": c.setting,
        "old": c.old,
        "new": c.new,
        "u_new": c.u_new,
        "unit": c.unit,
        "verdict": str(c.verdict),
        "scope": str(c.scope),
        "chosen": k.chosen,
        "evidence": c.evidence,
        "reason": c.reason,
        "sheet": k.sheet_uid,
        "pattern": k.pattern,
        "piece": k.piece_id,
        "printer": k.printer,
        "nozzle": k.nozzle,
        "material": k.material,
        "spool": k.spool,
        "kept_at": iso(k.kept_at),
        "by_version": k.by_version,
        "undone_at": iso(k.undone_at),
        "why_undone": k.why_undone,
    }


def finite(data: Any) -> Any:
    """Replace numbers that JSON lacks by null."""
    if isinstance(data, float):
        return data if abs(data) < float("inf") else None
    if isinstance(data, Mapping):
        return {str(k): finite(v) for k, v in data.items()}
    if isinstance(data, list | tuple):
        return [finite(v) for v in data]
    return data
