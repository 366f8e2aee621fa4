"""An invented workshop to look at: a museum's volunteers, two printers, some spools, a piece in work."""

import csv
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from calib.errors import BadInput

if TYPE_CHECKING:
    from calib.workshop.workshop import Workshop

#: What was measured on the first spool, in order, and how many readings of the piece in work are in.
_IN_WORK = 5
_MEASURED = ("temperature-tower", "corner-gauge")
_SPOOLS = (
    ("lamp-white", "PLA", "white"), ("gallery-grey", "PLA", "grey"), ("roof-red", "PLA", "red"),
    ("harbour-blue", "PETG", "blue"), ("sand", "PETG", "beige"), ("rock", "ASA", "black"),
)  # fmt: skip


def example_store(folder: Path, say: Callable[[str], None]) -> Path:
    """Return the store of the invented workshop in a folder, made there if it is not yet.

    Raises
    ------
    BadInput
        The folder holds something else.
    """
    store = folder / "desk.db"
    if store.exists():
        return store
    if folder.exists() and any(folder.iterdir()):
        raise BadInput("the folder is not empty", where=str(folder), mend="give an empty one")
    folder.mkdir(parents=True, exist_ok=True)
    say(f"An invented workshop is put into {folder} ...")
    fill(store)
    return store


def fill(store: Path) -> None:
    """Put the invented workshop into a store."""
    from calib.model.drive import Drive
    from calib.store.records import Axis, Printer
    from calib.workshop import open_workshop

    belt = Drive(belt_pitch_mm=2.0, pulley_teeth=20)
    axes = (Axis(axis="X", drive=belt), Axis(axis="Y", drive=belt))
    with open_workshop(store) as shop:
        for name, size in (("lantern", 220.0), ("beacon", 300.0)):
            shop.add_printer(
                Printer(
                    name=name, build_x_mm=size, build_y_mm=size, build_z_mm=250, hot_end_max_c=260,
                    bed_max_c=100, axes=axes,
                )
            )  # fmt: skip
            shop.add_nozzle("0.4 mm", name, 0.4)
        for spool, material, colour in _SPOOLS:
            shop.add_spool(spool, material, colour=colour)
        for pattern in _MEASURED:
            shop.keep(_filled_in(shop, pattern, "lamp-white"))
        shop.event("moved", printer="beacon", note="to the reading room")
        started = shop.start("step-gauge", printer="lantern", spool="gallery-grey", repeats=3)
        shop.say_printed(started.source)
        asked = {q.feature for q in started.questions}
        for feature, text in [r for r in readings("step-gauge") if r[0] in asked][:_IN_WORK]:
            shop.enter(started.source, feature, text, 1)


def _filled_in(shop: "Workshop", pattern: str, spool: str) -> str:
    """Return the text of a piece's sheet with the invented first readings in it."""
    started = shop.start(pattern, printer="lantern", spool=spool, repeats=3)
    shop.give_up(started.source)  # it is kept from its text, all at once
    asked = {q.feature: q.cell for q in started.questions if q.repeat == 1}
    table = started.table
    for feature, text in readings(pattern):
        if feature in asked:
            table = table.with_cell(asked[feature].line, asked[feature].column, text)
    return table.text()


def readings(pattern: str) -> list[tuple[str, str]]:
    """Return (feature, first reading) of the scenario's invented sheet of a pattern."""
    source = files("demo").joinpath("readings", f"{pattern}.csv").read_text(encoding="utf-8")
    rows = csv.reader(line for line in source.splitlines() if not line.startswith("#"))
    return [(row[0], row[1]) for row in rows if len(row) > 1 and row[1] and row[0] != "feature"]
