"""What the verbs share at the terminal: options that name things, lines and tables."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from calib.report.words import folded, table_lines

if TYPE_CHECKING:
    from rich.console import Console

#: Lines of words are not longer than this, even in a wide window.
_WIDEST = 100


#: Columns that are taken where a terminal says that it has next to none.
_NARROWEST = 20


def console() -> "Console":
    """Return the terminal; colours only where it has them and NO_COLOR is not set."""
    from rich.console import Console

    found = Console(highlight=False)
    if found.width < _NARROWEST:  # as a line without a terminal's size has it
        found.width = _NARROWEST
    return found


def say(text: str, style: str = "") -> None:
    """Print lines as they are: nothing in them is markup. A terminal gets them folded between words."""
    from rich.text import Text

    out = console()
    lines = text.split("\n")
    if out.is_terminal:
        lines = [part for line in lines for part in folded(line, min(out.width, _WIDEST))]
    out.print(Text("\n".join(lines), style=style), soft_wrap=True)


def say_line(text: str, style: str = "") -> None:
    """Print one line and no more: what does not fit the terminal is cut, with a mark."""
    from rich.text import Text

    console().print(Text(text, style=style), no_wrap=True, overflow="ellipsis", crop=True)


def say_table(title: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print a table; a column whose name ends in ">" is set to the right."""
    from rich.text import Text

    if title:
        say(title, "bold")
    for line in table_lines(columns, rows, console().width):
        console().print(Text(line), soft_wrap=True)
