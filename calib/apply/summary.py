"""What was done to a file, in lines for people and in plain data for machines."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calib.model.setting import kept_setting

if TYPE_CHECKING:
    from calib.apply.applied import Needed
    from calib.apply.gcode.job import Job
    from calib.apply.gcode.result import Result
    from calib.apply.limits import Limits
    from calib.apply.points import Moved

#: So many inserted lines are told one by one.
_MOST_TOLD = 40


def tell_gcode(file: Path, job: Job, needed: Needed, result: Result) -> list[str]:
    """Return the summary of a rewritten G-code file."""
    from calib.apply.gcode.job import describe_job

    lines = [f"{file}: {result.lines} lines, {result.bytes_in / 1e6:.1f} MB"]
    done = describe_job(job) or ["nothing to change; the result is the same byte for byte"]
    lines += [f"  {text}" for text in done]
    lines += _left_out(needed)
    for line, z_mm, code in result.inserted[:_MOST_TOLD]:
        lines.append(f"  at {z_mm:.2f} mm, before line {line}: {code}")
    if len(result.inserted) > _MOST_TOLD:
        lines.append(f"  and {len(result.inserted) - _MOST_TOLD} lines more")
    if result.retractions:
        lines.append(f"  {result.retractions} retractions changed by height")
    if result.speeds:
        lines.append(f"  {result.speeds} extruding moves at a speed of the schedule")
    if result.arcs:
        within = f"{job.arc_tolerance_mm:g} mm"
        lines.append(f"  {result.arcs} arcs became straight moves within {within}")
    if all(low <= high for low, high in zip(result.low_mm, result.high_mm, strict=True)):
        spans = zip("XYZ", result.low_mm, result.high_mm, strict=True)
        lines.append(
            "  nozzle goes " + ", ".join(f"{c} {low:.2f} to {high:.2f}" for c, low, high in spans)
        )
    for change in result.changes:
        lines += [f"  line {change.line}", f"    - {change.old}"]
        lines += [f"    + {text}" for text in change.new.split("\n")]
    lines += [f"  note: {text}" for text in result.warnings]
    for c in result.checks:
        verdict = "agrees" if c.good else "DIFFERS"
        lines.append(f"  {verdict}: {c.what}, expected {c.expected}, found {c.found}")
    return lines


def gcode_data(
    file: Path, written: Path | None, job: Job, needed: Needed, result: Result
) -> dict[str, Any]:
    """Return the same for machines."""
    from calib.apply.gcode.job import describe_job

    return {
        "schema_version": 1,
        "file": str(file),
        "written": str(written) if written else None,
        "changes": describe_job(job),
        "applied": [v.setting for v in needed.used],
        "left_out": _left_out_data(needed),
        "lines": result.lines,
        "bytes_in": result.bytes_in,
        "bytes_out": result.bytes_out,
        "arcs_to_lines": result.arcs,
        "retractions_changed": result.retractions,
        "speeds_changed": result.speeds,
        "inserted": [{"line": n, "z_mm": z, "gcode": code} for n, z, code in result.inserted],
        "first_changes": [asdict(c) for c in result.changes],
        "notes": result.warnings,
        "checks": [asdict(c) for c in result.checks],
    }


def tell_model(needed: Needed, moved: Moved, notes: list[str]) -> list[str]:
    """Return the summary of a mapped model."""
    lines = []
    for label, extent in (("before", moved.before), ("after ", moved.after)):
        lines.append(f"size {label} " + " x ".join(f"{v:.3f}" for v in extent.size_mm) + " mm")
    for v in needed.used:
        lines.append(f"  applied: {kept_setting(v.setting).said(v.new)} ({v.setting})")
    return lines + _left_out(needed) + [f"  note: {text}" for text in notes]


def model_data(
    file: Path, written: Path | None, needed: Needed, moved: Moved, notes: list[str]
) -> dict[str, Any]:
    """Return the same for machines."""
    return {
        "schema_version": 1,
        "file": str(file),
        "written": str(written) if written else None,
        "matrix": needed.matrix,
        "size_before_mm": moved.before.size_mm,
        "size_after_mm": moved.after.size_mm,
        "applied": [v.setting for v in needed.used],
        "left_out": _left_out_data(needed),
        "notes": notes,
    }


def model_notes(file: Path, needed: Needed, moved: Moved, limits: Limits) -> list[str]:
    """Return what to look out for: a model that no longer fits, a skew that may get lost."""
    room_mm = (limits.build_x_mm, limits.build_y_mm, limits.build_z_mm)
    notes = [
        f"the corrected model is {size:.2f} mm along {c}; the printer builds {room:g} mm"
        for c, size, room in zip("XYZ", moved.after.size_mm, room_mm, strict=True)
        if room is not None and size > room + 0.001
    ]
    m = needed.matrix
    if file.suffix.lower() == ".3mf" and (m[0][1] or m[0][2] or m[1][2]):
        notes.append(
            "the skew is in the transforms of the build items; a program that drops shear from"
            " those loses it: compare the size it shows, or correct an STL instead"
        )
    if not needed.used:
        notes.append("nothing to correct")
    return [*moved.notes, *notes]


def _left_out(needed: Needed) -> list[str]:
    return [
        f"  left out: {kept_setting(v.setting).said(v.new)} ({v.setting}; {why})"
        for v, why in needed.left_out
    ]


def _left_out_data(needed: Needed) -> list[dict[str, str]]:
    return [{"setting": v.setting, "reason": why} for v, why in needed.left_out]
