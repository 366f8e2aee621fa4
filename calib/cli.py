"""The command line's root: gathers the commands and turns bad input into one line and exit 2."""

import importlib
import os
import sys
from typing import Any

import typer
from typer.core import TyperGroup

from calib.errors import BadInput

#: Modules of `calib.commands`, in the order in which the help lists them.
COMMANDS = (
    "desk", "next", "make", "read", "photo", "solve", "keep", "profile", "apply", "event", "overview", "add",
    "report", "store", "doctor", "demo",
)  # fmt: skip


class _Root(TyperGroup):
    """A group that never shows a traceback for input the user can mend."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except BadInput as err:
            typer.echo(f"truebead: {err.line}", err=True)
            raise typer.Exit(2) from None

    def list_commands(self, ctx: Any) -> list[str]:
        return list(self.commands)  # in the order of the loop the user lives in


def build_app() -> typer.Typer:
    """Return the application with every command registered."""
    app = typer.Typer(
        name="truebead",
        cls=_Root,
        no_args_is_help=True,
        rich_markup_mode=None,  # plain help loads in half the time
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
        help="Calibration pieces for filament printers, and what their readings mean.\n\n"
        "Something changed? next -> make -> print -> read or photo -> solve -> keep -> apply.",
    )
    for name in COMMANDS:
        importlib.import_module(f"calib.commands.{name}").register(app)
    return app


def main() -> None:
    """Run the command line."""
    # The matrices are small: threads only get into each other's way. Read when numpy loads.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Windows consoles and pipes may not be UTF-8; never fail on a plus-minus sign.
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    build_app()()
