"""The demo: a museum's volunteer workshop sets up a printer for its ring-segment model lighthouse.

The readings are invented. They come from a simulated printer whose truth is written here, so that
anyone can see how close the answers come: X true to 0.02 %, Y 0.15 % long, filament shrinking by
0.34 % (0.28 % upwards), 4 % too little plastic, best temperature about 203 degrees C, every wall
0.05 mm too far out, Y leaning 0.3 degrees, first layer 0.07 mm thin. One reading of the step gauge
has two digits swapped. The pieces are printed with what their sheets list to be set.
"""

import csv
import io
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path

Run = Callable[[list[str]], int]

PRINTER, NOZZLE, SPOOL = "lantern", "brass-04", "lamp-white"
PIECES = (
    "carriage-travel",
    "temperature-tower",
    "corner-gauge",
    "step-gauge",
)


def play(out: Path, run: Run, say: Callable[[str], None]) -> None:
    """Run the whole loop; every step is a command that a user could type.

    Parameters
    ----------
    out : Path
        Folder for the pieces and the store.
    run : callable
        Runs one command line and returns its exit code.
    say : callable
        Prints a line.
    """
    store = ["--store", str(out / "store.db")]
    say("A volunteer has put the printer 'lantern' together. What is it, and what is on it?")
    run(["add", "printer", PRINTER, "--build", "220x220x250", "--hot-end-max", "260",
         "--belt-pitch", "2", "--teeth", "20", "--screw-lead", "8", "--motor-steps", "200",
         "--microsteps", "16", "--steps-e", "93", *store])  # fmt: skip
    run(["add", "nozzle", NOZZLE, "--size", "0.4", *store])
    run(["add", "spool", SPOOL, "--type", "PLA", "--colour", "white", "--price", "19", *store])
    for name in PIECES:
        say(_STORY[name])
        folder = out / name
        run(["make", name, "--out", str(folder), *store])
        say(f"(The workshop measures, and fills in {folder / 'sheet.csv'}.)")
        fill_in(folder / "sheet.csv", name)
        run(["solve", str(folder / "sheet.csv"), *store])
        run(["keep", str(folder / "sheet.csv"), *store])
        if name == "corner-gauge":
            say("The workshop sets the scale in its slicing settings, and says so.")
            run(["values", "--in-printer", "scale", *store])
    (out / "pieces.svg").write_text(all_pieces(), encoding="utf-8")
    say("What is now known of this printer with this nozzle and this spool:")
    run(["profile", "show", *store])
    run(["overview", *store])


_STORY = {
    "carriage-travel": "First the machine alone, without plastic: how far do the carriages go?",
    "temperature-tower": "A new roll: at which temperature does it print best?",
    "corner-gauge": "Then one small set square: sizes, offset, squareness, height, first layer and flow.",
    "step-gauge": "Long lengths, for the ring segments are 200 mm long. One reading is mistyped.",
}


def all_pieces() -> str:
    """Draw every pattern there is, small, as one SVG."""
    from patterns import registry
    from patterns.drawing import contact_sheet
    from patterns.filaments import filament
    from patterns.preview import preview_mesh
    from patterns.print_cost import print_cost
    from patterns.spec import PrintSetup

    patterns = registry.all_patterns().values()
    pieces = [p.piece({}, PrintSetup()) for p in patterns]
    drawn = [(piece, preview_mesh(piece.body)) for piece in pieces]
    taken = [print_cost(piece, mesh, filament("PLA")) for piece, mesh in drawn]
    notes = [
        f"{t.minutes:.0f} min, {t.grams:.1f} g, {len(piece.by_hand)} readings"
        for piece, t in zip(pieces, taken, strict=True)
    ]
    return contact_sheet(drawn, [p.answers for p in patterns], notes)


def readings_of(name: str) -> Iterator[tuple[str, list[str]]]:
    """Yield (feature, readings) of a piece of the scenario, as they were typed."""
    text = files("demo").joinpath("readings", f"{name}.csv").read_text(encoding="utf-8")
    rows = csv.reader(line for line in text.splitlines() if not line.startswith("#"))
    next(rows)
    for feature, *read in rows:
        yield feature, [text for text in read if text]


def fill_in(sheet: Path, name: str) -> None:
    """Write the invented readings into a sheet, as a user would in a spreadsheet."""
    from calib.files import write_atomic

    source = files("demo").joinpath("readings", f"{name}.csv").read_text(encoding="utf-8")
    head = {line.partition(":")[0]: line for line in source.splitlines() if line.startswith("#")}
    readings = {row[0]: row[1:] for row in csv.reader(source.splitlines())}
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    for line in sheet.read_text(encoding="utf-8").splitlines():
        row = next(csv.reader([line]), [])
        if line.startswith("#"):
            text.write(head.get(line.partition(":")[0], line) + "\n")
        elif len(row) < 2 or row[1] not in readings or row[0] == "number":
            text.write(line + "\n")
        else:
            read = readings[row[1]]
            writer.writerow([*row[: -len(read)], *read])
    write_atomic(sheet, text.getvalue(), force=True)
