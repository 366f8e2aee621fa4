"""The options that `solve` and `keep` share: what is known besides the sheet."""

from typing import Annotated

import typer

NowOption = Annotated[
    list[str] | None,
    typer.Option(
        "--now", help="What was set while it was printed, such as steps_x_per_mm=80.", metavar="NAME=VALUE"
    ),
]  # fmt: skip
FilamentOption = Annotated[
    str, typer.Option("--filament", help="Type of filament, such as PLA; else the spool's.")
]
InstrumentOption = Annotated[
    list[str] | None,
    typer.Option(
        "--instrument", help="Which of your instruments measured; the only one if not given."
    ),
]
ToleranceOption = Annotated[
    float, typer.Option("--tolerance-mm", help="Size error that does not matter to you...")
]
PartOption = Annotated[float, typer.Option("--part-mm", help="...over parts of this length.")]
AcceptOption = Annotated[
    bool,
    typer.Option("--accept", help="Take what was probably meant for readings that can't be right."),
]
