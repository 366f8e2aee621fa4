"""`truebead profile split`: what of the size errors is the machine's and what the material's."""

from typing import TYPE_CHECKING, Any

from calib.commands.common import JsonOption, print_json
from calib.commands.show import PrinterOption, StoreOption, say, say_table
from calib.report.words import half_width, number

if TYPE_CHECKING:
    from calib.model.estimate import Estimate


def split(
    printer: PrinterOption = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Split size errors into the machine's own scale and each spool's shrinkage.

    Every kept sheet counts, of all printers and spools: a material measured on one printer sharpens
    the others. The share from readings is what is left when the mechanics and the table of filament
    types are taken out.
    """
    from calib.fit.split import AXES, DIRECTIONS
    from calib.interpret.workshop import workshop_of
    from calib.store import open_store

    with open_store(store, make=False) as opened:
        name = opened.printer(printer).name
        workshop = workshop_of(opened)
    rows = []
    if name in workshop.printers:
        rows += [(f"{name} {a}", "machine scale", workshop.machine(name, a)) for a in AXES]
    rows += [
        (spool, f"shrinkage {d}", workshop.shrinkage(spool, d))
        for spool in workshop.spools
        for d in DIRECTIONS
        if spool
    ]
    if as_json:
        print_json([_json(*row) for row in rows])
        return
    say_table(
        "Machine and material, at the steps/mm that the mechanics give",
        ("of", "what", "value>", "95 %>", "unit", "from readings>"),
        [_row(*row) for row in rows],
    )
    say(
        "The rest comes from the drives' mechanics and the usual shrinkage of each type. What sharpens"
        " it most is carriage travel: truebead make carriage-travel"
    )


def _row(of: str, what: str, e: "Estimate") -> tuple[str, ...]:
    half = 100 * e.expanded()
    share = f"{max(e.from_data, 0.0):.0%}"
    return of, what, number(100 * e.value, half), half_width(half), "%", share


def _json(of: str, what: str, e: "Estimate") -> dict[str, Any]:
    return {
        "of": of,
        "what": what,
        "percent": 100 * e.value,
        "expanded_percent": 100 * e.expanded(),
        "from_readings": max(e.from_data, 0.0),
    }
