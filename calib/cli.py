"""The command line's root: gathers the commands and turns bad input into one line and exit 2."""

import contextlib
import importlib
import os
import signal
import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import typer
from typer.core import TyperGroup

from calib.errors import BadInput
from patterns.text import shown_text

#: Modules of `calib.commands`.
COMMANDS = (
    "desk", "next", "make", "read", "photo", "solve", "keep", "profile", "apply", "event", "overview", "add",
    "report", "store", "doctor", "demo",
)  # fmt: skip

#: In this order the help lists the commands: that of the loop the user lives in.
ORDER = (
    "desk", "add", "next", "make", "list", "sheet", "read", "mat", "photo", "solve", "keep", "values", "apply",
    "event", "profile", "overview", "report", "rename", "retire", "copy", "store", "doctor", "demo",
)  # fmt: skip

#: What is wrong with the words of a command, whichever library typer takes it from.
_UsageError: Any = typer.BadParameter.__base__


#: Signals that asked to stop, in the order in which they came.
_asked_to_stop: list[int] = []


class _Root(TyperGroup):
    """A group that never shows a traceback for input the user can mend."""

    def __init__(self, *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        _speak_plainly(self)

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
        except _UsageError as err:
            if "\n" in err.message:  # a command with nothing behind it: its help
                raise
            typer.echo(f"truebead: {_usage_words(err)}", err=True)
            raise typer.Exit(2) from None
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
        return [name for name in ORDER if name in self.commands]


def _usage_words(err: Any) -> str:
    """Say on one line what is wrong with the words of a command, and how it is written."""
    if err.ctx is None:
        return str(err.message)
    param, path = getattr(err, "param", None), err.ctx.command_path
    example = (
        (err.ctx.command.epilog or "").partition(": ")[2].partition("\n")[0].partition("; ")[0]
    )
    mend = f"for example: {example}" if example else f"see {path} --help"
    if param is None:
        text = err.format_message().rstrip(".")
        return f"{text[:1].lower()}{text[1:]}; {mend}"
    name = param.opts[-1] if param.param_type_name == "option" else _metavar(param)
    if type(err).__name__ == "MissingParameter":
        return f"{path.removeprefix('truebead ')} needs {name}; {mend}"
    return f"{name}: {'not a whole number' if 'valid integer' in err.message else err.message}"


def _metavar(param: Any) -> str:
    """Return what stands for a parameter's value in help: a word, where typer shows a type of Python's."""
    if param.metavar or param.param_type_name == "argument":
        return str(param.metavar or param.name.upper())
    kind = getattr(getattr(param, "type_descriptor", None), "annotation", None)
    words: dict[Any, str] = {int: "NUMBER", float: "NUMBER", Path: "PATH"}
    return words.get(kind) or str(param.opts[0].lstrip("-").upper())


def _speak_plainly(group: Any) -> None:
    """Give every parameter of the commands below a word for its value."""
    for command in group.commands.values():
        if hasattr(command, "commands"):
            _speak_plainly(command)
        for param in command.params:
            if not getattr(param, "is_flag", False):
                param.metavar = _metavar(param)
            if param.param_type_name == "argument":
                param.display_type_rich = lambda ctx: ""


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
        "New here? `truebead desk` leads through it in the browser. Or: add printer, add nozzle, add"
        " spool, then make corner-gauge.\n\n"
        "Something changed? event -> next -> make -> print -> read or photo -> keep -> values and apply.",
    )
    for name in COMMANDS:
        importlib.import_module(f"calib.commands.{name}").register(app)
    return app


def main() -> None:
    """Run the command line; end with what a shell expects, and never with a traceback of the system's making."""
    # The matrices are small: threads only get into each other's way. Read when numpy loads.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    _open_what_is_closed()
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


def _open_what_is_closed() -> None:
    """Put nothing in the place of streams that whoever called has closed: no other file gets their numbers."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            with contextlib.suppress(OSError):
                os.dup2(os.open(os.devnull, os.O_RDWR), number)
            setattr(sys, name, open(os.devnull, "w" if number else "r", encoding="utf-8"))  # noqa: SIM115


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
