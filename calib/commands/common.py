"""What several commands share: JSON output, and the cautions."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

import typer

from calib.safety import SAFETY, cautions_due


def print_json(data: Mapping[str, Any] | Sequence[Any]) -> None:
    """Print data for machines: JSON without NaN or infinity."""
    from calib.report.plain import finite

    typer.echo(json.dumps(finite(data), indent=2, ensure_ascii=False, allow_nan=False))


def say_safety(*, as_json: bool = False, said: str = "") -> None:
    """Show the cautions, once per session of work; beside data for machines, on standard error.

    `said` is what the command has shown already: findings that ask for heat have them in their words.
    """
    if SAFETY not in said and cautions_due():
        typer.echo(SAFETY, err=as_json)
