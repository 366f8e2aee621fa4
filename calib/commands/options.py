"""Every option and argument that commands share, each declared once."""

from pathlib import Path
from typing import Annotated, Any

import typer


def _number(name: str, words: str) -> Any:
    return typer.Option(name, help=words)


NozzleMm = Annotated[float | None, typer.Option("--nozzle-mm", help="Bore of the nozzle in mm.")]
LayerMm = Annotated[float | None, typer.Option("--layer-mm", help="Layer height in mm.")]
LineMm = Annotated[float | None, typer.Option("--line-mm", help="Line width in mm.")]
Build = Annotated[
    str,
    typer.Option(
        "--build",
        help="Build volume in mm, such as 220x220x250, or round:180x200.",
        metavar="XxYxZ",
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON for machines.")]
Force = Annotated[bool, typer.Option("--force", help="Replace files that are there.")]
Store = Annotated[
    str | None,
    typer.Option(
        "--store", envvar="TRUEBEAD_STORE", show_envvar=True, metavar="PATH|URL",
        help="Where profiles are kept; the user's data folder where not given.",
    ),
]  # fmt: skip
Printer = Annotated[
    str | None, typer.Option("--printer", "-p", help="Which printer; the only one if not given.")
]
Nozzle = Annotated[
    str | None, typer.Option("--nozzle", "-n", help="Which nozzle; the only one if not given.")
]
Spool = Annotated[
    str | None, typer.Option("--spool", "-s", help="Which spool; the only one if not given.")
]
By = Annotated[
    str, typer.Option("--by", help="Who does this; the system's user if not given.", metavar="NAME")
]
Thing = Annotated[str, typer.Argument(help="printer, nozzle, spool or instrument.")]
Name = Annotated[str, typer.Argument(help="Its name.")]
NewName = Annotated[str, typer.Argument(metavar="NEW", help="The new name.")]
OfPrinter = Annotated[
    str | None, typer.Option("--printer", "-p", help="Whose nozzle; the only printer if not given.")
]
Now = Annotated[
    list[str] | None,
    typer.Option(
        "--now", help="What was set while it was printed, such as steps_x_per_mm=80.", metavar="NAME=VALUE"
    ),
]  # fmt: skip
Filament = Annotated[
    str, typer.Option("--filament", help="Type of filament, such as PLA; else the spool's.")
]
Instruments = Annotated[
    list[str] | None,
    typer.Option(
        "--instrument", help="Which of your instruments measured; the only one if not given."
    ),
]
Tolerance = Annotated[
    float, typer.Option("--tolerance-mm", help="Size error that does not matter to you...")
]
Part = Annotated[float, typer.Option("--part-mm", help="...over parts of this length.")]
Accept = Annotated[
    bool,
    typer.Option("--accept", help="Take what was probably meant for readings that can't be right."),
]
InPrinter = Annotated[
    list[str] | None,
    typer.Option(
        "--in-printer", metavar="SETTING",
        help="A setting, or all of `scale`, `skew`, that is set in the printer or the slicing"
        " settings: kept, and files go without it.",
    ),
]  # fmt: skip
InModels = Annotated[
    list[str] | None,
    typer.Option("--in-models", metavar="SETTING", help="One that is put into models from now on."),
]
InGcode = Annotated[
    list[str] | None,
    typer.Option("--in-gcode", metavar="SETTING", help="One that goes into sliced files from now on."),
]  # fmt: skip
ScaleX = Annotated[float | None, _number("--scale-x", "Scale X to this many %.")]
ScaleY = Annotated[float | None, _number("--scale-y", "Scale Y to this many %.")]
ScaleZ = Annotated[float | None, _number("--scale-z", "Scale Z to this many %.")]
SkewXY = Annotated[float | None, _number("--skew-xy", "Lean of Y toward +X, degrees.")]
SkewXZ = Annotated[float | None, _number("--skew-xz", "Lean of Z toward +X, degrees.")]
SkewYZ = Annotated[float | None, _number("--skew-yz", "Lean of Z toward +Y, degrees.")]
Flow = Annotated[float | None, _number("--flow", "Extrude this many % (G-code).")]
Schedule = Annotated[
    Path | None,
    typer.Option(
        help="schedule.csv of a calibration piece: settings by height (G-code)."
        " Kept corrections are not put into it."
    ),
]
Line = Annotated[
    str,
    typer.Option(
        metavar="LINE",
        help="A line of your own that sets what the schedule changes, such as 'SET X={value}';"
        " the value is filled in.",
    ),
]
EInG91 = Annotated[
    str,
    typer.Option(
        "--e-in-g91", metavar="HOW",
        help="How the printer reads E under G91 without M83: relative or absolute. Without it such"
        " words stay as they are.",
    ),
]  # fmt: skip
Wait = Annotated[bool, typer.Option("--wait", help="Wait for each temperature of the schedule.")]
Room = Annotated[
    str, typer.Option(help="Build volume in mm, such as 220x220x250.", metavar="XxYxZ")
]
Origin = Annotated[str, typer.Option(help="Low corner of the build volume, mm.", metavar="X,Y,Z")]
Centre = Annotated[
    str, typer.Option(help="Point that stays (G-code), mm; else the bed's middle.", metavar="X,Y,Z")
]
HotEndMax = Annotated[
    float | None,
    typer.Option("--hot-end-max", help="A lower limit than the hot end's rating, degC."),
]
BedMax = Annotated[
    float | None, typer.Option("--bed-max", help="The same of the bed, degC; 0: no heated bed.")
]
Out = Annotated[Path | None, typer.Option(help="File to write (default: NAME.corrected.SUFFIX).")]
Again = Annotated[bool, typer.Option("--again", help="Correct a file that was corrected before.")]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Write nothing; show what would change.")]
Check = Annotated[
    bool, typer.Option("--check", help="Hold the printed path against the original (G-code).")
]
Card = Annotated[Path | None, typer.Option(help="Also write the values as a page to print.")]
Csv = Annotated[Path | None, typer.Option("--csv", help="Also write the values as CSV.")]
