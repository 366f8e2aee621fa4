"""What several commands share: JSON output, and the cautions."""

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import typer

from calib.commands.show import say
from calib.safety import SAFETY, cautions_due


def print_json(data: Mapping[str, Any] | Sequence[Any]) -> None:
    """Print data for machines: JSON without NaN or infinity."""
    from calib.report.plain import finite

    typer.echo(json.dumps(finite(data), indent=2, ensure_ascii=False, allow_nan=False))


def answer(data: Any, lines: Iterable[str | tuple[str, str]], *, as_json: bool) -> None:
    """Print data for machines, or else lines for people: texts, or (text, style)."""
    if as_json:
        print_json(data)
        return
    for line in lines:
        say(*((line,) if isinstance(line, str) else line))


def say_safety(*, as_json: bool = False, said: str = "") -> None:
    """Show the cautions, once per session of work, to a script or pipe too; beside data, on standard error.

    `said` is what the command has shown already: findings that ask for heat have them in their words.
    """
    stream = sys.stderr if as_json else sys.stdout
    if SAFETY not in said and cautions_due(to_terminal=stream.isatty()):
        typer.echo(SAFETY, err=as_json)
