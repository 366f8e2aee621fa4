"""The command line's root: gathers the commands and turns bad input into one line and exit 2."""

import contextlib
import importlib
import os
import signal
import sys
from collections.abc import Sequence
from functools import cache
from typing import Any

import typer
from typer.core import TyperGroup

from calib.errors import BadInput
from patterns.text import shown_text

#: Modules of `calib.commands`, in the order in which the help lists them.
COMMANDS = (
    "desk", "next", "make", "read", "photo", "solve", "keep", "profile", "apply", "event", "overview", "add",
    "report", "store", "doctor", "demo",
)  # fmt: skip


#: Signals that asked to stop, in the order in which they came.
_asked_to_stop: list[int] = []


class _Root(TyperGroup):
    """A group that never shows a traceback for input the user can mend."""

    def main(self, args: Sequence[str] | None = None, *rest: Any, **named: Any) -> Any:
        """Run the command; arguments that are no text are refused before anything looks at them."""
        given = sys.argv[1:] if args is None else list(args)
        odd = next((a for a in given if any("\ud800" <= c <= "\udfff" for c in a)), None)
        if odd is not None:
            shown = odd.encode("utf-8", "backslashreplace").decode()
            typer.echo(f"truebead: {shown_text(shown)}: has bytes that are no UTF-8 text; write or name it in plain text", err=True)  # fmt: skip
            raise SystemExit(2)
        return super().main(args, *rest, **named)

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except BadInput as err:
            if _asked_to_stop:  # a library that was loading may have taken it for something missing
                raise KeyboardInterrupt from None
            typer.echo(f"truebead: {err.line}", err=True)
            raise typer.Exit(2) from None
        except OSError as err:  # a name too long, a disk that fails: no fault of the program
            if err.filename is None:  # the output itself: `main` says so, once
                raise
            typer.echo(f"truebead: {_words_of(err)}", err=True)
            raise typer.Exit(2) from None

    def list_commands(self, ctx: Any) -> list[str]:
        return list(self.commands)  # in the order of the loop the user lives in


@cache
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
    """Run the command line; end with what a shell expects, and never with a traceback of the system's making."""
    # The matrices are small: threads only get into each other's way. Read when numpy loads.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Windows consoles and pipes may not be UTF-8; never fail on a plus-minus sign.
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), _stop)
    try:
        code = _run()
        sys.stdout.flush()
    except OSError as err:
        code = _no_output(err)
    except BaseException:
        if not _asked_to_stop:
            raise
        code = 1
    sys.exit(128 + _asked_to_stop[0] if _asked_to_stop else code)


def _stop(number: int, _frame: Any) -> None:
    """Stop as a keyboard interrupt does, so that drafts are taken away and the database is left whole."""
    _asked_to_stop.append(number)
    raise KeyboardInterrupt


def _run() -> Any:
    try:
        build_app()(prog_name="truebead")
    except SystemExit as end:
        return end.code
    return 0


def _no_output(err: OSError) -> int:
    """Say that the output, or another file, failed; nothing more goes there."""
    with contextlib.suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if not isinstance(err, BrokenPipeError):
        with contextlib.suppress(OSError):
            typer.echo(f"truebead: {_words_of(err)}", err=True)
    return 2


def _words_of(err: OSError) -> str:
    """Say on one line what the system said, and of which file."""
    what = shown_text(str(err.filename))[:200] if err.filename else "the output"
    return f"{what}: {err.strerror or err}; choose another name or place, or make room"
