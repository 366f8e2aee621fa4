"""`truebead apply`: put corrections into a sliced file or a model, or show the values to type in."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.errors import BadInput

if TYPE_CHECKING:
    from calib.apply.applied import InForce
    from calib.apply.gcode.check import Check
    from calib.apply.gcode.job import Job
    from calib.apply.gcode.stream import Result
    from calib.apply.limits import Limits
    from calib.apply.mesh import Moved
    from calib.apply.values import Value

#: Looks a profile up: (printer, nozzle, spool) -> its corrections in force and the printer's limits.
#: The caller of `register` gives it; names may be empty, and the function raises BadInput for unknown ones.
Lookup = Callable[[str, str, str], "tuple[Iterable[Value], Limits]"]

#: Suffixes of sliced files.
GCODE = (".gcode", ".gco", ".g", ".nc", ".ngc")

_SHOWN = 8


def register(app: typer.Typer, corrections_in_force: Lookup | None = None) -> None:
    """Add the command to an application.

    Parameters
    ----------
    app : typer.Typer
        Where to add it.
    corrections_in_force : Lookup, optional
        Looks profiles up; without it only numbers given as options are applied.
    """

    @app.command(name="apply")
    def apply(
        file: Annotated[
            Path | None, typer.Argument(help="Sliced G-code, STL or 3MF; none: show the values.")
        ] = None,
        printer: Annotated[str, typer.Option(help="Take the corrections of this printer.")] = "",
        nozzle: Annotated[str, typer.Option(help="... with this nozzle.")] = "",
        spool: Annotated[str, typer.Option(help="... and this spool.")] = "",
        scale_x: Annotated[float, typer.Option(help="Scale X to this many %.")] = 100.0,
        scale_y: Annotated[float, typer.Option(help="Scale Y to this many %.")] = 100.0,
        scale_z: Annotated[float, typer.Option(help="Scale Z to this many %.")] = 100.0,
        skew_xy: Annotated[float, typer.Option(help="Lean of Y toward +X, degrees.")] = 0.0,
        skew_xz: Annotated[float, typer.Option(help="Lean of Z toward +X, degrees.")] = 0.0,
        skew_yz: Annotated[float, typer.Option(help="Lean of Z toward +Y, degrees.")] = 0.0,
        flow: Annotated[float, typer.Option(help="Extrude this many % (G-code).")] = 100.0,
        schedule: Annotated[
            Path | None, typer.Option(help="Settings by height, schedule.csv of a piece (G-code).")
        ] = None,
        wait: Annotated[
            bool, typer.Option("--wait", help="Wait for each temperature of a schedule.")
        ] = False,
        build: Annotated[str, typer.Option(help="Build volume in mm, such as 220x220x250.")] = "",
        origin: Annotated[str, typer.Option(help="Low corner of the build volume, mm.")] = "0,0,0",
        centre: Annotated[
            str, typer.Option(help="Point that stays in place (G-code), mm; the bed's middle.")
        ] = "",
        hot_end_max: Annotated[
            float | None, typer.Option(help="Highest rated hot-end temperature, degC.")
        ] = None,
        bed_max: Annotated[
            float | None, typer.Option(help="Highest rated bed temperature, degC.")
        ] = None,
        out: Annotated[
            Path | None, typer.Option(help="Where to write; beside the file if left out.")
        ] = None,
        force: Annotated[bool, typer.Option("--force", help="Replace what is there.")] = False,
        again: Annotated[
            bool, typer.Option("--again", help="Correct a file that was corrected before.")
        ] = False,
        dry_run: Annotated[
            bool, typer.Option("--dry-run", help="Write nothing; show what would change.")
        ] = False,
        check: Annotated[
            bool, typer.Option("--check", help="Hold the printed path against the original.")
        ] = False,
        card: Annotated[
            Path | None, typer.Option(help="Write the values as a page to print.")
        ] = None,
        csv: Annotated[Path | None, typer.Option(help="Write the values as CSV.")] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Answer in JSON.")] = False,
    ) -> None:
        """Put corrections into a sliced file or a model, or show the values to type in.

        Example: truebead apply lamp.gcode --scale-x 100.3 --skew-xy 0.2 --build 220x220x250 --check

        The result lies beside the file (lamp.corrected.gcode) and the file itself is never changed. Scale is the % to
        scale to, not the error measured. Nothing the printer does already is put into the file.
        """
        try:
            from calib.apply.applied import for_file

            given = _given_values((scale_x, scale_y, scale_z), (skew_xy, skew_xz, skew_yz), flow)
            kept, limits = _profile(corrections_in_force, printer, nozzle, spool)
            limits = _limits(limits, build, origin, hot_end_max, bed_max)
            replaced = {v.setting for v in given}
            values = [v for v in kept if v.setting not in replaced] + given
            if file is None:
                _show_values(values, card, csv, as_json, force)
                return
            is_gcode = file.suffix.lower() in GCODE
            needed = for_file(values, gcode=is_gcode)
            target = _target(file, out, force or dry_run)
            if is_gcode:
                job = _job(needed, limits, schedule, centre, wait)
                _gcode(file, target, job, needed, dry_run, check, again, as_json)
            elif file.suffix.lower() in (".stl", ".3mf"):
                _refuse_for_model(schedule, check, flow)
                _model(file, target, needed, limits, dry_run, as_json)
            else:
                raise BadInput(
                    f"{file.suffix or 'a file without a suffix'} is not a kind that can be corrected",
                    where=str(file),
                    mend=f"give one of {', '.join((*GCODE, '.stl', '.3mf'))}",
                )
        except BadInput as err:
            print(f"truebead apply: {err.line}", file=sys.stderr)
            raise typer.Exit(2) from None


def _given_values(scale: tuple[float, ...], skew: tuple[float, ...], flow: float) -> list[Value]:
    from calib.apply.values import Value

    out = [
        Value(setting=f"scale_{c}_percent", old=100.0, new=v, unit="%")
        for c, v in zip("xyz", scale, strict=True)
        if v != 100.0
    ]
    out += [
        Value(setting=f"skew_{c}_deg", old=0.0, new=v, unit="deg")
        for c, v in zip(("xy", "xz", "yz"), skew, strict=True)
        if v != 0.0
    ]
    if flow != 100.0:
        out.append(Value(setting="flow_percent", old=100.0, new=flow, unit="%"))
    return out


def _profile(
    lookup: Lookup | None, printer: str, nozzle: str, spool: str
) -> tuple[list[Value], Limits | None]:
    if not (printer or nozzle or spool):
        return [], None
    if lookup is None:
        raise BadInput("profiles can't be looked up here", mend="give the numbers as options")
    values, limits = lookup(printer, nozzle, spool)
    return list(values), limits


def _limits(
    known: Limits | None, build: str, origin: str, hot_end_max: float | None, bed_max: float | None
) -> Limits:
    from dataclasses import replace

    from calib.apply.limits import Limits, parse_point, parse_volume

    limits = known or Limits()
    if build:
        x, y, z = parse_volume(build)
        limits = replace(limits, build_x_mm=x, build_y_mm=y, build_z_mm=z)
    if origin != "0,0,0" or build:
        x, y, z = parse_point(origin)
        limits = replace(limits, origin_x_mm=x, origin_y_mm=y, origin_z_mm=z)
    if hot_end_max is not None:
        limits = replace(limits, hot_end_max_c=hot_end_max)
    if bed_max is not None:
        limits = replace(limits, bed_max_c=bed_max)
    return limits


def _target(file: Path, out: Path | None, may_replace: bool) -> Path:
    target = out or file.with_name(f"{file.stem}.corrected{file.suffix}")
    if not file.is_file():
        raise BadInput("there is no such file", where=str(file))
    if target.is_dir():
        target = target / file.name
    if target.exists() and target.samefile(file):
        raise BadInput(
            "the result would replace its source", where=str(target), mend="choose another --out"
        )
    if target.exists() and not may_replace:
        raise BadInput(
            "the file exists already", where=str(target), mend="use --force or another --out"
        )
    return target


def _job(needed: InForce, limits: Limits, schedule: Path | None, centre: str, wait: bool) -> Job:
    from calib.apply.gcode.job import Job
    from calib.apply.gcode.plan import read_schedule
    from calib.apply.limits import parse_point

    middle = (0.0, 0.0, 0.0)
    if limits.build_x_mm and limits.build_y_mm:
        middle = (
            limits.origin_x_mm + limits.build_x_mm / 2,
            limits.origin_y_mm + limits.build_y_mm / 2,
            limits.origin_z_mm,
        )
    return Job(
        matrix=needed.matrix,
        centre_mm=parse_point(centre) if centre else middle,
        flow=needed.flow,
        schedule=read_schedule(schedule) if schedule else (),
        limits=limits,
        wait=wait,
    )


def _refuse_for_model(schedule: Path | None, check: bool, flow: float) -> None:
    for given, option in (
        (schedule is not None, "--schedule"),
        (check, "--check"),
        (flow != 100.0, "--flow"),
    ):
        if given:
            raise BadInput(f"{option} needs a sliced file", mend="give the G-code, or leave it out")


# -- G-code -----------------------------------------------------------------------------------


def _gcode(
    file: Path,
    target: Path,
    job: Job,
    needed: InForce,
    dry_run: bool,
    check: bool,
    again: bool,
    as_json: bool,
) -> None:
    from calib.apply.gcode.stream import rewrite_file

    def verify(path: Path) -> list[Check]:
        return _compare(file, path, job)

    wanted = verify if check else None
    if dry_run:
        import tempfile

        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / file.name
            result = rewrite_file(file, path, job, show=_SHOWN, again=again, verify=wanted)
    else:
        result = rewrite_file(file, target, job, again=again, verify=wanted)
    if as_json:
        _print_json(file, target, job, result, dry_run)
    else:
        _print_gcode(file, target, job, needed, result, dry_run)


def _compare(old: Path, new: Path, job: Job) -> list[Check]:
    from calib.apply.gcode.check import compare

    with (
        old.open(encoding="utf-8", errors="replace") as before,
        new.open(encoding="utf-8", errors="replace") as after,
    ):
        return compare(before, after, job)


def _print_gcode(
    file: Path,
    target: Path,
    job: Job,
    needed: InForce,
    result: Result,
    dry_run: bool,
) -> None:
    from calib.apply.gcode.job import describe_job

    printed = result.printed
    print(f"{file}: {printed.lines} lines, {result.bytes_in / 1e6:.1f} MB")
    for line in describe_job(job) or ["nothing to change; the result is the same byte for byte"]:
        print(f"  {line}")
    for value, reason in needed.left_out:
        print(f"  left out: {value.setting} {value.new:g} {value.unit} ({reason})")
    for line, z_mm, code in printed.inserted:
        print(f"  at {z_mm:.2f} mm, before line {line}: {code}")
    if printed.arcs:
        print(f"  {printed.arcs} arcs became straight moves within {job.arc_tolerance_mm:g} mm")
    if all(low <= high for low, high in zip(printed.low_mm, printed.high_mm, strict=True)):
        spans = zip("XYZ", printed.low_mm, printed.high_mm, strict=True)
        print(
            "  nozzle goes " + ", ".join(f"{c} {low:.2f} to {high:.2f}" for c, low, high in spans)
        )
    for change in result.changes if dry_run else ():
        print(f"  line {change.line}\n    - {change.old}")
        for text in change.new.split("\n"):
            print(f"    + {text}")
    for text in result.warnings:
        print(f"  note: {text}")
    for c in result.checks:
        print(
            f"  {'agrees ' if c.good else 'DIFFERS'} {c.what}: expected {c.expected}, found {c.found}"
        )
    print("nothing written (--dry-run)" if dry_run else f"wrote {target}")


def _print_json(file: Path, target: Path, job: Job, result: Result, dry_run: bool) -> None:
    from dataclasses import asdict

    from calib.apply.gcode.job import describe_job

    printed = result.printed
    answer = {
        "schema_version": 1,
        "file": str(file),
        "written": None if dry_run else str(target),
        "changes": describe_job(job),
        "lines": printed.lines,
        "bytes_in": result.bytes_in,
        "bytes_out": result.bytes_out,
        "arcs_to_lines": printed.arcs,
        "inserted": [{"line": n, "z_mm": z, "gcode": code} for n, z, code in printed.inserted],
        "first_changes": [asdict(c) for c in result.changes],
        "notes": result.warnings,
        "checks": [asdict(c) for c in result.checks],
    }
    print(json.dumps(answer, indent=2, ensure_ascii=False))


# -- models -----------------------------------------------------------------------------------


def _model(
    file: Path, target: Path, needed: InForce, limits: Limits, dry_run: bool, as_json: bool
) -> None:
    import tempfile

    from calib.apply.mesh import map_stl
    from calib.apply.threemf import map_3mf

    convert = map_stl if file.suffix.lower() == ".stl" else map_3mf
    if dry_run:
        with tempfile.TemporaryDirectory() as folder:
            moved = convert(file, Path(folder) / file.name, needed.matrix)
    else:
        moved = convert(file, target, needed.matrix)
    notes = [*moved.notes, *_fit_notes(moved, limits)]
    if file.suffix.lower() == ".3mf" and any(
        needed.matrix[i][j] for i, j in ((0, 1), (0, 2), (1, 2))
    ):
        notes.append(
            "the skew is in the build items' transforms; a program that drops shear from those loses it:"
            " look at the size it shows, or correct an STL instead"
        )
    if as_json:
        answer = {
            "schema_version": 1,
            "file": str(file),
            "written": None if dry_run else str(target),
            "matrix": needed.matrix,
            "size_before_mm": moved.before.size_mm,
            "size_after_mm": moved.after.size_mm,
            "used": [v.setting for v in needed.used],
            "left_out": [{"setting": v.setting, "reason": why} for v, why in needed.left_out],
            "notes": notes,
        }
        print(json.dumps(answer, indent=2, ensure_ascii=False))
        return
    for label, extent in (("before", moved.before), ("after ", moved.after)):
        print(f"size {label} " + " x ".join(f"{v:.3f}" for v in extent.size_mm) + " mm")
    for value in needed.used:
        print(f"  applied: {value.setting} {value.new:g} {value.unit} ({value.physical_name})")
    for value, reason in needed.left_out:
        print(f"  left out: {value.setting} {value.new:g} {value.unit} ({reason})")
    for text in notes:
        print(f"  note: {text}")
    print("nothing written (--dry-run)" if dry_run else f"wrote {target}")


def _fit_notes(moved: Moved, limits: Limits) -> list[str]:
    sizes = (limits.build_x_mm, limits.build_y_mm, limits.build_z_mm)
    return [
        f"the corrected model is {size:.2f} mm along {c}; the printer builds {room:g} mm"
        for c, size, room in zip("XYZ", moved.after.size_mm, sizes, strict=True)
        if room is not None and size > room + 0.001
    ]


# -- values -----------------------------------------------------------------------------------


def _show_values(
    values: list[Value], card: Path | None, csv: Path | None, as_json: bool, force: bool
) -> None:
    from calib.apply import values as v

    if not values:
        raise BadInput(
            "there is nothing to apply", mend="name a --printer, or give numbers such as --scale-x"
        )
    for path, text in (
        (card, card and v.values_card(values, title="Values to set")),
        (csv, csv and v.values_csv(values)),
    ):
        if path is not None:
            _write_text(path, str(text), force)
    if as_json:
        print(v.values_json(values), end="")
        return
    rows = [("what it is", "setting", "old", "new", "unit"), *v.table(values)]
    widths = [max(len(row[i]) for row in rows) for i in range(5)]
    for row in rows:
        print("  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip())
    if line := v.steps_line(values):
        print(f"\n{line}\n{v.STORING}")


def _write_text(path: Path, text: str, force: bool) -> None:
    from calib.apply.files import replaced

    if path.exists() and not force:
        raise BadInput("the file exists already", where=str(path), mend="use --force")
    with replaced(path) as stream:
        stream.write(text.encode("utf-8"))
