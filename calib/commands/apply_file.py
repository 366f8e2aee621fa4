"""How `truebead apply` corrects one file: sliced G-code or a model."""

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from calib.commands.apply_profile import claim_line, claimed, keeping_places
from calib.commands.common import print_json
from calib.errors import BadInput
from calib.model.place import Place

if TYPE_CHECKING:
    from calib.apply.applied import Needed
    from calib.apply.gcode.check import Check
    from calib.apply.gcode.job import Job
    from calib.apply.limits import Limits
    from calib.apply.values import Value
    from calib.commands.apply_profile import Profile

_SHOWN_CHANGES = 8

#: A file this large takes long enough to show progress.
_LONG_WORK_BYTES = 30_000_000


def correct_gcode(
    file: Path,
    target: Path,
    values: "Sequence[Value]",
    profile: "Profile",
    limits: "Limits",
    schedule: Path | None,
    centre: str,
    *,
    wait: bool,
    dry_run: bool,
    check: bool,
    again: bool,
    as_json: bool,
) -> None:
    """Rewrite a sliced file and say what was done to it."""
    from calib.apply.applied import for_file
    from calib.apply.gcode.stream import rewrite_file
    from calib.apply.telling import gcode_data, tell_gcode

    needed = for_file(values, gcode=True)
    job = _job(needed, limits, schedule, centre, wait)

    def verify(path: Path) -> "list[Check]":
        return _compare(file, path, job)

    result = rewrite_file(
        file,
        None if dry_run else target,
        job,
        show=_SHOWN_CHANGES if dry_run else 0,
        again=again,
        step=_progress(file),
        verify=verify if check else None,
        around=keeping_places(profile, needed.used, Place.GCODE),
    )
    _tell_places(profile, needed, Place.GCODE, dry_run=dry_run, as_json=as_json)
    written = None if dry_run else target
    if as_json:
        print_json(gcode_data(file, written, job, needed, result))
        return
    _say(tell_gcode(file, job, needed, result), written)


def _tell_places(
    profile: "Profile", needed: "Needed", place: Place, *, dry_run: bool, as_json: bool
) -> None:
    """Say where settings take effect from now on; with --json beside the data."""
    for line in profile.told:
        typer.echo(line, err=as_json)
    claims = claimed(profile, needed.used, place)
    if claims and not dry_run:
        typer.echo(claim_line(claims, place), err=as_json)


def _job(
    needed: "Needed", limits: "Limits", schedule: Path | None, centre: str, wait: bool
) -> "Job":
    from calib.apply.gcode.job import Job
    from calib.apply.gcode.plan import read_schedule
    from calib.apply.limits import parse_point

    return Job(
        matrix=needed.matrix,
        centre_mm=parse_point(centre, "--centre") if centre else limits.middle_mm,
        flow=needed.flow,
        schedule=read_schedule(schedule) if schedule else (),
        limits=limits,
        wait=wait,
    )


def _progress(file: Path) -> Callable[[int], None]:
    """Return what shows how far a large file has come; nothing where nobody looks."""
    size = file.stat().st_size
    if size < _LONG_WORK_BYTES or not sys.stderr.isatty():
        return lambda _: None
    return lambda done: typer.echo(f"\r{100 * done / size:3.0f} %\r", nl=False, err=True)


def _compare(old: Path, new: Path, job: "Job") -> "list[Check]":
    from calib.apply.gcode.check import compare

    with (
        old.open(encoding="utf-8", errors="replace") as before,
        new.open(encoding="utf-8", errors="replace") as after,
    ):
        return compare(before, after, job)


def refuse_for_model(*, schedule: Path | None, check: bool, flow: float | None) -> None:
    """Refuse what only a sliced file can take."""
    wrong = {"--schedule": schedule is not None, "--check": check, "--flow": flow is not None}
    for option, given in wrong.items():
        if given:
            raise BadInput(
                "only a sliced file can take this", where=option, mend="give the G-code instead"
            )


def correct_model(
    file: Path,
    target: Path,
    values: "Sequence[Value]",
    profile: "Profile",
    limits: "Limits",
    *,
    again: bool,
    dry_run: bool,
    as_json: bool,
) -> None:
    """Map a model and say what was done to it."""
    import tempfile

    from calib.apply.applied import for_file
    from calib.apply.mesh import map_stl
    from calib.apply.telling import model_data, model_notes, tell_model
    from calib.apply.threemf import map_3mf

    needed = for_file(values, gcode=False)
    convert = map_stl if file.suffix.lower() == ".stl" else map_3mf
    if dry_run:
        with tempfile.TemporaryDirectory() as folder:
            moved = convert(file, Path(folder) / file.name, needed.matrix, again=again)
    else:
        keeping = keeping_places(profile, needed.used, Place.MODELS)
        moved = convert(file, target, needed.matrix, again=again, around=keeping)
    _tell_places(profile, needed, Place.MODELS, dry_run=dry_run, as_json=as_json)
    written = None if dry_run else target
    notes = model_notes(file, needed, moved, limits)
    if as_json:
        print_json(model_data(file, written, needed, moved, notes))
        return
    _say(tell_model(needed, moved, notes), written)


def _say(lines: list[str], written: Path | None) -> None:
    for line in lines:
        typer.echo(line)
    typer.echo(f"wrote {written}" if written else "nothing written (--dry-run)")
