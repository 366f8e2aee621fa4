"""Kept corrections and the settings of a profile as plain data for machines."""

from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from calib.report.words import iso

if TYPE_CHECKING:
    from calib.profile.influence import Influence, Rests
    from calib.store.records import KeptCorrection, ProfileValue
    from calib.workshop.results import KeptSolution, Profile


def setting_json(v: "ProfileValue") -> dict[str, Any]:
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
    """Replace what JSON lacks: numbers that are none by null, times by their text."""
    if isinstance(data, float):
        return data if abs(data) < float("inf") else None
    if isinstance(data, datetime):
        return iso(data)
    if isinstance(data, Mapping):
        return {str(k): finite(v) for k, v in data.items()}
    if isinstance(data, list | tuple):
        return [finite(v) for v in data]
    return data


def rests_json(r: "Rests") -> dict[str, Any]:
    """Return what a value rests on for machines."""
    return {
        "readings": r.readings,
        "sheets": r.sheets,
        "spools": r.spools,
        "since": iso(r.since),
        "newest": None if r.newest is None else r.newest.uid,
        "without_newest": None
        if r.before is None
        else {"value": r.before.value, "u": r.before.u, "expanded_95": r.before.expanded()},
    }


def influence_json(i: "Influence") -> dict[str, Any]:
    """Return what a sheet does to a value for machines."""
    return {
        "sheet": i.block.uid,
        "piece": i.block.pattern,
        "kept_at": iso(i.block.at),
        "readings": i.block.readings,
        "takes_off_variance": i.share,
        "moves_by": i.moved,
    }


def profile_json(found: "Profile") -> dict[str, Any]:
    """Return a profile for machines."""
    return {
        **found.who.names,
        "settings": [setting_json(v) for v in found.settings],
        "to_do_once": [setting_json(v) for v in found.to_do_once],
        "rests_on": {s: rests_json(r) for s, r in found.rests.items()},
        "disagreeing": [
            {"sheet": j.uid, "piece": j.pattern, "chi2": j.chi2, "dof": j.dof, "odds": j.odds,
             "likely_wrong": j.wrong, "reason": j.reason}
            for j in found.odd
        ],
    }  # fmt: skip


def kept_json(kept: "KeptSolution", sheet: str) -> dict[str, Any]:
    """Return what keeping a sheet did for machines."""
    return {
        "sheet": sheet, **kept.who.names,
        "corrections": [correction_json(k) for k in kept.corrections],
        "doubts": list(kept.doubts),
    }  # fmt: skip
