"""What the verbs share at the terminal: options that name things, lines and tables."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from calib.report.words import table_lines

if TYPE_CHECKING:
    from rich.console import Console

StoreOption = Annotated[
    str | None,
    typer.Option(
        "--store", envvar="TRUEBEAD_STORE", show_envvar=True, metavar="PATH|URL",
        help="Where profiles are kept; the user's data folder where not given.",
    ),
]  # fmt: skip
PrinterOption = Annotated[
    str | None, typer.Option("--printer", "-p", help="Which printer; the only one if not given.")
]
NozzleOption = Annotated[
    str | None, typer.Option("--nozzle", "-n", help="Which nozzle; the only one if not given.")
]
SpoolOption = Annotated[
    str | None, typer.Option("--spool", "-s", help="Which spool; the only one if not given.")
]
ByOption = Annotated[
    str, typer.Option("--by", help="Who does this; the system's user if not given.", metavar="NAME")
]


def console() -> "Console":
    """Return the terminal; colours only where it has them and NO_COLOR is not set."""
    from rich.console import Console

    return Console(highlight=False)


def say(text: str, style: str = "") -> None:
    """Print one paragraph as it is: nothing in it is markup."""
    from rich.text import Text

    console().print(Text(text, style=style), soft_wrap=True)


def say_line(text: str, style: str = "") -> None:
    """Print one line and no more: what does not fit the terminal is cut, with a mark."""
    from rich.text import Text

    console().print(Text(text, style=style), no_wrap=True, overflow="ellipsis", crop=True)


def say_table(title: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table; a column whose name ends in ">" is set to the right."""
    if title:
        say(title, "bold")
    for line in table_lines(columns, rows, console().width):
        say(line)
