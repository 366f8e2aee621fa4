"""`truebead add`: tell the store about a printer, a nozzle, a spool or an instrument."""

import shlex
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from calib.commands.common import JsonOption, build_volume, print_json
from calib.commands.show import StoreOption, say
from calib.errors import BadInput
from calib.model.drive import Drive

if TYPE_CHECKING:
    from calib.store.records import Axis, Printer

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


@add.command(
    epilog="Example: truebead add printer lantern --build 220x220x250 --hot-end-max 260"
    " --belt-pitch 2 --teeth 20 --screw-lead 8 --motor-steps 200 --microsteps 16 --steps-e 93"
)
def printer(
    name: str,
    build: Annotated[str | None, typer.Option(metavar="XxYxZ", help="Build volume in mm.")] = None,
    hot_end_max: Annotated[float | None, typer.Option(help="Highest temperature the hot end is rated for, degC.")] = None,
    bed_max: Annotated[float | None, typer.Option(help="The same of the bed, degC (100 if not given).")] = None,
    layer: Annotated[float | None, typer.Option(help="Usual layer height in mm (0.2).")] = None,
    filament: Annotated[float | None, typer.Option(help="Diameter of its filament in mm (1.75).")] = None,
    belt_pitch: Annotated[float | None, typer.Option(help="Pitch of the belts of X and Y in mm.")] = None,
    teeth: Annotated[int | None, typer.Option(help="Teeth of their pulleys.")] = None,
    screw_lead: Annotated[float | None, typer.Option(help="Travel of Z per turn of its screw in mm: pitch x starts.")] = None,
    motor_steps: Annotated[int | None, typer.Option(help="Full steps of the motors per turn: 200 for 1.8 degrees.")] = None,
    microsteps: Annotated[int | None, typer.Option(help="Microsteps per full step.")] = None,
    drive: Annotated[list[str] | None, typer.Option(metavar="AXIS:...", help="Another drive for one axis: Y:screw-lead=4,motor-steps=200,microsteps=16; may be repeated.")] = None,
    steps_x: Annotated[float | None, typer.Option(help="Steps/mm that are set for X now.")] = None,
    steps_y: Annotated[float | None, typer.Option(help="The same for Y.")] = None,
    steps_z: Annotated[float | None, typer.Option(help="The same for Z.")] = None,
    steps_e: Annotated[float | None, typer.Option(help="The same for the extruder.")] = None,
    replace_: Replace = False,
    seen: Seen = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:  # fmt: skip
    """Add a printer: its build volume, ratings and, where known, its drives."""
    from calib.store import open_store

    shared = {
        "belt_pitch_mm": belt_pitch, "pulley_teeth": teeth, "screw_lead_mm": screw_lead,
        "motor_steps": motor_steps, "microsteps": microsteps,
    }  # fmt: skip
    drives = drives_of(shared, drive or [])
    steps = {"X": steps_x, "Y": steps_y, "Z": steps_z, "E": steps_e}
    given = {"hot_end_max_c": hot_end_max, "bed_max_c": bed_max, "layer_mm": layer, "filament_mm": filament}  # fmt: skip
    if build is not None:
        given |= dict(
            zip(("build_x_mm", "build_y_mm", "build_z_mm"), build_volume(build), strict=True)
        )
    with open_store(store) as opened:
        old = opened.printer(name) if replace_ else None
        record = _printer_record(name, old, given, drives, steps)
        saved = opened.change_printer(record, seen) if old else opened.add_printer(record)
    if as_json:
        print_json(_printer_json(saved))
    else:
        _say_printer(saved, "changed" if replace_ else "added")


def _printer_record(
    name: str, old: "Printer | None", given: dict[str, Any], drives: dict[str, Drive], steps: dict[str, float | None]
) -> "Printer":  # fmt: skip
    from calib.store.records import Axis, Printer

    said = {k: v for k, v in given.items() if v is not None}
    for needed, option in (
        ("build_x_mm", "--build 220x220x250"),
        ("hot_end_max_c", "--hot-end-max 250"),
    ):
        if old is None and needed not in said:
            raise BadInput(
                f"printer {name!r} needs {option.split()[0]}",
                mend=f"give it as the maker states it, such as {option}",
            )
    axes = []
    for axis in "XYZE":
        before = old.axis(axis) if old else Axis(axis=axis)
        now = Axis(
            axis=axis,
            steps_per_mm=steps[axis] if steps[axis] is not None else before.steps_per_mm,
            drive=drives.get(axis, before.drive),
        )
        if now.best_steps_per_mm is not None:
            axes.append(now)
    if old is not None:
        return replace(old, **said, axes=tuple(axes))
    return Printer(name=name, axes=tuple(axes), **{"bed_max_c": 100.0, **said})


def drives_of(shared: dict[str, Any], own: list[str]) -> dict[str, Drive]:
    """Return the drives by axis: belts for X and Y, a screw for Z, and those given one by one.

    Raises
    ------
    BadInput
        The mechanics are only half said.
    """
    said = {k: v for k, v in shared.items() if v is not None}
    found: dict[str, Drive] = {}
    motor: dict[str, Any] = {k: said[k] for k in ("motor_steps", "microsteps") if k in said}
    belt: dict[str, Any] = {k: said[k] for k in ("belt_pitch_mm", "pulley_teeth") if k in said}
    screw: dict[str, Any] = {k: said[k] for k in ("screw_lead_mm",) if k in said}
    if motor and not belt and not screw:
        _drive("X and Y", motor)
    if belt:
        found["X"] = found["Y"] = _drive("X and Y", belt | motor)
    if screw:
        found["Z"] = _drive("Z", screw | motor)
    for text in own:
        axis, parts = _own_drive(text)
        found[axis] = _drive(axis, {**motor, **parts})
    return found


_OPTIONS = {
    "belt_pitch_mm": "--belt-pitch", "pulley_teeth": "--teeth", "screw_lead_mm": "--screw-lead",
    "motor_steps": "--motor-steps", "microsteps": "--microsteps",
}  # fmt: skip


def _drive(axes: str, said: dict[str, Any]) -> Drive:
    need = ["motor_steps", "microsteps"]
    if "screw_lead_mm" not in said:
        need = ["belt_pitch_mm", "pulley_teeth", *need]
    missing = [_OPTIONS[k] for k in need if k not in said]
    if missing:
        raise BadInput(
            f"the mechanics of {axes} are only half said: {' and '.join(missing)} missing",
            mend="give them too (motor steps are 200 where one step is 1.8 degrees), or give only"
            " the steps/mm that are set",
        )
    return Drive(**said)


def _own_drive(text: str) -> tuple[str, dict[str, Any]]:
    axis, _, rest = text.partition(":")
    names = {v.removeprefix("--"): k for k, v in _OPTIONS.items()}
    parts: dict[str, Any] = {}
    for item in filter(None, rest.split(",")):
        key, _, value = item.partition("=")
        name = names.get(key.strip())
        whole = name in ("pulley_teeth", "motor_steps", "microsteps")
        try:
            parts[name or ""] = int(value) if whole else float(value)
        except ValueError:
            name = None
        if name is None:
            raise BadInput(
                f"{item!r} is not a part of a drive", where="--drive",
                mend=f"use {', '.join(n + '=NUMBER' for n in names)}",
            )  # fmt: skip
    if axis.strip().upper() not in ("X", "Y", "Z", "E") or not parts:
        raise BadInput(
            f"{text!r} does not describe a drive", where="--drive",
            mend="write it as Y:screw-lead=4,motor-steps=200,microsteps=16",
        )  # fmt: skip
    return axis.strip().upper(), parts


def _printer_json(p: "Printer") -> dict[str, Any]:
    axes = [
        asdict(a) | {"mechanical_steps_per_mm": a.drive.steps_per_mm if a.drive else None, "conflict": a.conflict}
        for a in p.axes
    ]  # fmt: skip
    return {**asdict(p), "axes": axes}


def _say_printer(p: "Printer", done: str) -> None:
    say(
        f"Printer {p.name} {done}: {p.build_x_mm:g} x {p.build_y_mm:g} x {p.build_z_mm:g} mm,"
        f" hot end up to {p.hot_end_max_c:g} degC, bed up to {p.bed_max_c:g} degC."
    )
    for a in p.axes:
        say(f"  {a.axis}: {_steps_words(a)}")
    for a in p.axes:
        if a.conflict:
            say(f"Look: {a.conflict}. The value set is used until a calibration says otherwise.", "yellow")  # fmt: skip
    say(f"Next: truebead add nozzle NAME --printer {shlex.quote(p.name)} --size 0.4")


def _steps_words(a: "Axis") -> str:
    if a.drive is None:
        return f"{a.steps_per_mm:g} steps/mm set; mechanics not known"
    d = a.drive
    how = (
        f"screw of {d.screw_lead_mm:g} mm lead" if d.screw_lead_mm
        else f"belt {d.belt_pitch_mm:g} mm x {d.pulley_teeth} teeth"
    )  # fmt: skip
    worked = f"{d.motor_steps} steps x {d.microsteps} / {d.travel_per_turn_mm:g} mm ({how})"
    if a.steps_per_mm is None:
        return f"{d.steps_per_mm:g} steps/mm worked out: {worked}"
    return f"{a.steps_per_mm:g} steps/mm set; the mechanics give {d.steps_per_mm:g}: {worked}"


@add.command(epilog="Example: truebead add nozzle brass --printer lantern --size 0.4")
def nozzle(
    name: str,
    size: Annotated[float | None, typer.Option(help="Its bore in mm.")] = None,
    printer: Annotated[str | None, typer.Option("--printer", "-p", help="Which printer it is on.")] = None,
    line: Annotated[float | None, typer.Option(help="Width of one printed line in mm (1.125 x bore).")] = None,
    replace_: Replace = False,
    seen: Seen = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:  # fmt: skip
    """Add a nozzle to a printer."""
    from calib.store import open_store
    from calib.store.records import Nozzle

    with open_store(store) as opened:
        owner = opened.printer(printer).name
        old = opened.nozzle(owner, name) if replace_ else None
        if old is None and size is None:
            raise BadInput(
                f"nozzle {name!r} needs --size", mend="give its bore, such as --size 0.4"
            )
        record = old or Nozzle(name=name, printer=owner, bore_mm=size or 0.0)
        record = replace(
            record,
            bore_mm=record.bore_mm if size is None else size,
            line_mm=record.line_mm if line is None else line,
        )
        saved = opened.change_nozzle(record, seen) if old else opened.add_nozzle(record)
    if as_json:
        print_json(asdict(saved))
        return
    width = saved.line_mm or 1.125 * saved.bore_mm
    say(
        f"Nozzle {saved.name} {'changed' if old else 'added'} on {saved.printer}:"
        f" {saved.bore_mm:g} mm, lines of {width:g} mm."
    )


@add.command(epilog="Example: truebead add spool white-1 --type PLA --colour white --grams 1000")
def spool(
    name: str,
    type_: Annotated[str | None, typer.Option("--type", help="Type of the filament, such as PLA.")] = None,
    colour: Annotated[str | None, typer.Option(help="Its colour, in your words.")] = None,
    price: Annotated[float | None, typer.Option(help="Price of the whole spool.")] = None,
    grams: Annotated[float | None, typer.Option(help="Filament on a full spool, g.")] = None,
    density: Annotated[float | None, typer.Option(help="Density in g/cm3, where the label says so.")] = None,
    diameter: Annotated[float | None, typer.Option(help="Diameter of the filament in mm, as measured.")] = None,
    replace_: Replace = False,
    seen: Seen = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:  # fmt: skip
    """Add a spool of filament."""
    from calib.store import open_store
    from calib.store.records import Spool

    given = {"material": type_, "colour": colour, "price": price, "grams": grams, "density_g_cm3": density, "filament_mm": diameter}  # fmt: skip
    said = {k: v for k, v in given.items() if v is not None}
    with open_store(store) as opened:
        old = opened.spool(name) if replace_ else None
        if old is None and type_ is None:
            raise BadInput(f"spool {name!r} needs --type", mend="give the filament's type, such as --type PLA")  # fmt: skip
        record = replace(old, **said) if old else Spool(name=name, **said)  # type: ignore[arg-type]
        saved = opened.change_spool(record, seen) if old else opened.add_spool(record)
    if as_json:
        print_json(asdict(saved))
        return
    say(f"Spool {saved.name} {'changed' if old else 'added'}: {' '.join(filter(None, (saved.colour, saved.material)))}.")  # fmt: skip
    _say_type(saved.material, saved.density_g_cm3)


def _say_type(material: str, density: float | None) -> None:
    from patterns.filaments import filaments

    if material not in filaments():
        say(
            f"{material} is not in the table of filament types ({', '.join(filaments())}):"
            " nothing is assumed of its shrinkage and temperatures.",
            "yellow",
        )
        if density is None:
            say("Give --density from its label, or its flow can't be found by mass.", "yellow")


@add.command(epilog="Example: truebead add instrument bench-caliper --kind caliper --mpe 0.02")
def instrument(
    name: str,
    kind: Annotated[str, typer.Option(help="caliper, balance or eye.")] = "caliper",
    resolution: Annotated[float | None, typer.Option(help="Smallest step it shows.")] = None,
    mpe: Annotated[float | None, typer.Option(help="Maximum permissible error, from its data sheet.")] = None,
    repeatability: Annotated[float | None, typer.Option(help="Standard deviation of repeated readings.")] = None,
    jaw_mpe: Annotated[float | None, typer.Option(help="Further error of inside and depth readings.")] = None,
    reach: Annotated[float | None, typer.Option(help="Longest reading.")] = None,
    replace_: Replace = False,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:  # fmt: skip
    """Add an instrument; what is not given is that of a usual one of its kind."""
    from calib.model.instrument import DEFAULTS
    from calib.store import open_store

    if kind not in DEFAULTS:
        raise BadInput(f"there is no kind of instrument {kind!r}", where="--kind", mend=f"use {', '.join(DEFAULTS)}")  # fmt: skip
    given = {"resolution": resolution, "mpe": mpe, "repeatability": repeatability, "jaw_mpe": jaw_mpe, "reach": reach}  # fmt: skip
    said: dict[str, Any] = {k: v for k, v in given.items() if v is not None}
    with open_store(store) as opened:
        base = opened.instrument(name) if replace_ else DEFAULTS[kind]
        record = replace(base, name=name, **said)
        saved = opened.change_instrument(record) if replace_ else opened.add_instrument(record)
    if as_json:
        print_json(asdict(saved))
        return
    say(
        f"Instrument {saved.name} {'changed' if replace_ else 'added'}: {saved.kind},"
        f" {saved.resolution:g} {saved.unit}, permissible error ±{saved.mpe:g} {saved.unit}."
    )
