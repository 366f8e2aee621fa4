"""`truebead apply`: put corrections into a sliced file or a model, or show the values to type in."""

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calib.commands.common import ForceOption, JsonOption, print_json
from calib.commands.show import NozzleOption, PrinterOption, SpoolOption, StoreOption
from calib.errors import BadInput

if TYPE_CHECKING:
    from calib.apply.values import Value

#: Suffixes of files that can be corrected.
GCODE = (".gcode", ".gco", ".g", ".nc", ".ngc")
MODELS = (".stl", ".3mf")

#: What a corrected file is called by default, and known by when it is given again.
_MARK = ".corrected"


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
        typer.Option(
            help="A setting, or all of `scale`, `skew`, that is set in the printer or the slicing"
            " settings: kept, and files go without it.",
            metavar="SETTING",
        ),
    ] = None,
    in_models: Annotated[
        list[str] | None,
        typer.Option(help="One that is put into models from now on.", metavar="SETTING"),
    ] = None,
    in_gcode: Annotated[
        list[str] | None,
        typer.Option(help="One that is put into sliced files from now on.", metavar="SETTING"),
    ] = None,
    scale_x: Annotated[float | None, typer.Option(help="Scale X to this many %.")] = None,
    scale_y: Annotated[float | None, typer.Option(help="Scale Y to this many %.")] = None,
    scale_z: Annotated[float | None, typer.Option(help="Scale Z to this many %.")] = None,
    skew_xy: Annotated[float | None, typer.Option(help="Lean of Y toward +X, degrees.")] = None,
    skew_xz: Annotated[float | None, typer.Option(help="Lean of Z toward +X, degrees.")] = None,
    skew_yz: Annotated[float | None, typer.Option(help="Lean of Z toward +Y, degrees.")] = None,
    flow: Annotated[float | None, typer.Option(help="Extrude this many % (G-code).")] = None,
    schedule: Annotated[
        Path | None,
        typer.Option(
            help="schedule.csv of a calibration piece: settings by height (G-code)."
            " Kept corrections are not put into it."
        ),
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
    Nothing is corrected twice: it is kept where each correction takes effect, in the printer, in
    models or in G-code. What first goes into a file is put into such files from then on.
    """
    from calib.commands.apply_file import correct_gcode, correct_model, refuse_for_model
    from calib.commands.apply_profile import (
        Profile,
        keeping_places,
        read_profile,
        with_given,
        with_limits,
    )
    from calib.model.place import Place

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
        wanted = {
            Place.PRINTER: in_printer or [],
            Place.MODELS: in_models or [],
            Place.GCODE: in_gcode or [],
        }
        alone = all(v is None for v in options.values()) and schedule is None
        profile = Profile()
        if printer or nozzle or spool or alone or any(wanted.values()):
            names = (printer, nozzle, spool, store)
            profile = read_profile(names, wanted)
        kept = profile.values if schedule is None else ()  # a calibration piece goes without
        values = with_given(kept, options)
        limits = with_limits(profile.limits, build, origin, hot_end_max_c, bed_max_c)
        if file is not None and not file.is_file():
            raise BadInput("there is no such file", where=str(file))
        if file is None:
            with nullcontext() if dry_run else keeping_places(profile):
                _write_values(values, card, csv, force)
            for line in profile.told:
                typer.echo(line, err=as_json)
            _show_values(values, as_json=as_json)
            return
        target = _target(file, out, force or dry_run, again)
        if card or csv:
            _write_values(values, card, csv, force)
        kind = file.suffix.lower()
        if kind in GCODE:
            correct_gcode(
                file, target, values, profile, limits, schedule, centre,
                wait=wait, dry_run=dry_run, check=check, again=again, as_json=as_json,
            )  # fmt: skip
        elif kind in MODELS:
            refuse_for_model(schedule=schedule, check=check, flow=flow)
            correct_model(
                file, target, values, profile, limits,
                again=again, dry_run=dry_run, as_json=as_json,
            )  # fmt: skip
        else:
            raise BadInput(
                f"files named *{kind} can't be corrected",
                where=str(file),
                mend=f"give one of {', '.join(GCODE + MODELS)}",
            )
    except BadInput as err:
        typer.echo(f"truebead: {err.line}", err=True)
        raise typer.Exit(2) from None


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


def _write_values(values: "list[Value]", card: Path | None, csv: Path | None, force: bool) -> None:
    """Write the card and the table that were asked for."""
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


def _show_values(values: "list[Value]", *, as_json: bool) -> None:
    from calib.apply import values as v

    if as_json:
        print_json(v.values_data(values))
        return
    rows = [v.COLUMNS, *v.table(values)]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = [cell.ljust(w) for cell, w in zip(row, widths, strict=True)]
        typer.echo("  ".join(cells).rstrip())
    if line := v.steps_line(values):
        typer.echo(f"\n{line}\n{v.STORING}")
