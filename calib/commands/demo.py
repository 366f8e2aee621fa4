"""`truebead demo`: the whole loop on invented readings, with a store of its own."""

from pathlib import Path
from typing import Annotated

import typer

from calib.commands.common import ForceOption, say_safety
from calib.errors import FileError


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        "demo",
        help="Run the whole loop on invented readings: make, solve, keep, profile.\n\n"
        "Nothing of yours is touched: it has a store of its own in the folder it makes.",
        epilog="Example: truebead demo --out demo-out",
    )(demo)


def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to make.")] = Path("demo-out"),
    force: ForceOption = False,
) -> None:
    """Play the scenario with the real commands, each shown before it runs."""
    import shutil

    from calib.cli import build_app
    from calib.demo import play

    marker = out / "store.db"
    if out.exists() and any(out.iterdir()):
        if not force or not marker.exists():
            mend = "choose another with --out" if force else "add --force to make it anew"
            raise FileError("the folder is there and not empty", where=str(out), mend=mend)
        shutil.rmtree(out)
    out.mkdir(parents=True, exist_ok=True)
    app = build_app()

    def run(words: list[str]) -> int:
        typer.secho(f"\n$ truebead {' '.join(words)}", bold=True)
        code = app(words, standalone_mode=False)
        if code not in (0, 1, None):
            raise typer.Exit(code)
        return code or 0

    play(out, run, lambda text: typer.echo(f"\n{text}"))
    typer.echo("\nOpen these to see what was made:")
    for path in (
        sorted(out.glob("*/sheet.html")) + sorted(out.glob("*.svg")) + sorted(out.glob("*.html"))
    ):
        typer.echo(f"  {path}")
    typer.echo(f"The store is {marker}; look into it with --store {marker}")
    say_safety()
