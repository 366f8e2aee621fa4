"""`truebead add`: tell the store about a printer, a nozzle, a spool or an instrument."""

from dataclasses import asdict, replace
from typing import Annotated, Any

import typer

from calib.commands import options as o
from calib.commands.common import answer
from calib.errors import BadInput
from calib.workshop.typed import build_volume

add = typer.Typer(
    no_args_is_help=True,
    help="Add a printer, nozzle, spool or instrument to the store. Names are yours to choose.",
)
Replace = Annotated[
    bool, typer.Option("--replace", help="Change the one of that name; what is not given stays.")
]
Seen = Annotated[
    int | None,
    typer.Option(
        "--seen", help="With --replace: the version you saw; refused if it changed since."
    ),
]


def register(app: typer.Typer) -> None:
    """Hang the verbs on the command line."""
    app.add_typer(add, name="add")


def _told(**given: Any) -> dict[str, Any]:
    """Return what was given."""
    return {k: v for k, v in given.items() if v is not None}


@add.command(
    epilog="Example: truebead add printer lantern --build 220x220x250; or all that is known of it:"
    " truebead add printer lantern --build 220x220x250 --hot-end-max 260 --belt-pitch 2 --teeth 20 --screw-lead 8 --motor-steps 200 --microsteps 16 --steps-e 93"
)
def printer(
    name: str,
    build: Annotated[str | None, typer.Option(metavar="XxYxZ", help="Build volume in mm.")] = None,
    hot_end_max: Annotated[float | None, o.number_option("Highest temperature the hot end is rated for, degC; not known yet: left out.")] = None,
    bed_max: Annotated[float | None, o.number_option("The same of the bed, degC; 0: it is not heated.")] = None,
    layer: Annotated[float | None, o.number_option("Usual layer height in mm (0.2).")] = None,
    filament: Annotated[float | None, o.number_option("Diameter of its filament in mm (1.75).")] = None,
    belt_pitch: Annotated[float | None, o.number_option("Pitch of the belts of X and Y in mm.")] = None,
    teeth: Annotated[int | None, typer.Option(help="Teeth of their pulleys.")] = None,
    screw_lead: Annotated[float | None, o.number_option("Travel of Z per turn of its screw in mm: pitch x starts.")] = None,
    motor_steps: Annotated[int | None, typer.Option(help="Full steps of the motors per turn: 200 for 1.8 degrees.")] = None,
    microsteps: Annotated[int | None, typer.Option(help="Microsteps per full step.")] = None,
    drive: Annotated[list[str] | None, typer.Option(metavar="AXIS:...", help="Another drive for one axis: Y:screw-lead=4,motor-steps=200,microsteps=16; may be repeated.")] = None,
    steps_x: Annotated[float | None, o.number_option("Steps/mm that are set for X now.")] = None,
    steps_y: Annotated[float | None, o.number_option("The same for Y.")] = None,
    steps_z: Annotated[float | None, o.number_option("The same for Z.")] = None,
    steps_e: Annotated[float | None, o.number_option("The same for the extruder.")] = None,
    replace_: Replace = False,
    seen: Seen = None,
    by: o.By = "",
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:  # fmt: skip
    """Add a printer by its build volume. Ratings and drives can be told later, with --replace."""
    from calib.report.inventory_words import next_line, printer_json, printer_lines
    from calib.workshop import open_workshop
    from calib.workshop.drives import axes_with, drives_of

    drives = drives_of(
        {"belt_pitch_mm": belt_pitch, "pulley_teeth": teeth, "screw_lead_mm": screw_lead,
         "motor_steps": motor_steps, "microsteps": microsteps}, drive or [],
    )  # fmt: skip
    steps = {"X": steps_x, "Y": steps_y, "Z": steps_z, "E": steps_e}
    known = _told(
        hot_end_max_c=hot_end_max, bed_max_c=bed_max, layer_mm=layer, filament_mm=filament
    )
    size = build_volume(build) if build is not None else None
    with open_workshop(store, by=by) as workshop:
        if replace_:
            old = workshop.store().printer(name)
            if size is not None:
                known |= dict(zip(("build_x_mm", "build_y_mm", "build_z_mm"), size, strict=True))
            saved = workshop.tell_printer(name, seen, **known, axes=axes_with(old, drives, steps))
        else:
            axes = axes_with(None, drives, steps)
            saved = workshop.add_printer(name, size, **known, axes=axes)
        assumed, hint = workshop.assumed(saved.name), next_line(*workshop.to_tell(saved.name))
    lines = printer_lines(saved, "changed" if replace_ else "added", assumed, hint)
    answer({**printer_json(saved), "assumed": list(assumed)}, lines, as_json=as_json)


@add.command(epilog="Example: truebead add nozzle brass --size 0.4")
def nozzle(
    name: str,
    size: Annotated[float | None, o.number_option("Its bore in mm.")] = None,
    printer: Annotated[str | None, typer.Option("--printer", "-p", help="Which printer it is on.")] = None,
    line: Annotated[float | None, o.number_option("Width of one printed line in mm (1.125 x bore).")] = None,
    replace_: Replace = False,
    seen: Seen = None,
    by: o.By = "",
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:  # fmt: skip
    """Add a nozzle to a printer."""
    from calib.report.inventory_words import next_line, nozzle_lines
    from calib.workshop import open_workshop

    told = _told(bore_mm=size, line_mm=line)
    with open_workshop(store, by=by) as workshop:
        if replace_:
            owner = workshop.store().printer(printer).name
            old = workshop.store().nozzle(owner, name)
            saved = workshop.change_nozzle(replace(old, **told), seen)
        elif size is None:
            raise BadInput(
                f"nozzle {name!r} needs --size", mend="give its bore, such as --size 0.4"
            )
        else:
            saved = workshop.add_nozzle(name, printer, **told)
        hint = next_line(*workshop.to_tell(saved.printer))
    lines = nozzle_lines(saved, "changed" if replace_ else "added", hint)
    answer(asdict(saved), lines, as_json=as_json)


@add.command(epilog="Example: truebead add spool white-1 --type PLA --colour white --grams 1000")
def spool(
    name: str,
    type_: Annotated[str | None, typer.Option("--type", help="Type of the filament, such as PLA.")] = None,
    colour: Annotated[str | None, typer.Option(help="Its colour, in your words.")] = None,
    price: Annotated[float | None, o.number_option("Price of the whole spool.")] = None,
    grams: Annotated[float | None, o.number_option("Filament on a full spool, g.")] = None,
    density: Annotated[float | None, o.number_option("Density in g/cm3, where the label says so.")] = None,
    diameter: Annotated[float | None, o.number_option("Diameter of the filament in mm, as measured.")] = None,
    replace_: Replace = False,
    seen: Seen = None,
    by: o.By = "",
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:  # fmt: skip
    """Add a spool of filament."""
    from calib.report.inventory_words import next_line, spool_lines
    from calib.workshop import open_workshop

    told = _told(
        material=type_, colour=colour, price=price, grams=grams, density_g_cm3=density,
        filament_mm=diameter,
    )  # fmt: skip
    with open_workshop(store, by=by) as workshop:
        if replace_:
            old = workshop.store().spool(name)
            saved = workshop.change_spool(replace(old, **told), seen)
        else:
            saved = workshop.add_spool(name, **told)
        hint = next_line(*workshop.to_tell(spool=saved.name))
    lines = spool_lines(saved, "changed" if replace_ else "added", hint)
    answer(asdict(saved), lines, as_json=as_json)


@add.command(epilog="Example: truebead add instrument bench-caliper --kind caliper --mpe 0.02")
def instrument(
    name: str,
    kind: Annotated[str, typer.Option(help="caliper, balance or eye.")] = "caliper",
    resolution: Annotated[float | None, o.number_option("Smallest step it shows.")] = None,
    mpe: Annotated[float | None, o.number_option("Maximum permissible error, from its data sheet.")] = None,
    repeatability: Annotated[float | None, o.number_option("Standard deviation of repeated readings.")] = None,
    jaw_mpe: Annotated[float | None, o.number_option("Further error of inside and depth readings.")] = None,
    reach: Annotated[float | None, o.number_option("Longest reading.")] = None,
    replace_: Replace = False,
    by: o.By = "",
    store: o.Store = None,
    as_json: o.Json = False,
) -> None:  # fmt: skip
    """Add an instrument to measure with. What is not given is that of a usual one of its kind."""
    from calib.report.inventory_words import instrument_line
    from calib.workshop import open_workshop

    told = _told(
        resolution=resolution, mpe=mpe, repeatability=repeatability, jaw_mpe=jaw_mpe, reach=reach
    )
    with open_workshop(store, by=by) as workshop:
        if replace_:
            old = workshop.store().instrument(name)
            saved = workshop.change_instrument(replace(old, **told))
        else:
            saved = workshop.add_instrument(name, kind, **told)
    line = instrument_line(saved, "changed" if replace_ else "added")
    answer(asdict(saved), [line], as_json=as_json)
