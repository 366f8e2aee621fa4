"""`truebead apply`: put corrections into a sliced file or a model, or show the values to type in."""

import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Protocol

import typer

from calib.commands.common import ForceOption, JsonOption, build_volume, print_json
from calib.commands.show import NozzleOption, PrinterOption, SpoolOption, StoreOption
from calib.errors import BadInput

if TYPE_CHECKING:
    from calib.apply.applied import InForce
    from calib.apply.gcode.check import Check
    from calib.apply.gcode.job import Job
    from calib.apply.limits import Limits
    from calib.apply.values import Value

#: Suffixes of files that can be corrected.
GCODE = (".gcode", ".gco", ".g", ".nc", ".ngc")
MODELS = (".stl", ".3mf")

#: What a corrected file is called by default, and known by when it is given again.
_MARK = ".corrected"

_SHOWN_CHANGES = 8

#: A file this large takes long enough to show progress.
_LONG_WORK_BYTES = 30_000_000


class CorrectionsInForce(Protocol):
    """Looks up a profile: its corrections as values, and the limits of its printer."""

    def __call__(
        self, printer: str | None, nozzle: str | None, spool: str | None, store: str | None
    ) -> "tuple[Iterable[Value], Limits]":
        """Return both, or raise BadInput for an unknown name."""


def register(app: typer.Typer) -> None:
    """Hang the verb on the command line."""
    app.command(
        epilog="Example: truebead apply lamp.gcode --scale-x 100.3 --skew-xy 0.2"
        " --build 220x220x250 --hot-end-max 250 --check"
    )(apply)


