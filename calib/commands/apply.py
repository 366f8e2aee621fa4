"""`truebead apply` and `truebead values`: corrections into a file, and what is to be set by hand."""

import sys
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from calib.commands import options as o
from calib.commands.common import print_json, say_safety
from calib.commands.show import say, say_table
from calib.errors import BadInput
from calib.model.place import Place
from calib.model.setting import label
from calib.workshop.typed import build_given

if TYPE_CHECKING:
    from calib.apply.values import Value
    from calib.workshop.applying import Applied, FileOptions, ToSet
    from calib.workshop.results import Named

#: A file this large takes long enough to show progress.
_LONG_WORK_BYTES = 30_000_000


def register(app: typer.Typer) -> None:
    """Hang the verbs on the command line."""
    app.command(
        epilog="Example: truebead apply lamp.gcode --scale-x 100.3 --skew-xy 0.2"
        " --build 220x220x250 --hot-end-max 250 --check"
    )(apply)
    app.command(epilog="Example: truebead values --card values.html")(values)


def apply(
    file: o.FileToCorrect = None,
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    store: o.Store = None,
    in_printer: o.InPrinter = None,
    in_models: o.InModels = None,
    in_gcode: o.InGcode = None,
    scale_x: o.ScaleX = None,
    scale_y: o.ScaleY = None,
    scale_z: o.ScaleZ = None,
    skew_xy: o.SkewXY = None,
    skew_xz: o.SkewXZ = None,
    skew_yz: o.SkewYZ = None,
    flow: o.Flow = None,
    schedule: o.Schedule = None,
    line: o.Line = "",
    wait: o.Wait = False,
    e_in_g91: o.EInG91 = "",
    build: o.Build = "",
    origin: o.Origin = "",
    centre: o.Centre = "",
    hot_end_max_c: o.HotEndMax = None,
    bed_max_c: o.BedMax = None,
    out: o.Out = None,
    force: o.Force = False,
    again: o.Again = False,
    dry_run: o.DryRun = False,
    check: o.Check = False,
    card: o.Card = None,
    csv: o.Csv = None,
    as_json: o.Json = False,
) -> None:
    """Put corrections into a copy of a model or sliced file.

    Nothing is corrected twice: what first goes into a model, or into G-code, always goes there.
    """
    from calib.workshop import applying, open_workshop
    from calib.workshop.value_files import limits_told, write_values

    given = applying.given_numbers(scale_x, scale_y, scale_z, skew_xy, skew_xz, skew_yz, flow)
    places = _places(in_printer, in_models, in_gcode)
    flags = {"wait": wait, "check": check, "again": again, "dry_run": dry_run}
    how = _how(file, centre, schedule=schedule, line=line, e_in_g91=e_in_g91, **flags)
    with open_workshop(store) as workshop:
        whose: Named = {"printer": printer, "nozzle": nozzle, "spool": spool}
        found = workshop.in_use(places, by_hand=bool(given or schedule), **whose)
        listed = applying.with_given(found.values if schedule is None else (), given)
        if file is None:
            with nullcontext() if dry_run else workshop.say_places(found):
                write_values(listed, found, card, csv, force)
            return _show_values(listed, found, as_json=as_json)
        limits = limits_told(found.limits, build_given(build), origin, hot_end_max_c, bed_max_c)
        target = applying.target_of(file, out, may_replace=force or dry_run, again=again)
        write_values(listed, found, card, csv, force)
        for told in applying.line_words(how):
            typer.echo(told, err=as_json)
        done = workshop.correct(file, target, found, limits, given, how)
    _say_applied(done, found, as_json=as_json)


def _how(file: Path | None, centre: str, **said: Any) -> "FileOptions":
    """Return how the options want a file to be corrected."""
    from calib.apply.limits import parse_point
    from calib.workshop.applying import FileOptions

    point = parse_point(centre, "--centre") if centre else None
    return FileOptions(centre_mm=point, step=_progress(file) if file else None, **said)


def _places(
    in_printer: list[str] | None, in_models: list[str] | None, in_gcode: list[str] | None
) -> dict[Place, list[str]]:
    return {
        Place.PRINTER: in_printer or [], Place.MODELS: in_models or [], Place.GCODE: in_gcode or [],
    }  # fmt: skip


def _progress(file: Path) -> Callable[[int], None] | None:
    """Return what shows how far a large file has come; nothing where nobody looks."""
    if not sys.stderr.isatty() or not file.is_file():
        return None
    size = file.stat().st_size
    if size < _LONG_WORK_BYTES:
        return None
    return lambda done: typer.echo(f"\r{100 * done / size:3.0f} %\r", nl=False, err=True)


def _say_applied(done: "Applied", found: "ToSet", *, as_json: bool) -> None:
    for line in found.told:
        typer.echo(line, err=as_json)
    if done.claimed:
        gcode = done.file.suffix.lower() not in (".stl", ".3mf")
        here, other = ("G-code", "models") if gcode else ("models", "G-code")
        names = ", ".join(label(name) for name in done.claimed)
        typer.echo(f"From now on put into {here}, not into {other}: {names}", err=as_json)
    if as_json:
        print_json(done.data)
    else:
        for line in done.lines:
            typer.echo(line)
        typer.echo(f"wrote {done.written}" if done.written else "nothing written (--dry-run)")
    say_safety(as_json=as_json)


def values(
    printer: o.Printer = None,
    nozzle: o.Nozzle = None,
    spool: o.Spool = None,
    in_printer: o.InPrinter = None,
    in_models: o.InModels = None,
    in_gcode: o.InGcode = None,
    card: o.Card = None,
    csv: o.Csv = None,
    force: o.Force = False,
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:
    """Show what is to be set by hand, or say that it was.

    What models or G-code get is not among them; `apply FILE` puts it there.
    """
    from calib.workshop import open_workshop
    from calib.workshop.value_files import write_values

    with open_workshop(store) as workshop:
        found = workshop.values(
            _places(in_printer, in_models, in_gcode), printer=printer, nozzle=nozzle, spool=spool
        )
        with workshop.say_places(found):
            write_values(found.values, found, card, csv, force)
    _show_values(found.values, found, as_json=as_json)


def _show_values(listed: "Sequence[Value]", found: "ToSet", *, as_json: bool) -> None:
    from calib.apply import values as v

    if not listed:
        raise BadInput(
            "there is nothing to set or to apply yet",
            mend=f"see what to measure first: truebead next{found.who.options}",
        )
    for line in found.told:
        typer.echo(line, err=as_json)
    if as_json:
        print_json({**asdict(found.heading), **v.values_data(listed)})
        say_safety(as_json=True)
        return
    own = v.to_set(listed)
    if found.heading.words:
        say(f"To set in the printer and the slicing settings: {found.heading.words}", "bold")
    if own:
        say_table("", v.SHORT_COLUMNS, v.short_table(own))
    for line in v.elsewhere(listed):
        say(line)
    if line := v.said_so(own, found.who.options):
        say(line)
    if line := v.steps_line(own):
        say(f"\n{line}\n{v.STORING}")
    say_safety()
