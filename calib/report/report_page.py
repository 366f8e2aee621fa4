"""Reports: one self-contained HTML file for a calibration, or for a printer and its profiles."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from calib.model.setting import label
from calib.profile.over_time import OverTime
from calib.readings import Sheet
from calib.report.figures import drift_figure, expanded_words, figures
from calib.report.over_time_figure import knowledge_figures
from calib.report.templates import templates
from calib.safety import SAFETY
from calib.store.records import EventRecord, KeptCorrection, Printer, ProfileValue, Series
from calib.version import version
from patterns.feature import Kind
from patterns.piece import Piece

_JUDGED = (Kind.SCORE, Kind.PASS)
_SAYS = {"apply": "change it", "leave": "leave it alone", "print again": "print or measure again"}


def calibration_page(
    sheet: Sheet,
    sheet_text: str,
    fit: Mapping[str, Any],
    kept: Sequence[KeptCorrection] = (),
    names: Mapping[str, str] | None = None,
    now: datetime | None = None,
) -> str:
    """Return the report of one sheet.

    Parameters
    ----------
    fit : mapping
        What the fit said, as `Solution.to_json` gives it and the store keeps it.
    kept : sequence of KeptCorrection
        The corrections as kept; empty for a sheet that is only solved.
    names : mapping
        Further facts, such as printer, nozzle and spool.
    """
    from patterns import registry

    piece = sheet.piece
    by_setting = {k.correction.setting: k for k in kept}
    findings = [
        {"title": f["topic"], "summary": f["summary"], "why": f["why"], "figures": _safe(figures(f, f"f{i}"))}
        for i, f in enumerate(fit["findings"])
    ]  # fmt: skip
    corrections = [
        _correction(c, by_setting.get(c["setting"]))
        for f in fit["findings"]
        for c in f["corrections"]
    ]
    suspects = [*fit.get("suspects", []), *(s for f in fit["findings"] for s in f["suspects"])]
    facts = [("piece", sheet.piece_id or "not said"), *(names or {}).items()]
    facts += [(k, v) for k, v in sheet.keys.items() if k in ("made", "measured_by", "part_c") and v]
    return _render(
        title=f"{piece.pattern}: what it says",
        lead=known.answers if (known := registry.find(piece.pattern)) else "",
        facts=facts,
        corrections=corrections,
        findings=findings,
        picture=_picture(piece),
        readings=_readings(sheet, suspects),
        warnings=[f"{s['reading']['where'] or s['reading']['feature']}: {s['explanation']}" for s in suspects],
        provenance=[_provenance(k) for k in kept] or ["solved from the sheet below; not kept"],
        sheet_text=sheet_text,
        now=now,
    )  # fmt: skip


def printer_page(
    printer: Printer,
    profiles: Mapping[tuple[str, str], Sequence[ProfileValue]],
    drift: Sequence[Series],
    events: Sequence[EventRecord],
    over_time: tuple[str, OverTime] | None = None,
    now: datetime | None = None,
) -> str:
    """Return the report of a printer: its profiles by nozzle and spool, its drift, its events.

    Parameters
    ----------
    over_time : (str, OverTime) or None
        How well the settings of one profile were known over time, with whose they are.
    """
    charts = [
        (s, chart) for i, s in enumerate(drift) if (chart := drift_figure(s, f"d{i}")) is not None
    ]
    findings = []
    if charts:
        why = [
            "Limits are the mean and three standard deviations, from the mean moving range of the"
            " values before the newest (Shewhart's chart for individual values). A value outside, or"
            " eight in a row on one side, asks for a new calibration.",
        ]
        findings = [{"title": "Drift over time", "summary": [], "why": why, "figures": _safe([c for _s, c in charts])}]  # fmt: skip
    if over_time is not None:
        whose, known = over_time
        summary = [
            f"{whose}: half of the 95 % interval of each setting. A dot is a sheet that made it surer, an"
            " upright line something that happened."
        ]
        made = knowledge_figures(known, "k")
        findings.append({"title": "What was known, over time", "summary": summary, "why": [], "figures": _safe(made)})  # fmt: skip
    size = f"{printer.build_x_mm:g} x {printer.build_y_mm:g} x {printer.build_z_mm:g} mm"
    facts = [
        ("build volume", size),
        ("hot end up to", f"{printer.hot_end_max_c:g} degC"),
        ("bed up to", f"{printer.bed_max_c:g} degC"),
    ]
    facts += [(f"{a.axis} steps/mm", f"{a.best_steps_per_mm:g}") for a in printer.axes if a.best_steps_per_mm]  # fmt: skip
    return _render(
        title=f"Printer {printer.name}",
        facts=facts,
        profiles=[_profile(names, values) for names, values in profiles.items()],
        findings=findings,
        warnings=[f"{label(s.setting)}: {s.alarm}; calibrate again" for s in drift if s.alarm],
        events=[_event(e) for e in events],
        provenance=["every value: truebead profile history --printer " + printer.name],
        now=now,
    )


def _render(*, now: datetime | None, **content: Any) -> str:
    empty: dict[str, Any] = dict.fromkeys(
        ("corrections", "profiles", "findings", "readings", "warnings", "events", "provenance"), ()
    )
    empty |= {"lead": "", "picture": "", "sheet_text": ""}
    written = f"{now or datetime.now(UTC):%Y-%m-%d %H:%M} UTC"
    return (
        templates("calib.report", "pages")
        .get_template("report.html")
        .render(**{**empty, **content}, safety=SAFETY, version=version(), written=written)
    )


def _safe(made: Sequence[Any]) -> list[dict[str, Any]]:
    from markupsafe import Markup

    # Our own drawings, escaped where they were made.
    return [{"svg": Markup(f.svg), "caption": f.caption} for f in made]


def _picture(piece: Piece) -> Any:
    from markupsafe import Markup

    if not piece.printed:
        return ""
    from patterns.drawing import drawn

    return Markup(drawn(piece))


def _correction(c: Mapping[str, Any], kept: KeptCorrection | None) -> dict[str, Any]:
    e = c["error"]
    half = None
    if e.get("low") is not None and e["u"]:
        half = c["u_new"] * (e["high"] - e["low"]) / 2 / e["u"]
    verdict = str(c["verdict"])
    change = expanded_words(c["new"], half)
    if c["old"] is not None:
        now_set = expanded_words(c["old"], half).partition(" ±")[0]
        change = f"{now_set} stays" if verdict == "leave" else f"{now_set} → {change}"
    note = ""
    if kept is not None and not kept.chosen:
        note = f"not used, since {c['instead_of']} corrects the same error"
    elif c["instead_of"]:
        note = f"use this or {c['instead_of']}, not both"
    if kept is not None and kept.undone_at:
        note = f"taken back on {kept.undone_at:%Y-%m-%d}"
    return {
        "setting": label(c["setting"]), "verdict": verdict, "says": _SAYS[verdict], "unit": c["unit"],
        "change": change, "reason": c["reason"],
        "evidence": c["evidence"], "scope": f"this {c['scope']}", "note": note,
    }  # fmt: skip


def _readings(sheet: Sheet, suspects: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    doubt: dict[str, list[str]] = {}
    for s in suspects:
        doubt.setdefault(s["reading"]["feature"], []).append(s["explanation"])
    rows = []
    for number, f in enumerate(sheet.piece.features, 1):
        values = sheet.values(f.id)
        if not values:
            continue
        rows.append(
            {
                "number": "" if f.instrument == "photo" else str(number), "where": f.where, "nominal": "" if f.kind in _JUDGED or f.nominal == 0 else f"{f.nominal:g} {f.unit}",
                "read": ", ".join(f"{v:g}" for v in values),
                "mean": f"{sum(values) / len(values):.4g}" if len(values) > 1 else "",
                "remark": "; ".join(doubt.get(f.id, [])),
            }
        )  # fmt: skip
    return rows


def _provenance(k: KeptCorrection) -> str:
    c = k.correction
    return (
        f"{label(c.setting)} ← correction {k.uid[:8]} kept {k.kept_at:%Y-%m-%d %H:%M} UTC by Truebead"
        f" {k.by_version} ← {c.error.name} {c.error.value:.5g} ± {c.error.expanded():.2g} {c.error.unit}"
        f" ({c.error.dof:.0f} degrees of freedom, {100 * c.error.from_data:.0f} % from readings)"
        f" ← {c.evidence} ← sheet {k.sheet_uid[:8]}"
    )


def _profile(names: tuple[str, str], values: Sequence[ProfileValue]) -> dict[str, Any]:
    rows = [
        {
            "setting": label(v.setting), "value": expanded_words(v.value, v.expanded), "unit": v.unit,
            "where": f"inherited from {', '.join(v.inherited_from[:3])}" if v.inherited_from else str(v.layer),
            "place": "" if v.value is None else v.where,
            "found": f"{v.source.kept_at:%Y-%m-%d}, {v.source.pattern}",
            "state": f"stale: {v.stale}" if v.stale else "good",
        }
        for v in values
    ]  # fmt: skip
    return {"title": f"Profile with nozzle {names[0]} and spool {names[1]}", "rows": rows}


def _event(e: EventRecord) -> str:
    from calib.profile.events import event_kind

    what = event_kind(e.kind).what
    named = ", ".join(filter(None, (e.nozzle, e.spool, f"axis {e.axis}" if e.axis else "", e.note)))
    return f"{e.at:%Y-%m-%d}: {what}" + (f" ({named})" if named else "")