def apply(
    file: Annotated[
        Path | None,
        typer.Argument(help="Sliced G-code, STL or 3MF; without one the values are shown."),
    ] = None,
    printer: PrinterOption = None,
    nozzle: NozzleOption = None,
    spool: SpoolOption = None,
    store: StoreOption = None,
    in_printer: Annotated[
        list[str] | None,
        typer.Option(help="A setting that has been typed into the printer, so no file needs it."),
    ] = None,
    scale_x: Annotated[float | None, typer.Option(help="Scale X to this many %.")] = None,
    scale_y: Annotated[float | None, typer.Option(help="Scale Y to this many %.")] = None,
    scale_z: Annotated[float | None, typer.Option(help="Scale Z to this many %.")] = None,
    skew_xy: Annotated[float | None, typer.Option(help="Lean of Y toward +X, degrees.")] = None,
    skew_xz: Annotated[float | None, typer.Option(help="Lean of Z toward +X, degrees.")] = None,
    skew_yz: Annotated[float | None, typer.Option(help="Lean of Z toward +Y, degrees.")] = None,
    flow: Annotated[float | None, typer.Option(help="Extrude this many % (G-code).")] = None,
    schedule: Annotated[
        Path | None, typer.Option(help="schedule.csv of a piece: settings by height (G-code).")
    ] = None,
    wait: Annotated[
        bool, typer.Option("--wait", help="Wait for each temperature of the schedule.")
    ] = False,
    build: Annotated[
        str, typer.Option(help="Build volume in mm, such as 220x220x250.", metavar="XxYxZ")
    ] = "",
    origin: Annotated[
        str, typer.Option(help="Low corner of the build volume, mm.", metavar="X,Y,Z")
    ] = "",
    centre: Annotated[
        str,
        typer.Option(help="Point that stays (G-code), mm; else the bed's middle.", metavar="X,Y,Z"),
    ] = "",
    hot_end_max_c: Annotated[
        float | None,
        typer.Option("--hot-end-max", help="Highest rated hot-end temperature."),
    ] = None,
    bed_max_c: Annotated[
        float | None,
        typer.Option("--bed-max", help="Highest rated bed temperature."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help=f"File to write (default: NAME{_MARK}.SUFFIX).")
    ] = None,
    force: ForceOption = False,
    again: Annotated[
        bool, typer.Option("--again", help="Correct a file that was corrected before.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Write nothing; show what would change.")
    ] = False,
    check: Annotated[
        bool, typer.Option("--check", help="Hold the printed path against the original (G-code).")
    ] = False,
    card: Annotated[
        Path | None, typer.Option(help="Also write the values as a page to print.")
    ] = None,
    csv: Annotated[Path | None, typer.Option(help="Also write the values as CSV.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Put corrections into a sliced file or a model, or show the values to type in.

    The file itself is never changed. Scale is the % to scale to, not the error that was measured.
    What is set in the printer already is not put into a file again.
    """
    try:
        options = {
            "scale_x_percent": scale_x,
            "scale_y_percent": scale_y,
            "scale_z_percent": scale_z,
            "skew_xy_deg": skew_xy,
            "skew_xz_deg": skew_xz,
            "skew_yz_deg": skew_yz,
            "flow_percent": flow,
        }
        alone = all(v is None for v in options.values()) and schedule is None
        values, limits = _gather(
            options, in_printer or [], (printer, nozzle, spool, store), alone=alone
        )
        limits = _limits(limits, build, origin, hot_end_max_c, bed_max_c)
        if card or csv or file is None:
            _show_values(values, card, csv, as_json and file is None, force, quiet=bool(file))
        if file is None:
            return
        if not file.is_file():
            raise BadInput("there is no such file", where=str(file))
        target = _target(file, out, force or dry_run, again)
        kind = file.suffix.lower()
        if kind in GCODE:
            _gcode(
                file, target, values, limits, schedule, centre,
                wait=wait, dry_run=dry_run, check=check, again=again, as_json=as_json,
            )  # fmt: skip
        elif kind in MODELS:
            _refuse_for_model(schedule=schedule, check=check, flow=flow)
            _model(file, target, values, limits, dry_run=dry_run, as_json=as_json)
        else:
            raise BadInput(
                f"files named *{kind} can't be corrected",
                where=str(file),
                mend=f"give one of {', '.join(GCODE + MODELS)}",
            )
    except BadInput as err:
        typer.echo(f"truebead: {err.line}", err=True)
        raise typer.Exit(2) from None


# -- what is to be applied --------------------------------------------------------------------


def _gather(
    options: dict[str, float | None],
    in_printer: list[str],
    names: tuple[str | None, str | None, str | None, str | None],
    *,
    alone: bool,
) -> "tuple[list[Value], Limits | None]":
    """Return the values of the profile, those given as options instead of its own."""
    from calib.apply.applied import set_in_printer
    from calib.apply.values import Value

    values: list[Value] = []
    limits = None
    if any(names[:3]) or alone:
        kept, limits = from_store(*names)
        values = list(kept)
    given = [
        Value(
            setting=name,
            old=0.0 if name.endswith("deg") else 100.0,
            new=new,
            unit="deg" if name.endswith("deg") else "%",
        )
        for name, new in options.items()
        if new is not None
    ]
    instead = {v.setting for v in given}
    values = [v for v in values if v.setting not in instead] + given
    return list(set_in_printer(values, in_printer)), limits


def from_store(
    printer: str | None, nozzle: str | None, spool: str | None, store: str | None
) -> "tuple[list[Value], Limits]":
    """Return a profile's values and its printer's limits; steps count as set in the printer.

    Sizes, skew and offset hold for the model as drawn, so they count as long as they are in force.
    Of the rest only what was found to be worth a change is returned; nothing that an event has made
    stale is.
    """
    from calib.apply.limits import Limits
    from calib.apply.values import Value
    from calib.corrections import Verdict
    from calib.solve import NEUTRAL
    from calib.store import open_store

    with open_store(store, make=False) as opened:
        known = opened.printer(printer)
        profile = opened.in_force(printer, nozzle, spool)
    limits = Limits(
        hot_end_max_c=known.hot_end_max_c,
        bed_max_c=known.bed_max_c,
        build_x_mm=known.build_x_mm,
        build_y_mm=known.build_y_mm,
        build_z_mm=known.build_z_mm,
    )
    values = []
    for v in profile:
        found = v.source.correction
        if v.value is None or v.stale:
            continue
        drawn = NEUTRAL.get(v.setting) if v.setting != "flow_percent" else None
        if v.value == drawn or (drawn is None and found.verdict != Verdict.APPLY):
            continue
        values.append(
            Value(
                setting=v.setting,
                old=found.old if drawn is None else drawn,
                new=v.value,
                unit=v.unit,
                applied_to="printer" if v.setting.startswith("steps_") else "",
                corrects=" or ".join(sorted({v.setting, found.instead_of} - {""})),
            )
        )
    return values, limits


def _limits(
    known: "Limits | None",
    build: str,
    origin: str,
    hot_end_max_c: float | None,
    bed_max_c: float | None,
) -> "Limits":
    from dataclasses import replace

    from calib.apply.limits import Limits, parse_point

    limits = known or Limits()
    if build:
        x, y, z = build_volume(build)
        limits = replace(limits, build_x_mm=x, build_y_mm=y, build_z_mm=z)
    if origin:
        x, y, z = parse_point(origin, "--origin")
        limits = replace(limits, origin_x_mm=x, origin_y_mm=y, origin_z_mm=z)
    if hot_end_max_c is not None:
        limits = replace(limits, hot_end_max_c=hot_end_max_c)
    if bed_max_c is not None:
        limits = replace(limits, bed_max_c=bed_max_c)
    return limits


def _target(file: Path, out: Path | None, may_replace: bool, again: bool) -> Path:
    """Return where to write; a file that this command wrote is not taken a second time."""
    if file.stem.endswith(_MARK) and not again:
        raise BadInput(
            "the file has been corrected before, and would be corrected twice",
            where=str(file),
            mend="start from the original, or insist with --again",
        )
    target = out or file.with_name(f"{file.stem}{_MARK}{file.suffix}")
    if target.is_dir():
        target = target / file.name
    if target.suffix.lower() != file.suffix.lower():
        raise BadInput(
            f"the result is a {file.suffix} like its source", where=str(target), mend="name it so"
        )
    if target.exists() and target.samefile(file):
        raise BadInput(
            "the result would replace its source", where=str(target), mend="choose another --out"
        )
    if target.exists() and not may_replace:
        raise BadInput("the file is there already", where=str(target), mend="add --force")
    return target


# -- kinds of files ---------------------------------------------------------------------------


def _gcode(
    file: Path,
    target: Path,
    values: "list[Value]",
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
    )
    written = None if dry_run else target
    if as_json:
        print_json(gcode_data(file, written, job, result))
        return
    _say(tell_gcode(file, job, needed, result), written)


def _job(
    needed: "InForce", limits: "Limits", schedule: Path | None, centre: str, wait: bool
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


def _refuse_for_model(*, schedule: Path | None, check: bool, flow: float | None) -> None:
    wrong = {"--schedule": schedule is not None, "--check": check, "--flow": flow is not None}
    for option, given in wrong.items():
        if given:
            raise BadInput(
                "only a sliced file can take this", where=option, mend="give the G-code instead"
            )


def _model(
    file: Path,
    target: Path,
    values: "list[Value]",
    limits: "Limits",
    *,
    dry_run: bool,
    as_json: bool,
) -> None:
    import tempfile

    from calib.apply.applied import for_file
    from calib.apply.mesh import map_stl
    from calib.apply.telling import model_data, model_notes, tell_model
    from calib.apply.threemf import map_3mf

    needed = for_file(values, gcode=False)
    convert = map_stl if file.suffix.lower() == ".stl" else map_3mf
    if dry_run:
        with tempfile.TemporaryDirectory() as folder:
            moved = convert(file, Path(folder) / file.name, needed.matrix)
    else:
        moved = convert(file, target, needed.matrix)
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


# -- values -----------------------------------------------------------------------------------


def _show_values(
    values: "list[Value]",
    card: Path | None,
    csv: Path | None,
    as_json: bool,
    force: bool,
    *,
    quiet: bool,
) -> None:
    from calib.apply import values as v
    from calib.files import write_atomic

    if not values:
        raise BadInput(
            "there is nothing to apply",
            mend="keep corrections for a --printer first, or give numbers such as --scale-x",
        )
    if card is not None:
        write_atomic(card, v.values_card(values, title="Values to set"), force=force)
    if csv is not None:
        write_atomic(csv, v.values_csv(values), force=force)
    if quiet:
        return
    if as_json:
        print_json(v.values_data(values))
        return
    rows = [("what it is", "setting", "old", "new", "unit"), *v.table(values)]
    widths = [max(len(row[i]) for row in rows) for i in range(5)]
    for row in rows:
        cells = [cell.ljust(w) for cell, w in zip(row, widths, strict=True)]
        typer.echo("  ".join(cells).rstrip())
    if line := v.steps_line(values):
        typer.echo(f"\n{line}\n{v.STORING}")
