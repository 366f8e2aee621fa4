"""What the user owns, in lines for people: what is known of it, and what telling more would gain."""

from collections.abc import Iterator, Sequence
from shlex import quote
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calib.model.instrument import Instrument
    from calib.store.records import Axis, Nozzle, Printer, Spool

Line = tuple[str, str]
_WARNING = "yellow"


def printer_lines(p: "Printer", done: str, assumed: Sequence[str], next_: str) -> Iterator[Line]:
    """Yield (line, style) on a printer that was added or changed."""
    yield (
        (
            f"Printer {p.name} {done}: {p.build_x_mm:g} x {p.build_y_mm:g} x {p.build_z_mm:g} mm,"
            f" hot end up to {p.hot_end_max_c:g} degC, bed up to {p.bed_max_c:g} degC."
        ),
        "",
    )
    for a in p.axes:
        yield f"  {a.axis}: {_steps_words(a)}", ""
    for a in p.axes:
        if a.conflict:
            yield f"Look: {a.conflict}. The value set is used until a calibration says otherwise.", _WARNING  # fmt: skip
    for line in assumed_lines(p, assumed):
        yield line, ""
    if not any(a.drive for a in p.axes):
        yield (
            (
                "Its drives (belt, pulley, screw, motor) are not told, and need not be: telling them later"
                " helps to tell a wrong machine from a filament that shrinks. See truebead add printer --help"
            ),
            "",
        )
    yield next_, ""


def assumed_lines(p: "Printer", assumed: Sequence[str]) -> list[str]:
    """Say which ratings are taken low because nobody has told them, and what telling them gains."""
    words = {
        "hot_end_max_c": (
            "the hot end's rating", f"{p.hot_end_max_c:g} degC", "--hot-end-max 260",
            "hotter filaments, and towers that reach higher",
        ),
        "bed_max_c": ("the bed's rating", f"{p.bed_max_c:g} degC", "--bed-max 100", "hotter beds"),
    }  # fmt: skip
    lines = []
    for name in assumed:
        what, taken, option, gain = words[name]
        lines.append(
            f"Nobody has told {what}: {taken} is taken, a low limit (common practice). Once you know it"
            f" ({gain}): truebead add printer {quote(p.name)} --replace {option}"
        )
    return lines


def printer_json(p: "Printer") -> dict[str, Any]:
    """Return a printer for machines."""
    from dataclasses import asdict

    axes = [
        asdict(a) | {"mechanical_steps_per_mm": a.drive.steps_per_mm if a.drive else None, "conflict": a.conflict}
        for a in p.axes
    ]  # fmt: skip
    return {**asdict(p), "axes": axes}


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


def nozzle_lines(n: "Nozzle", done: str, next_: str) -> list[str]:
    """Say what is known of a nozzle."""
    width = n.line_mm or 1.125 * n.bore_mm
    known = f"Nozzle {n.name} {done} on {n.printer}: {n.bore_mm:g} mm, lines of {width:g} mm."
    return [known, next_]


def next_line(missing: str, options: str) -> str:
    """Say what to tell next, or what to print once all is told.

    Parameters
    ----------
    missing : str
        printer, nozzle or spool; empty where nothing is missing.
    options : str
        What names printer and spool, as a shell takes it.
    """
    told = {
        "printer": "--build 220x220x250",
        "nozzle": f"--size 0.4{options}",
        "spool": "--type PLA",
    }
    if missing:
        return f"Next: truebead add {missing} NAME {told[missing]}"
    return f"What to print: truebead next{options}"


def spool_lines(s: "Spool", done: str, next_: str) -> Iterator[Line]:
    """Yield (line, style) on a spool that was added or changed."""
    from patterns.filaments import filaments

    yield f"Spool {s.name} {done}: {' '.join(filter(None, (s.colour, s.material)))}.", ""
    yield next_, ""
    if s.material not in filaments():
        yield (
            (
                f"{s.material} is not in the table of filament types ({', '.join(filaments())}):"
                " nothing is assumed of its shrinkage and temperatures."
            ),
            _WARNING,
        )
        if s.density_g_cm3 is None:
            yield "Give --density from its label, or its flow can't be found by mass.", _WARNING


def instrument_line(i: "Instrument", done: str) -> str:
    """Say what is known of an instrument."""
    return (
        f"Instrument {i.name} {done}: {i.kind}, {i.resolution:g} {i.unit},"
        f" permissible error ±{i.mpe:g} {i.unit}."
    )


def retired_line(what: str, name: str, printer: str | None, *, back: bool) -> str:
    """Say that a thing is out of use, or in use again."""
    if back:
        return f"The {what} {name} is in use again."
    of = f" --printer {quote(printer)}" if printer else ""
    undo = f"truebead retire {what} {quote(name)}{of} --back"
    return f"The {what} {name} is out of use; its history stays. To bring it back: {undo}"
