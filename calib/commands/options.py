"""Every option and argument that commands share, each declared once."""

from pathlib import Path
from typing import Annotated, Any

import typer

from calib.workshop import completing as c
from calib.workshop import typed


def _o(name: str, words: str, *short: str, **more: Any) -> Any:
    return typer.Option(name, *short, help=words, **more)


def _number(text: str | float) -> float:
    try:
        return typed.number(text)
    except ValueError as err:
        raise typer.BadParameter(str(err)) from None


def number_option(words: str, *names: str) -> Any:
    """Declare an option that takes a number as people write it."""
    return typer.Option(*names, help=words, parser=_number, metavar="NUMBER")


def _name(what: str) -> Any:
    last = ", or the one fitted last" if what == "nozzle" else ""
    words = f"Which {what}; the only one{last} if not given."
    return _o(f"--{what}", words, f"-{what[0]}", autocompletion=c.names(what))


NozzleMm = Annotated[float | None, number_option("Bore of the nozzle in mm.", "--nozzle-mm")]
LayerMm = Annotated[float | None, number_option("Layer height in mm.", "--layer-mm")]
LineMm = Annotated[float | None, number_option("Line width in mm.", "--line-mm")]
Build = Annotated[
    str,
    _o("--build", "Build volume in mm, such as 220x220x250, or round:180x200.", metavar="XxYxZ"),
]
Json = Annotated[bool, _o("--json", "Print JSON for machines.")]
Force = Annotated[bool, _o("--force", "Replace files that are there.")]
Store = Annotated[
    str | None,
    typer.Option(
        "--store", envvar="TRUEBEAD_STORE", show_envvar=True, metavar="PATH|URL",
        help="Where profiles are kept; the user's data folder where not given.",
    ),
]  # fmt: skip
Printer = Annotated[str | None, _name("printer")]
Nozzle = Annotated[str | None, _name("nozzle")]
Spool = Annotated[str | None, _name("spool")]
By = Annotated[
    str, typer.Option("--by", help="Who does this; the system's user if not given.", metavar="NAME")
]
Thing = Annotated[str, typer.Argument(help="printer, nozzle, spool or instrument.")]
Name = Annotated[str, typer.Argument(help="Its name.")]
NewName = Annotated[str, typer.Argument(metavar="NEW", help="The new name.")]
OfPrinter = Annotated[str | None, _name("printer")]
Now = Annotated[
    list[str] | None,
    typer.Option(
        "--now", help="What was set while it was printed, such as steps_x_per_mm=80.", metavar="NAME=VALUE"
    ),
]  # fmt: skip
Filament = Annotated[
    str, typer.Option("--filament", help="Type of filament, such as PLA; else the spool's.")
]
_WHAT = "Which of your instruments measured; the only one if not given."
Instruments = Annotated[
    list[str] | None, _o("--instrument", _WHAT, autocompletion=c.names("instrument"))
]
Tolerance = Annotated[
    float, number_option("Size error that does not matter to you...", "--tolerance-mm")
]
Part = Annotated[float, number_option("...over parts of this length.", "--part-mm")]
Accept = Annotated[
    bool, _o("--accept", "Take what was probably meant for readings that can't be right.")
]
InPrinter = Annotated[
    list[str] | None,
    typer.Option(
        "--in-printer", metavar="SETTING", autocompletion=c.settings,
        help="A setting, or all of `scale`, `skew`, that is set in the printer or the slicing"
        " settings: kept, and files go without it.",
    ),
]  # fmt: skip
InModels = Annotated[
    list[str] | None,
    typer.Option("--in-models", metavar="SETTING", autocompletion=c.settings, help="One that is put into models from now on."),
]  # fmt: skip
InGcode = Annotated[
    list[str] | None,
    typer.Option("--in-gcode", metavar="SETTING", autocompletion=c.settings, help="One that goes into sliced files from now on."),
]  # fmt: skip
ScaleX = Annotated[float | None, number_option("Scale X to this many %.", "--scale-x")]
ScaleY = Annotated[float | None, number_option("Scale Y to this many %.", "--scale-y")]
ScaleZ = Annotated[float | None, number_option("Scale Z to this many %.", "--scale-z")]
SkewXY = Annotated[float | None, number_option("Lean of Y toward +X, degrees.", "--skew-xy")]
SkewXZ = Annotated[float | None, number_option("Lean of Z toward +X, degrees.", "--skew-xz")]
SkewYZ = Annotated[float | None, number_option("Lean of Z toward +Y, degrees.", "--skew-yz")]
Flow = Annotated[float | None, number_option("Extrude this many % (G-code).", "--flow")]
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
Origin = Annotated[str, typer.Option(help="Low corner of the build volume, mm.", metavar="X,Y,Z")]
Centre = Annotated[
    str, typer.Option(help="Point that stays (G-code), mm; else the bed's middle.", metavar="X,Y,Z")
]
HotEndMax = Annotated[
    float | None, number_option("A lower limit than the hot end's rating, degC.", "--hot-end-max")
]
BedMax = Annotated[
    float | None, number_option("The same of the bed, degC; 0: no heated bed.", "--bed-max")
]
FileToCorrect = Annotated[Path | None, typer.Argument(metavar="FILE",
    help="Sliced G-code, STL or 3MF; without one the values to type in are shown.")]  # fmt: skip
Out = Annotated[Path | None, typer.Option(help="File to write (default: NAME.corrected.SUFFIX).")]
Help = Annotated[bool, typer.Option("--help", "-h", help="Show this, or a pattern's parameters.")]
Again = Annotated[bool, _o("--again", "Correct a file that was corrected before.")]
DryRun = Annotated[bool, _o("--dry-run", "Write nothing; show what would change.")]
Check = Annotated[bool, _o("--check", "Hold the printed path against the original (G-code).")]
Card = Annotated[Path | None, typer.Option(help="Also write the values as a page to print.")]
Csv = Annotated[Path | None, _o("--csv", "Also write the values as CSV.")]
Settings = Annotated[
    list[str] | None,
    typer.Option("--set", help="A parameter, such as size_mm=40.", metavar="NAME=VALUE"),
]
Unit = Annotated[str, _o("--unit", "What your caliper shows: mm or inch.")]
Repeats = Annotated[int, _o("--repeats", "Readings per feature on the sheet.")]
Folder = Annotated[Path | None, _o("--out", "Folder to make (default: the pattern's name).")]
Plate = Annotated[
    bool, _o("--plate", "Also nest the pieces on one bed, in plate.3mf, or on several.")
]
Solid = Annotated[
    list[Path] | None,
    _o("--solid", "A part of your own, as STEP: what can be measured is found."),
]
